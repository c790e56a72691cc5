"""Kinds of change, on drawn shapes whose kind is plain."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from maskdelta.difference import ADDED, NOT_COMPARABLE, REMOVED, Change
from maskdelta.difference._kinds import Surroundings, channel_layers, classify, contact_layers
from maskdelta.difference._regions import join_regions, measure_block
from maskdelta.images import Box, Raster, write_raster
from maskdelta.study import StudySettings, link_to_study

SIZE = 300
LAYERS = ("diffusion", "polysilicon", "contact", "metal")
TRANSISTOR = frozenset({"diffusion", "polysilicon"})
Boxes = dict[str, list[tuple[int, int, int, int]]]
LINK = link_to_study("a", "a", (), own_um_per_px=0.5, reference_um_per_px=0.5)


def drawn(boxes: Boxes) -> np.ndarray:
    planes = np.zeros((len(LAYERS), SIZE, SIZE), bool)
    for name, places in boxes.items():
        for x0, y0, x1, y1 in places:
            planes[LAYERS.index(name), y0:y1, x0:x1] = True
    return planes


def written(path: Path, planes: np.ndarray, *names: str) -> Raster:
    write_raster(
        path,
        lambda b: planes[:, b.y0 : b.y1, b.x0 : b.x1],
        shape=(SIZE, SIZE),
        dtype=np.uint8,
        planes=names,
        reduce="nearest",
    )
    return Raster.open(path)


def kind_of(
    folder: Path,
    before: Boxes,
    after: Boxes,
    *,
    unseen: Boxes | None = None,
    bits: tuple[tuple[float, float], ...] = (),
) -> Change:
    """The one change between two drawings, classified."""
    b, a, hidden = drawn(before), drawn(after), drawn(unseen or {})
    states = np.where(a & ~b, ADDED, np.where(b & ~a, REMOVED, 0)).astype(np.uint8)
    states[hidden] = NOT_COMPARABLE
    whole = Box(0, 0, SIZE, SIZE)
    none = np.zeros((SIZE, SIZE), np.float32)
    regions = join_regions(
        measure_block(
            0,
            whole,
            k,
            sign,
            *[states[k] == sign] * 3,
            b[k],
            a[k],
            none,
            *[none > 0] * 3,
        )
        for k in range(len(LAYERS))
        for sign in (ADDED, REMOVED)
    )
    x, y = np.average([(r.x, r.y) for r in regions], axis=0) / 2
    corners = np.array([r.box for r in regions]) / 2
    change = Change(
        tuple(regions),
        tuple(LAYERS[k] for k in sorted({r.layer for r in regions})),
        float(x),
        float(y),
        (*corners[:, :2].min(0), *corners[:, 2:].max(0)),
        float((states == ADDED).sum() / 4),
        float((states == REMOVED).sum() / 4),
        0.1,
        5.0,
        -2.0,
    )
    masks = {n: written(folder / f"{n}.tif", states[k : k + 1], n) for k, n in enumerate(LAYERS)}
    membership = written(folder / "layers.tif", b.astype(np.uint8) * 255, *LAYERS)
    places = np.array(bits, float).reshape(-1, 2)
    around = Surroundings(membership, masks, {"contact"}, places, {TRANSISTOR})
    try:
        return classify(change, around, LINK)
    finally:
        for raster in (membership, *masks.values()):
            raster.close()


LINE = (0, 140, SIZE, 150)  # runs through the whole picture
DOT = (100, 142, 108, 148)


@pytest.mark.parametrize(
    ("before", "after", "kind"),
    [
        ({"metal": [LINE]}, {"metal": [LINE], "contact": [DOT]}, "contact new"),
        ({"metal": [LINE], "contact": [DOT]}, {"metal": [LINE]}, "contact gone"),
        ({"metal": [LINE]}, {"metal": [(0, 140, 100, 150), (124, 140, SIZE, 150)]}, "cut"),
        ({"metal": [(0, 140, 100, 150), (124, 140, SIZE, 150)]}, {"metal": [LINE]}, "joined"),
        ({"metal": [LINE]}, {"metal": [LINE, (100, 132, 180, 150)]}, "widened"),
        ({"metal": [LINE, (100, 132, 180, 150)]}, {"metal": [LINE]}, "narrowed"),
        # a stub of a line, and a line on its own
        ({"metal": [LINE]}, {"metal": [LINE, (100, 100, 110, 150)]}, "added"),
        ({"metal": [LINE]}, {"metal": [LINE, (100, 60, 200, 70)]}, "added"),
        # the arm of a letter goes over to its other side
        (
            {"metal": [(100, 100, 106, 140), (106, 100, 120, 106)]},
            {"metal": [(100, 100, 106, 140), (106, 134, 120, 140)]},
            "lettering",
        ),
    ],
)
def test_the_kinds(tmp_path: Path, before: Boxes, after: Boxes, kind: str) -> None:
    assert kind_of(tmp_path, before, after).kind == kind


WIDE: Boxes = {"diffusion": [(100, 100, 124, 130)], "polysilicon": [(108, 92, 116, 138)]}


def test_a_transistor_that_grew_is_widened_and_a_second_one_is_added(tmp_path: Path) -> None:
    grown: Boxes = {"diffusion": [(100, 100, 124, 158)], "polysilicon": [(108, 92, 116, 166)]}
    assert kind_of(tmp_path, WIDE, grown).kind == "widened"
    assert kind_of(tmp_path, grown, WIDE).kind == "narrowed"
    second = {name: [*WIDE[name], *_moved(WIDE[name], 0, 50)] for name in WIDE}
    assert kind_of(tmp_path, WIDE, second).kind == "added"


def _moved(boxes: list[tuple[int, int, int, int]], dx: int, dy: int) -> list:
    return [(x0 + dx, y0 + dy, x1 + dx, y1 + dy) for x0, y0, x1, y1 in boxes]


def test_a_few_doubtful_px_beside_a_letter_hide_nothing(tmp_path: Path) -> None:
    before: Boxes = {"metal": [(100, 100, 106, 140), (106, 100, 120, 106)]}
    after: Boxes = {"metal": [(100, 100, 106, 140), (106, 134, 120, 140)]}
    found = kind_of(tmp_path, before, after, unseen={"metal": [(98, 110, 100, 114)]})
    assert found.kind == "lettering"


def test_a_shape_that_ends_out_of_sight_is_no_lettering(tmp_path: Path) -> None:
    before: Boxes = {"metal": [(100, 100, 106, 140), (106, 100, 120, 106)]}
    after: Boxes = {"metal": [(100, 100, 106, 140), (106, 134, 120, 140)]}
    found = kind_of(tmp_path, before, after, unseen={"metal": [(80, 90, 99, 120)]})
    assert found.kind == "altered"


@pytest.mark.parametrize(("dx", "dy"), [(40, -22), (0, 12)])
def test_what_moved_has_its_vector(tmp_path: Path, dx: int, dy: int) -> None:
    parts = {
        "polysilicon": [(100, 100, 108, 160)],
        "metal": [(90, 110, 150, 130)],
        "contact": [DOT],
    }
    moved = {name: _moved(boxes, dx, dy) for name, boxes in parts.items()}
    found = kind_of(tmp_path, parts, moved)
    assert found.kind == "moved"
    assert found.moved_um == pytest.approx((dx / 2, dy / 2), abs=1e-9)


@pytest.mark.parametrize(("hidden_px", "kind"), [(24, "moved"), (50, "altered")])
def test_what_is_hidden_where_a_block_moved_to_does_not_count(
    tmp_path: Path, hidden_px: int, kind: str
) -> None:
    """A third of the block lies under something after; with most of it gone nobody can tell."""
    parts = {"metal": [(100, y, 170, y + 8) for y in (100, 114, 128)]}
    parts["polysilicon"] = [(x, 100, x + 6, 136) for x in (110, 130, 150)]
    moved = {name: _moved(boxes, 0, 60) for name, boxes in parts.items()}
    under = [(170 - hidden_px, 150, 175, 205)]
    unseen = {"metal": under, "polysilicon": under}
    assert kind_of(tmp_path, parts, moved, unseen=unseen).kind == kind


def test_a_bit_that_differs_names_its_contact(tmp_path: Path) -> None:
    before: Boxes = {"metal": [LINE]}
    after: Boxes = {"metal": [LINE], "contact": [DOT]}
    assert kind_of(tmp_path, before, after, bits=((52.0, 72.5),)).kind == "array bit"
    assert kind_of(tmp_path, before, after, bits=((152.0, 72.5),)).kind == "contact new"


def test_many_pieces_in_three_layers_are_a_block_redrawn(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)

    def scattered() -> Boxes:
        places = rng.integers(60, 220, (len(LAYERS), 6, 2))
        sides = rng.integers(8, 24, (len(LAYERS), 6, 2))
        return {
            name: [(x, y, x + w, y + h) for (x, y), (w, h) in zip(p, s, strict=True)]
            for name, p, s in zip(LAYERS, places, sides, strict=True)
        }

    assert kind_of(tmp_path, scattered(), scattered()).kind == "redrawn"


def test_contact_layers_are_those_of_dots_only() -> None:
    stacks = StudySettings.model_validate({"reference": "a", "dies": {}}).stacks
    assert contact_layers(stacks) == {"contact"}


def test_transistors_are_where_two_open_layers_cross() -> None:
    stacks = StudySettings(reference="a", dies={}).stacks
    assert channel_layers(stacks) == {TRANSISTOR}
