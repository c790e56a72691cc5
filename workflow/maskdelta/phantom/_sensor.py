"""From light on the sensor to encoded pixels."""

from __future__ import annotations

from functools import cache

import numba
import numpy as np
from numpy.typing import NDArray


@cache
def encode_table(bits: int) -> NDArray[np.uint8 | np.uint16]:
    """Return the sRGB encoding (IEC 61966-2-1) of 65536 linear steps from 0 to 1."""
    linear = np.arange(65536) / 65535.0
    encoded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    top = (1 << bits) - 1
    levels = np.round(encoded * top)
    return levels.astype(np.uint8) if bits == 8 else levels.astype(np.uint16)


@numba.njit(nogil=True, cache=True)
def expose_tile(
    source: NDArray[np.uint16],
    grid: NDArray[np.float32],
    shading: NDArray[np.float32],
    noise: NDArray[np.float32],
    scale: np.float32,
    shot_noise: np.float32,
    read_noise: np.float32,
    table: NDArray[np.uint8 | np.uint16],
    out: NDArray[np.uint8 | np.uint16],
) -> None:
    """Sample the source, add shading and noise, and encode; writes into `out`.

    Parameters
    ----------
    source
        (h, w, 3) uint16 linear.
    grid
        (gy, gx, 2) float32: source px (x, y) of every 16th output pixel.
    shading
        (H, W) float32 gain.
    noise
        (H, W, 3) float32, standard normal.
    scale
        From source values to linear 0..1.
    table
        (65536,) encoding.
    out
        (H, W, 3) uint8 or uint16.
    """
    height, width = out.shape[0], out.shape[1]
    step = np.float32(1.0 / 16.0)
    one = np.float32(1.0)
    for y in range(height):
        gy = y >> 4
        wy = np.float32(y & 15) * step
        for x in range(width):
            gx = x >> 4
            wx = np.float32(x & 15) * step
            w00, w01 = (one - wy) * (one - wx), (one - wy) * wx
            w10, w11 = wy * (one - wx), wy * wx
            sx = (
                w00 * grid[gy, gx, 0]
                + w01 * grid[gy, gx + 1, 0]
                + w10 * grid[gy + 1, gx, 0]
                + w11 * grid[gy + 1, gx + 1, 0]
            )
            sy = (
                w00 * grid[gy, gx, 1]
                + w01 * grid[gy, gx + 1, 1]
                + w10 * grid[gy + 1, gx, 1]
                + w11 * grid[gy + 1, gx + 1, 1]
            )
            ix, iy = int(sx), int(sy)
            fx, fy = sx - np.float32(ix), sy - np.float32(iy)
            a, b = (one - fy) * (one - fx), (one - fy) * fx
            c, d = fy * (one - fx), fy * fx
            gain = shading[y, x] * scale
            for k in range(3):
                light = gain * (
                    a * np.float32(source[iy, ix, k])
                    + b * np.float32(source[iy, ix + 1, k])
                    + c * np.float32(source[iy + 1, ix, k])
                    + d * np.float32(source[iy + 1, ix + 1, k])
                )
                spread = np.sqrt(light * shot_noise * shot_noise + read_noise * read_noise)
                value = (light + spread * noise[y, x, k]) * np.float32(65535.0) + np.float32(0.5)
                index = 0 if value < 0 else (65535 if value > 65535 else int(value))
                out[y, x, k] = table[index]
