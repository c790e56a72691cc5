"""What lies beside the dark outline of something else: rims of metal, contacts near a rim."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from edge_scenes import FINE, METAL, coverage, photographed
from maskdelta.segment._discs import round_dots
from maskdelta.segment._outlines import Moved
from maskdelta.segment._rims import clear_rims
from maskdelta.segment._rules import NO_BORDER, LayerRules
from maskdelta.study import SegmentSettings, Stack
from micrographs import labelled

POLY = np.array([70, 90, 80], float)


def test_a_line_that_goes_under_metal_does_not_flare_along_its_rim():
    side = 400
    poly, metal = np.zeros((2, side * FINE, side * FINE), bool)
    for n, y in enumerate(range(20, 370, 26)):
        poly[y * FINE + n % FINE : (y + 8) * FINE + n % FINE] = True
    for n, x in enumerate(range(30, 370, 34)):
        metal[:, x * FINE + n % FINE : (x + 13) * FINE + n % FINE] = True
    # in the colour of the outline of metal
    picture = photographed([(poly, POLY), (metal, METAL)], line=0.8, line_px=0.85)
    swatches = [("field_oxide", (46, y, 60, y + 8)) for y in (32, 136, 240)]
    swatches += [("polysilicon", (46, y + 2, 60, y + 6)) for y in (20, 124, 228)]
    swatches += [("metal", (x + 3, 100, x + 10, 140)) for x in (30, 98, 166)]
    label, stacks = labelled(picture, swatches, SegmentSettings())
    called = label == stacks.index("polysilicon")
    drawn = coverage(poly) > 0.5
    away = cv2.distanceTransform((coverage(metal) < 0.5).astype(np.uint8), cv2.DIST_L2, 5)
    inner = np.zeros_like(drawn)
    inner[20:-20, 20:-20] = True
    rim = inner & (away > 0.6) & (away < 3)
    clear = inner & (away > 5)
    # as wide beside metal as elsewhere, less than half a px on either side; 0.21 wider before
    wide = [called[where].sum() / drawn[where].sum() for where in (rim, clear)]
    assert wide[0] == pytest.approx(wide[1], abs=0.1)


def test_a_disc_completes_what_the_picture_tells_of_a_dot():
    y, x = np.mgrid[:40, :40]
    middle, radius = np.array([19.3, 20.6]), 4.4
    inside = radius - np.hypot(x - middle[0], y - middle[1])
    label = np.where(inside > 0, 1, 0).astype(np.uint8)
    label[(x >= 19) & (x < 26) & (np.abs(y - 20) < 4)] = 1  # a leak to the right
    near = (np.abs(inside) < 0.6) & (x < 20)
    place = np.flatnonzero(near)
    own = label.ravel()[place]
    count = len(place)
    told = Moved(
        place,
        (1 - own).astype(np.uint8),
        (np.where(own == 1, 1, -1) * inside.ravel()[place]).astype(np.float32),
        np.full(count, 0.2, np.float32),
        np.ones(count, bool),
    )
    found = round_dots(told, label, [(1, 0)])
    assert len(np.unique(found.place)) == len(found.place)
    settled = label.ravel().copy()
    settled[found.place] = np.where(found.inside_px < 0, found.other, label.ravel()[found.place])
    wrong = (settled.reshape(label.shape) == 1) != (inside > 0)
    # the shape itself has a small say; 16 px were wrong
    assert wrong.sum() <= 4 < (label != (inside > 0)).sum() / 3
    # where the dot begins in the picture makes no difference to the bit
    there = told.place + 3 * 40 + 2
    moved = round_dots(
        Moved(there, told.other, told.inside_px, told.error_px, told.asked),
        np.roll(label, (3, 2), (0, 1)),
        [(1, 0)],
    )
    np.testing.assert_array_equal(moved.inside_px, found.inside_px)
    np.testing.assert_array_equal(moved.place, found.place + 3 * 40 + 2)


def test_a_shape_of_which_nothing_is_told_is_no_disc():
    label = np.zeros((40, 40), np.uint8)
    label[15:23, 15:23] = 1
    assert len(round_dots(Moved.none(), label, [(1, 0)]).place) == 0


def test_what_is_seen_in_a_rim_alone_goes_to_what_its_luma_says():
    meaning = {
        "field_oxide": Stack(),
        "polysilicon": Stack(layers=("polysilicon",)),
        "metal": Stack(layers=("metal",), hides=("polysilicon",)),
    }
    rules = LayerRules.of(tuple(meaning), ("polysilicon", "metal"), meaning)
    label = np.zeros((60, 60), np.uint8)
    label[:, :20] = 2
    label[:, 20:22] = 1  # a sliver along the rim
    body, rim = np.array([120.0, 80.0, 210.0]), np.zeros((3, 3), np.float32)
    rim[2, 0], rim[2, 1] = 90, 60
    luma = np.full((60, 60), 120, np.float32)
    luma[:30, 20:23] = 88  # field oxide in the shade of metal
    luma[30:, 20:23] = 61  # polysilicon in it
    cost = np.where(label == np.arange(3)[:, None, None], 0, NO_BORDER).astype(np.uint8)
    clear_rims(cost, label, luma, body, rim, rules)
    after = cost.argmin(0)
    assert (after[6:28, 20:22] == 0).all()
    assert (after[32:54, 20:22] == 1).all()
    untouched = cost.copy()
    clear_rims(untouched, after.astype(np.uint8), luma, body, np.zeros_like(rim), rules)
    np.testing.assert_array_equal(untouched, cost)
