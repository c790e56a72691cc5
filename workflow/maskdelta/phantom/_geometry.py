"""From tiles to the die: scale, rotation, mirror, keystone, smooth warp and lens."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Points = NDArray[np.float64]


@dataclass(frozen=True)
class Warp:
    """A smooth displacement of the die, (x, y) -> (x, y) + d, a sum of plane waves.

    Attributes
    ----------
    waves
        (n, 5) float64: wave numbers (rad/um) in x and y, phase, amplitudes (um) in x and y.
    """

    waves: tuple[tuple[float, float, float, float, float], ...] = ()

    def apply(self, points: Points) -> Points:
        """Move (n, 2) um."""
        moved = np.array(points, dtype=np.float64)
        for kx, ky, phase, ax, ay in self.waves:
            wave = np.sin(kx * points[:, 0] + ky * points[:, 1] + phase)
            moved[:, 0] += ax * wave
            moved[:, 1] += ay * wave
        return moved

    def undo(self, points: Points) -> Points:
        """Invert `apply` by fixed-point steps; the warp must be gentle (slope well below 1)."""
        found = np.array(points, dtype=np.float64)
        for _ in range(12):
            found += points - self.apply(found)
        return found


@dataclass(frozen=True)
class Lens:
    """Radial distortion: a tile pixel p lies where an ideal lens has c + (p - c)(1 + k r^2).

    Attributes
    ----------
    k
        Strength; r is 1 at the corners of the tile.
    width, height
        Size of the tile, px.
    """

    k: float
    width: int
    height: int

    def to_ideal(self, points: ArrayLike) -> Points:
        """Map tile px, (n, 2), to ideal px."""
        centre = np.array([(self.width - 1) / 2, (self.height - 1) / 2])
        offset = np.asarray(points, dtype=np.float64).reshape(-1, 2) - centre
        square = (offset**2).sum(axis=1, keepdims=True) / (centre**2).sum()
        return centre + offset * (1 + self.k * square)

    def from_ideal(self, points: ArrayLike) -> Points:
        """Invert `to_ideal`."""
        ideal = np.asarray(points, dtype=np.float64).reshape(-1, 2)
        found = ideal.copy()
        for _ in range(12):
            found += ideal - self.to_ideal(found)
        return found


def stage_to_die(
    size_um: tuple[float, float],
    *,
    um_per_px: float,
    angle_deg: float = 0.0,
    mirrored: bool = False,
    keystone: float = 0.0,
) -> NDArray[np.float64]:
    """Return the (3, 3) homography from stage px to die um.

    The centre of the die lies at stage px (0, 0). ``angle_deg`` turns the picture of the die
    clockwise as seen (y down); ``mirrored`` flips it left to right before turning. ``keystone``
    is how much larger one end of the die appears than its middle, relative.
    """
    angle = np.deg2rad(angle_deg)
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    flip = np.diag([-1.0 if mirrored else 1.0, 1.0])
    linear = um_per_px * flip @ turn
    affine = np.eye(3)
    affine[:2, :2] = linear
    affine[:2, 2] = np.array(size_um) / 2
    tilt = np.eye(3)
    # Seen from above, magnification grows by `keystone` from the middle to the right end.
    half = max(size_um) / 2 / um_per_px
    tilt[2, 0] = keystone / half
    return affine @ tilt


def apply_homography(matrix: NDArray[np.floating], points: ArrayLike) -> Points:
    """Map (n, 2) points by a (3, 3) matrix."""
    xy = np.asarray(points, dtype=np.float64).reshape(-1, 2)
    full = np.column_stack([xy, np.ones(len(xy))]) @ matrix.T
    return full[:, :2] / full[:, 2:]


def make_warp(size_um: tuple[float, float], amplitude_um: float, rng: np.random.Generator) -> Warp:
    """Draw a smooth warp whose largest displacement is about `amplitude_um`."""
    if amplitude_um <= 0:
        return Warp()
    waves = []
    for _ in range(3):
        kx, ky = rng.uniform(0.5, 1.3, 2) * np.pi / np.array(size_um) * rng.choice([-1, 1], 2)
        ax, ay = rng.normal(0, 1, 2)
        waves.append([kx, ky, rng.uniform(0, 2 * np.pi), ax, ay])
    grid = np.stack(np.meshgrid(*(np.linspace(0, s, 40) for s in size_um)), axis=-1).reshape(-1, 2)
    raw = Warp(tuple(map(tuple, waves)))
    largest = np.linalg.norm(raw.apply(grid) - grid, axis=1).max()
    scaled = [(*w[:3], *(v * amplitude_um / largest for v in w[3:])) for w in waves]
    return Warp(tuple(scaled))
