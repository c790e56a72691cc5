"""Candidates that lie along a seam of an earlier joining: torn shapes, not changes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskdelta.images import Box
from maskdelta.study import Registration

__all__ = ["SeamLines"]

Array = NDArray[np.float64]

_REACH_PX = 8.0
_ENDS_PX = 256.0  # a seam's ends are known to half a piece of 512 px


@dataclass(frozen=True)
class SeamLines:
    """The seams of both dies in the mosaic before.

    Parameters
    ----------
    ends : (n, 2, 2) float64
        End points, px of the mosaic before.
    reach_px : (n,) float64
        How far from a line what it tears may lie.
    """

    ends: Array
    reach_px: Array

    @classmethod
    def none(cls) -> SeamLines:
        """No seams."""
        return cls(np.zeros((0, 2, 2)), np.zeros(0))

    @classmethod
    def of_rows(
        cls,
        before: Sequence[Mapping[str, Any]],
        after: Sequence[Mapping[str, Any]],
        registration: Registration,
    ) -> SeamLines:
        """From the rows of both dies' `seams.csv`."""
        if not before and not after:
            return cls.none()
        there = registration.after_to_before(_ends(after).reshape(-1, 2)).reshape(-1, 2, 2)
        scale = registration.scale_after_to_before
        reach = [_reach(row) for row in before] + [scale * _reach(row) for row in after]
        return cls(np.concatenate([_ends(before), there]), np.array(reach, float))

    def hold(self, box: Box) -> bool:
        """Whether a box of the mosaic before lies along one of the seams as a whole."""
        if not len(self.ends):
            return False
        x0, y0, x1, y1 = box.x0, box.y0, box.x1 - 1, box.y1 - 1
        corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], float)
        start = self.ends[:, :1]
        way = self.ends[:, 1:] - start
        length = np.maximum(np.hypot(way[..., 0], way[..., 1]), 1.0)
        way = way / length[..., None]
        apart = corners[None] - start
        along = (apart * way).sum(-1)
        across = np.abs(apart[..., 0] * way[..., 1] - apart[..., 1] * way[..., 0])
        inside = (across <= self.reach_px[:, None]) & (along >= -_ENDS_PX)
        inside &= along <= length + _ENDS_PX
        return bool(inside.all(1).any())


def _ends(rows: Sequence[Mapping[str, Any]]) -> Array:
    return np.array(
        [[[r["x0_px"], r["y0_px"]], [r["x1_px"], r["y1_px"]]] for r in rows], float
    ).reshape(-1, 2, 2)


def _reach(row: Mapping[str, Any]) -> float:
    return _REACH_PX + abs(row["offset_px"] or 0.0) + float(row["doubled_px"])
