"""Where outlines lie, and dots that hardly differ from what they sit in."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from maskdelta.segment import UNKNOWN
from maskdelta.study import SegmentSettings
from micrographs import labelled

OXIDE, POLY, METAL, HOLE = (110, 150, 90), (155, 90, 105), (220, 205, 175), (196, 172, 122)


def painted(planes: dict[tuple[int, int, int], np.ndarray], *, outline: float) -> np.ndarray:
    """Colours laid over one another, each with a dark line along its outline; grain and blur."""
    shape = next(iter(planes.values())).shape
    image = np.full((*shape, 3), OXIDE, float)
    for colour, plane in planes.items():
        image[plane] = colour
        inside = cv2.distanceTransform(plane.astype(np.uint8), cv2.DIST_L2, 5)
        outside = cv2.distanceTransform((~plane).astype(np.uint8), cv2.DIST_L2, 5)
        away = np.where(plane, inside, outside) - 0.5
        image *= 1 - outline * np.exp(-0.5 * away[..., None] ** 2)
    image = cv2.GaussianBlur(image, (0, 0), 0.8)
    noise = np.random.default_rng(5).normal(0, 2.5, image.shape)
    return np.clip(np.rint(image + noise), 0, 255).astype(np.uint8)


@pytest.mark.parametrize("outline", [0.0, 0.8])
def test_lines_are_as_wide_as_drawn_with_and_without_a_dark_outline(outline):
    lines = np.zeros((400, 400), bool)
    for x in range(20, 380, 24):
        lines[20:380, x : x + 10] = True
    picture = painted({POLY: lines}, outline=outline)
    swatches = [
        ("field_oxide", (384, 50, 396, 350)),
        ("field_oxide", (55, 40, 64, 300)),
        ("polysilicon", (22, 60, 28, 200)),
        ("polysilicon", (190, 60, 196, 200)),
    ]
    label, stacks = labelled(picture, swatches, SegmentSettings())
    called = label[40:360] == stacks.index("polysilicon")
    # a sixth of a px on either side of a line
    assert called.mean() == pytest.approx(lines[40:360].mean(), rel=0.03)
    assert (label[40:360, 10:390] >= UNKNOWN).mean() < 0.005


def with_holes(colour: tuple[int, int, int], *, grain: float) -> tuple[np.ndarray, np.ndarray]:
    """A wide plate of metal with square holes of a colour, and where the holes are."""
    plate = np.zeros((420, 420), bool)
    plate[30:390, 30:390] = True
    holes = np.zeros_like(plate)
    for y in range(60, 340, 60):
        for x in range(60, 340, 60):
            holes[y : y + 16, x : x + 16] = True
    picture = painted({METAL: plate}, outline=0.0).astype(float)
    picture[holes] += np.subtract(colour, METAL)
    coarse = np.random.default_rng(6).normal(0, grain, (7, 7, 1))
    picture += cv2.resize(coarse, (420, 420), interpolation=cv2.INTER_CUBIC)[..., None]
    return np.clip(picture, 0, 255).astype(np.uint8), holes


SWATCHES = [
    ("field_oxide", (2, 10, 22, 400)),
    ("field_oxide", (398, 10, 416, 400)),
    ("metal", (350, 50, 385, 380)),
    ("metal", (82, 34, 380, 52)),
    ("contact", (62, 62, 74, 74)),
    ("contact", (182, 182, 194, 194)),
    ("contact", (302, 302, 314, 314)),
]


def test_holes_of_their_own_colour_are_found_in_their_size():
    picture, holes = with_holes(HOLE, grain=0.0)
    label, stacks = labelled(picture, SWATCHES, SegmentSettings())
    called = label == stacks.index("contact")
    assert cv2.connectedComponents(called.astype(np.uint8))[0] == 1 + 25
    assert called.sum() == pytest.approx(holes.sum(), rel=0.15)


def test_metal_in_the_colour_of_a_hole_stays_metal_and_is_not_set_aside():
    # blotches of the metal reach the colour that the holes have
    picture, holes = with_holes((214, 199, 169), grain=6.0)
    label, stacks = labelled(picture, SWATCHES, SegmentSettings())
    plate = np.zeros_like(holes)
    plate[36:384, 36:384] = True
    plain = label[plate & ~cv2.dilate(holes.astype(np.uint8), np.ones((7, 7))).astype(bool)]
    assert (plain == stacks.index("metal")).mean() > 0.97
    assert (plain >= UNKNOWN).mean() < 0.01


def test_a_stain_in_the_colour_of_a_hole_is_no_metal():
    picture, _ = with_holes(HOLE, grain=0.0)
    picture = picture.astype(float)
    stain = np.hypot(*(np.mgrid[:420, :420] - np.array([210, 330])[:, None, None])) < 22
    picture[stain] = HOLE
    label, stacks = labelled(picture.astype(np.uint8), SWATCHES, SegmentSettings())
    assert (label[stain] == stacks.index("metal")).mean() < 0.2
    assert (label[stain] >= UNKNOWN).mean() > 0.7
