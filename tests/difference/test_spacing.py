"""The smallest spacing of a layer is measured, and candidates in narrower gaps are set aside."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from maskdelta.difference import ADDED, REMOVED
from maskdelta.difference._regions import Region, join_regions, measure_block
from maskdelta.difference._spacing import measure_spacing_px, split_by_spacing
from maskdelta.images import Box, Raster, write_raster

SIZE = 256
LINES = np.zeros((SIZE, SIZE), bool)
for _top in range(4, SIZE - 12, 25):  # lines of 14 px, 11 px apart
    LINES[_top : _top + 14] = True


def written(path: Path, plane: np.ndarray) -> Raster:
    write_raster(
        path,
        lambda b: plane[None, b.y0 : b.y1, b.x0 : b.x1],
        shape=(SIZE, SIZE),
        dtype=np.uint8,
        planes=("metal",),
        reduce="nearest",
    )
    return Raster.open(path)


def membership(folder: Path, present: np.ndarray) -> Raster:
    return written(folder / "layers.tif", present.astype(np.uint8) * 255)


def candidates(states: np.ndarray) -> list[Region]:
    none = np.zeros(states.shape, np.float32)
    box = Box(0, 0, SIZE, SIZE)
    return join_regions(
        measure_block(0, box, 0, s, states == s, states == s, none, none, none, none > 0)
        for s in (ADDED, REMOVED)
    )


def split(folder: Path, before: np.ndarray, states: np.ndarray, distance_px: float = 5.0):
    with membership(folder, before) as member, written(folder / "raw.tif", states) as raw:
        regions = candidates(states)
        return split_by_spacing(regions, raw, member, [0], {0: 11}, distance_px=distance_px)


def test_the_spacing_is_measured_where_the_layer_can_be_seen(tmp_path: Path) -> None:
    seen = np.full((SIZE, SIZE), 255, np.uint8)
    odd = LINES.copy()
    odd[100:104, 100:120] = True  # one place breaks the rule: it is not the majority
    with membership(tmp_path, odd) as member, written(tmp_path / "v.tif", seen) as visible:
        assert measure_spacing_px(member, visible, 0) == 11
    none = np.zeros_like(seen)
    with membership(tmp_path, LINES) as member, written(tmp_path / "v.tif", none) as visible:
        assert measure_spacing_px(member, visible, 0) == 0


@pytest.mark.parametrize("sign", [REMOVED, ADDED])
def test_a_speck_inside_a_line_is_set_aside_and_a_cut_is_kept(tmp_path: Path, sign: int) -> None:
    # in the photograph before (added) or in the one after (removed)
    states = np.zeros((SIZE, SIZE), np.uint8)
    states[57:64, 40:48] = sign
    states[104:118, 150:170] = sign
    before = LINES & ~(states == ADDED)
    kept, narrow = split(tmp_path, before, states)
    assert [region.box for region in kept] == [Box(150, 104, 170, 118)]
    assert [region.box for region in narrow] == [Box(40, 57, 48, 64)]


def test_pieces_of_one_change_stand_or_fall_together(tmp_path: Path) -> None:
    states = np.zeros((SIZE, SIZE), np.uint8)
    states[104:118, 150:170] = REMOVED
    states[106:112, 175:181] = REMOVED
    kept, narrow = split(tmp_path, LINES, states, distance_px=10.0)
    assert (len(kept), len(narrow)) == (2, 0)
    kept, narrow = split(tmp_path, LINES, states, distance_px=2.0)
    assert (len(kept), len(narrow)) == (1, 1)
