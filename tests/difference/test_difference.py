"""Tolerant comparison and exact regions: small arrays with known answers."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.ndimage
import shapely

from maskdelta.difference import (
    ADDED,
    NOT_COMPARABLE,
    REMOVED,
    Change,
    Landmark,
    compare_layer,
    rank_changes,
)
from maskdelta.difference._masks import Reach
from maskdelta.difference._regions import join_regions, measure_block
from maskdelta.images import Box, blocks_of


def layer(*boxes: tuple[int, int, int, int], shape: tuple[int, int] = (80, 100)) -> np.ndarray:
    out = np.zeros(shape, np.uint8)
    for x0, y0, x1, y1 in boxes:
        out[y0:y1, x0:x1] = 255
    return out


SEEN = np.ones((80, 100), bool)
REACH = Reach(np.full((80, 100), 1.5, np.float32))


def test_a_displacement_within_the_radius_is_no_change() -> None:
    before, after = layer((20, 20, 60, 30)), layer((21, 21, 61, 31))
    assert not (compare_layer(before, after, SEEN, REACH).state == ADDED).any()
    assert not (compare_layer(before, after, SEEN, REACH).state == REMOVED).any()


def test_a_removed_square_is_found_with_its_area_and_swapping_swaps() -> None:
    before, after = layer((20, 20, 60, 30), (70, 50, 82, 60)), layer((20, 20, 60, 30))
    there = compare_layer(before, after, SEEN, REACH).state
    back = compare_layer(after, before, SEEN, REACH).state
    # smoothing by 1 px rounds the four corners of the square by a px each
    assert abs(int((there == REMOVED).sum()) - 120) <= 4
    assert not (there == ADDED).any()
    np.testing.assert_array_equal(there == REMOVED, back == ADDED)


def test_what_cannot_be_compared_is_never_changed() -> None:
    seen = SEEN.copy()
    seen[45:65, 65:90] = False
    state = compare_layer(layer((70, 50, 82, 60)), layer(), seen, REACH).state
    assert (state[45:65, 65:90] == NOT_COMPARABLE).all()
    assert not np.isin(state, [ADDED, REMOVED]).any()


def test_near_something_hidden_what_agrees_is_the_same_and_what_differs_is_not_comparable() -> None:
    seen = SEEN.copy()
    seen[:, 50:60] = False  # a line that hides the layer
    line, speck = (10, 20, 50, 30), (48, 50, 50, 60)
    state = compare_layer(layer(line), layer(line, speck), seen, REACH).state
    assert (state[:, 50:60] == NOT_COMPARABLE).all()
    beside = state[51:59, 48:50]  # may go on under the hiding line in the other photograph
    assert (beside == NOT_COMPARABLE).all()
    assert not np.isin(state, [ADDED, REMOVED]).any()
    elsewhere = seen & ~np.isin(np.arange(80), range(48, 62))[:, None]
    assert not state[elsewhere].any()


def test_a_line_width_bias_is_taken_off() -> None:
    narrow, wide = layer((20, 20, 60, 30)), layer((18, 18, 62, 32))
    none = np.zeros((80, 100), np.float32)
    plain = compare_layer(narrow, wide, SEEN, Reach(none)).state
    freed = compare_layer(narrow, wide, SEEN, Reach(none + 1), grow_px=2.0).state
    assert (plain == ADDED).any()
    assert not (freed == ADDED).any()


@pytest.mark.parametrize("block_px", [16, 33, 64])
def test_regions_over_blocks_equal_those_of_the_whole(rng, block_px: int) -> None:
    # second opinion: scipy.ndimage.label on the whole array, 8-connected
    mask = rng.random((90, 120)) < 0.35
    pieces = []
    zero = np.zeros(mask.shape, np.uint8)
    affinity = np.zeros(mask.shape, np.float32)
    for number, box in enumerate(blocks_of(mask.shape, block_px)):
        cut = (slice(box.y0, box.y1), slice(box.x0, box.x1))
        pieces.append(
            measure_block(
                number,
                box,
                0,
                1,
                mask[cut],
                mask[cut],
                mask[cut],
                zero[cut],
                zero[cut],
                affinity[cut],
                mask[cut],
                mask[cut],
                ~mask[cut],
            )
        )
    found = join_regions(pieces)
    labels, count = scipy.ndimage.label(mask, np.ones((3, 3)))
    assert len(found) == count
    areas = np.bincount(labels.ravel())[1:]
    assert sorted(r.area_px for r in found) == sorted(areas.tolist())
    assert all(r.near_spoiled == 1.0 for r in found)
    assert all(r.soft_outline == 0.0 for r in found)


def change(x: float, area: float) -> Change:
    return Change((), ("metal",), x, 0.0, (x, 0.0, x + 1, 1.0), area, 0.0, 0.1, 5.0, -2.0)


def test_the_ranking_rule() -> None:
    landmark = Landmark("driver", shapely.box(0, 0, 10, 10), 100.0)
    near, far, huge = change(5, 100.0), change(210, 150.0), change(1000, 5000.0)
    ranked = rank_changes([near, far, huge], [landmark])
    # 5000 / (1 + 9.9), then 100 / 1, then 150 / (1 + 2)
    assert [round(c.score, 1) for c in ranked] == [458.7, 100.0, 50.0]
    assert [c.landmark for c in ranked] == ["", "driver", ""]
    assert [c.landmark_bearing_deg for c in ranked] == [None, None, None]  # touching, or too far
    beside = rank_changes([change(30, 1.0)], [landmark])[0]
    assert (beside.landmark_distance_um, beside.landmark_bearing_deg) == (20.0, 90.0)
    assert [c.score for c in rank_changes([near, huge], [])] == [5000.0, 100.0]


def test_doubt_about_the_place_of_its_edge_is_no_doubt_about_a_region():
    core = np.zeros((20, 20), bool)
    core[6:14, 6:14] = True
    deep = np.zeros_like(core)
    deep[7:13, 7:13] = True
    before = np.where(deep, 1, 100).astype(np.uint8)
    after = np.where(deep, 254, 140).astype(np.uint8)
    zero, none = np.zeros((20, 20), np.float32), np.zeros((20, 20), bool)
    box = Box(0, 0, 20, 20)

    def evidence(within: np.ndarray) -> float:
        piece = measure_block(
            0, box, 0, 1, core, core, within, before, after, zero, none, none, none
        )
        return join_regions([piece])[0].evidence

    assert evidence(deep) > 5
    # a region that is nothing but rim is judged by that
    assert evidence(none) < 4
