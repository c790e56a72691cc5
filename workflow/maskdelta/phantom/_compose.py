"""Blend the stacks of one block: the hot loop of painting."""

from __future__ import annotations

import numba
import numpy as np
from numpy.typing import NDArray


@numba.njit(nogil=True, cache=True)
def _rise(field: NDArray[np.uint8], x: int, y: int) -> np.float32:
    """Return how a field rises along the diagonal, 1 for a sharp edge."""
    along = np.float32(field[y, x + 1]) - np.float32(field[y, x - 1])
    down = np.float32(field[y + 1, x]) - np.float32(field[y - 1, x])
    return (along + down) / np.float32(255.0)


@numba.njit(nogil=True, cache=True)
def _shifted(value: int, by: np.float32) -> int:
    """Return a value of a field moved by some levels, within 1 to 254."""
    return min(max(int(value) + int(np.rint(by)), 1), 254)


@numba.njit(nogil=True, cache=True)
def compose(
    image: NDArray[np.float32],
    fields: NDArray[np.uint8],
    cover: NDArray[np.float32],
    outline: NDArray[np.float32],
    colours: NDArray[np.float32],
    drift: NDArray[np.float32],
    fine: NDArray[np.float32],
    broad: NDArray[np.float32],
    numbers: NDArray[np.float32],
    px: int,
    py: int,
    die_width: float,
    die_height: float,
) -> None:
    """Blend the stacks of one block; see `Painter.paint`."""
    height, width = image.shape[0], image.shape[1]
    o_metal, o_poly, o_diff, o_cut = numbers[0], numbers[1], numbers[2], numbers[3]
    relief, under, grain, grain_other = numbers[4], numbers[5], numbers[6], numbers[7]
    pits, rough = numbers[8], numbers[9]
    one = np.float32(1.0)
    for y in range(height):
        die_y = py + y + 0.5
        in_y = min(max(die_y, 0.0), 1.0) * min(max(die_height - die_y + 0.5, 0.0), 1.0)
        fy = (py + y) % fine.shape[0]
        by = (py + y) % broad.shape[0]
        gy = y >> 4
        wy = np.float32((y & 15) / 16.0)
        for x in range(width):
            die_x = px + x + 0.5
            inside = np.float32(
                in_y * min(max(die_x, 0.0), 1.0) * min(max(die_width - die_x + 0.5, 0.0), 1.0)
            )
            f1 = fine[fy, (px + x) % fine.shape[1]]
            f2 = broad[by, (px + x) % broad.shape[1]]
            if inside <= 0:
                tone = np.float32(0.012) * (one + np.float32(0.25) * f2)
                image[y, x, 0] = tone
                image[y, x, 1] = tone * np.float32(0.9)
                image[y, x, 2] = tone * np.float32(0.75)
                continue
            d, p, m = fields[0, y, x], fields[1, y, x], fields[5, y, x]
            if 0 < m < 255:
                m = _shifted(m, rough * f2)
            if 0 < p < 255:
                p = _shifted(p, rough * broad[by, (px + x + 311) % broad.shape[1]])
            c, b, i, o = fields[2, y, x], fields[3, y, x], fields[4, y, x], fields[6, y, x]
            cd, cp, cm = cover[0, d], cover[1, p], cover[5, m]
            cc, cb, ci, co = cover[2, c], cover[3, b], cover[4, i], cover[6, o]
            gx = x >> 4
            wx = np.float32((x & 15) / 16.0)
            w00, w01 = (one - wy) * (one - wx), (one - wy) * wx
            w10, w11 = wy * (one - wx), wy * wx
            film = (
                w00 * drift[gy, gx, 3]
                + w01 * drift[gy, gx + 1, 3]
                + w10 * drift[gy + 1, gx, 3]
                + w11 * drift[gy + 1, gx + 1, 3]
            )
            tint = one - np.float32(0.02) * ci
            lines = (one - o_diff * outline[0, d] * (one - cp)) * (one - o_poly * outline[1, p])
            slope = np.float32(0.0)
            step = np.float32(0.0)
            if m != 0 and 0 < x < width - 1 and 0 < y < height - 1:
                slope = _rise(fields[5], x, y)
                step = _rise(fields[1], x, y) - _rise(fields[0], x, y)
            shade = (
                one
                + grain * (np.float32(0.75) * f1 + np.float32(0.66) * f2)
                + under * step
                - under * (outline[1, p] + np.float32(0.7) * outline[0, d])
                + under * np.float32(0.25) * (cp - cd)
            )
            pit = f1 - np.float32(2.3) + np.float32(0.3) * f2
            if pit > 0:
                shade -= pits * min(pit * np.float32(1.5), one)
            shade_other = one + grain_other * f2 + np.float32(0.6) * grain_other * f1
            edge = (one - o_metal * outline[5, m]) * (one + relief * slope)
            ring = one - o_cut * outline[2, c]
            for k in range(3):
                oxide = colours[0, k] * (one + film * np.float32(k - 1))
                base = oxide + (colours[1, k] - oxide) * cd
                gate = colours[3, k] + (colours[4, k] - colours[3, k]) * cb
                poly = colours[2, k] + (gate - colours[2, k]) * cd
                value = base * (one - np.float32(0.12) * cb * cd)
                value = (value + (poly - value) * cp) * tint * lines * shade_other
                value += (colours[6, k] * np.float32(0.25) - value) * cc * (one - cm)
                metal = colours[5, k] + (colours[6, k] - colours[5, k]) * cc
                metal = metal + (colours[7, k] - metal) * co
                metal *= shade * ring * (one - np.float32(0.35) * outline[6, o])
                value = (value + (metal - value) * cm) * edge
                gain = (
                    w00 * drift[gy, gx, k]
                    + w01 * drift[gy, gx + 1, k]
                    + w10 * drift[gy + 1, gx, k]
                    + w11 * drift[gy + 1, gx + 1, k]
                )
                value *= gain * inside
                image[y, x, k] = value if value > 0 else np.float32(0.0)
