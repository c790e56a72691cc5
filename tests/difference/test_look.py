"""What a photograph shows at a candidate is held against the die's own shapes."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from edge_scenes import FINE, METAL, OXIDE, photographed
from maskdelta.difference._look import ShapeLook, learn_shapes

SIDE = 96
POLYSILICON = np.array([150, 95, 70], float)


def scene(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """A picture of lines that cross at random places, and the membership of metal and lines."""
    fine = SIDE * FINE
    lines, metal = np.zeros((fine, fine), bool), np.zeros((fine, fine), bool)
    for at in rng.integers(8, 80, 2) * FINE:
        lines[at : at + 8 * FINE] = True
    for at in rng.integers(8, 80, 2) * FINE:
        metal[:, at : at + 12 * FINE] = True
    picture = photographed([(lines, POLYSILICON), (metal, METAL)], line=0.4)
    # another brightness in each place, as films of uneven thickness give
    picture = np.clip(picture * rng.uniform(0.95, 1.05), 0, 255).astype(np.uint8)
    shares = [
        cv2.resize(m.astype(np.float32), (SIDE, SIDE), interpolation=cv2.INTER_AREA)
        for m in (metal, lines & ~metal)
    ]
    return picture, np.rint(255 * np.stack(shares)).astype(np.uint8)


@pytest.fixture(scope="module")
def look() -> ShapeLook:
    rng = np.random.default_rng(5)
    seen = np.ones((SIDE, SIDE), bool)
    found = learn_shapes((*scene(rng), seen) for _ in range(40))
    assert found is not None
    return found


def one_line(colour: np.ndarray, softness_px: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A picture with a line of some colour and softness, its membership, and itself."""
    line = np.zeros((SIDE * FINE, SIDE * FINE), bool)
    line[40 * FINE : 48 * FINE, 30 * FINE : 60 * FINE] = True
    if softness_px:
        share = cv2.GaussianBlur(line.astype(np.float64), (0, 0), softness_px * FINE)
        share = cv2.resize(share, (SIDE, SIDE), interpolation=cv2.INTER_AREA)[..., None]
        noise = np.random.default_rng(3).normal(0, 2.5, (SIDE, SIDE, 3))
        picture = np.rint(OXIDE + share * (colour - OXIDE) + noise)
        picture = np.clip(picture, 0, 255).astype(np.uint8)
    else:
        picture = photographed([(line, colour)], line=0.4)
    own = np.zeros((SIDE, SIDE), bool)
    own[40:48, 30:60] = True
    member = np.stack([np.zeros_like(own), own]).astype(np.uint8) * 255
    return picture, member, own


def test_a_line_like_others_is_no_stranger_than_they(look):
    assert look.strangeness(*one_line(POLYSILICON, 0.0)) < 0.8


@pytest.mark.parametrize(
    ("colour", "softness_px"), [(POLYSILICON * 0.8, 2.5), (POLYSILICON, 3.5), (METAL, 0.0)]
)
def test_dirt_that_has_the_colour_of_lines_somewhere_is(look, colour, softness_px):
    assert look.strangeness(*one_line(colour, softness_px)) > 1


def test_brighter_light_all_around_is_not_strange(look):
    picture, member, own = one_line(POLYSILICON, 0.0)
    # the lines of such a place tell how bright they are there
    line = np.s_[70:78, 10:90]
    picture[line] = picture[40:48, 40:41]
    picture[66:70], picture[78:82] = picture[36:40, 40:41], picture[48:52, 40:41]
    member[1][line] = 255
    lit = np.clip(picture * 1.12, 0, 255).astype(np.uint8)
    assert look.strangeness(lit, member, own) < 1
    lit = picture.copy()
    lit[own] = np.clip(picture[own] * 1.25, 0, 255)
    assert look.strangeness(lit, member, own) > 1


def test_too_little_tells_nothing(look):
    picture, member, own = one_line(METAL, 0.0)
    few = np.zeros_like(own)
    few[44, 40:44] = True
    assert look.strangeness(picture, member, few) == 0.0
    assert learn_shapes([]) is None
    assert learn_shapes([(picture, member, np.ones_like(own))]) is None
