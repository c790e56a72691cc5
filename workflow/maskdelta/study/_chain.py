"""Maps between two mosaics: an affine map, a keystone behind it, and a smooth warp."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import map_coordinates

from maskdelta.study._geometry import apply_affine, invert_affine, round_points

__all__ = ["Chain", "Fragment", "Keystone", "Warp"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Warp:
    """A smooth displacement: a uniform tensor-product cubic B-spline (Rueckert 1999).

    Parameters
    ----------
    origin_px : (float, float)
        Place x, y of the first coefficient in the frame of the die before.
    spacing_px : float
        Distance between knots.
    coefficients_px : (2, ny, nx) float64
        Coefficients of the displacement in x and in y.
    """

    origin_px: tuple[float, float]
    spacing_px: float
    coefficients_px: Array

    def at(self, points: ArrayLike) -> Array:
        """Displacement in px at (n, 2) points; constant beyond the outermost knots."""
        p = (np.asarray(points, float).reshape(-1, 2) - self.origin_px) / self.spacing_px
        grid = np.stack([p[:, 1], p[:, 0]])
        return np.column_stack(
            [
                map_coordinates(c, grid, order=3, prefilter=False, mode="nearest")
                for c in self.coefficients_px
            ]
        )

    @classmethod
    def none(cls) -> Warp:
        """No displacement anywhere."""
        return cls((0.0, 0.0), 1.0, np.zeros((2, 4, 4)))


@dataclass(frozen=True)
class Keystone:
    """A projective term: p -> c + (p - c) / (1 + v . (p - c)), which leaves the centre in place.

    Behind an affine map it makes any homography (Hartley & Zisserman 2003, section 2.4.3). Lenses
    and stages that are not square to the die bring it in.

    Parameters
    ----------
    centre_px : (float, float)
        x, y of the centre c.
    per_px : (float, float)
        v: how much the scale falls per px along x and y.
    """

    centre_px: tuple[float, float] = (0.0, 0.0)
    per_px: tuple[float, float] = (0.0, 0.0)

    def apply(self, points: ArrayLike) -> Array:
        """Map (n, 2) points."""
        return self._divided(points, 1.0)

    def undo(self, points: ArrayLike) -> Array:
        """The inverse of `apply`."""
        return self._divided(points, -1.0)

    def _divided(self, points: ArrayLike, sign: float) -> Array:
        p = np.asarray(points, float).reshape(-1, 2) - self.centre_px
        return p / (1 + sign * (p @ np.asarray(self.per_px)))[:, None] + self.centre_px


@dataclass(frozen=True)
class Chain:
    """An affine map from the mosaic after, a keystone behind it, and a warp read where they lead.

    Parameters
    ----------
    affine : (2, 3) float64
    keystone : Keystone
        In px of the mosaic before, as is the warp.
    warp : Warp
    """

    affine: Array
    keystone: Keystone = field(default_factory=Keystone)
    warp: Warp = field(default_factory=Warp.none)

    def apply(self, points: ArrayLike) -> Array:
        """Map (n, 2) points from px of the mosaic after to px of the mosaic before."""
        reached = self.keystone.apply(apply_affine(self.affine, points))
        return reached + self.warp.at(reached)

    def undo(self, points: ArrayLike) -> Array:
        """The inverse of `apply`.

        The warp is inverted by fixed-point iteration, which contracts by the strain (at most a
        few thousandths) in each round.
        """
        target = np.asarray(points, float).reshape(-1, 2)
        reached = target
        for _ in range(4):
            reached = target - self.warp.at(reached)
        return apply_affine(invert_affine(self.affine), self.keystone.undo(reached))

    def record(self) -> dict[str, Any]:
        """As it is written."""
        return {
            "affine": np.round(self.affine, 10).tolist(),
            "keystone": {
                "centre_px": list(self.keystone.centre_px),
                "per_px": list(self.keystone.per_px),
            },
            "warp": {
                "origin_px": list(self.warp.origin_px),
                "spacing_px": self.warp.spacing_px,
                "coefficients_x_px": round_points(self.warp.coefficients_px[0], 5),
                "coefficients_y_px": round_points(self.warp.coefficients_px[1], 5),
            },
        }

    @classmethod
    def of_record(cls, data: Mapping[str, Any]) -> Chain:
        """What `record` gave."""
        warp = data["warp"]
        # files of earlier versions have none
        keystone = data.get("keystone", {"centre_px": (0.0, 0.0), "per_px": (0.0, 0.0)})
        coefficients = np.array([warp["coefficients_x_px"], warp["coefficients_y_px"]], float)
        x, y = warp["origin_px"]
        return cls(
            np.array(data["affine"], float),
            Keystone(tuple(keystone["centre_px"]), tuple(keystone["per_px"])),
            Warp((x, y), warp["spacing_px"], coefficients),
        )


@dataclass(frozen=True)
class Fragment:
    """A piece of a cracked die with a map of its own.

    Parameters
    ----------
    before, after : shapely polygon
        The part of each mosaic that belongs to it, px.
    chain : Chain
    """

    before: shapely.Polygon
    after: shapely.Polygon
    chain: Chain

    def misses_px(self, before_px: Array, after_px: Array) -> Array:
        """How far (n, 2) places and their counterparts lie outside the fragment, (n,)."""
        sides = ((self.before, before_px), (self.after, after_px))
        return np.max([shapely.distance(area, shapely.points(at)) for area, at in sides], axis=0)

    def record(self) -> dict[str, Any]:
        """As it is written."""
        outlines = {
            f"{side}_px": np.round(shapely.get_coordinates(area), 2).tolist()
            for side, area in (("before", self.before), ("after", self.after))
        }
        return {**outlines, "after_to_before": self.chain.record()}

    @classmethod
    def of_record(cls, data: Mapping[str, Any]) -> Fragment:
        """What `record` gave."""
        return cls(
            shapely.Polygon(data["before_px"]),
            shapely.Polygon(data["after_px"]),
            Chain.of_record(data["after_to_before"]),
        )
