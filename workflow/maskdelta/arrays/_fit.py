"""Fit a lattice to the picture: all cells against their mean, by least squares."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from maskdelta.arrays._cells import CellFrame, Crops
from maskdelta.arrays._lattice import Lattice

__all__ = ["CellSample", "LatticeFit", "coherence", "fit_lattice"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class CellSample:
    """The cells that a lattice is fitted to.

    Parameters
    ----------
    rows, columns : (n,) int
    flip : (n, 2) bool
        Whether the cell is mirrored left to right and top to bottom.
    kind : (n,) int
        Cells of one kind look alike, their bit aside.
    crops : Crops
    """

    rows: NDArray[np.intp]
    columns: NDArray[np.intp]
    flip: NDArray[np.bool_]
    kind: NDArray[np.intp]
    crops: Crops

    def patches(self, lattice: Lattice, frame: CellFrame) -> NDArray[np.float32]:
        """(n, size, size, channels) without their mean, turned so that all look alike."""
        found = self.crops.sample(lattice.at(self.rows, self.columns), frame)
        found = found - found.mean((1, 2), keepdims=True)
        return turn(found, self.flip)


def turn(patches: NDArray[np.float32], flip: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Patches with those flagged mirrored left to right and top to bottom."""
    out = patches.copy()
    out[flip[:, 0]] = out[flip[:, 0], :, ::-1]
    out[flip[:, 1]] = out[flip[:, 1], ::-1]
    return out


def coherence(
    sample: CellSample, lattice: Lattice, frame: CellFrame, *, alike: bool = False
) -> float:
    """Share of the picture's variance within cells that the mean cell explains, 0..1.

    Parameters
    ----------
    alike : bool
        Take all cells to be of one kind, to find places within a period.
    """
    patches = sample.patches(lattice, frame)
    kind = np.zeros_like(sample.kind) if alike else sample.kind
    total = float(np.vdot(patches, patches))
    explained = 0.0
    for number in np.unique(kind):
        own = patches[kind == number]
        mean = own.mean(0)
        explained += float(np.vdot(mean, mean)) * len(own)
    return explained / total if total else 0.0


@dataclass(frozen=True)
class LatticeFit:
    """A fitted lattice and how well it fits.

    Parameters
    ----------
    lattice : Lattice
    covariance_px2 : (2 k, 2 k) float64
        Of the coefficients, x of all and then y of all.
    residual_px : float
        RMS distance of single cells from the lattice, per axis, as far as a cell can tell.
    coherence : float
        Of the final lattice.
    """

    lattice: Lattice
    covariance_px2: Array
    residual_px: float
    coherence: float


def fit_lattice(
    sample: CellSample,
    lattice: Lattice,
    frame: CellFrame,
    *,
    bend: bool = True,
    blurs_px: tuple[float, ...] = (2.5, 0.0),
    rounds: int = 8,
    most_px: float = 3.0,
) -> LatticeFit:
    """Refine a lattice until the cells agree best with the mean cell of their kind.

    Parametric alignment (Baker & Matthews 2004) of all cells at once: in each round every cell
    tells by how much it lies off the mean of its kind (a 2 by 2 system each, so that a line
    tells only of the direction across it), and the coefficients follow by weighted least
    squares. Cells that look odd count less (Tukey's biweight). The constant and what only
    separates kinds stay where they were: the mean cell moves along with them.

    Parameters
    ----------
    sample : CellSample
    lattice : Lattice
        Right to about a quarter of the smallest structure's period.
    frame : CellFrame
        Covers one cell.
    bend : bool
        Whether the bend may differ from 0.
    blurs_px : tuple of float
        Coarse to fine.
    rounds : int
        At most, for each blur.
    most_px : float
        Largest step of one round.
    """
    free = np.ones(len(lattice.coefficients_px), bool)
    free[-3:] = bend
    design = lattice.design(sample.rows, sample.columns)[:, free]
    result = LatticeFit(lattice, np.zeros((2 * len(free),) * 2), 0.0, 0.0)
    for blur in blurs_px:
        smooth = replace(sample, crops=sample.crops.smoothed(blur)) if blur else sample
        for _ in range(rounds):
            shift, system = _cell_shifts(smooth, lattice, frame)
            step, covariance, residual = _solve(design, shift, system, most_px)
            coefficients = lattice.coefficients_px.copy()
            coefficients[free] += step
            lattice = replace(lattice, coefficients_px=coefficients)
            full = np.zeros((2 * len(free),) * 2)
            where = np.flatnonzero(np.concatenate([free, free]))
            full[np.ix_(where, where)] = covariance
            result = LatticeFit(lattice, full, residual, 0.0)
            if np.abs(design @ step).max() < 0.01:
                break
    return replace(result, coherence=coherence(sample, lattice, frame))


def _cell_shifts(
    sample: CellSample, lattice: Lattice, frame: CellFrame
) -> tuple[Array, NDArray[np.float64]]:
    """Right-hand sides (n, 2) and matrices (n, 2, 2) of every cell's shift, mosaic px."""
    patches = sample.patches(lattice, frame)
    right = np.zeros((len(patches), 2))
    system = np.zeros((len(patches), 2, 2))
    inverse = np.linalg.inv(frame.matrix)
    for kind in np.unique(sample.kind):
        own = sample.kind == kind
        mean = patches[own].mean(0)
        gradient = np.stack([np.gradient(mean, axis=1), np.gradient(mean, axis=0)])
        flat = gradient.reshape(2, -1)
        error = (mean - patches[own]).reshape(int(own.sum()), -1)
        spread = (error**2).mean(1)
        weight = _tukey(np.sqrt(spread))
        local = error @ flat.T * weight[:, None]
        normal = (flat @ flat.T)[None] * weight[:, None, None]
        sign = np.where(sample.flip[own], -1.0, 1.0)
        local, normal = local * sign, normal * sign[:, :, None] * sign[:, None, :]
        right[own] = local @ inverse
        system[own] = inverse.T @ normal @ inverse
    return right, system


def _tukey(size: Array) -> Array:
    """Weights 1 for what is usual, falling to 0 at several times the usual spread above it."""
    middle = np.median(size)
    spread = 1.4826 * np.median(np.abs(size - middle)) + 1e-9
    t = np.clip((size - middle) / (6 * spread), 0, 1)
    return np.asarray((1 - t**2) ** 2)


def _solve(
    design: Array, right: Array, system: NDArray[np.float64], most_px: float
) -> tuple[Array, Array, float]:
    """Step (k, 2) of the coefficients, their covariance, and the RMS residual of a cell."""
    k = design.shape[1]
    normal = np.einsum("nab,ni,nj->aibj", system, design, design).reshape(2 * k, 2 * k)
    vector = np.einsum("na,ni->ai", right, design).reshape(2 * k)
    ridge = 1e-6 * np.trace(normal) / len(normal) * np.eye(2 * k)
    inverse = np.linalg.pinv(normal + ridge, hermitian=True)
    step = (inverse @ vector).reshape(2, k).T
    left = right - np.einsum("nab,nb->na", system, design @ step)
    strength = np.linalg.eigvalsh(system)
    firm = strength[:, 0] > 0.25 * np.median(strength[:, 0]) + 1e-12
    miss = np.linalg.solve(system[firm], left[firm, :, None])[..., 0] if firm.any() else left
    residual = float(np.sqrt(np.median(np.clip(miss**2, 0, 25).sum(1)) / 1.386))
    weight = float(np.median(np.trace(system, axis1=1, axis2=2)) / 2) or 1.0
    largest = np.abs(design @ step).max()
    if largest > most_px:
        step *= most_px / largest
    return step, inverse * weight * residual**2, residual
