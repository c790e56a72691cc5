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

__all__ = ["Located", "locate_in_overview"]

Array = NDArray[np.float64]
Image = NDArray[np.float32]

# correlation above which a tile counts as found; chance stays below 0.2 for tiles of 50 px
_FOUND = 0.4
_LEAST_PX = 24
# standard deviations by which a place must fit better than any other
_CLEAR = 3.0
# overview px per px of a small picture; below, all features fell on one place
_LEAST_SCALE = 0.02


@dataclass(frozen=True)
class Located:
    """Tiles found in an overview.

    Attributes
    ----------
    places : (n, 2) float64
        Centres, px of the overview. Tiles that are not found lie far outside, each alone.
    lost : dict
        Number of a tile that was not found -> why.
    """

    places: Array
    lost: dict[int, str]


@dataclass(frozen=True)
class _View:
    """How small pictures of tiles lie in the overview: scaled, then turned."""

    scale: float
    angle_rad: float

    def linear(self) -> Array:
        c, s = np.cos(self.angle_rad), np.sin(self.angle_rad)
        return self.scale * np.array([[c, -s], [s, c]])


def locate_in_overview(looks: Sequence[Look], path: str | Path, *, threads: int = 1) -> Located:
    """Find tiles in a photograph of the whole die.

    Features of some tiles tell scale and turn; then every tile is laid over the whole overview and
    goes where it correlates best (normalised cross-correlation). A tile within an array fits one
    pitch farther nearly as well, so the best place must fit clearly better than every other one;
    where it does not, the tile counts as not found.

    Parameters
    ----------
    looks : sequence of Look
    path : path
        The overview; same way up or turned, not mirrored, at a lower magnification.
    threads : int

    Returns
    -------
    Located

    Raises
    ------
    StitchError
        When scale and turn cannot be told.
    """
    whole = _detail(grey(read_picture(path)))
    view = _common_view(looks, whole, path)

    def place(look: Look) -> Array | str:
        return _best_place(look.detail, view, whole)

    found = list(map_ordered(place, list(looks), threads=threads))
    longest = float(max(whole.shape))
    places = [
        [-3 * longest * (k + 1), 0.0] if isinstance(at, str) else at for k, at in enumerate(found)
    ]
    return Located(np.array(places), {k: at for k, at in enumerate(found) if isinstance(at, str)})


def _detail(picture: Image) -> Image:
    """Slow shading taken out, as in the small pictures of tiles."""
    return cv2.GaussianBlur(picture, (0, 0), 0.8) - cv2.GaussianBlur(picture, (0, 0), 8.0)


def _common_view(
    looks: Sequence[Look], whole: Image, path: str | Path, *, enough: int = 12
) -> _View:
    """Scale and turn on which the tiles with most matches agree.

    Tiles all over the die are tried until `enough` have a clear match: more would not tell more.
    """
    sift = cv2.SIFT.create(nfeatures=20000)
    points, descriptors = sift.detectAndCompute(_eight_bits(whole), None)
    views, weights = [], []
    if descriptors is not None:
        # all against all: the approximate search draws at random
        matcher = cv2.BFMatcher(cv2.NORM_L2)
        matcher.add([descriptors])
        for k in _spread_out(len(looks)):
            fit, inliers = _similarity(sift, matcher, looks[k], points)
            if inliers >= 10:
                views.append((np.log(np.hypot(*fit[:, 0])), np.arctan2(fit[1, 0], fit[0, 0])))
                weights.append(inliers)
            if len(views) >= enough:
                break
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


def _spread_out(count: int) -> list[int]:
    """Numbers below `count` so ordered that any beginning is spread over all of them."""
    golden = (np.sqrt(5) - 1) / 2
    return [int(k) for k in np.argsort(np.arange(count) * golden % 1, kind="stable")]


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


def _best_place(detail: Image, view: _View, whole: Image, *, few: int = 12) -> Array | str:
    """Centre of a tile in the overview, to a fraction of a px, or why it is not found.

    More than a `few` places that fit well are those of an array, of which the best must not be
    missed for want of samples.
    """
    template, middle = _as_in_overview(detail, view)
    if min(template.shape) < _LEAST_PX or (np.array(template.shape) > whole.shape).any():
        return "too small in the overview"
    score = cv2.matchTemplate(whole, template, cv2.TM_CCOEFF_NORMED)
    if score.max() < _FOUND:
        return f"not found in the overview, where it correlates {score.max():.2f} at best"
    corners = _peaks(score)
    if len(corners) > few:
        corners = [at / 2 for at in _peaks(_finer(detail, view, whole, score))]
    seen = [_fitted(template, whole, corner) for corner in corners]
    errors = [(template - fit) ** 2 for fit in seen]
    first = int(np.argmin([e.sum() for e in errors]))
    rivals = [
        k
        for k in range(len(corners))
        if k != first and np.abs(corners[k] - corners[first]).max() > 2
    ]
    if any(_lead(errors[first], seen[first], errors[k], seen[k]) < _CLEAR for k in rivals):
        return "fits the overview equally well in several places"
    return corners[first] + middle


def _finer(detail: Image, view: _View, whole: Image, score: Image) -> Image:
    """The map of correlations at every half px, from that at whole ones."""
    height, width = score.shape
    fine = np.empty((2 * height, 2 * width), np.float32)
    fine[::2, ::2] = score
    for dx, dy in ((1, 0), (0, 1), (1, 1)):
        template, _ = _as_in_overview(detail, view, shift=(dx / 2, dy / 2))
        fine[dy::2, dx::2] = cv2.matchTemplate(whole, template, cv2.TM_CCOEFF_NORMED)
    return fine


def _peaks(score: Image, *, share: float = 0.8, most: int = 80) -> list[Array]:
    """Local maxima of a map to a fraction of a px, (x, y), highest first.

    The height of a peak between the samples counts, since a pitch is seldom a whole number of px.
    """
    padded = cv2.copyMakeBorder(score, 1, 1, 1, 1, cv2.BORDER_REPLICATE)
    top = cv2.dilate(score, np.ones((3, 3), np.uint8))
    ys, xs = np.nonzero((score == top) & (score >= share * score.max()))
    at = padded[ys + 1, xs + 1]
    height = at.astype(float)
    shifts = []
    for before, after in (
        (padded[ys + 1, xs], padded[ys + 1, xs + 2]),
        (padded[ys, xs + 1], padded[ys + 2, xs + 1]),
    ):
        bend = np.minimum(before - 2 * at + after, -1e-9)
        shift = np.clip(0.5 * (before - after) / bend, -0.5, 0.5)
        height += 0.25 * (after - before) * shift
        shifts.append(shift)
    places = np.column_stack([xs + shifts[0], ys + shifts[1]])
    order = np.lexsort((xs, ys, -height))[:most]
    return [places[k] for k in order]


def _fitted(template: Image, whole: Image, corner: Array) -> Image:
    """What the overview shows at a place, brought to brightness and contrast of the template."""
    height, width = template.shape
    seen = cv2.warpAffine(
        whole,
        np.array([[1, 0, corner[0]], [0, 1, corner[1]]]),
        (width, height),
        flags=cv2.INTER_LANCZOS4 | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    seen = seen - seen.mean(dtype=np.float64).astype(np.float32)
    gain = float((seen * template).sum() / max(float((seen * seen).sum()), 1e-6))
    return gain * seen + template.mean(dtype=np.float64).astype(np.float32)


def _lead(
    error: Image, seen: Image, other_error: Image, other_seen: Image, *, grain_px: float = 9.0
) -> float:
    """By how many standard deviations one place fits better than another.

    With D the difference of what is seen at both and r what the better one leaves unexplained, the
    squared errors differ by the sum of D (D + 2 r), whose spread is 2 sqrt(sum D^2 r^2) for noise
    that is alike over one px, and sqrt(grain_px) times as much here.
    """
    apart = (seen - other_seen).astype(float)
    spread = 2 * np.sqrt(grain_px * float((apart * apart * error).sum()))
    return float((other_error - error).sum(dtype=np.float64)) / max(spread, 1e-9)


def _as_in_overview(
    detail: Image, view: _View, *, shift: tuple[float, float] = (0.0, 0.0)
) -> tuple[Image, Array]:
    """The tile at the scale and turn of the overview: the upright box that it fills; its centre.

    The centre is that of the tile, in px of the returned picture, before it is moved by `shift`.
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
    offset = middle + shift - linear @ (np.array([width - 1, height - 1]) / 2)
    seen = cv2.warpAffine(
        detail,
        np.column_stack([linear, offset]),
        size.tolist(),
        flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return seen, middle
