"""Shading of the microscope and exposure of each tile, from the overlaps of the tiles."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import scipy.sparse
from numpy.typing import NDArray

from maskdelta.survey._flat_field import FlatField, terms
from maskdelta.survey._look import Look

__all__ = ["Overlap", "cells_in_both", "estimate_flat_field"]

Array = NDArray[np.float64]
_BLOCK = 4  # cells: one ratio per block


@dataclass(frozen=True)
class Overlap:
    """Two tiles (by number) that overlap: b's first px lies at (x, y) of a, full resolution."""

    a: int
    b: int
    x_px: float
    y_px: float


@dataclass(frozen=True)
class _Ratios:
    """Logarithms of the ratio a / b of block means, one row a block."""

    a: NDArray[np.int_]
    b: NDArray[np.int_]
    at_a: Array
    at_b: Array
    log_ratio: Array


def estimate_flat_field(
    looks: Sequence[Look], overlaps: Sequence[Overlap], *, order: int = 4
) -> tuple[FlatField, Array]:
    """Estimate shading and exposures together.

    In an overlap both tiles saw the same place, so that log I_a - log I_b = log G(p_a) -
    log G(p_b) + e_a - e_b whatever is there (Goldman, IEEE Trans. PAMI 32 (2010); Brown & Lowe,
    Int. J. Comput. Vis. 74 (2007), section 6, for the prior on the exposures). A slope of log G
    trades exactly against exposures that grow with the place of the tile; a prior that exposures
    scatter about zero, with the spread estimated from themselves, decides.

    Parameters
    ----------
    looks : sequence of Look
    overlaps : sequence of Overlap
    order : int
        Degree of the polynomial; lower when the overlaps are too few to hold it.

    Returns
    -------
    flat_field : FlatField
    exposures : (n,) float64
        Factors of the tiles; their geometric mean is 1.
    """
    ratios = _collect(looks, overlaps)
    order = _order_for(ratios, len(overlaps), order)
    if not len(ratios.a):
        return FlatField(), np.ones(len(looks))
    found = [_fit_channel(ratios, c, len(looks), order) for c in range(3)]
    residual = float(np.mean([spread for *_, spread in found]))
    logs = np.mean([e for _, e, _ in found], axis=0)
    coefficients = np.round(np.array([c for c, *_ in found]), 7)
    return FlatField(order, coefficients, round(residual, 6)), np.exp(logs - logs.mean())


def _order_for(ratios: _Ratios, pairs: int, order: int) -> int:
    """Degree that the data can hold: overlaps must reach all sides of the tile."""
    if pairs < 2 or len(ratios.a) < 60:
        return 0
    both = np.concatenate([ratios.at_a, ratios.at_b])
    sides = [(both[:, k] * s > 0.3).mean() > 0.02 for k in (0, 1) for s in (-1, 1)]
    if not all(sides):
        return 0
    return order if pairs >= 8 else 2


def _collect(looks: Sequence[Look], overlaps: Sequence[Overlap]) -> _Ratios:
    parts = [_ratios_of(looks, overlap) for overlap in overlaps]
    parts = [part for part in parts if len(part.a)]
    if not parts:
        return _Ratios(*(np.zeros(0, int),) * 2, *(np.zeros((0, 2)),) * 2, np.zeros((0, 3)))
    return _Ratios(*(np.concatenate([getattr(p, f) for p in parts]) for f in vars(parts[0])))


def cells_in_both(
    a: Look,
    b: Look,
    overlap: Overlap,
    gains: Callable[[tuple[int, int]], NDArray[np.float32]] | None = None,
    *,
    whole: int = 1,
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32], Array]:
    """What two tiles show of their overlap, in cells of a.

    The shift is rounded to whole cells for a and the rest is made good by moving b bilinearly.

    Parameters
    ----------
    a, b : Look
    overlap : Overlap
    gains : callable, optional
        Shape of a tile in cells -> what its light is multiplied by.
    whole : int

    Returns
    -------
    of_a, of_b : (h, w, 3) float32
        Linear light; h and w are multiples of `whole`, or 0.
    fine : (h, w) float32
        1 where both are usable, else 0.
    corners : (2, 2) float64
        Place of the first cell in a and in b, cells.
    """
    sx, sy = overlap.x_px / a.cell_px, overlap.y_px / a.cell_px
    ix, iy = int(np.floor(sx)), int(np.floor(sy))
    (ha, wa), (hb, wb) = a.usable.shape, b.usable.shape
    x0, y0 = max(0, ix + 1), max(0, iy + 1)
    width = max(0, min(wa, ix + wb) - x0) // whole * whole
    height = max(0, min(ha, iy + hb) - y0) // whole * whole
    x1, y1 = x0 + width, y0 + height
    if not (width and height):
        none = np.zeros((0, 0, 3), np.float32)
        return none, none, none[..., 0], np.zeros((2, 2))
    of_a = a.linear[y0:y1, x0:x1].astype(np.float32)
    of_b, fine_b = _moved(b, x0 - sx, y0 - sy, (height, width))
    if gains is not None:
        of_a = of_a * gains(a.usable.shape)[y0:y1, x0:x1]
        ux, uy = max(0, round(x0 - sx)), max(0, round(y0 - sy))
        of_b = of_b * gains(b.usable.shape)[uy : uy + height, ux : ux + width]
    fine = (a.usable[y0:y1, x0:x1] & fine_b).astype(np.float32)
    return of_a, of_b, fine, np.array([[x0, y0], [x0 - sx, y0 - sy]])


def _ratios_of(looks: Sequence[Look], overlap: Overlap) -> _Ratios:
    """Block means of the overlap; blocks with less than half their cells usable are left out."""
    a, b = looks[overlap.a], looks[overlap.b]
    of_a, of_b, fine, corners = cells_in_both(a, b, overlap, whole=_BLOCK)
    size = (fine.shape[1] // _BLOCK, fine.shape[0] // _BLOCK)
    if not fine.size:
        empty = np.zeros(0, int)
        return _Ratios(empty, empty, np.zeros((0, 2)), np.zeros((0, 2)), np.zeros((0, 3)))
    share = cv2.resize(fine, size, interpolation=cv2.INTER_AREA)
    mean_a = cv2.resize(of_a * fine[..., None], size, interpolation=cv2.INTER_AREA)
    mean_b = cv2.resize(of_b * fine[..., None], size, interpolation=cv2.INTER_AREA)
    good = (share >= 0.5) & (mean_a.min(2) > 1e-4) & (mean_b.min(2) > 1e-4)
    gy, gx = np.nonzero(good)
    middle = np.column_stack([(gx + 0.5) * _BLOCK, (gy + 0.5) * _BLOCK])
    return _Ratios(
        np.full(len(gx), overlap.a),
        np.full(len(gx), overlap.b),
        _normalised(corners[0] + middle, a),
        _normalised(corners[1] + middle, b),
        np.log(mean_a[good] / mean_b[good]).astype(float),
    )


def _moved(
    look: Look, x: float, y: float, shape: tuple[int, int]
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Bilinear crop of the small linear picture whose first px lies at (x, y)."""
    ix, iy = int(np.floor(x)), int(np.floor(y))
    fx, fy = np.float32(x - ix), np.float32(y - iy)
    h, w = shape

    def at(dy: int, dx: int) -> NDArray[np.float32]:
        return look.linear[iy + dy : iy + dy + h, ix + dx : ix + dx + w].astype(np.float32)

    pad_y, pad_x = iy + h + 1 > look.linear.shape[0], ix + w + 1 > look.linear.shape[1]
    dy, dx = int(not pad_y), int(not pad_x)
    upper = at(0, 0) * (1 - fx) + at(0, dx) * fx
    lower = at(dy, 0) * (1 - fx) + at(dy, dx) * fx
    usable = look.usable[iy : iy + h, ix : ix + w]
    usable = usable & look.usable[iy + dy : iy + dy + h, ix + dx : ix + dx + w]
    moved = upper * (1 - fy) + lower * fy
    return moved.astype(np.float32, copy=False), usable


def _normalised(cells: Array, look: Look) -> Array:
    """(u, v) of places given in cells (edges at whole numbers)."""
    half = max(look.width_px, look.height_px) / 2
    middle = np.array([look.width_px, look.height_px]) / 2
    return (cells * look.cell_px - middle) / half


def _fit_channel(
    ratios: _Ratios, channel: int, tiles: int, order: int
) -> tuple[Array, Array, float]:
    """Robust least squares of one channel: coefficients, log exposures, spread of the residuals.

    Tukey's weights on the blocks; every tenth of a unit of weight is enough of a ridge to keep
    terms that the overlaps do not see at zero.
    """
    n_terms = len(terms(order))
    powers = terms(order)
    design = np.empty((len(ratios.a), n_terms))
    for k, (p, q) in enumerate(powers):
        design[:, k] = (
            ratios.at_a[:, 0] ** p * ratios.at_a[:, 1] ** q
            - ratios.at_b[:, 0] ** p * ratios.at_b[:, 1] ** q
        )
    rows = np.arange(len(ratios.a))
    ones = np.ones(len(rows))
    exposure = scipy.sparse.csr_matrix(
        (np.r_[ones, -ones], (np.r_[rows, rows], np.r_[ratios.a, ratios.b])), (len(rows), tiles)
    )
    target = ratios.log_ratio[:, channel]
    weight = ones
    before = np.zeros(n_terms + tiles)
    spread, spread_e = max(1.4826 * float(np.median(np.abs(target))), 1e-4), 0.05
    solution = np.zeros(n_terms + tiles)
    for _ in range(12):
        solution = _solve_normal(design, exposure, target, weight / spread**2, spread_e)
        residual = target - design @ solution[:n_terms] - exposure @ solution[n_terms:]
        spread = max(1.4826 * float(np.median(np.abs(residual))), 1e-5)
        weight = np.clip(1 - (residual / (4.685 * spread)) ** 2, 0, 1) ** 2
        spread_e = float(np.clip(solution[n_terms:].std(), 0.003, 0.3))
        if np.abs(solution - before).max() < 1e-5:  # of the light, a three-hundredth of the aim
            break
        before = solution
    return solution[:n_terms], solution[n_terms:], spread


def _products(exposure: scipy.sparse.csr_matrix, weight: Array) -> Array:
    """The weighted products of the columns, each row of which is 1 for one tile, -1 for another."""
    tiles = exposure.shape[1]
    a, b = exposure.indices.reshape(-1, 2).T.astype(np.int64)
    across = np.bincount(a * tiles + b, weight, tiles**2).reshape(tiles, tiles)
    across = across + across.T
    return np.asarray(np.diag(across.sum(0)) - across)


def _solve_normal(
    design: Array,
    exposure: scipy.sparse.csr_matrix,
    target: Array,
    weight: Array,
    spread_e: float,
) -> Array:
    """Weighted normal equations with the prior on exposures and a faint one on the shading."""
    n = design.shape[1]
    weighted = design * weight[:, None]
    mixed = exposure.T @ weighted
    own = _products(exposure, weight)
    top = design.T @ weighted + np.eye(n) / 1.0**2
    matrix = np.block([[top, mixed.T], [mixed, own + np.eye(own.shape[0]) / spread_e**2]])
    right = np.r_[weighted.T @ target, exposure.T @ (weight * target)]
    return np.linalg.solve(matrix, right)
