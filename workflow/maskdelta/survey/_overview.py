"""Where tiles lie in a photograph of the whole die at low magnification."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.errors import StitchError
from maskdelta.images import grey, map_ordered, read_picture
from maskdelta.survey._look import Look

__all__ = ["locate_in_overview"]

Array = NDArray[np.float64]
Image = NDArray[np.float32]

# correlation above which a tile counts as found; chance stays below 0.2 for tiles of 50 px
_FOUND = 0.4
_LEAST_PX = 24
# overview px per px of a small picture; below, all features fell on one place
_LEAST_SCALE = 0.02


@dataclass(frozen=True)
class _View:
    """How small pictures of tiles lie in the overview: scaled, then turned."""

    scale: float
    angle_rad: float

    def linear(self) -> Array:
        c, s = np.cos(self.angle_rad), np.sin(self.angle_rad)
        return self.scale * np.array([[c, -s], [s, c]])


def locate_in_overview(looks: Sequence[Look], path: str | Path, *, threads: int = 1) -> Array:
    """Centres of tiles in a photograph of the whole die, in px of that photograph.

    Features of the tiles that have most of them tell scale and turn; then every tile is laid over
    the whole overview and goes where it correlates best (normalised cross-correlation). Wholly
    periodic tiles may lie a few pitches off: how exact the places are is judged later, by the
    overlaps, as for places that a stage gave.

    Parameters
    ----------
    looks : sequence of Look
    path : path
        The overview; same way up or turned, not mirrored, at a lower magnification.
    threads : int

    Returns
    -------
    (n, 2) float64
        x, y. Tiles that are not found lie far outside, each alone.

    Raises
    ------
    StitchError
        When scale and turn cannot be told.
    """
    whole = _detail(grey(read_picture(path)))
    view = _common_view(looks, whole, path)

    def place(look: Look) -> Array | None:
        return _best_place(look.detail, view, whole)

    found = list(map_ordered(place, list(looks), threads=threads))
    longest = float(max(whole.shape))
    return np.array(
        [[-3 * longest * (k + 1), 0.0] if at is None else at for k, at in enumerate(found)]
    )


def _detail(picture: Image) -> Image:
    """Slow shading taken out, as in the small pictures of tiles."""
    return cv2.GaussianBlur(picture, (0, 0), 0.8) - cv2.GaussianBlur(picture, (0, 0), 8.0)


def _common_view(looks: Sequence[Look], whole: Image, path: str | Path) -> _View:
    """Scale and turn on which the tiles with most matches agree."""
    sift = cv2.SIFT.create(nfeatures=20000)
    points, descriptors = sift.detectAndCompute(_eight_bits(whole), None)
    views, weights = [], []
    if descriptors is not None:
        # all against all: the approximate search draws at random
        matcher = cv2.BFMatcher(cv2.NORM_L2)
        matcher.add([descriptors])
        for look in looks:
            fit, inliers = _similarity(sift, matcher, look, points)
            if inliers >= 10:
                views.append((np.log(np.hypot(*fit[:, 0])), np.arctan2(fit[1, 0], fit[0, 0])))
                weights.append(inliers)
    if views:
        found = np.array(views)
        # periodic tiles agree on wrong places, but on the right scale and turn
        middle = found[int(np.argmax(weights))]
        turn = np.angle(np.exp(1j * (found[:, 1] - middle[1])))
        near = (np.abs(found[:, 0] - middle[0]) < 0.03) & (np.abs(turn) < 0.03)
        if near.sum() >= min(3, len(looks)):
            share = np.average(
                np.column_stack([found[near, 0], middle[1] + turn[near]]),
                axis=0,
                weights=np.array(weights)[near],
            )
            return _View(float(np.exp(share[0])), float(share[1]))
    raise StitchError(
        f"{path}: too few tiles were recognised in this overview ({len(views)} with a clear "
        "match, and these disagree or are fewer than 3); give a sharper one of the same die and "
        "the same way round, or take `overview` out and give a grid or positions."
    )


def _similarity(
    sift: cv2.SIFT, matcher: cv2.BFMatcher, look: Look, points: Sequence[cv2.KeyPoint]
) -> tuple[Array, int]:
    """Similarity from the small picture of a tile to the overview, and how many points agree."""
    own, descriptors = sift.detectAndCompute(_eight_bits(look.detail), None)
    if descriptors is None or len(own) < 10:
        return np.eye(2, 3), 0
    pairs = [p for p in matcher.knnMatch(descriptors, k=2) if len(p) == 2]
    good = [first for first, second in pairs if first.distance < 0.8 * second.distance]
    if len(good) < 10:
        return np.eye(2, 3), 0
    source = np.array([own[m.queryIdx].pt for m in good])
    target = np.array([points[m.trainIdx].pt for m in good])
    fit, inliers = cv2.estimateAffinePartial2D(source, target, ransacReprojThreshold=2.0)
    if fit is None or np.hypot(*fit[:, 0]) < _LEAST_SCALE:
        return np.eye(2, 3), 0
    return fit, int(inliers.sum())


def _eight_bits(detail: Image) -> NDArray[np.uint8]:
    spread = max(float(detail.std()), 1e-3)
    return np.clip(128 + 40 * detail / spread, 0, 255).astype(np.uint8)


def _best_place(detail: Image, view: _View, whole: Image) -> Array | None:
    """Centre of a tile in the overview, to a fraction of a px; None where it is not found."""
    template, middle = _as_in_overview(detail, view)
    if min(template.shape) < _LEAST_PX or (np.array(template.shape) > whole.shape).any():
        return None
    score = cv2.matchTemplate(whole, template, cv2.TM_CCOEFF_NORMED)
    y, x = (int(v) for v in np.unravel_index(int(score.argmax()), score.shape))
    if score[y, x] < _FOUND:
        return None
    shift = [_vertex(score[y], x), _vertex(score[:, x], y)]
    return np.array(shift) + middle


def _as_in_overview(detail: Image, view: _View) -> tuple[Image, Array]:
    """The tile at the scale and turn of the overview: the upright box that it fills; its centre.

    The centre is that of the tile, in px of the returned picture.
    """
    height, width = detail.shape
    linear = view.linear()
    if view.scale < 1:
        # against aliasing: the blur of a reduction by this factor
        detail = cv2.GaussianBlur(detail, (0, 0), 0.5 / view.scale)
    c, s = np.abs([np.cos(view.angle_rad), np.sin(view.angle_rad)])
    w, h = view.scale * width, view.scale * height
    # the largest upright box of the same proportions inside the turned tile
    fill = min(w / (w * c + h * s), h / (w * s + h * c))
    size = np.maximum(np.floor(np.array([w, h]) * fill - 2), 1).astype(int)
    middle = (size - 1) / 2
    offset = middle - linear @ (np.array([width - 1, height - 1]) / 2)
    seen = cv2.warpAffine(
        detail,
        np.column_stack([linear, offset]),
        size.tolist(),
        flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return seen, middle


def _vertex(values: Image, k: int) -> float:
    """Place of the top of the parabola through a value and its neighbours."""
    if k in (0, len(values) - 1):
        return float(k)
    left, top, right = (float(v) for v in values[k - 1 : k + 2])
    bend = left - 2 * top + right
    return k + 0.5 * (left - right) / bend if bend < 0 else float(k)
