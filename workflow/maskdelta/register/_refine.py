"""Patches all over two mosaics, in passes that narrow the map down."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from maskdelta.register._control import ControlPoints
from maskdelta.register._fit import Fit, Plane, fit_map, fit_plane
from maskdelta.register._pair import Pair
from maskdelta.study import Registration

__all__ = ["as_registration", "first_pass", "search_lost", "second_pass"]

Array = NDArray[np.float64]


def as_registration(fit: Fit, names: tuple[str, str] = ("before", "after")) -> Registration:
    """The map of a fit."""
    return Registration(
        before=names[0],
        after=names[1],
        affine_after_to_before=fit.plane.affine,
        keystone=fit.plane.keystone,
        warp=fit.warp,
        mirror=bool(np.linalg.det(fit.plane.affine[:, :2]) < 0),
    )


def first_pass(pair: Pair, plane: Plane) -> tuple[ControlPoints, int]:
    """Sparse points with a wide search, at the finest level where outlines stand out of the grain.

    Returns
    -------
    control : ControlPoints
        Those that agree with one map of planes.
    level : int
        Reduction to work at.
    """
    points = pair.grid(plane.affine, coarser=2.0)
    patch_px = pair.settings.patch_px
    trials: list[ControlPoints] = []
    for level in range(min(3, pair.before.mosaic.levels)):
        control = pair.at_level(plane.affine, level).measure(
            points,
            plane.undo,
            patch_px=patch_px * 3 // 2 if level == 0 else patch_px,
            search_px=16,
            min_score=0.3,
        )
        if len(control) >= 6:
            _, weight = fit_plane(control.after_px, control.before_px, box=pair.box)
            control = control.only(weight > 0)
        trials.append(control)
        if len(control) > 0.4 * control.tried:
            break
    most = max(len(t) for t in trials)
    level = next(k for k, t in enumerate(trials) if len(t) >= 0.6 * most)
    return trials[level], level


def second_pass(pair: Pair, coarse: ControlPoints, level: int) -> tuple[Fit, ControlPoints]:
    """Dense points under the first map, then the same points again under the warp."""
    plane, _ = fit_plane(coarse.after_px, coarse.before_px, box=pair.box)
    current = Registration("before", "after", plane.affine, plane.keystone)
    points = pair.grid(plane.affine)
    reduced = pair.at_level(plane.affine, level)
    for search in (10, 5):
        control = reduced.measure(
            points,
            current.before_to_after,
            patch_px=pair.settings.patch_px,
            search_px=search,
        )
        if len(control) < max(pair.settings.min_inliers, 6):
            break
        best = _fit(pair, control)
        current = as_registration(best)
    else:
        return best, control
    return _fit(pair, coarse), coarse


def _fit(pair: Pair, control: ControlPoints) -> Fit:
    longest, least = max(pair.box.width, pair.box.height), pair.settings.knot_frac
    shares = sorted({f for f in (1.0, 0.5, least) if f >= least - 1e-9}, reverse=True)
    return fit_map(
        control.before_px,
        control.after_px,
        box=pair.box,
        spacings_px=[longest * f for f in shares],
        max_strain_frac=pair.settings.max_strain,
    )


def search_lost(pair: Pair, fit: Fit, control: ControlPoints, level: int) -> ControlPoints:
    """The patches that were not found near the place predicted, looked for farther around it.

    They take no part in the fit: they tell of blocks that moved farther than the last search
    reached, and so may be a little less unique. The first try reaches less far than the period of
    most arrays, whose patches fit in many places of the second.
    """
    reduced = pair.at_level(fit.plane.affine, level)
    points = pair.grid(fit.plane.affine)
    found = control.only(np.zeros(len(control), bool))
    for search in (12, 32):
        # places are rounded to px of the level; grid points lie at least a few px apart
        known = np.concatenate([control.before_px, found.before_px])
        apart, _ = cKDTree(known).query(points)
        more = reduced.measure(
            points[apart > reduced.unit],
            as_registration(fit).before_to_after,
            patch_px=pair.settings.patch_px,
            search_px=search,
            min_score=0.5,
            max_rival=0.95,
        )
        found = found.joined(more)
    return found
