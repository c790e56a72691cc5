"""The map between two mosaics and what is known of its error."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import map_coordinates

from maskdelta.errors import RegistrationRefused
from maskdelta.study._geometry import apply_affine, invert_affine, mean_scale, round_points
from maskdelta.study._tables import read_json, write_json

__all__ = ["Keystone", "Registration", "Warp"]

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
class Registration:
    """How the mosaic of the die after lies over that of the die before.

    `after_to_before` applies the affine, then the keystone, then adds the warp read at the place
    so reached.

    Parameters
    ----------
    before, after : str
        Names of the dies.
    affine_after_to_before : (2, 3) float64
    keystone : Keystone
        In px of the mosaic before.
    warp : Warp
        In px of the mosaic before.
    mirror : bool
        Whether the two photographs are mirror images.
    figures : dict
        Counts and residuals, px of the mosaic before.
    groups : tuple of dict
        Contiguous groups of control points that disagree: candidate redrawn or moved blocks.
    refused : tuple of str
        Reasons for not trusting the result; empty when it is trusted.
    """

    before: str
    after: str
    affine_after_to_before: Array
    keystone: Keystone = field(default_factory=Keystone)
    warp: Warp = field(default_factory=Warp.none)
    mirror: bool = False
    figures: dict[str, Any] = field(default_factory=dict)
    groups: tuple[dict[str, Any], ...] = ()
    refused: tuple[str, ...] = ()

    @property
    def trusted(self) -> bool:
        """Whether the map may be used."""
        return not self.refused

    @property
    def scale_after_to_before(self) -> float:
        """px of the mosaic before per px of the mosaic after, amid the die."""
        return mean_scale(self.affine_after_to_before)

    def after_to_before(self, points: ArrayLike) -> Array:
        """Map (n, 2) points from px of the mosaic after to px of the mosaic before."""
        self._check()
        reached = self.keystone.apply(apply_affine(self.affine_after_to_before, points))
        return reached + self.warp.at(reached)

    def before_to_after(self, points: ArrayLike) -> Array:
        """Map (n, 2) points from px of the mosaic before to px of the mosaic after.

        The warp is inverted by fixed-point iteration, which contracts by the strain (at most a
        few thousandths) in each round.
        """
        self._check()
        target = np.asarray(points, float).reshape(-1, 2)
        reached = target
        for _ in range(4):
            reached = target - self.warp.at(reached)
        flat = self.keystone.undo(reached)
        return apply_affine(invert_affine(self.affine_after_to_before), flat)

    def _check(self) -> None:
        if self.refused:
            raise RegistrationRefused(
                f"{self.before}--{self.after}: the registration was refused "
                f"({'; '.join(self.refused)})"
            )

    def write(self, path: str | Path) -> None:
        """Write `registration.json`."""
        write_json(
            path,
            {
                "before": self.before,
                "after": self.after,
                "after_to_before": {
                    "affine": np.round(self.affine_after_to_before, 10).tolist(),
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
                    "mirror": self.mirror,
                },
                "figures": self.figures,
                "groups": list(self.groups),
                "refused": list(self.refused),
            },
        )

    @classmethod
    def read(cls, path: str | Path) -> Registration:
        """Read `registration.json`."""
        data = read_json(path)
        chain = data["after_to_before"]
        warp = chain["warp"]
        # files of earlier versions have none
        keystone = chain.get("keystone", {"centre_px": (0.0, 0.0), "per_px": (0.0, 0.0)})
        coefficients = np.array([warp["coefficients_x_px"], warp["coefficients_y_px"]], float)
        origin: Sequence[float] = warp["origin_px"]
        return cls(
            before=data["before"],
            after=data["after"],
            affine_after_to_before=np.array(chain["affine"], float),
            keystone=Keystone(tuple(keystone["centre_px"]), tuple(keystone["per_px"])),
            warp=Warp((origin[0], origin[1]), warp["spacing_px"], coefficients),
            mirror=chain["mirror"],
            figures=data["figures"],
            groups=tuple(data["groups"]),
            refused=tuple(data["refused"]),
        )
