"""One die as the fab made it: layers shifted, lines a little wider or narrower, corners round."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import erfinv

from maskdelta.phantom._dirt import Dirt, make_dirt
from maskdelta.phantom._layers import LAYERS
from maskdelta.phantom._layout import Box
from maskdelta.phantom._masks import Masks

MIN_SIGMA_PX = 1.0
"""Least blur of a mask that still carries its edges to a hundredth of a pixel in 8 bits."""


@dataclass(frozen=True)
class SpecimenSettings:
    """How far a fab and a lifetime may depart from the masks; all sizes um.

    Attributes
    ----------
    overlay_um
        Standard deviation per axis of the shift of each layer.
    bias_um
        Standard deviation of how far each edge of a layer lies outside (+) its mask.
    rounding_um
        Blur that rounds the corners.
    debris_per_mm2, debris_um
        Number of particles and their typical size.
    scratches, wires
        Number of scratches, and of bond wires still on their pads.
    broken_corner_um
        Length cut off at one corner; 0 for none.
    """

    overlay_um: float = 0.15
    bias_um: float = 0.06
    rounding_um: float = 0.5
    debris_per_mm2: float = 4.0
    debris_um: float = 6.0
    scratches: int = 2
    wires: int = 2
    broken_corner_um: float = 0.0


@dataclass(frozen=True)
class Specimen:
    """A die: masks with the departures of one specimen and the dirt on it.

    Attributes
    ----------
    masks
        What was drawn.
    overlay_um
        Shift (x, y) of each layer, um.
    bias_um
        How far the edges of each layer lie outside the drawn ones, um.
    rounding_um
        Standard deviation of the blur that rounds corners, um.
    dirt
        Particles, scratches, wires, breakage.
    seed
        Seed the rest of the specimen's looks grow from.
    """

    masks: Masks
    overlay_um: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    bias_um: Mapping[str, float] = field(default_factory=dict)
    rounding_um: float = 0.5
    dirt: Dirt = field(default_factory=Dirt)
    seed: int = 0

    def edge_field(self, layer: str, box_um: Box, um_per_px: float) -> NDArray[np.uint8]:
        """Return the blurred, shifted mask of a layer: 0 far outside, 255 far inside.

        An edge lies where the field is half-way, less the bias; `edge_distance_px` turns values
        into distances.
        """
        sigma = self.sigma_px(um_per_px)
        shift = np.array(self.overlay_um.get(layer, (0.0, 0.0))) / um_per_px
        whole = np.round(shift).astype(int)
        reach = math.ceil(3 * sigma) + 1
        x0, y0, x1, y1 = box_um
        pad = reach * um_per_px
        dx, dy = whole * um_per_px
        mask = self.masks.mask(
            layer, (x0 - pad - dx, y0 - pad - dy, x1 + pad - dx, y1 + pad - dy), um_per_px=um_per_px
        )
        if not mask.any():
            return np.zeros((mask.shape[0] - 2 * reach, mask.shape[1] - 2 * reach), dtype=np.uint8)
        steps = np.arange(-reach, reach + 1)
        kernels = [_kernel(steps, part, sigma) for part in shift - whole]
        # sepFilter2D correlates, so the kernel is turned round to move the picture forwards.
        blurred = cv2.sepFilter2D(
            mask * np.uint8(255), cv2.CV_8U, kernels[0][::-1].copy(), kernels[1][::-1].copy()
        )
        return np.ascontiguousarray(blurred[reach:-reach, reach:-reach], dtype=np.uint8)

    def sigma_px(self, um_per_px: float) -> float:
        """Return the blur of `edge_field`, px."""
        return max(MIN_SIGMA_PX, self.rounding_um / um_per_px)

    def edge_distance_px(self, layer: str, um_per_px: float) -> NDArray[np.float32]:
        """Return (256,) float32: signed distance to the edge by field value, px, + inside."""
        share = (np.arange(256) + 0.5) / 256.0
        distance = math.sqrt(2) * self.sigma_px(um_per_px) * erfinv(2 * share - 1)
        distance += self.bias_um.get(layer, 0.0) / um_per_px
        return distance.astype(np.float32)

    def made_mask(self, layer: str, box_um: Box, *, um_per_px: float) -> NDArray[np.uint8]:
        """Return the (H, W) uint8 mask, 0 or 1, of a layer as it lies on this specimen."""
        inside = (self.edge_distance_px(layer, um_per_px) >= 0).astype(np.uint8)
        return inside[self.edge_field(layer, box_um, um_per_px)]


def _kernel(steps: NDArray[np.int_], shift: float, sigma: float) -> NDArray[np.float32]:
    kernel = np.exp(-0.5 * ((steps - shift) / sigma) ** 2)
    return (kernel / kernel.sum()).astype(np.float32)


def make_specimen(masks: Masks, settings: SpecimenSettings, *, seed: int) -> Specimen:
    """Draw one specimen of a mask set.

    The overlay is measured against polysilicon, whose shift is therefore zero.
    """
    rng = np.random.default_rng([seed, 21])
    overlay, bias = {}, {}
    for layer in LAYERS:
        dx, dy = np.clip(rng.normal(0, 1, 2), -2, 2) * settings.overlay_um
        overlay[layer] = (0.0, 0.0) if layer == "polysilicon" else (float(dx), float(dy))
        bias[layer] = float(np.clip(rng.normal(0, 1), -2, 2) * settings.bias_um)
    dirt = make_dirt(
        (float(masks.width_um), float(masks.height_um)),
        debris_per_mm2=settings.debris_per_mm2,
        debris_um=settings.debris_um,
        scratches=settings.scratches,
        wires=settings.wires,
        broken_corner_um=settings.broken_corner_um,
        pads_um=[r.box_um for r in getattr(masks, "regions", ()) if r.kind == "pad"],
        rng=rng,
    )
    return Specimen(masks, overlay, bias, settings.rounding_um, dirt, seed)
