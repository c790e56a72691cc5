import cv2
import numpy as np
import pytest

from maskdelta.difference._pairs import PatchPair
from maskdelta.difference._sharpness import inner_outline, learn_outlines, slopes

GROUND, LINE = np.array([90, 140, 80], np.float32), np.array([230, 210, 160], np.float32)


def picture(mask: np.ndarray, softness_px: float, rng: np.random.Generator) -> np.ndarray:
    """A layer on its ground, seen by an objective, with noise."""
    share = cv2.GaussianBlur(mask.astype(np.float32), (0, 0), softness_px)[..., None]
    grainy = GROUND + share * (LINE - GROUND) + rng.normal(0, 2, (*mask.shape, 3))
    return np.clip(np.rint(grainy), 0, 255).astype(np.uint8)


def square(x0: int, y0: int, side: int = 20) -> np.ndarray:
    mask = np.zeros((96, 96), bool)
    mask[y0 : y0 + side, x0 : x0 + side] = True
    return mask


def pair(mask: np.ndarray, rng: np.random.Generator) -> PatchPair:
    member = (255 * mask).astype(np.uint8)[None]
    seen = np.ones(mask.shape, bool)
    return PatchPair(picture(mask, 1.0, rng), picture(mask, 1.3, rng), member, member, seen)


@pytest.fixture
def learnt(rng):
    pairs = [pair(square(*rng.integers(10, 60, 2)), rng) for _ in range(8)]
    return learn_outlines(pairs, [0])


def soft_share(learnt, mask: np.ndarray, softness_px: float, rng: np.random.Generator) -> float:
    """Share of soft outline of a shape that is seen in the photograph after alone."""
    nothing = picture(np.zeros_like(mask), 1.0, rng)
    soft = learnt.soft(0, slopes(nothing), slopes(picture(mask, softness_px, rng)), 0.9)
    outline = inner_outline(mask)
    return float((soft & outline).sum() / outline.sum())


def test_what_the_objective_images_has_sharp_outlines(learnt, rng) -> None:
    assert soft_share(learnt, square(40, 40, 10), 1.3, rng) < 0.1


def test_what_is_softer_than_the_objective_is_told_apart(learnt, rng) -> None:
    assert soft_share(learnt, square(40, 40, 10), 2.2, rng) > 0.9


def test_an_edge_in_either_photograph_will_do(learnt, rng) -> None:
    mask = square(40, 40)
    steep, flat = slopes(picture(mask, 1.0, rng)), slopes(picture(np.zeros_like(mask), 1.0, rng))
    outline = inner_outline(mask)
    assert not (learnt.soft(0, steep, flat, 0.9) & outline).mean() > 0.01
    assert (learnt.soft(0, flat, flat, 0.9) & outline).sum() == outline.sum()


def test_a_layer_with_few_outlines_is_not_judged(rng) -> None:
    learnt = learn_outlines([pair(square(40, 40, 4), rng)], [0])
    assert not learnt.steepness.any()
    assert soft_share(learnt, square(40, 40), 5.0, rng) == 0.0


def test_the_steepness_does_not_depend_on_places_that_changed(learnt, rng) -> None:
    same = [pair(square(*rng.integers(10, 60, 2)), rng) for _ in range(8)]
    gone = pair(square(40, 40, 30), rng)
    blank = np.zeros_like(gone.member_after)
    changed = PatchPair(gone.before, gone.after, gone.member_before, blank, gone.seen)
    with_change = learn_outlines([*same, changed], [0])
    np.testing.assert_array_equal(with_change.steepness, learn_outlines(same, [0]).steepness)
