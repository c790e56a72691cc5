"""Lay the mosaic of one die over that of another, or refuse to."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from maskdelta.images import Box, Raster, eight_bits, write_raster
from maskdelta.register._control import ControlPoints, Map, Side, grid_points, measure
from maskdelta.register._features import FeatureMatch, match_features
from maskdelta.register._fit import Fit, Plane, fit_map, fit_plane, max_strain
from maskdelta.study import (
    Keystone,
    Mark,
    Poses,
    RegisterSettings,
    Registration,
    apply_affine,
    compose_affine,
    fit_similarity,
    invert_affine,
    mark_in_mosaic,
    write_table,
)

__all__ = ["ErrorMap", "Registered", "point_pairs", "register"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class ErrorMap:
    """95 % radius of the registration error on a coarse grid over the mosaic before.

    Parameters
    ----------
    box : Box
        Extent of the mosaic before.
    step_px : int
        Distance between grid points; the first lies in the middle of the first cell.
    radius_px : (h, w) float64
    """

    box: Box
    step_px: int
    radius_px: Array

    def write(self, path: str | Path) -> None:
        """Write as a raster in thousandths of a px (uint16), one px a cell.

        The plane's name holds the step and the corner in the mosaic, since a raster's own origin
        counts its own px, here whole cells.
        """
        milli = np.clip(np.rint(self.radius_px * 1000), 0, 65535).astype(np.uint16)
        x, y = self.box[:2]
        write_raster(
            path,
            lambda b: milli[None, b.y0 : b.y1, b.x0 : b.x1],
            shape=(milli.shape[0], milli.shape[1]),
            dtype=np.uint16,
            planes=(f"error95_milli_px per {self.step_px} px from {x} {y}",),
            reduce="nearest",
        )

    @classmethod
    def read(cls, path: str | Path) -> ErrorMap:
        """Read what `write` wrote."""
        with Raster.open(path) as raster:
            step, x, y = (int(part) for part in re.findall(r"-?\d+", raster.planes[0])[1:])
            radius = raster.read_level(0)[0] / 1000.0
            height, width = raster.shape
        box = Box(x, y, x + width * step, y + height * step)
        return cls(box, step, radius)

    def at(self, points: Array) -> Array:
        """Radius in px at (n, 2) points of the mosaic before: that of the nearest grid point."""
        return self.radius_px[self._cells(points[:, 1], 1), self._cells(points[:, 0], 0)]

    def over(self, box: Box) -> Array:
        """(h, w) radius in px over a box of the mosaic before, as `at` gives it for each px."""
        rows = self._cells(np.arange(box.y0, box.y1), 1)
        columns = self._cells(np.arange(box.x0, box.x1), 0)
        return self.radius_px[np.ix_(rows, columns)]

    def _cells(self, places: Array | NDArray[np.intp], axis: int) -> NDArray[np.intp]:
        """Rows (axis 1) or columns (axis 0) of the grid that hold y or x of the mosaic."""
        cell = ((places - self.box[axis]) // self.step_px).astype(int)
        return np.clip(cell, 0, self.radius_px.shape[1 - axis] - 1)


@dataclass(frozen=True)
class Registered:
    """A registration with its control points and error map."""

    registration: Registration
    residuals: list[dict[str, Any]]
    error: ErrorMap

    def write(self, folder: str | Path) -> None:
        """Write registration.json, residuals.csv and registration_error.tif."""
        folder = Path(folder)
        self.registration.write(folder / "registration.json")
        write_table(folder / "residuals.csv", "residuals", self.residuals)
        self.error.write(folder / "registration_error.tif")


def register(
    before: Side,
    after: Side,
    *,
    names: tuple[str, str],
    settings: RegisterSettings,
    point_pairs: tuple[Array, Array] | None = None,
    threads: int = 1,
) -> Registered:
    """Register the mosaic after to the mosaic before.

    Features on reduced pictures give an affine map; patches all over refine it, with a keystone
    where that predicts left-out blocks better, and at full scale in two passes; a smooth warp is
    added where it predicts left-out blocks better (see `fit_map`).

    Parameters
    ----------
    before, after : Side
    names : (str, str)
        Names of the two dies.
    settings : RegisterSettings
    point_pairs : ((n, 2), (n, 2)), optional
        Places before and after that a person says are the same, px of the mosaics; three or more
        take the place of the features and anchor the fit.
    threads : int

    Returns
    -------
    Registered
        When the pair cannot be trusted, `registration.refused` holds the reasons and the map is
        the best guess, for pictures only.
    """
    if point_pairs is not None and len(point_pairs[0]) >= 3:
        guesses = [_from_point_pairs(*point_pairs)]
    else:
        guesses = _guess(before, after, settings)
    checked = _verify(before, after, guesses, settings, threads)
    refused = _doubts(checked, guesses, settings, before.box)
    if refused:
        return _refused(before, names, checked, refused)
    best = checked[0]
    control, level = _first_pass(before, after, best.plane, settings, threads)
    if len(control) < settings.min_inliers // 4:
        text = (
            f"only {len(control)} patches agree at full scale, {settings.min_inliers // 4} are "
            "needed; mark three point pairs that show the same places"
        )
        return _refused(before, names, checked, (text,))
    fit, control = _second_pass(before, after, control, level, settings, threads)
    lost = _search_lost(before, after, fit, control, level, settings, threads)
    return _finish(before, names, best, fit, control, lost, level, settings)


def point_pairs(
    marks: Sequence[Mark], names: tuple[str, str], poses: Sequence[Poses]
) -> tuple[Array, Array] | None:
    """Point pairs that a person marked in both dies, by label.

    Parameters
    ----------
    marks : sequence of Mark
    names : (str, str)
        Dies before and after.
    poses : (Poses, Poses)

    Returns
    -------
    ((n, 2), (n, 2)) or None
        px of the two mosaics; None when no label stands in both dies.
    """
    places: list[dict[str, tuple[float, float]]] = []
    for name, tiles in zip(names, poses, strict=True):
        found = {}
        for mark in marks:
            if mark.role == "point_pair" and mark.die == name and mark.frame != "study":
                moved = mark_in_mosaic(mark, tiles)
                if moved is not None:
                    found[mark.label] = (moved.geometry.centroid.x, moved.geometry.centroid.y)
        places.append(found)
    labels = sorted(places[0].keys() & places[1].keys())
    if not labels:
        return None
    first, second = ([side[label] for label in labels] for side in places)
    return np.array(first, float), np.array(second, float)


def _guess(before: Side, after: Side, settings: RegisterSettings) -> list[FeatureMatch]:
    """Hypotheses in full mosaic px, from several reduced pictures: coarse ones see blocks, fine
    ones see single shapes, and a die of few large shapes has only the former."""
    found: list[FeatureMatch] = []
    for shrink in (2, 4, 8, 1):
        longest = settings.feature_px // shrink
        sides = [replace(s, level=s.mosaic.level_for(longest)) for s in (before, after)]
        if shrink > 1 and max(max(s.box.width, s.box.height) for s in sides) < 200:
            continue
        pictures = [eight_bits(s.picture(s.box)) for s in sides]
        masks = [s.covered(s.box).astype(np.uint8) * 255 for s in sides]
        for match in match_features(*pictures, mask_before=masks[0], mask_after=masks[1]):
            affine = _in_mosaic_px(match.affine_after_to_before, *sides)
            found.append(replace(match, affine_after_to_before=affine))
        found.sort(key=lambda m: -m.inliers)
        if found and _clear(found, settings):
            break
    return found


def _from_point_pairs(before_px: Array, after_px: Array) -> FeatureMatch:
    """A person's point pairs as the only hypothesis: a similarity, whichever mirror fits better."""
    fits = [fit_similarity(after_px, before_px, mirror=mirror) for mirror in (False, True)]
    misses = [np.hypot(*(apply_affine(m, after_px) - before_px).T).sum() for m in fits]
    best = int(np.argmin(misses))
    return FeatureMatch(fits[best], bool(best), len(before_px), len(before_px), 1.0, "point pairs")


def _clear(found: list[FeatureMatch], settings: RegisterSettings) -> bool:
    """Whether the best hypothesis needs no second opinion from other levels."""
    rival = max((g.inliers for g in found if g.mirror != found[0].mirror), default=0)
    enough = found[0].inliers >= 3 * max(settings.min_inliers, rival)
    return enough and found[0].spread_frac > 0.1


def _in_mosaic_px(affine: Array, before: Side, after: Side) -> Array:
    """An affine map between level arrays (0-based) as one between mosaic frames."""

    def array_to_mosaic(side: Side) -> Array:
        x, y = side.box[:2]
        return compose_affine(side.to_mosaic(), np.array([[1.0, 0, x], [0, 1.0, y]]))

    inverse = invert_affine(array_to_mosaic(after))
    return compose_affine(compose_affine(array_to_mosaic(before), affine), inverse)


@dataclass(frozen=True)
class _Verified:
    """A hypothesis looked at with patches all over a reduced picture."""

    match: FeatureMatch
    plane: Plane
    agree: int
    tried: int
    score: float


def _verify(
    before: Side, after: Side, guesses: list[FeatureMatch], settings: RegisterSettings, threads: int
) -> list[_Verified]:
    """Refine each distinct hypothesis with patches on a reduced picture; the best one first.

    Features count corners; patches ask whether the outlines agree wherever both dies were
    photographed. A die that is nearly its own mirror image is told from it only so.
    """
    level = before.mosaic.level_for(settings.feature_px * 3 // 4)
    checked: list[_Verified] = []
    for guess in guesses[:12]:
        start = Plane.of(guess.affine_after_to_before)
        if any(_same_map(start, v.plane, before.box) for v in checked):
            continue
        sides = _at_level(before, after, guess.affine_after_to_before, level)
        checked.append(_verify_one(*sides, guess, settings, threads))
    return sorted(checked, key=lambda v: -v.agree * v.score)


def _verify_one(
    before: Side, after: Side, guess: FeatureMatch, settings: RegisterSettings, threads: int
) -> _Verified:
    unit = 2.0**before.level
    plane = Plane.of(guess.affine_after_to_before)
    tried = agree = 0
    score = 0.0
    for patch, search in ((settings.patch_px * 3 // 2, 24), (settings.patch_px, 8)):
        spacing = max(settings.patch_px * 0.75 * unit, max(before.mosaic.shape) / 24)
        points = grid_points(before.mosaic.box, spacing_px=spacing)
        control = _measure_at(
            before,
            after,
            points,
            plane.undo,
            patch_px=patch,
            search_px=search,
            min_score=0.2,
            threads=threads,
        )
        tried = len(points)
        if len(control) < 6:
            return _Verified(guess, Plane.of(guess.affine_after_to_before), 0, tried, 0.0)
        plane, _ = fit_plane(control.after_px, control.before_px, box=before.mosaic.box)
        residual = plane.apply(control.after_px) - control.before_px
        near = np.hypot(*residual.T) < 2.5 * unit
        agree = int(near.sum())
        score = float(control.score[near].mean()) if agree else 0.0
    return _Verified(guess, plane, agree, tried, score)


def _measure_at(
    before: Side, after: Side, points: Array, before_to_after: Map, **options: Any
) -> ControlPoints:
    """`measure` at the levels of the two sides, with points and map in full mosaic px."""
    up_before, up_after = before.to_mosaic(), after.to_mosaic()
    down_before, down_after = invert_affine(up_before), invert_affine(up_after)
    control = measure(
        before,
        after,
        apply_affine(down_before, points),
        lambda p: apply_affine(down_after, before_to_after(apply_affine(up_before, p))),
        **options,
    )
    return ControlPoints(
        apply_affine(up_before, control.before_px),
        apply_affine(up_after, control.after_px),
        control.score,
    )


def _at_level(before: Side, after: Side, affine: Array, level: int) -> tuple[Side, Side]:
    """Both sides reduced so that their px are about the same size."""
    shrink = level - np.log2(np.sqrt(abs(np.linalg.det(affine[:, :2]))))
    wanted = int(np.clip(round(shrink), 0, after.mosaic.levels - 1))
    return replace(before, level=level), replace(after, level=wanted)


def _same_map(one: Plane, other: Plane, box: Box) -> bool:
    """Whether two maps after -> before lead to about the same place all over the die."""
    corners = np.array([[box.x0, box.y0], [box.x1, box.y0], [box.x1, box.y1], [box.x0, box.y1]])
    apart = one.apply(other.undo(corners.astype(float))) - corners
    return bool(np.hypot(*apart.T).max() < 0.01 * max(box.width, box.height))


def _doubts(
    checked: list[_Verified], guesses: list[FeatureMatch], settings: RegisterSettings, box: Box
) -> tuple[str, ...]:
    """Reasons not to go on with the best hypothesis."""
    help_text = "mark three point pairs that show the same places"
    if not checked:
        matches = max((g.matches for g in guesses), default=0)
        return (f"no arrangement of {matches} matched features fits; {help_text}",)
    best = checked[0]
    doubts = []
    needed = max(8, min(settings.min_inliers, round(0.25 * best.tried)))
    if best.agree < needed:
        doubts.append(
            f"{best.agree} of {best.tried} patches agree under the best of {len(checked)} "
            f"arrangements ({best.match.inliers} of {best.match.matches} features), "
            f"{needed} are needed; {help_text}"
        )
    rivals = [v for v in checked[1:] if not _same_map(v.plane, best.plane, box)]
    if rivals and rivals[0].agree * rivals[0].score > 0.7 * best.agree * best.score:
        state = "mirrored " if rivals[0].match.mirror != best.match.mirror else ""
        doubts.append(
            f"another {state}arrangement fits almost as well ({rivals[0].agree} patches against "
            f"{best.agree}); {help_text}"
        )
    stretch = np.linalg.svd(best.plane.affine[:, :2], compute_uv=False)
    if stretch[0] > 1.1 * stretch[1]:
        doubts.append(
            f"one direction would have to be stretched by {stretch[0] / stretch[1] - 1:.0%}; "
            f"{help_text}"
        )
    return tuple(doubts)


def _spacing(settings: RegisterSettings, affine: Array) -> float:
    """Distance between control points, px of the mosaic before, from px of the coarser one."""
    return settings.spacing_px * max(1.0, float(np.sqrt(abs(np.linalg.det(affine[:, :2])))))


def _first_pass(
    before: Side, after: Side, plane: Plane, settings: RegisterSettings, threads: int
) -> tuple[ControlPoints, int]:
    """Sparse points with a wide search, at the finest level where outlines stand out of the grain.

    Returns
    -------
    control : ControlPoints
        Those that agree with one map of planes.
    level : int
        Reduction to work at.
    """
    points = grid_points(before.box, spacing_px=2 * _spacing(settings, plane.affine))
    trials: list[ControlPoints] = []
    for level in range(min(3, before.mosaic.levels)):
        control = _measure_at(
            *_at_level(before, after, plane.affine, level),
            points,
            plane.undo,
            patch_px=settings.patch_px * 3 // 2 if level == 0 else settings.patch_px,
            search_px=16,
            min_score=0.3,
            threads=threads,
        )
        if len(control) >= 6:
            _, weight = fit_plane(control.after_px, control.before_px, box=before.box)
            kept = weight > 0
            control = ControlPoints(
                control.before_px[kept], control.after_px[kept], control.score[kept]
            )
        trials.append(control)
        if len(control) > 0.4 * len(points):
            break
    most = max(len(t) for t in trials)
    level = next(k for k, t in enumerate(trials) if len(t) >= 0.6 * most)
    return trials[level], level


def _second_pass(
    before: Side,
    after: Side,
    coarse: ControlPoints,
    level: int,
    settings: RegisterSettings,
    threads: int,
) -> tuple[Fit, ControlPoints]:
    """Dense points under the first map, then the same points again under the warp."""
    box = before.box
    longest = max(box.width, box.height)
    spacings = sorted({longest * f for f in (1.0, 0.5, settings.knot_frac)}, reverse=True)
    spacings = [s for s in spacings if s >= longest * settings.knot_frac - 1e-9]

    def fit(control: ControlPoints) -> Fit:
        return fit_map(
            control.before_px,
            control.after_px,
            box=box,
            spacings_px=spacings,
            max_strain_frac=settings.max_strain,
        )

    plane, _ = fit_plane(coarse.after_px, coarse.before_px, box=box)
    current = Registration("before", "after", plane.affine, plane.keystone)
    points = grid_points(box, spacing_px=_spacing(settings, plane.affine))
    sides = _at_level(before, after, plane.affine, level)
    for search in (10, 5):
        control = _measure_at(
            *sides,
            points,
            current.before_to_after,
            patch_px=settings.patch_px,
            search_px=search,
            threads=threads,
        )
        if len(control) < max(settings.min_inliers, 6):
            break
        best = fit(control)
        current = _as_registration(best, ("before", "after"))
    else:
        return best, control
    return fit(coarse), coarse


def _search_lost(
    before: Side,
    after: Side,
    fit: Fit,
    control: ControlPoints,
    level: int,
    settings: RegisterSettings,
    threads: int,
) -> ControlPoints:
    """The patches that were not found near the place predicted, looked for far around it.

    They take no part in the fit: they tell of blocks that moved farther than the last search
    reached.
    """
    points = np.round(grid_points(before.box, spacing_px=_spacing(settings, fit.plane.affine)))
    found = {tuple(p) for p in np.round(control.before_px).tolist()}
    missing = np.array([p for p in points.tolist() if tuple(p) not in found]).reshape(-1, 2)
    return _measure_at(
        *_at_level(before, after, fit.plane.affine, level),
        missing,
        _as_registration(fit, ("before", "after")).before_to_after,
        patch_px=settings.patch_px,
        search_px=32,
        min_score=0.5,
        threads=threads,
    )


def _as_registration(fit: Fit, names: tuple[str, str]) -> Registration:
    return Registration(
        before=names[0],
        after=names[1],
        affine_after_to_before=fit.plane.affine,
        keystone=fit.plane.keystone,
        warp=fit.warp,
        mirror=bool(np.linalg.det(fit.plane.affine[:, :2]) < 0),
    )


def _finish(
    before: Side,
    names: tuple[str, str],
    best: _Verified,
    fit: Fit,
    control: ControlPoints,
    lost: ControlPoints,
    level: int,
    settings: RegisterSettings,
) -> Registered:
    used = fit.weight > 0
    lengths = np.hypot(*fit.left_out_px.T)
    every, judged = _with_lost(control, fit, lost)
    labels, groups = _rejected_groups(every, judged, settings)
    strain = max_strain(fit.warp, before.box)
    figures: dict[str, Any] = {
        "features": {
            "matches": best.match.matches,
            "agree": best.match.inliers,
            "kind": best.match.kind,
        },
        "patches_tried": best.tried,
        "patches_agree": best.agree,
        "level": level,
        "control_points": len(control),
        "control_points_used": int(used.sum()),
        "left_out_rms_px": _rounded(np.sqrt((lengths[used] ** 2).mean())),
        "left_out_p95_px": _rounded(np.percentile(lengths[used], 95)),
        "fit_rms_px": _rounded(np.sqrt((fit.residual_px[used] ** 2).sum(1).mean())),
        "knot_spacing_px": _rounded(fit.warp.spacing_px) if fit.warp.spacing_px > 1 else None,
        "keystone_px": _rounded(_keystone_px(fit.plane.keystone, before.box)),
        "max_strain": round(strain, 7),
        "strain_capped": fit.strain_capped,
    }
    refused = []
    if used.sum() < max(settings.min_inliers, 0.3 * len(control)):
        refused.append(
            f"only {int(used.sum())} of {len(control)} patches agree with one smooth map; "
            "mark three point pairs that show the same places"
        )
    if figures["left_out_rms_px"] > settings.max_error_px:
        refused.append(
            f"patches left out of the fit miss by {figures['left_out_rms_px']} px; look at the "
            "stitching of both dies, or allow more with `register.max_error_px`"
        )
    registration = replace(
        _as_registration(fit, names),
        figures=figures,
        groups=tuple(groups),
        refused=tuple(refused),
    )
    rows = [
        {
            "x_px": x,
            "y_px": y,
            "dx_px": judged.residual_px[k, 0],
            "dy_px": judged.residual_px[k, 1],
            "left_out_dx_px": judged.left_out_px[k, 0],
            "left_out_dy_px": judged.left_out_px[k, 1],
            "score": every.score[k],
            "weight": judged.weight[k],
            "group": labels[k],
        }
        for k, (x, y) in enumerate(every.before_px)
    ]
    return Registered(registration, rows, _error_map(before.box, control, fit, settings))


def _keystone_px(keystone: Keystone, box: Box) -> float:
    """How far the keystone moves the corner that it moves most, px."""
    corners = np.array([[box.x0, box.y0], [box.x1, box.y0], [box.x1, box.y1], [box.x0, box.y1]])
    return float(np.hypot(*(keystone.apply(corners) - corners).T).max())


def _rounded(value: Any) -> float:
    return round(float(value), 4)


def _with_lost(control: ControlPoints, fit: Fit, lost: ControlPoints) -> tuple[ControlPoints, Fit]:
    """The control points and the fit with the lost patches appended, at no weight."""
    reached = fit.plane.apply(lost.after_px)
    residual = lost.before_px - reached - fit.warp.at(reached)
    every = ControlPoints(
        np.concatenate([control.before_px, lost.before_px]),
        np.concatenate([control.after_px, lost.after_px]),
        np.concatenate([control.score, lost.score]),
    )
    return every, replace(
        fit,
        weight=np.concatenate([fit.weight, np.zeros(len(lost))]),
        residual_px=np.concatenate([fit.residual_px, residual]),
        left_out_px=np.concatenate([fit.left_out_px, residual]),
    )


def _rejected_groups(
    control: ControlPoints, fit: Fit, settings: RegisterSettings
) -> tuple[list[int], list[dict[str, Any]]]:
    """Contiguous groups of rejected points: blocks that may have been redrawn or moved."""
    labels = [0] * len(control)
    rejected = np.flatnonzero(fit.weight <= 0)
    if not len(rejected):
        return labels, []
    reach = 1.6 * _spacing(settings, fit.plane.affine)
    tree = cKDTree(control.before_px[rejected])
    graph = tree.sparse_distance_matrix(tree, reach)
    count, member = connected_components(graph.tocsr(), directed=False)
    groups: list[dict[str, Any]] = []
    for number in range(count):
        inside = rejected[member == number]
        if len(inside) < 3:
            continue
        points, moved = control.before_px[inside], fit.residual_px[inside]
        for k in inside:
            labels[k] = len(groups) + 1
        groups.append(
            {
                "group": len(groups) + 1,
                "points": len(inside),
                "x0_px": _rounded(points[:, 0].min()),
                "y0_px": _rounded(points[:, 1].min()),
                "x1_px": _rounded(points[:, 0].max()),
                "y1_px": _rounded(points[:, 1].max()),
                "dx_px": _rounded(np.median(moved[:, 0])),
                "dy_px": _rounded(np.median(moved[:, 1])),
                "scatter_px": _rounded(np.median(np.hypot(*(moved - np.median(moved, 0)).T))),
            }
        )
    return labels, groups


def _error_map(
    box: Box, control: ControlPoints, fit: Fit, settings: RegisterSettings, *, step_px: int = 64
) -> ErrorMap:
    """95 % radius from the left-out residuals of the nearest points in use.

    2.448 standard deviations per axis hold 95 % of a round Gaussian. Beyond the last control
    points the radius grows by the allowed strain.
    """
    columns, rows = -(-box.width // step_px), -(-box.height // step_px)
    x = box.x0 + (np.arange(columns) + 0.5) * step_px
    y = box.y0 + (np.arange(rows) + 0.5) * step_px
    gx, gy = np.meshgrid(x, y)
    centres = np.column_stack([gx.ravel(), gy.ravel()])
    used = fit.weight > 0
    tree = cKDTree(control.before_px[used])
    near = min(24, int(used.sum()))
    distance, index = tree.query(centres, k=near)
    squares = (fit.left_out_px[used] ** 2).sum(1)
    overall = squares.mean()
    # the mean of 24 neighbours, drawn towards the die's own mean by as much as 8 points weigh
    sigma2 = (squares[index].sum(1) + 8 * overall) / (near + 8) / 2
    beyond = np.maximum(distance[:, 0] - 1.5 * _spacing(settings, fit.plane.affine), 0)
    radius = 2.448 * np.sqrt(sigma2) + settings.max_strain * beyond
    return ErrorMap(box, step_px, radius.reshape(rows, columns))


def _refused(
    before: Side, names: tuple[str, str], checked: list[_Verified], refused: tuple[str, ...]
) -> Registered:
    best = checked[0] if checked else None
    identity = np.array([[1.0, 0, 0], [0, 1.0, 0]])
    registration = Registration(
        before=names[0],
        after=names[1],
        affine_after_to_before=identity if best is None else best.plane.affine,
        keystone=Keystone() if best is None else best.plane.keystone,
        mirror=False if best is None else best.match.mirror,
        figures={
            "hypotheses": [
                {
                    "features_agree": v.match.inliers,
                    "features": v.match.matches,
                    "kind": v.match.kind,
                    "mirror": v.match.mirror,
                    "patches_agree": v.agree,
                    "patches_tried": v.tried,
                    "score": _rounded(v.score),
                }
                for v in checked
            ]
        },
        refused=refused,
    )
    box = before.box
    step = 64
    shape = (-(-box.height // step), -(-box.width // step))
    return Registered(registration, [], ErrorMap(box, step, np.full(shape, 65.0)))
