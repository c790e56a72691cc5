"""Robust fits of the affine part, a keystone and the smooth warp, judged on points left out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline

from maskdelta.images import Box
from maskdelta.study import Keystone, Warp, apply_affine, fit_affine, invert_affine

__all__ = [
    "Fit",
    "Plane",
    "fit_affine_robust",
    "fit_map",
    "fit_plane",
    "max_strain",
    "robust_scale",
    "tukey_weights",
    "typical_px",
    "warp_design",
]

Array = NDArray[np.float64]
_STIFFNESSES = tuple(2.0**n for n in range(15))


@dataclass(frozen=True)
class Plane:
    """A map of a plane onto a plane: an affine map with a keystone behind it.

    Parameters
    ----------
    affine : (2, 3) float64
    keystone : Keystone
    """

    affine: Array
    keystone: Keystone

    @classmethod
    def of(cls, affine: Array) -> Plane:
        """Without a keystone."""
        return cls(affine, Keystone())

    def apply(self, points: Array) -> Array:
        """Map (n, 2) points."""
        return self.keystone.apply(apply_affine(self.affine, points))

    def undo(self, points: Array) -> Array:
        """The inverse of `apply`."""
        return apply_affine(invert_affine(self.affine), self.keystone.undo(points))


@dataclass(frozen=True)
class Fit:
    """A map of planes with a warp on top, and how well it predicts.

    Parameters
    ----------
    plane : Plane
        From the mosaic after to the mosaic before.
    warp : Warp
    weight : (n,) float64
        Tukey weights of the control points, 0..1.
    residual_px, left_out_px : (n, 2) float64
        Measured minus predicted place in the mosaic before: with all points in the fit, and with
        the point's block left out.
    strain_capped : bool
        Whether the warp was made stiffer, or a finer one refused, for it to strain no more than
        allowed.
    mix_px : (n, 2) float64 or 0
        What the shifts of single layers add to the places before; the residuals are without it.
    """

    plane: Plane
    warp: Warp
    weight: Array
    residual_px: Array
    left_out_px: Array
    strain_capped: bool
    mix_px: Array | float = 0.0


def tukey_weights(residual_px: Array, scale_px: float, *, cut: float = 4.685) -> Array:
    """Tukey's biweight of residual lengths; 4.685 keeps 95 % efficiency for Gaussian errors."""
    u = np.hypot(residual_px[:, 0], residual_px[:, 1]) / (cut * scale_px)
    return np.where(u < 1, (1 - u**2) ** 2, 0.0)


def robust_scale(residual_px: Array, *, floor_px: float = 0.05) -> float:
    """Standard deviation per axis from the median residual length (Rayleigh: 1.1774 sigma)."""
    lengths = np.hypot(residual_px[:, 0], residual_px[:, 1])
    return max(float(np.median(lengths)) / 1.1774, floor_px)


def fit_affine_robust(source: Array, target: Array, *, rounds: int = 20) -> tuple[Array, Array]:
    """Affine map by iteratively reweighted least squares with Tukey weights.

    Parameters
    ----------
    source, target : (n, 2) float64

    Returns
    -------
    matrix : (2, 3) float64
    weight : (n,) float64
    """
    weight = np.ones(len(source))
    matrix = fit_affine(source, target)
    for _ in range(rounds):
        residual = target - apply_affine(matrix, source)
        weight = tukey_weights(residual, robust_scale(residual))
        if (weight > 0).sum() < 4:
            break
        matrix = fit_affine(source, target, weight)
    return matrix, weight


def fit_plane(
    source: Array, target: Array, *, box: Box, gain: float = 0.8, least: int = 24
) -> tuple[Plane, Array]:
    """Affine map, with a keystone where that predicts left-out blocks better, both robust.

    Parameters
    ----------
    source, target : (n, 2) float64
    box : Box
        Extent of the targets; its middle is the keystone's centre.
    gain : float
        The median left-out residual must fall below this share of the affine map's.
    least : int
        With fewer points no keystone is tried.

    Returns
    -------
    plane : Plane
    weight : (n,) float64
    """
    affine, weight = fit_affine_robust(source, target)
    if len(source) < least:
        return Plane.of(affine), weight
    fold = _folds(target, box)
    missed = [_left_out(source, target, fold, box, keystone=k) for k in (False, True)]
    plain, bent = (float(np.median(np.hypot(*m.T))) for m in missed)
    if bent < gain * plain:
        return _fit_keystone(source, target, box)
    return Plane.of(affine), weight


def _fit_keystone(
    source: Array, target: Array, box: Box, *, rounds: int = 20
) -> tuple[Plane, Array]:
    """A homography by reweighted least squares, as an affine map with a keystone behind it.

    From an affine start the Tukey weights begin wide: what a keystone moves most, the corners,
    would else be taken for outliers.
    """
    centre = np.array([(box.x0 + box.x1) / 2, (box.y0 + box.y1) / 2])
    affine, _ = fit_affine_robust(source, target)
    plane = Plane.of(affine)
    weight = np.ones(len(source))
    for turn in range(rounds):
        residual = target - plane.apply(source)
        weight = tukey_weights(residual, robust_scale(residual) * max(1.0, 3.0 - 0.4 * turn))
        if (weight > 0).sum() < 8:
            break
        plane = _plane_by_least_squares(source, target, weight, centre, plane)
    return plane, weight


def _plane_by_least_squares(
    source: Array, target: Array, weight: Array, centre: Array, start: Plane
) -> Plane:
    """One linear step towards the plane map with the least squared residuals.

    With r the place that the affine part reaches and t the target, both from the centre,
    t (1 + v . r) = r is linear in v and in the affine part, once r is taken from the step before.
    """
    middle, unit = source.mean(0), float(np.abs(target - centre).max())
    reached = (apply_affine(start.affine, source) - centre) / unit
    wanted = (target - centre) / unit
    columns = np.column_stack([(source - middle) / unit, np.ones(len(source))])
    rows = [
        np.hstack([np.kron(np.eye(2)[axis], columns), -wanted[:, [axis]] * reached])
        for axis in (0, 1)
    ]
    root = np.sqrt(np.tile(weight, 2))[:, None]
    solved, *_ = np.linalg.lstsq(
        np.vstack(rows) * root, wanted.T.reshape(-1) * root[:, 0], rcond=None
    )
    linear = np.array([solved[0:2], solved[3:5]])
    shift = solved[[2, 5]] * unit + centre - linear @ middle
    v = solved[6:8] / unit
    return Plane(
        np.column_stack([linear, shift]),
        Keystone((float(centre[0]), float(centre[1])), (float(v[0]), float(v[1]))),
    )


def _knots(box: Box, spacing_px: float) -> tuple[tuple[float, float], tuple[int, int]]:
    """First coefficient's place and number of coefficients (ny, nx): one knot beyond each side."""
    counts = [int(np.ceil(side / spacing_px)) + 3 for side in (box.height, box.width)]
    return (box.x0 - spacing_px, box.y0 - spacing_px), (counts[0], counts[1])


def _design(
    points: Array, origin: tuple[float, float], spacing: float, shape: tuple[int, int]
) -> Array:
    """Rows of the tensor-product cubic B-spline at the points, (n, ny * nx)."""
    rows = []
    for axis, count in ((1, shape[0]), (0, shape[1])):
        t = np.arange(count + 4) - 2.0  # coefficient k is centred on knot k
        u = np.clip((points[:, axis] - origin[axis]) / spacing, 1, count - 2 - 1e-9)
        rows.append(BSpline.design_matrix(u, t, 3).toarray())
    return np.einsum("ni,nj->nij", rows[0], rows[1]).reshape(len(points), -1)


def _smoothness(shape: tuple[int, int]) -> Array:
    """Penalty matrix of second differences of the coefficients along both axes."""
    ny, nx = shape

    def second(n: int) -> Array:
        return np.diff(np.eye(n), 2, axis=0)

    dy = np.kron(second(ny), np.eye(nx))
    dx = np.kron(np.eye(ny), second(nx))
    return dy.T @ dy + dx.T @ dx


def warp_design(points: Array, box: Box, spacing_px: float) -> tuple[Array, Array]:
    """Rows of a warp at (n, 2) points, (n, m), and the penalty (m, m) on its coefficients.

    The penalty only bridges knots without points: 1e-3 of a point's weight per coefficient.
    """
    origin, shape = _knots(box, spacing_px)
    design = _design(points, origin, spacing_px, shape)
    return design, 1e-3 * _smoothness(shape) + 1e-6 * np.eye(shape[0] * shape[1])


def _fit_warp(
    points: Array,
    displacement: Array,
    weight: Array,
    box: Box,
    spacing: float,
    *,
    stiffness: float = 1.0,
) -> tuple[Warp, Array]:
    """Penalised least-squares warp, Tukey weights reiterated; returns it and the weights."""
    origin, shape = _knots(box, spacing)
    design, penalty = warp_design(points, box, spacing)
    penalty = stiffness * penalty
    coefficients = np.zeros((2, *shape))
    for _ in range(15):
        normal = design.T @ (design * weight[:, None]) + penalty
        solved = np.linalg.solve(normal, design.T @ (displacement * weight[:, None]))
        residual = displacement - design @ solved
        weight = tukey_weights(residual, robust_scale(residual))
        coefficients = solved.T.reshape(2, *shape).astype(float)
    return Warp(origin, float(spacing), coefficients), weight


def max_strain(warp: Warp, box: Box, *, step_px: float = 64.0) -> float:
    """Largest gradient of the warp inside a box (dimensionless)."""
    x = np.arange(box.x0, box.x1, step_px)
    y = np.arange(box.y0, box.y1, step_px)
    if len(x) < 2 or len(y) < 2:
        return 0.0
    gx, gy = np.meshgrid(x, y)
    u = warp.at(np.column_stack([gx.ravel(), gy.ravel()])).reshape(*gx.shape, 2)
    return float(max(np.abs(np.diff(u, axis=a)).max() / step_px for a in (0, 1)))


def fit_map(
    before_px: Array, after_px: Array, *, box: Box, spacings_px: list[float], max_strain_frac: float
) -> Fit:
    """Map of planes, then the finest warp that predicts left-out blocks better.

    Control points are split into eight spatial blocks; each candidate is fitted without a block
    and judged there (the fit residual says nothing of the error: Fitzpatrick 2009). A warp is
    taken over a coarser candidate only if it lowers the median left-out residual by 3 %. One that
    strains more than allowed is made stiffer until it does not.

    Parameters
    ----------
    before_px, after_px : (n, 2) float64
    box : Box
        Extent of the mosaic before.
    spacings_px : list of float
        Knot spacings to try, coarse to fine.
    max_strain_frac : float
        The most that a warp may strain.

    Returns
    -------
    Fit
    """
    plane, weight = fit_plane(after_px, before_px, box=box)
    reached = plane.apply(after_px)
    displacement = before_px - reached
    fold = _folds(before_px, box)
    best_warp, best_weight = Warp.none(), weight
    bent = any(plane.keystone.per_px)
    best_left_out = _left_out(after_px, before_px, fold, box, keystone=bent)
    capped = False
    for spacing in spacings_px:
        for stiffness in _STIFFNESSES:
            warp, w = _fit_warp(reached, displacement, weight, box, spacing, stiffness=stiffness)
            if max_strain(warp, box) <= max_strain_frac:
                break
        else:
            capped = True
            break
        left_out = np.zeros_like(displacement)
        for k in range(fold.max() + 1):
            out = fold == k
            part, _ = _fit_warp(
                reached[~out],
                displacement[~out],
                weight[~out],
                box,
                spacing,
                stiffness=stiffness,
            )
            left_out[out] = displacement[out] - part.at(reached[out])
        if typical_px(left_out, w) < 0.97 * typical_px(best_left_out, w):
            best_warp, best_weight, best_left_out = warp, w, left_out
            capped = stiffness > _STIFFNESSES[0]
    residual = displacement - best_warp.at(reached)
    best_weight = tukey_weights(residual, robust_scale(residual))
    return Fit(plane, best_warp, best_weight, residual, best_left_out, capped)


def typical_px(residual_px: Array, weight: Array) -> float:
    """Median length of the (n, 2) residuals of points in use, those with a weight."""
    kept = residual_px[weight > 0]
    return float(np.median(np.hypot(kept[:, 0], kept[:, 1]))) if len(kept) else np.inf


def _folds(points: Array, box: Box, *, side: int = 6, folds: int = 8) -> NDArray[np.int64]:
    """Number of the fold of each point: cells of a grid dealt out so that neighbours differ."""
    column = np.clip((points[:, 0] - box.x0) * side // max(box.width, 1), 0, side - 1)
    row = np.clip((points[:, 1] - box.y0) * side // max(box.height, 1), 0, side - 1)
    return ((row * 3 + column) % folds).astype(np.int64)


def _left_out(
    source: Array, target: Array, fold: NDArray[np.int64], box: Box, *, keystone: bool
) -> Array:
    """Measured minus predicted place of each point, (n, 2), its block left out of the fit."""
    left_out = np.zeros_like(target)
    for k in range(fold.max() + 1):
        out = fold == k
        if out.any() and (~out).sum() >= 8:
            if keystone:
                plane, _ = _fit_keystone(source[~out], target[~out], box)
            else:
                plane = Plane.of(fit_affine_robust(source[~out], target[~out])[0])
            left_out[out] = target[out] - plane.apply(source[out])
    return left_out
