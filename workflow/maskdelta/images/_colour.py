"""sRGB encoding and linear light (IEC 61966-2-1)."""

from __future__ import annotations

from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "colour_slope",
    "eight_bits",
    "full_scale",
    "grey",
    "linear_to_srgb",
    "srgb_curve",
    "srgb_inverse",
    "srgb_to_linear",
]

_ROWS = 64


def srgb_inverse(encoded: ArrayLike) -> NDArray[np.float64]:
    """Linear light 0..1 of sRGB-encoded values 0..1 (IEC 61966-2-1, 5.2)."""
    v = np.asarray(encoded, float)
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def srgb_curve(linear: ArrayLike) -> NDArray[np.float64]:
    """sRGB-encoded values 0..1 of linear light 0..1 (IEC 61966-2-1, 5.2)."""
    v = np.asarray(linear, float)
    return np.where(v <= 0.0031308, v * 12.92, 1.055 * np.maximum(v, 0) ** (1 / 2.4) - 0.055)


def full_scale(dtype: np.dtype) -> int:
    """Largest value of an unsigned integer picture."""
    return int(np.iinfo(dtype).max)


@cache
def _decode_table(bits: int) -> NDArray[np.float32]:
    return srgb_inverse(np.arange(2**bits) / (2**bits - 1)).astype(np.float32)


@cache
def _encode_table(bits: int) -> NDArray[np.uint8 | np.uint16]:
    # 16-bit steps of linear light: below one step of 8-bit sRGB even at black
    top = 2**bits - 1
    coded = np.rint(srgb_curve(np.arange(65536) / 65535) * top)
    return coded.astype(np.uint8 if bits == 8 else np.uint16)


def srgb_to_linear(image: NDArray[np.uint8] | NDArray[np.uint16]) -> NDArray[np.float32]:
    """Linear light of an sRGB picture.

    Parameters
    ----------
    image : (...) uint8 or uint16

    Returns
    -------
    (...) float32, 0..1
    """
    if image.dtype == np.uint8 and image.ndim >= 2:
        return cv2.LUT(np.ascontiguousarray(image), _decode_table(8)).reshape(image.shape)
    return _decode_table(8 if image.dtype == np.uint8 else 16)[image]


def linear_to_srgb(
    linear: NDArray[np.float32], dtype: np.dtype | type = np.uint8
) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """sRGB picture of linear light; values outside 0..1 are clipped.

    Parameters
    ----------
    linear : (...) float32
    dtype : uint8 or uint16
        For uint16 the finest step near black is that of 16-bit linear light.

    Returns
    -------
    (...) uint8 or uint16
    """
    table: NDArray[Any] = _encode_table(8 if np.dtype(dtype) == np.uint8 else 16)
    flat = np.ascontiguousarray(linear, np.float32).reshape(-1)
    if not flat.size:
        return np.zeros(linear.shape, table.dtype)
    # scaled, rounded and clipped in one pass
    index = cv2.addWeighted(flat, 65535, flat, 0, 0, dtype=cv2.CV_16U)
    coded: NDArray[Any] = np.take(table, index.reshape(linear.shape))
    return coded


def eight_bits(image: NDArray[Any]) -> NDArray[np.uint8]:
    """The upper 8 bits of a uint16 picture; a uint8 one as it is."""
    reduced: NDArray[np.uint8] = (image >> 8).astype(np.uint8) if image.dtype != np.uint8 else image
    return reduced


def grey(image: NDArray[np.uint8] | NDArray[np.uint16]) -> NDArray[np.float32]:
    """Mean of the encoded channels, 0..255 whatever the depth.

    The encoded mean is used in place of luminance because blue tells oxides apart as well as
    green does.

    Parameters
    ----------
    image : (H, W, 3) or (H, W) uint8 or uint16

    Returns
    -------
    (H, W) float32, 0..255
    """
    scale = 255.0 / full_scale(image.dtype)
    if image.ndim == 2:
        return image.astype(np.float32) * np.float32(scale)
    weights = np.full((1, 3), scale / 3, np.float32)
    out = np.empty(image.shape[:2], np.float32)
    # a few rows at a time: the floats of a whole tile would go through memory, not the cache
    for y in range(0, len(image), _ROWS):
        rows = image[y : y + _ROWS].astype(np.float32)
        out[y : y + _ROWS] = cv2.transform(rows, weights)
    return out


def colour_slope(image: NDArray[np.uint8] | NDArray[np.float32]) -> NDArray[np.float32]:
    """(H, W), length of the colour gradient of an (H, W, 3) picture, levels per px."""
    gx = cv2.Sobel(image, cv2.CV_32F, 1, 0, scale=1 / 8)
    gy = cv2.Sobel(image, cv2.CV_32F, 0, 1, scale=1 / 8)
    return cv2.sqrt(cv2.transform(gx * gx + gy * gy, np.ones((1, 3), np.float32)))
