"""Where each tile of a view lies in its mosaic."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from maskdelta.study._tables import read_table, write_table

__all__ = ["Pose", "Poses"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Pose:
    """One tile: its place, its quality, and what became of it. Fields as in `tiles.csv`."""

    file: str
    sha256: str
    width_px: int
    height_px: int
    centre_x_px: float | None = None
    centre_y_px: float | None = None
    angle_deg: float | None = 0.0
    scale: float | None = 1.0
    var_x_px2: float | None = None
    cov_xy_px2: float | None = None
    var_y_px2: float | None = None
    island: int = 0
    modulo_pitch: bool = False
    lens: float = 0.0
    focus: float = 1.0
    exposure: float = 1.0
    residual_px: float | None = None
    status: str = "placed"
    why: str = ""

    @property
    def placed(self) -> bool:
        """Whether the tile is part of the mosaic."""
        return self.status == "placed"

    def to_mosaic(self, points: ArrayLike) -> Array:
        """Map (n, 2) points from tile px to mosaic px.

        The lens term moves a point away from the centre by `lens * (r / R)^2` of its radius r,
        with R half the tile's diagonal; then scale, turn and shift follow.
        """
        p = np.asarray(points, float).reshape(-1, 2) - self._middle()
        r2 = (p**2).sum(1, keepdims=True) / self._half_diagonal2()
        return (p * (1 + self.lens * r2)) @ self._linear().T + self._centre()

    def to_tile(self, points: ArrayLike) -> Array:
        """Map (n, 2) points from mosaic px to tile px: the inverse of `to_mosaic`."""
        ideal = (np.asarray(points, float).reshape(-1, 2) - self._centre()) @ np.linalg.inv(
            self._linear()
        ).T
        p = ideal
        for _ in range(6 if self.lens else 0):  # a contraction: |lens| is below 0.05
            r2 = (p**2).sum(1, keepdims=True) / self._half_diagonal2()
            p = ideal / (1 + self.lens * r2)
        return p + self._middle()

    def outline(self) -> Array:
        """Corners of the tile in mosaic px, (4, 2), clockwise from the upper left."""
        w, h = self.width_px - 0.5, self.height_px - 0.5
        return self.to_mosaic([[-0.5, -0.5], [w, -0.5], [w, h], [-0.5, h]])

    def box(self) -> tuple[float, float, float, float]:
        """Bounding box x0, y0, x1, y1 in mosaic px."""
        corners = self.outline()
        (x0, y0), (x1, y1) = corners.min(0), corners.max(0)
        return float(x0), float(y0), float(x1), float(y1)

    def _middle(self) -> Array:
        return np.array([(self.width_px - 1) / 2, (self.height_px - 1) / 2])

    def _half_diagonal2(self) -> float:
        return (self.width_px**2 + self.height_px**2) / 4

    def _centre(self) -> Array:
        return np.array([self.centre_x_px, self.centre_y_px], float)

    def _linear(self) -> Array:
        angle = np.deg2rad(self.angle_deg or 0.0)
        c, s = np.cos(angle), np.sin(angle)
        return (self.scale or 1.0) * np.array([[c, -s], [s, c]])


@dataclass(frozen=True)
class Poses:
    """The poses of all tiles of a view, in the order of their file names."""

    tiles: tuple[Pose, ...] = field(default_factory=tuple)

    def __iter__(self) -> Any:
        return iter(self.tiles)

    def __len__(self) -> int:
        return len(self.tiles)

    @property
    def placed(self) -> tuple[Pose, ...]:
        """The tiles that are part of the mosaic."""
        return tuple(tile for tile in self.tiles if tile.placed)

    def blurred(self, limit: float) -> frozenset[int]:
        """Numbers in `mosaic_tiles.tif` of the placed tiles whose focus is below a limit."""
        return frozenset(
            number
            for number, tile in enumerate(self.tiles, start=1)
            if tile.placed and tile.focus < limit
        )

    def find(self, file: str) -> Pose | None:
        """The pose of a file, or None if there is no such tile."""
        return next((tile for tile in self.tiles if tile.file == file), None)

    def showing(self, x_px: float, y_px: float) -> list[str]:
        """Files of the placed tiles that show a mosaic point, the most central first."""
        found = []
        for tile in self.placed:
            (x, y), *_ = tile.to_tile([[x_px, y_px]])
            margin = min(x + 0.5, y + 0.5, tile.width_px - 0.5 - x, tile.height_px - 0.5 - y)
            if margin > 0:
                found.append((-margin, tile.file))
        return [file for _, file in sorted(found)]

    def write(self, path: str | Path) -> None:
        """Write `tiles.csv`."""
        write_table(path, "tiles", [vars(tile) for tile in self.tiles])

    @classmethod
    def read(cls, path: str | Path) -> Poses:
        """Read `tiles.csv`."""
        return cls(tuple(Pose(**row) for row in read_table(path, "tiles")))

    @classmethod
    def of(cls, tiles: Sequence[Pose]) -> Poses:
        """Poses sorted by file name."""
        return cls(tuple(sorted(tiles, key=lambda tile: tile.file)))
