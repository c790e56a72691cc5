"""Shapes with dark outlines, drawn finely and seen through a soft lens."""

from __future__ import annotations

import cv2
import numpy as np

from maskdelta.images import srgb_curve, srgb_inverse

OXIDE, METAL = np.array([[96, 140, 96], [215, 200, 180]], float)
FINE = 5  # steps a px in which scenes are drawn


def photographed(
    shapes: list[tuple[np.ndarray, np.ndarray]],
    *,
    line: float,
    line_px: float = 0.8,
    relief: float = 0.0,
) -> np.ndarray:
    """Fine masks with their colours over one another, a dark line amid each edge, seen blurred.

    Oblique light from the left brightens the left flanks by `relief`, and darkens the right ones.
    """
    light = np.broadcast_to(srgb_inverse(OXIDE / 255), (*shapes[0][0].shape, 3)).copy()
    for mask, colour in shapes:
        light[mask] = srgb_inverse(colour / 255)
        inside = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 5)
        outside = cv2.distanceTransform((~mask).astype(np.uint8), cv2.DIST_L2, 5)
        away = (np.where(mask, inside, outside) - 0.5) / FINE
        flank = np.exp(-0.5 * (away[..., None] / line_px) ** 2)
        rise = np.gradient(np.where(mask, away, -away) * FINE, axis=1)
        light *= (1 - line * flank) * (1 + relief * rise[..., None] * flank)
    light = cv2.GaussianBlur(light, (0, 0), 0.9 * FINE)
    height, width = (n // FINE for n in light.shape[:2])
    light = light.reshape(height, FINE, width, FINE, 3).mean((1, 3))
    noise = np.random.default_rng(4).normal(0, 2.5, light.shape)
    return np.clip(np.rint(255 * srgb_curve(light) + noise), 0, 255).astype(np.uint8)


def coverage(mask: np.ndarray) -> np.ndarray:
    """Share of each px that a fine mask covers."""
    height, width = (n // FINE for n in mask.shape)
    return mask.reshape(height, FINE, width, FINE).mean((1, 3))
