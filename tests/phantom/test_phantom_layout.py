"""Layouts: same seed, same die; the parts asked for; nets as the masks have them."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import pytest

from maskdelta.phantom import LAYERS, Layout, make_layout

SMALL = {"width_um": 1760, "height_um": 1340}


def test_same_seed_same_layout() -> None:
    one, two, other = make_layout(5, **SMALL), make_layout(5, **SMALL), make_layout(6, **SMALL)
    for layer in LAYERS:
        assert np.array_equal(one.boxes[layer], two.boxes[layer])
    assert not np.array_equal(one.boxes["metal"], other.boxes["metal"])


def test_register_file_covers_a_quarter(layout: Layout) -> None:
    memory = [r.box_um for r in layout.regions if r.kind == "memory"]
    area = sum((x1 - x0) * (y1 - y0) for x0, y0, x1, y1 in memory)
    assert area >= 0.25 * layout.width_um * layout.height_um


def test_all_parts_are_there(layout: Layout) -> None:
    kinds = {r.kind for r in layout.regions}
    assert kinds >= {"memory", "rom", "decode", "logic", "pad", "driver", "lettering", "monitor"}
    assert all(len(layout.boxes[layer]) for layer in LAYERS)
    assert layout.transistors["depletion"].any()


def test_nothing_reaches_beyond_the_die(layout: Layout) -> None:
    for boxes in layout.boxes.values():
        assert boxes[:, :2].min() >= 0
        assert boxes[:, 2].max() <= layout.width_um
        assert boxes[:, 3].max() <= layout.height_um


@pytest.mark.parametrize("seed", [1, 2])
def test_nets_and_transistors_agree_with_the_masks(
    seed: int, compare_with_masks: Callable[[Layout], None]
) -> None:
    compare_with_masks(make_layout(seed))


def test_large_die_repeats_the_circuit_and_its_nets_agree(
    compare_with_masks: Callable[[Layout], None],
) -> None:
    layout = make_layout(1, width_um=4400, height_um=3200)
    assert sum(r.kind == "rom" for r in layout.regions) >= 4
    compare_with_masks(layout)


def test_bits_are_contacts(layout: Layout) -> None:
    mask = layout.mask("contact", (0, 0, layout.width_um, layout.height_um))
    for bit in layout.bits:
        x0, y0, x1, y1 = (int(v) for v in bit.box_um)
        assert mask[y0:y1, x0:x1].all() == bool(bit.value)
        assert mask[y0:y1, x0:x1].any() == bool(bit.value)


def test_blocks_of_a_mask_join_without_a_seam(layout: Layout) -> None:
    whole = layout.mask("metal", (100, 100, 400, 300), um_per_px=0.5)
    halves = [
        layout.mask("metal", box, um_per_px=0.5)
        for box in ((100, 100, 250, 300), (250, 100, 400, 300))
    ]
    assert np.array_equal(whole, np.concatenate(halves, axis=1))


def test_spacing_rules_hold_for_metal_and_polysilicon(layout: Layout) -> None:
    """Closing gaps narrower than the rule must join no two shapes (metal 3, poly 2 lambda)."""
    box = (0, 0, layout.width_um, layout.height_um)
    for layer, rule in (("metal", 2), ("polysilicon", 1)):
        mask = layout.mask(layer, box, um_per_px=2.0)
        for region in layout.regions:
            if region.kind == "lettering":  # its squares touch at corners, by design
                x0, y0, x1, y1 = (int(v / 2) for v in region.box_um)
                mask[y0:y1, x0:x1] = 0
        count, _ = cv2.connectedComponents(mask, connectivity=4)
        closed = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((rule + 1, rule + 1), np.uint8))
        assert cv2.connectedComponents(closed, connectivity=4)[0] == count, layer


def test_too_small_a_die_is_refused() -> None:
    with pytest.raises(ValueError, match="too small"):
        make_layout(1, width_um=600, height_um=600)
