"""Shifts of single layers are told from the map, and what moved by itself is not."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path

import cv2
import numpy as np
import pytest

from comparing import side_of
from maskdelta.images import Box
from maskdelta.register import Registered, register
from maskdelta.register._mix import EdgeKinds, mix_of_shifts
from maskdelta.study import RegisterSettings

HEIGHT, WIDTH = 900, 1200
BOX = Box(0, 0, 4000, 4000)
GROUND, LOWER, UPPER = (60, 90, 70), (150, 70, 60), (225, 220, 200)


def lines(colour: tuple[int, int, int], *, upright: bool) -> np.ndarray:
    picture = np.full((96, 96, 3), GROUND, np.uint8)
    for k in range(8, 96, 24):
        picture[:, k : k + 10] = colour
    picture = cv2.GaussianBlur(picture, (0, 0), 1)
    return picture if upright else picture.transpose(1, 0, 2).copy()


def test_kinds_of_edges_are_told_by_their_colours() -> None:
    lower, upper = lines(LOWER, upright=True), lines(UPPER, upright=False)
    kinds = EdgeKinds.of([lower, upper], kinds=2)
    # upright lines tell the shift along x, and lines of one colour are of one kind
    x, y = kinds.shares(lower)[:, 0], kinds.shares(upper)[:, 1]
    np.testing.assert_allclose(np.sort(x), [0, 1], atol=0.02)
    np.testing.assert_allclose(np.sort(y), [0, 1], atol=0.02)
    assert x.argmax() != y.argmax()
    both = np.where(np.arange(96)[:, None, None] < 48, lower, lines(UPPER, upright=True))
    share = kinds.shares(both)[:, 0]
    assert 0.1 < share[x.argmax()] < 0.5  # fainter outlines count, but for less
    # which side of an edge is which does not matter
    np.testing.assert_allclose(kinds.shares(both[::-1, ::-1]), kinds.shares(both), atol=0.02)


def test_an_empty_picture_has_no_edges() -> None:
    flat = np.full((96, 96, 3), 90, np.uint8)
    kinds = EdgeKinds.of([flat])
    assert not kinds.shares(flat).any()


@pytest.fixture
def patches(rng) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Places, a smooth displacement of a px or so, and shares of three kinds that vary smoothly."""
    points = rng.uniform(0, 4000, (600, 2))
    smooth = np.column_stack([np.sin(points[:, 1] / 1500), np.cos(points[:, 0] / 1500)])
    waves = np.array([[0.0, 0.0], [0.7, 2.0], [1.3, 4.0]])
    amounts = 1.2 + np.sin(points[:, :1] / 900 + waves[:, 0] + points[:, 1:] / 700 * waves[:, 1])
    amounts = amounts[..., None] * rng.uniform(0.5, 1.5, (600, 3, 2))
    return points, smooth, amounts / amounts.sum(1, keepdims=True)


def test_the_shift_of_each_kind_is_told_from_a_smooth_map(rng, patches) -> None:
    points, smooth, shares = patches
    shifts = np.array([[1.0, -0.6], [-0.8, 0.0], [0.0, 0.9]])
    true = (shares * shifts).sum(1)
    measured = smooth + true + rng.normal(0, 0.05, true.shape)
    measured[:40] += rng.uniform(-20, 20, (40, 2))  # misses
    mix = mix_of_shifts(points, measured, shares, np.ones(600), box=BOX, spacing_px=1200)
    off = mix - (true - true.mean(0))
    # noise of 0.05 px over 600 points and two dozen unknowns, and knots that bridge the waves
    assert np.sqrt((off - off.mean(0)) ** 2).mean() < 0.03


def test_a_moved_block_of_a_kind_of_its_own_is_no_shift_of_a_layer(rng, patches) -> None:
    points, smooth, shares = patches
    inside = ((points > 1500) & (points < 2300)).all(1)
    own = np.where(inside[:, None, None], 0.9, 0.0) * np.ones((600, 1, 2))
    shares = np.concatenate([shares * (1 - own), own], axis=1)
    measured = smooth + rng.normal(0, 0.05, smooth.shape)
    measured[inside] += [8.0, 0.0]
    agree = np.where(inside, 0.0, 1.0)  # as the fit without shifts finds
    mix = mix_of_shifts(points, measured, shares, agree, box=BOX, spacing_px=1200)
    assert np.abs(mix[inside]).max() < 0.1  # of 8 px


def two_layers(shift: float) -> np.ndarray:
    """A die on whose left the lower layer prevails and on whose right the upper one, which lies
    `shift` px farther to the right and half as much up."""
    rng = np.random.default_rng(3)
    picture = np.full((HEIGHT * 2, WIDTH * 2, 3), GROUND, np.uint8)  # drawn at half px
    for layer, colour in enumerate((LOWER, UPPER)):
        by = np.array([round(2 * shift), -round(shift)]) * layer
        for _ in range(900):
            place = rng.uniform(0, 1) ** 0.3
            x = 2 * WIDTH * (place if layer else 1 - place)
            x, y = np.array([x, rng.uniform(0, 2 * HEIGHT)]).astype(int) + by
            long, short = rng.integers(40, 160), rng.integers(14, 36)
            w, h = (long, short) if rng.random() < 0.5 else (short, long)
            picture[max(y, 0) : y + h, max(x, 0) : x + w] = colour
    return cv2.resize(picture, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA)


def laid_over(before: np.ndarray, after: np.ndarray, folder: Path) -> Registered:
    settings = RegisterSettings(spacing_px=80, patch_px=64, feature_px=1300)
    with ExitStack() as stack:
        sides = [side_of(p, folder, n, stack) for p, n in ((before, "before"), (after, "after"))]
        return register(*sides, names=("a1", "b1"), settings=settings)


def uneven(found: Registered) -> np.ndarray:
    """Errors less their mean, the common shift, of a map that should be the identity, (n, 2)."""
    x, y = np.meshgrid(np.arange(60.0, WIDTH - 50, 30), np.arange(60.0, HEIGHT - 50, 30))
    points = np.column_stack([x.ravel(), y.ravel()])
    miss = found.registration.after_to_before(points) - points
    return miss - miss.mean(0)


def test_the_map_does_not_follow_the_mix_of_shifted_layers(tmp_path: Path) -> None:
    found = laid_over(two_layers(0), two_layers(2), tmp_path)
    assert found.registration.trusted, found.registration.refused
    miss = np.hypot(*uneven(found).T)
    # the target for ordinary pairs; with the mix left in the map missed by 0.92 px
    assert np.sqrt((miss**2).mean()) < 0.15
    assert found.registration.figures["layers_mix_px"] > 0.3
    used = [row for row in found.residuals if row["weight"] > 0]
    at = np.array([[row["x_px"], row["y_px"]] for row in used])
    left_out = [np.hypot(row["left_out_dx_px"], row["left_out_dy_px"]) for row in used]
    assert (left_out < found.error.at(at)).mean() > 0.9  # it is a 95 % radius
