"""One look at each tile: decoded once, kept as small pictures."""

from __future__ import annotations

import heapq
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.errors import ImageError
from maskdelta.images import (
    PictureInfo,
    file_sha256,
    full_scale,
    grey,
    map_ordered,
    probe_picture,
    read_picture,
    srgb_to_linear,
)
from maskdelta.survey._lateral import shifts_of_colours

__all__ = ["Look", "base_names", "look_at_all", "reduction_for"]

Image = NDArray[np.float32]

_STRIP_PX = 2**18
_HALO_PX = 8  # the Gaussian and the Laplacian reach 5


@dataclass(frozen=True)
class Look:
    """What the survey keeps of a tile. Small pictures are `reduction` times smaller.

    Hundreds of these are kept, so that the pictures are stored in half precision, and what is
    averaged anyway in cells twice as large.

    Attributes
    ----------
    stored_detail : (h, w) float16
        Grey, 0..255, with slow shading taken out: what pairs are correlated on.
    linear : (h / 2, w / 2, 3) float16
        Linear light, mean of each cell of `cell_px` x `cell_px` px.
    usable : (h / 2, w / 2) bool
        Cells without a clipped or black pixel.
    stored_sharpness : (h / 2, w / 2) float16
        Root of the mean square of the Laplacian of the lightly smoothed grey, full resolution.
    calm_frac : float
        Share of the tile with hardly any detail in it.
    grey : (h', w') uint8
        In cells of `grey_cell_px`; only of the calmest tiles, else empty.
    colour_shifts : (n, 8) float64
        Of `shifts_of_colours`.
    """

    file: str
    sha256: str
    info: PictureInfo
    reduction: int
    stored_detail: NDArray[np.float16]
    linear: NDArray[np.float16]
    usable: NDArray[np.bool_]
    stored_sharpness: NDArray[np.float16]
    clipped_frac: float
    dark_frac: float
    calm_frac: float
    grey: NDArray[np.uint8]
    grey_cell_px: int
    colour_shifts: NDArray[np.float64]

    @property
    def detail(self) -> Image:
        """Grey with slow shading taken out, (h, w) float32."""
        return self.stored_detail.astype(np.float32)

    def without_detail(self) -> Look:
        """The look without what pairs are correlated on, which is the largest part of it."""
        return replace(self, stored_detail=np.zeros((0, 0), np.float16))

    @property
    def cell_px(self) -> int:
        """Side of a cell of `linear`, `usable` and `stored_sharpness`."""
        return 2 * self.reduction

    @property
    def width_px(self) -> int:
        """Width of the tile at full resolution."""
        return self.info.width_px

    @property
    def height_px(self) -> int:
        """Height of the tile at full resolution."""
        return self.info.height_px


def base_names(files: Sequence[str | Path]) -> list[str]:
    """Names of the files without their folders; each must be there once.

    Raises
    ------
    ImageError
        When two tiles share a name, or there is none.
    """
    if not files:
        raise ImageError("no tile was found; check the pattern `tiles` of the view.")
    seen: dict[str, str] = {}
    for path in map(str, files):
        name = Path(path).name
        if name in seen:
            raise ImageError(
                f"{path}: another tile of this view has the same name ({seen[name]}); rename one."
            )
        seen[name] = path
    return list(seen)


def reduction_for(infos: Sequence[PictureInfo], *, longest_px: int = 420) -> int:
    """Whole number by which tiles are reduced, so that the longest side is at most this."""
    longest = max(max(info.width_px, info.height_px) for info in infos)
    return max(1, -(-longest // longest_px))


def look_at_all(files: Sequence[str | Path], *, threads: int, calmest: int = 32) -> list[Look]:
    """Decode every tile once, in threads; of the `calmest` tiles a larger grey picture is kept.

    Raises
    ------
    ImageError
        When a tile cannot be read or is too small to be placed.
    """
    infos = [probe_picture(path) for path in files]
    depths = {info.bits for info in infos}
    if len(depths) > 1:
        odd = min(depths, key=lambda bits: sum(info.bits == bits for info in infos))
        which = next(path for path, info in zip(files, infos, strict=True) if info.bits == odd)
        raise ImageError(
            f"{which}: {odd} bits per channel, but other tiles of this view have "
            f"{max(depths - {odd})}; export all tiles with the same depth."
        )
    for path, info in zip(files, infos, strict=True):
        if min(info.width_px, info.height_px) < 32:
            raise ImageError(
                f"{path}: {info.width_px} x {info.height_px} px is too small for a tile "
                "(at least 32 px a side); take it out."
            )
    reduction = reduction_for(infos)
    jobs = list(zip(files, infos, strict=True))
    looks: list[Look] = []
    calm: list[tuple[float, int]] = []
    for look in map_ordered(lambda job: _look_at(*job, reduction), jobs, threads=threads):
        looks.append(look)
        heapq.heappush(calm, (look.calm_frac, -len(looks)))
        if len(calm) > calmest:
            _, busy = heapq.heappop(calm)
            looks[-busy - 1] = replace(looks[-busy - 1], grey=np.zeros((0, 0), np.uint8))
    return looks


def _look_at(path: str | Path, info: PictureInfo, reduction: int) -> Look:
    image = read_picture(path)
    height, width = (side // reduction * reduction for side in image.shape[:2])
    image = image[:height, :width]
    # strip by strip: planes of floats are many times the picture, and small ones stay in the cache
    grey_cell = max(1, -(-max(info.width_px, info.height_px) // 700))
    whole = math.lcm(reduction, grey_cell)
    step = max(1, _STRIP_PX // (width * whole)) * whole
    strips = [
        _look_at_rows(image, y0, min(y0 + step, height), reduction, grey_cell)
        for y0 in range(0, height, step)
    ]
    reduced, sharpness, linear, usable, fine = (
        np.concatenate([getattr(strip, name) for strip in strips])
        for name in ("reduced", "sharpness", "linear", "usable", "fine")
    )
    detail = cv2.GaussianBlur(reduced, (0, 0), 0.8) - cv2.GaussianBlur(reduced, (0, 0), 8.0)
    return Look(
        file=Path(path).name,
        sha256=file_sha256(path),
        info=info,
        reduction=reduction,
        stored_detail=detail.astype(np.float16),
        linear=_halved(linear).astype(np.float16),
        usable=_halved(usable.astype(np.float32)) == 1,
        stored_sharpness=np.sqrt(_halved(sharpness)).astype(np.float16),
        clipped_frac=sum(strip.clipped for strip in strips) / (height * width),
        dark_frac=sum(strip.dark for strip in strips) / (height * width),
        calm_frac=float((cv2.blur(detail * detail, (9, 9)) < 25).mean()),
        grey=fine,
        grey_cell_px=grey_cell,
        colour_shifts=shifts_of_colours(image),
    )


def _halved(values: Image) -> Image:
    """Means of 2 x 2; an odd last row or column is left out."""
    height, width = (side // 2 for side in values.shape[:2])
    whole = values[: 2 * height, : 2 * width]
    return cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA)


@dataclass(frozen=True)
class _Strip:
    """What `Look` keeps, of some rows; `clipped` and `dark` count px."""

    reduced: Image
    sharpness: Image
    linear: Image
    usable: NDArray[np.bool_]
    fine: NDArray[np.uint8]
    clipped: int
    dark: int


def _look_at_rows(image: NDArray[Any], y0: int, y1: int, reduction: int, grey_cell: int) -> _Strip:
    top = full_scale(image.dtype)
    small = (image.shape[1] // reduction, (y1 - y0) // reduction)
    first = max(0, y0 - _HALO_PX)
    plain = grey(image[first : y1 + _HALO_PX])
    laplacian = cv2.Laplacian(cv2.GaussianBlur(plain, (0, 0), 1.0), cv2.CV_32F)
    plain, laplacian = (plane[y0 - first : y1 - first] for plane in (plain, laplacian))
    reduced = cv2.resize(plain, small, interpolation=cv2.INTER_AREA)
    sharpness = cv2.resize(laplacian**2, small, interpolation=cv2.INTER_AREA)
    fine_size = (plain.shape[1] // grey_cell, plain.shape[0] // grey_cell)
    fine_px = plain[: fine_size[1] * grey_cell, : fine_size[0] * grey_cell]
    # whole grey levels will do: the grain of the die is wider
    fine = np.rint(cv2.resize(fine_px, fine_size, interpolation=cv2.INTER_AREA)).astype(np.uint8)
    del plain, laplacian
    rows = image[y0:y1]
    # a px is clipped, or dark, when one channel is
    least, most = top // 128 + 1, top - top // 64 - 1
    bad = np.zeros(small[::-1], np.float32)
    clipped = dark = 0
    if rows.min() < least or rows.max() > most:
        below = cv2.inRange(rows, (0,) * 3, (most,) * 3)
        above = cv2.inRange(rows, (least,) * 3, (top,) * 3)
        clipped, dark = (plane.size - cv2.countNonZero(plane) for plane in (below, above))
        unusable = ((below & above) == 0).astype(np.float32)
        bad = cv2.resize(unusable, small, interpolation=cv2.INTER_AREA)
    linear = cv2.resize(srgb_to_linear(rows), small, interpolation=cv2.INTER_AREA)
    return _Strip(reduced, sharpness, linear, bad == 0, fine, clipped, dark)
