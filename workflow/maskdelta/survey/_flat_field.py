"""What is known of a microscope: shading, dust on its sensor, lateral colour."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.errors import MaskdeltaError
from maskdelta.study import read_json, round_points, write_json
from maskdelta.survey._dust import Speck

__all__ = ["FlatField", "terms"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class FlatField:
    """Smooth shading G of linear light, and dust on the sensor; a picture is divided by both.

    log G is a polynomial of u = (x - xm) / h and v = (y - ym) / h, with (xm, ym) the middle of the
    tile and h half its longer side.

    Attributes
    ----------
    order : int
        Total degree; 0 leaves the pictures as they are.
    coefficients : (3, n) float64
        Of u^a v^b for red, green, blue; the terms follow `terms(order)`.
    residual_frac : float
        Robust spread of the overlap ratios that the fit leaves, as a share.
    specks : tuple of Speck
        Dust, in px of a tile of `width_px`.
    width_px : int
    red, blue : float
        Lateral colour: how much larger than green these are shown (`LateralColour`). It does not
        change the light, but where it is.
    """

    order: int = 0
    coefficients: Array = None  # type: ignore[assignment]
    residual_frac: float = 0.0
    specks: tuple[Speck, ...] = ()
    width_px: int = 0
    red: float = 0.0
    blue: float = 0.0

    def __post_init__(self) -> None:
        given = np.zeros((3, 0)) if self.coefficients is None else self.coefficients
        object.__setattr__(self, "coefficients", np.asarray(given, float).reshape(3, -1))

    @property
    def changes_nothing(self) -> bool:
        """Whether the light of pictures stays as it is."""
        return not self.order and not self.specks

    def gain(self, shape: tuple[int, int]) -> NDArray[np.float32]:
        """Factors to multiply linear light by.

        Parameters
        ----------
        shape : (int, int)
            Height and width of a tile, px.

        Returns
        -------
        (H, W, 3) float32
        """
        out = self._against_shading(shape)
        self._take_out_specks(out)
        return out

    def _take_out_specks(self, out: NDArray[np.float32]) -> None:
        height, width = out.shape[:2]
        scale = width / self.width_px if self.width_px else 1.0
        for speck in self.specks:
            x, y = ((v + 0.5) * scale - 0.5 for v in (speck.x_px, speck.y_px))
            # a larger px shows the mean over it
            sigma = float(np.sqrt((speck.sigma_px * scale) ** 2 + max(0.0, 1 - scale**2) / 12))
            depth = speck.depth_frac * (speck.sigma_px * scale / sigma) ** 2
            reach = int(np.ceil(4 * sigma)) + 1
            x0, y0 = max(0, round(x) - reach), max(0, round(y) - reach)
            gy, gx = np.mgrid[y0 : min(height, y0 + 2 * reach), x0 : min(width, x0 + 2 * reach)]
            taken = depth * np.exp(-((gx - x) ** 2 + (gy - y) ** 2) / (2 * sigma**2))
            part = out[y0 : y0 + 2 * reach, x0 : x0 + 2 * reach]
            part /= (1 - taken[..., None]).astype(np.float32)

    def _against_shading(self, shape: tuple[int, int]) -> NDArray[np.float32]:
        height, width = shape
        if not self.order:
            return np.ones((height, width, 3), np.float32)
        half = max(height, width) / 2
        u = (np.arange(width) - (width - 1) / 2) / half
        v = (np.arange(height) - (height - 1) / 2) / half
        pu = np.vander(u, self.order + 1, increasing=True)
        pv = np.vander(v, self.order + 1, increasing=True)
        out = np.empty((height, width, 3), np.float32)
        for channel in range(3):
            square = np.zeros((self.order + 1, self.order + 1))
            for (a, b), value in zip(terms(self.order), self.coefficients[channel], strict=True):
                square[b, a] = value
            # single precision is a quarter of the time, and good to 1e-6
            out[..., channel] = cv2.exp((-(pv @ square @ pu.T)).astype(np.float32))
        return out

    def write(self, path: str | Path) -> None:
        """Write `flat_field.json`."""
        write_json(path, self.to_mapping())

    def to_mapping(self) -> dict[str, Any]:
        """Plain values, rounded as they are written."""
        return {
            "order": self.order,
            "coefficients": round_points(self.coefficients, 7),
            "residual_frac": round(self.residual_frac, 6),
            "specks": [speck.to_mapping() for speck in self.specks],
            "width_px": self.width_px,
            "red": self.red,
            "blue": self.blue,
        }

    @classmethod
    def from_mapping(cls, data: Mapping[str, Any]) -> FlatField:
        """The inverse of `to_mapping`."""
        return cls(
            int(data["order"]),
            np.array(data["coefficients"]),
            float(data["residual_frac"]),
            # an anchor of an earlier version has no more than these
            tuple(Speck(**speck) for speck in data.get("specks", ())),
            int(data.get("width_px", 0)),
            float(data.get("red", 0.0)),
            float(data.get("blue", 0.0)),
        )

    @classmethod
    def read(cls, path: str | Path) -> FlatField:
        """Read `flat_field.json`.

        Raises
        ------
        MaskdeltaError
            When it is missing or is not a flat field.
        """
        data = read_json(path)
        try:
            return cls.from_mapping(data)
        except (KeyError, TypeError, ValueError):
            raise MaskdeltaError(
                f"{path}: this is not a flat field; delete it and run the survey again."
            ) from None


def terms(order: int) -> list[tuple[int, int]]:
    """Exponents (a, b) of u^a v^b, total degree 1 to `order`."""
    return [(a, n - a) for n in range(1, order + 1) for a in range(n, -1, -1)]
