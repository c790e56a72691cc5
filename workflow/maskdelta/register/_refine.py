"""Patches all over two mosaics, in passes that narrow the map down."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from maskdelta.images import Box, map_ordered
from maskdelta.register._control import ControlPoints, in_strips
from maskdelta.register._fit import Fit, Plane, fit_map, fit_plane, typical_px
from maskdelta.register._mix import EdgeKinds, mix_of_shifts
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
    """Points under the first map, sparse where that is enough, then dense ones under the warp.

    At last the layers' own shifts are told from the map where that predicts left-out blocks better.
    """
    plane, _ = fit_plane(coarse.after_px, coarse.before_px, box=pair.box)
    current = Registration("before", "after", plane.affine, plane.keystone)
    reduced = pair.at_level(plane.affine, level)
    many = len(coarse) >= 4 * pair.settings.min_inliers
    for search, coarser in ((10, 2.0 if many else 1.0), (5, 1.0)):
        control = reduced.measure(
            pair.grid(plane.affine, coarser=coarser),
            current.before_to_after,
            patch_px=pair.settings.patch_px,
            search_px=search,
        )
        if len(control) < max(pair.settings.min_inliers, 6):
            break
        best = _fit(pair, control)
        current = as_registration(best)
    else:
        return _without_mix(pair, best, control, _edge_shares(reduced, control)), control
    return _fit(pair, coarse), coarse


def _fit(pair: Pair, control: ControlPoints, mix: Array | float = 0.0) -> Fit:
    """Fit the map; `mix` is what the shifts of single layers add to the places before."""
    return fit_map(
        control.before_px - mix,
        control.after_px,
        box=pair.box,
        spacings_px=_knot_spacings(pair),
        max_strain_frac=pair.settings.max_strain,
    )


def _knot_spacings(pair: Pair) -> list[float]:
    """Knot spacings to try, coarse to fine, px of the mosaic before."""
    longest, least = max(pair.box.width, pair.box.height), pair.settings.knot_frac
    shares = sorted({f for f in (1.0, 0.5, least) if f >= least - 1e-9}, reverse=True)
    return [longest * f for f in shares]


def _edge_shares(pair: Pair, control: ControlPoints, *, looked_at: int = 150) -> Array:
    """Shares of the kinds of edges in each patch before, (n, k, 2).

    Parameters
    ----------
    pair : Pair
        At the level of the patches.
    control : ControlPoints
    looked_at : int
        Patches, spread over the die, that the kinds are learnt from.
    """
    patches = pair.patches(control.before_px)
    some = patches[:: -(-len(patches) // looked_at)]
    kinds = EdgeKinds.of(list(map_ordered(pair.before.picture, some, threads=pair.threads)))

    def shares(box: Box) -> Array:
        return kinds.shares(pair.before.picture(box))

    order = in_strips(control.before_px)
    found = list(map_ordered(shares, [patches[k] for k in order], threads=pair.threads))
    return np.array(found)[np.argsort(order)]


def _without_mix(pair: Pair, fit: Fit, control: ControlPoints, shares: Array) -> Fit:
    """The map fitted to what is left of the places without the shifts of single layers.

    Taken only where it predicts left-out blocks better, as a finer warp is.
    """
    reached = fit.plane.apply(control.after_px)
    mix = mix_of_shifts(
        reached,
        control.before_px - reached,
        shares,
        fit.weight,
        box=pair.box,
        spacing_px=_knot_spacings(pair)[-1],
    )
    other = replace(_fit(pair, control, mix), mix_px=mix)
    before, after = (typical_px(f.left_out_px, other.weight) for f in (fit, other))
    return other if after < 0.97 * before else fit


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
