"""Revisions: the truth of an edit is the difference of the masks, and nothing else changes."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from maskdelta.phantom import ALL_KINDS, LAYERS, SAMPLE_EDITS, Edit, Layout, make_layout, revise


def _masks(layout: Layout) -> dict[str, np.ndarray]:
    box = (0, 0, layout.width_um, layout.height_um)
    return {name: layout.mask(name, box) > 0 for name in LAYERS}


def test_areas_of_edits_are_the_mask_differences(
    layout: Layout, revised: tuple[Layout, tuple[Edit, ...]]
) -> None:
    after, edits = revised
    old, new = _masks(layout), _masks(after)
    for name in LAYERS:
        told = np.zeros((2, *old[name].shape), dtype=np.uint8)
        for edit in edits:
            for plane, changed in enumerate((edit.added, edit.removed)):
                for x0, y0, x1, y1 in changed.get(name, []):
                    told[plane, y0:y1, x0:x1] += 1
        assert np.array_equal(told[0], new[name] & ~old[name]), name
        assert np.array_equal(told[1], old[name] & ~new[name]), name
        assert sum(e.added_um2().get(name, 0) for e in edits) == told[0].sum()


def test_every_kind_is_made_once(revised: tuple[Layout, tuple[Edit, ...]]) -> None:
    _, edits = revised
    assert [e.kind for e in edits] == [r.kind for r in ALL_KINDS]
    assert [e.number for e in edits] == list(range(1, len(edits) + 1))


def test_boxes_hold_the_changes_and_keep_apart(revised: tuple[Layout, tuple[Edit, ...]]) -> None:
    _, edits = revised
    for edit in edits:
        for boxes in (*edit.added.values(), *edit.removed.values()):
            array = np.array(boxes)
            assert (array[:, :2] >= np.array(edit.box_um[:2])).all()
            assert (array[:, 2:] <= np.array(edit.box_um[2:])).all()
    for i, one in enumerate(edits):
        for two in edits[i + 1 :]:
            a, b = one.box_um, two.box_um
            gap = max(b[0] - a[2], a[0] - b[2], b[1] - a[3], a[1] - b[3])
            # Less than the 16 um between the windows would let two edits merge into one finding.
            assert gap >= 12, (one.kind, two.kind)


def test_nets_after_the_edits_agree_with_the_masks(
    revised: tuple[Layout, tuple[Edit, ...]], compare_with_masks: Callable[[Layout], None]
) -> None:
    compare_with_masks(revised[0])


def test_added_circuit_has_8_to_14_transistors(
    layout: Layout, revised: tuple[Layout, tuple[Edit, ...]]
) -> None:
    more = len(revised[0].transistors) - len(layout.transistors)
    assert 8 <= more <= 14


def test_widened_transistor_is_wider(layout: Layout) -> None:
    after, _ = revise(layout, ["transistor_widened"], seed=1)
    growth = after.transistors["width_um"] - layout.transistors["width_um"]
    assert sorted(set(growth.tolist())) == [0, 14]
    assert np.count_nonzero(growth) == 2


def test_a_bit_flips(layout: Layout) -> None:
    after, _ = revise(layout, ["rom_bit"], seed=2)
    flipped = [a for a, b in zip(after.bits, layout.bits, strict=True) if a.value != b.value]
    assert len(flipped) == 1


def test_contacts_and_lines_change_the_number_of_nets(layout: Layout) -> None:
    def nets(edit: str) -> int:
        after, _ = revise(layout, [edit], seed=4)
        return len(np.unique(np.concatenate([n[n >= 0] for n in after.nets.values()])))

    base = len(np.unique(np.concatenate([n[n >= 0] for n in layout.nets.values()])))
    assert nets("contact_new") == base - 1
    assert nets("line_unconnected") == base + 1
    assert nets("line_rerouted") == base


def test_the_layout_itself_is_left_alone(layout: Layout) -> None:
    before = {name: boxes.copy() for name, boxes in layout.boxes.items()}
    segments = [len(channel.segments) for channel in layout.channels]
    revise(layout, ALL_KINDS, seed=9)
    assert all(np.array_equal(layout.boxes[name], before[name]) for name in LAYERS)
    assert [len(channel.segments) for channel in layout.channels] == segments


@pytest.mark.parametrize("seed", [11, 12, 13, 14])
def test_sample_edits_fit_any_seed(seed: int) -> None:
    layout = make_layout(seed, height_um=1480, memory_share=0.255)
    _, edits = revise(layout, SAMPLE_EDITS, seed=seed)
    assert len(edits) == len(SAMPLE_EDITS)


def test_same_seed_same_edits(layout: Layout) -> None:
    one, two = (revise(layout, ALL_KINDS, seed=5)[1] for _ in range(2))
    assert one == two


def test_unknown_kind_is_refused(layout: Layout) -> None:
    with pytest.raises(ValueError, match="expected one of"):
        revise(layout, ["everything"], seed=1)
