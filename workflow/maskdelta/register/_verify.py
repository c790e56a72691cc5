"""A look at the guessed maps with patches all over: which is right, and whether any is."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.images import Box
from maskdelta.register._control import ControlPoints, grid_points
from maskdelta.register._features import FeatureMatch
from maskdelta.register._fit import Plane, fit_plane
from maskdelta.register._guess import POINT_PAIRS
from maskdelta.register._pair import Pair
from maskdelta.study import RegisterSettings

__all__ = ["HELP", "Verified", "agreeing", "doubts", "verify"]

Array = NDArray[np.float64]

_NEAR_PX = 2.5
"""How near its predicted place a patch agrees, px of the level."""
_MANY = 200
"""Patches beyond which a quarter of them will do for a plane."""
HELP = "mark three point pairs that show the same places"


@dataclass(frozen=True)
class Verified:
    """A hypothesis looked at with patches all over a reduced picture.

    Parameters
    ----------
    match : FeatureMatch
    plane : Plane
        The map, refined.
    agree_px, tried_px : (n, 2) and (m, 2) float64
        Centres before of the patches that agree with it, and of those photographed in both.
    chance : float
        Patches that would agree by chance.
    score : float
        Mean correlation of those that agree.
    """

    match: FeatureMatch
    plane: Plane
    agree_px: Array
    tried_px: Array
    chance: float
    score: float

    @property
    def agree(self) -> int:
        """How many agree."""
        return len(self.agree_px)

    @property
    def tried(self) -> int:
        """How many were tried."""
        return len(self.tried_px)

    @property
    def merit(self) -> float:
        """By what hypotheses are ordered."""
        return self.agree * self.score


def verify(
    pair: Pair, guesses: Sequence[FeatureMatch], *, known: Sequence[Verified] = ()
) -> list[Verified]:
    """Refine each distinct hypothesis with patches on a reduced picture; the best one first.

    Features count corners; patches ask whether the outlines agree wherever both dies were
    photographed. A die that is nearly its own mirror image is told from it only so. Those in
    `known` were looked at before.
    """
    level = _level(pair)
    checked = list(known)
    for guess in guesses[:12]:
        start = Plane.of(guess.affine_after_to_before)
        if any(same_map(start, v.plane, pair.box) for v in checked):
            continue
        reduced = pair.at_level(guess.affine_after_to_before, level)
        checked.append(_verify_one(reduced, guess, pair.box))
    return sorted(checked, key=lambda v: -v.merit)


def _level(pair: Pair) -> int:
    """Reduction at which hypotheses are looked at."""
    return int(pair.before.mosaic.level_for(pair.settings.feature_px * 3 // 4))


def agreeing(pair: Pair, plane: Plane) -> Callable[[Array], Array]:
    """A look at small patches under a map: (n, 2) centres before -> those of the ones that agree.

    A level finer than that of `verify`, so that the place of a border comes out finer too.
    """
    reduced = pair.at_level(plane.affine, max(0, _level(pair) - 1))

    def look(points: Array) -> Array:
        control = reduced.measure(
            points, plane.undo, patch_px=pair.settings.patch_px, search_px=8, min_score=0.3
        )
        residual = plane.apply(control.after_px) - control.before_px
        return control.before_px[np.hypot(*residual.T) < 2 * _NEAR_PX * reduced.unit]

    return look


def _verify_one(pair: Pair, guess: FeatureMatch, box: Box) -> Verified:
    plane = Plane.of(guess.affine_after_to_before)
    patch_px = pair.settings.patch_px
    none = np.zeros((0, 2))
    agree, tried, chance, score = none, none, 0.0, 0.0
    spacing = max(patch_px * 0.75 * pair.unit, max(box.width, box.height) / 24)
    every = grid_points(box, spacing_px=spacing)
    # a wide search is dear, and a plane needs few points
    some = grid_points(box, spacing_px=2 * spacing) if len(every) > _MANY else every
    for points, patch, search, first in (
        (some, patch_px * 3 // 2, 24, True),
        (every, patch_px, 8, False),
    ):
        control = pair.measure(points, plane.undo, patch_px=patch, search_px=search, min_score=0.2)
        tried = control.tried_px
        if len(control) < 6:
            return Verified(guess, Plane.of(guess.affine_after_to_before), none, tried, 0.0, 0.0)
        # the first search reaches over a crack, the second one not
        held = control.only(_coherent(control, 0.5 * _NEAR_PX * pair.unit)) if first else control
        plane, _ = fit_plane(held.after_px, held.before_px, box=box)
        residual = plane.apply(control.after_px) - control.before_px
        near = np.hypot(*residual.T) < _NEAR_PX * pair.unit
        # a peak anywhere in the searched square falls near the map this often
        chance = len(control) * np.pi * _NEAR_PX**2 / (2 * search - 1) ** 2
        agree = control.before_px[near]
        score = float(control.score[near].mean()) if near.any() else 0.0
    return Verified(guess, plane, agree, tried, chance, score)


def _coherent(control: ControlPoints, near_px: float) -> NDArray[np.bool_]:
    """(n,) points that lie near one affine map, by RANSAC; all where that holds few.

    Of a broken die half of the points may follow another map, and a fit to all would lie between.
    """
    _, chosen = cv2.estimateAffine2D(
        control.after_px,
        control.before_px,
        method=cv2.RANSAC,
        ransacReprojThreshold=near_px,
        maxIters=2000,
    )
    found = None if chosen is None else chosen.ravel() > 0
    return np.ones(len(control), bool) if found is None or found.sum() < 6 else found


def same_map(one: Plane, other: Plane, box: Box) -> bool:
    """Whether two maps after -> before lead to about the same place all over the die."""
    corners = np.array([[box.x0, box.y0], [box.x1, box.y0], [box.x1, box.y1], [box.x0, box.y1]])
    apart = one.apply(other.undo(corners.astype(float))) - corners
    return bool(np.hypot(*apart.T).max() < 0.01 * max(box.width, box.height))


def doubts(
    checked: list[Verified], guesses: list[FeatureMatch], settings: RegisterSettings, box: Box
) -> tuple[str, ...]:
    """Reasons not to go on with the best hypothesis.

    Dies of one maker share cells, pads, even whole blocks, and these can be laid over one another
    to a px. So most of what both photographs show must agree, unless a person has said with point
    pairs which places are the same.
    """
    if not checked:
        matches = max((g.matches for g in guesses), default=0)
        return (f"no arrangement of {matches} matched features fits; {HELP}",)
    best = checked[0]
    found = []
    needed = _needed(best, settings)
    if best.agree < needed:
        found.append(
            f"{best.agree} of {best.tried} patches agree under the best of {len(checked)} "
            f"arrangements ({_source(best.match)}), {needed} are needed: the dies may be "
            f"unrelated; if one is cracked, mark the crack; if most of it was redrawn, {HELP}"
        )
    rivals = [v for v in checked[1:] if not same_map(v.plane, best.plane, box)]
    if rivals and rivals[0].merit > 0.7 * best.merit:
        state = "mirrored " if rivals[0].match.mirror != best.match.mirror else ""
        found.append(
            f"another {state}arrangement fits almost as well ({rivals[0].agree} patches against "
            f"{best.agree}); {HELP}"
        )
    stretch = np.linalg.svd(best.plane.affine[:, :2], compute_uv=False)
    if stretch[0] > 1.1 * stretch[1]:
        found.append(
            f"one direction would have to be stretched by {stretch[0] / stretch[1] - 1:.0%}; {HELP}"
        )
    return tuple(found)


def _source(match: FeatureMatch) -> str:
    """Where a hypothesis came from, in words."""
    return f"{match.inliers} of {match.matches} features" if match.matches else match.kind


def _needed(best: Verified, settings: RegisterSettings) -> int:
    """Patches that must agree: more than chance gives and, without point pairs, most of them."""
    least = max(8, min(settings.min_inliers, round(0.25 * best.tried)), round(2 * best.chance))
    anchored = best.match.kind == POINT_PAIRS
    return least if anchored else max(least, round(settings.min_agree_frac * best.tried))
