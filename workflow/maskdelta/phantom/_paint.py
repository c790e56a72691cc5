"""What a specimen looks like in the frame of the die: light before lens and sensor."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.phantom._compose import compose
from maskdelta.phantom._films import Films, stack_colours
from maskdelta.phantom._layers import LAYERS
from maskdelta.phantom._layout import Box
from maskdelta.phantom._specimen import Specimen

WHITE = 32768.0
"""Value of linear 1.0 in painted blocks (uint16), which leaves room for glare."""


_COLOURS = (
    "field_oxide",
    "diffusion",
    "polysilicon",
    "gate",
    "buried_contact",
    "metal",
    "contact",
    "pad_opening",
)


_DRIFT_GRID_UM = 64.0


_Grid = NDArray[np.float32]


@dataclass(frozen=True)
class LookSettings:
    """How one photographer's pictures look before the lens.

    Attributes
    ----------
    films
        Thicknesses of the films.
    white, warmth
        White balance gains and colour of the lamp, as in `stack_colours`.
    exposure
        Linear value of bare aluminium.
    outline
        Darkness (0..1) of the lines at edges of metal, polysilicon, diffusion and contacts.
    outline_um
        Half-width (standard deviation) of these lines, um.
    relief
        Light and shade at the flanks of metal from oblique light, 0..1.
    under_metal
        How strongly steps below metal show through it, 0..1.
    grain, grain_other
        Relative standard deviation of the brightness of metal, and of all else.
    pits
        Darkness of the pits in metal, 0..1.
    rough_um
        Raggedness (standard deviation) of the edges of metal and polysilicon, um.
    drift
        Largest slow change of brightness and of colour over the die, 0..1.
    film_drift
        Largest slow change of the colour of field oxide against the rest, 0..1.
    mottle, mottle_um
        Relative standard deviation of blotches of colour, as films of uneven thickness and
        residues give, and their size (standard deviation of the blur, um).
    """

    films: Films
    white: tuple[float, float, float] = (1.0, 1.0, 1.0)
    warmth: float = 0.0
    exposure: float = 0.75
    outline: tuple[float, float, float, float] = (0.8, 0.5, 0.35, 0.6)
    outline_um: float = 0.5
    relief: float = 0.15
    under_metal: float = 0.12
    grain: float = 0.03
    grain_other: float = 0.012
    pits: float = 0.25
    rough_um: float = 0.05
    drift: float = 0.03
    film_drift: float = 0.03
    mottle: float = 0.03
    mottle_um: float = 12.0


@dataclass(frozen=True)
class Painter:
    """Paint blocks of a specimen as uint16 linear RGB.

    Attributes
    ----------
    specimen, look
        What is painted, and how.
    um_per_px
        Scale of the painting; one or a half um divided by a whole number keeps drawn edges exact.
    seed
        Seed of drift and grain.
    """

    specimen: Specimen
    look: LookSettings
    um_per_px: float
    seed: int
    drift_terms: int = field(default=3, repr=False)

    @cached_property
    def colours(self) -> NDArray[np.float32]:
        """(8, 3) linear RGB of the stacks in the order of `_COLOURS`."""
        look = self.look
        found = stack_colours(look.films, white=look.white, warmth=look.warmth)
        scale = look.exposure / float(np.mean(found["pad_opening"]))
        return np.array([found[name] * scale for name in _COLOURS], dtype=np.float32)

    @cached_property
    def _tables(self) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Cover and outline by layer and field value, (7, 256) each."""
        sigma = self.look.outline_um / self.um_per_px
        cover, outline = [], []
        for layer in LAYERS:
            distance = self.specimen.edge_distance_px(layer, self.um_per_px)
            share = np.clip(distance + 0.5, 0, 1)
            line = np.exp(-0.5 * (distance / sigma) ** 2)
            share[0], share[255], line[0], line[255] = 0, 1, 0, 0
            cover.append(share)
            outline.append(line)
        return np.array(cover, dtype=np.float32), np.array(outline, dtype=np.float32)

    @cached_property
    def _grain(self) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Two textures whose sizes have no common period: fine pits and broad grains."""
        rng = np.random.default_rng([self.seed, 31])
        scale = 0.5 / self.um_per_px
        result = []
        for size, blur in ((1021, 0.8 * scale), (769, 2.2 * scale)):
            noise = rng.standard_normal((size, size), dtype=np.float32)
            noise = np.pad(noise, 16, mode="wrap")
            noise = cv2.GaussianBlur(noise, (0, 0), max(0.5, blur))[16:-16, 16:-16]
            result.append(np.ascontiguousarray(noise / noise.std(), dtype=np.float32))
        return result[0], result[1]

    @cached_property
    def _drift(self) -> NDArray[np.float32]:
        """(gy, gx, 4) slow fields on a coarse grid: gain of R, G, B and of the field oxide."""
        rng = np.random.default_rng([self.seed, 32])
        masks = self.specimen.masks
        nx = int(masks.width_um / _DRIFT_GRID_UM) + 10
        ny = int(masks.height_um / _DRIFT_GRID_UM) + 10
        y, x = np.mgrid[0:ny, 0:nx] * _DRIFT_GRID_UM
        x, y = x / float(masks.width_um), y / float(masks.height_um)
        fields = []
        for _ in range(5):
            total = np.zeros_like(x)
            for _ in range(self.drift_terms):
                kx, ky = rng.uniform(-1.4, 1.4, 2)
                total += rng.uniform(0.4, 1) * np.cos(
                    2 * np.pi * (kx * x + ky * y) + rng.uniform(0, 2 * np.pi)
                )
            fields.append(total / np.abs(total).max())
        common, *separate = fields
        gains = [1 + self.look.drift * (0.6 * common + 0.4 * own) for own in separate[:3]]
        gains.append(self.look.film_drift * separate[3])
        return np.stack(gains, axis=-1).astype(np.float32)

    def paint(self, x0: int, y0: int, width: int, height: int) -> NDArray[np.uint16]:
        """Paint one block.

        Parameters
        ----------
        x0, y0
            First pixel, multiples of 16; pixel (i, j) is centred at die um
            ``(i + 0.5, j + 0.5) * um_per_px``.
        width, height
            Size, px.

        Returns
        -------
        (height, width, 3) uint16, linear RGB, `WHITE` = 1.0
        """
        u = self.um_per_px
        box: Box = (x0 * u, y0 * u, (x0 + width) * u, (y0 + height) * u)
        image = np.empty((height, width, 3), dtype=np.float32)
        masks = self.specimen.masks
        die = (float(masks.width_um) / u, float(masks.height_um) / u)
        fields = np.stack([self.specimen.edge_field(layer, box, u) for layer in LAYERS])
        cover, outline = self._tables
        fine, broad = self._grain
        look = self.look
        # The field rises by this many levels a px at an edge.
        slope = 255 / (np.sqrt(2 * np.pi) * self.specimen.sigma_px(u))
        numbers = np.array(
            [
                *look.outline,
                look.relief,
                look.under_metal,
                look.grain,
                look.grain_other,
                look.pits,
                look.rough_um / u * slope,
            ],
            dtype=np.float32,
        )
        compose(
            image,
            fields,
            cover,
            outline,
            self.colours,
            self._drift_block(box, x0, y0, (height, width)),
            fine,
            broad,
            numbers,
            x0,
            y0,
            die[0],
            die[1],
        )
        self.specimen.dirt.draw(image, box, u)
        return np.clip(image * WHITE + 0.5, 0, 65535).astype(np.uint16)

    @cached_property
    def _mottle(self) -> NDArray[np.float32]:
        """(n, n, 4) blotches on a grid of 16 px that repeats after n steps."""
        rng = np.random.default_rng([self.seed, 33])
        sigma = self.look.mottle_um / (16 * self.um_per_px)
        planes = []
        for _ in range(5):
            noise = np.pad(rng.standard_normal((509, 509), dtype=np.float32), 16, mode="wrap")
            smooth = cv2.GaussianBlur(noise, (0, 0), max(0.6, sigma))[16:-16, 16:-16]
            planes.append(smooth / smooth.std())
        common, *separate = planes
        blotches = [0.5 * common + 0.85 * own for own in separate]
        blotches[3] = 1.5 * separate[3]
        return (self.look.mottle * np.stack(blotches, axis=-1)).astype(np.float32)

    def _drift_block(self, box: Box, x0: int, y0: int, shape: tuple[int, int]) -> _Grid:
        """Cut the slow fields and the blotches for a block, one value every 16 px."""
        step = _DRIFT_GRID_UM
        height, width = shape
        # The grid of the slow fields begins four steps outside the die.
        gx = (np.array([box[0], box[2]])) / step + 4
        gy = (np.array([box[1], box[3]])) / step + 4
        matrix = np.array(
            [
                [16 * (gx[1] - gx[0]) / width, 0, gx[0]],
                [0, 16 * (gy[1] - gy[0]) / height, gy[0]],
            ]
        )
        coarse = (width // 16 + 2, height // 16 + 2)
        slow = cv2.warpAffine(
            self._drift,
            matrix,
            coarse,
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
        rows = (y0 // 16 + np.arange(coarse[1])) % 509
        columns = (x0 // 16 + np.arange(coarse[0])) % 509
        return (slow + self._mottle[np.ix_(rows, columns)]).astype(np.float32)
