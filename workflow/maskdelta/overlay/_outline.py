"""Outlines of one layer in a patch of both dies, and the shift and growth between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Outline", "alone", "shift_and_growth"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Outline:
    """Where a layer's outlines run in a patch, and how they differ between the dies.

    Parameters
    ----------
    edge : (H, W) bool
        On or near an outline that can be seen in both dies.
    gx, gy : (H, W) float32
        Slope of the mean of both smoothed memberships, per px.
    differs : (H, W) float32
        Membership after minus before.
    """

    edge: NDArray[np.bool_]
    gx: NDArray[np.float32]
    gy: NDArray[np.float32]
    differs: NDArray[np.float32]

    @classmethod
    def of(cls, before: NDArray[Any], after: NDArray[Any], seen: NDArray[np.bool_]) -> Outline:
        """From memberships, 0..255, in one frame, and where both can be seen."""
        first, second = (_soft(plane) for plane in (before, after))
        mean = (first + second) / 2
        gx = cv2.Sobel(mean, cv2.CV_32F, 1, 0, scale=1 / 8)
        gy = cv2.Sobel(mean, cv2.CV_32F, 0, 1, scale=1 / 8)
        inner = cv2.erode(seen.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
        inner[:8], inner[-8:], inner[:, :8], inner[:, -8:] = False, False, False, False
        return cls(inner & (np.hypot(gx, gy) > 0.05), gx, gy, second - first)


def _soft(plane: NDArray[Any]) -> NDArray[np.float32]:
    return cv2.GaussianBlur(plane.astype(np.float32) / 255, (0, 0), 1.5)


def alone(
    edge: NDArray[np.bool_], others: Sequence[NDArray[np.bool_]], *, reach_px: int = 3
) -> NDArray[np.bool_]:
    """Edges of a layer that no edge of another layer lies beside, (H, W) bool.

    Where two layers end together, as a buried contact does with what it joins, or a dot that runs
    into the rim of its metal, the place may be that of either.
    """
    if not others:
        return edge
    kernel = np.ones((2 * reach_px + 1,) * 2, np.uint8)
    return edge & (cv2.dilate(np.any(others, axis=0).astype(np.uint8), kernel) == 0)


def shift_and_growth(outline: Outline, edge: NDArray[np.bool_], *, least_px: int) -> Array | None:
    """dx, dy and growth at some of the edges, px; None where fewer than `least_px` tell, where
    they run one way only, or where they differ by 3 px or more."""
    if edge.sum() < least_px:
        return None
    gx, gy = outline.gx[edge], outline.gy[edge]
    design = np.column_stack([-gx, -gy, np.hypot(gx, gy)]).astype(float)
    wanted = outline.differs[edge].astype(float)
    weight = np.ones(len(wanted))
    solved = np.zeros(3)
    for _ in range(4):
        root = np.sqrt(weight)[:, None]
        solved, *_ = np.linalg.lstsq(design * root, wanted * root[:, 0], rcond=None)
        residual = wanted - design @ solved
        spread = 1.4826 * np.median(np.abs(residual)) + 1e-3
        weight = np.where(np.abs(residual) < 4 * spread, 1.0, 0.0)
    both = design[:, :2].T @ design[:, :2]
    if np.linalg.cond(both) > 50:  # lines one way only: no shift along them
        return None
    return solved if np.abs(solved).max() < 3 else None
