"""Large tiled pyramids on disk: written block by block, read box by box.

Every raster of the results is an OME-TIFF of 512-px tiles, Deflate with a horizontal predictor
(TIFF 6.0, section 14), reduced levels in SubIFDs. The description holds um per px and the integer
origin of the raster in its mosaic frame, and nothing that differs between runs.
"""

from __future__ import annotations

import os
import tempfile
import xml.etree.ElementTree as ET
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Any, Literal

import cv2
import imagecodecs
import numpy as np
import tifffile
from numpy.typing import DTypeLike, NDArray

from maskdelta.errors import ImageError
from maskdelta.images._blocks import Box, blocks_of, map_ordered
from maskdelta.images._cache import BoundedCache

__all__ = ["Output", "Raster", "write_raster", "write_rasters"]

TILE_PX = 512
_OME = "http://www.openmicroscopy.org/Schemas/OME/2016-06"
_CACHE_BYTES = 24 * 2**20


@dataclass(frozen=True)
class Output:
    """One raster file to be written by `write_rasters`.

    Parameters
    ----------
    path : path
    dtype : uint8 or uint16
    planes : sequence of str
        Names of the planes; empty for a colour picture.
    reduce : {"mean", "nearest"}
        How the reduced levels are made; labels and masks need "nearest".
    """

    path: str | Path
    dtype: DTypeLike
    planes: Sequence[str] = ()
    reduce: Literal["mean", "nearest"] = "mean"


def write_raster(
    path: str | Path,
    render: Callable[[Box], NDArray[Any]],
    *,
    shape: tuple[int, int],
    dtype: DTypeLike,
    planes: Sequence[str] = (),
    origin: tuple[int, int] = (0, 0),
    um_per_px: float | None = None,
    reduce: Literal["mean", "nearest"] = "mean",
    block_px: int = 2048,
    threads: int = 1,
) -> None:
    """Write one raster whose pixels are made block by block; see `write_rasters`."""
    write_rasters(
        [Output(path, dtype, planes, reduce)],
        lambda box: (render(box),),
        shape=shape,
        origin=origin,
        um_per_px=um_per_px,
        block_px=block_px,
        threads=threads,
    )


def write_rasters(
    outputs: Sequence[Output],
    render: Callable[[Box], Sequence[NDArray[Any]]],
    *,
    shape: tuple[int, int],
    origin: tuple[int, int] = (0, 0),
    um_per_px: float | None = None,
    block_px: int = 2048,
    threads: int = 1,
) -> None:
    """Write rasters of one extent, all from the same pass over its blocks.

    Parameters
    ----------
    outputs : sequence of Output
    render : callable
        Called with a box of the raster (0-based, inside `shape`), from several threads; returns
        an array for each output: (h, w, 3) for a colour picture, else (planes, h, w).
    shape : (int, int)
        Height and width.
    origin : (int, int)
        x, y of the raster's first pixel in its mosaic frame.
    um_per_px : float, optional
    block_px : int
        Multiple of 512.
    threads : int

    Notes
    -----
    Encoded tiles are spooled to a temporary file and then copied in the order TIFF wants them:
    memory depends on the block, not on the raster.
    """
    writers = [_Writer(output, shape, block_px) for output in outputs]

    def encode(box: Box) -> tuple[Box, list[_Encoded]]:
        arrays = render(box)
        return box, [w.encode(box, a) for w, a in zip(writers, arrays, strict=True)]

    try:
        for box, encoded in map_ordered(encode, blocks_of(shape, block_px), threads=threads):
            for writer, part in zip(writers, encoded, strict=True):
                writer.keep(box, part)
        for writer in writers:
            writer.finish(origin, um_per_px)
    finally:
        for writer in writers:
            writer.spool.close()


@dataclass(frozen=True)
class _Encoded:
    """Tiles of one block, and what it adds to the first level in which blocks share tiles."""

    tiles: list[tuple[int, int, int, int, bytes]]
    last: NDArray[Any]


class _Writer:
    """Encodes, spools and assembles one output."""

    def __init__(self, output: Output, shape: tuple[int, int], block_px: int) -> None:
        self.path = Path(output.path)
        self.path.parent.mkdir(parents=True, exist_ok=True)
        self.spool = tempfile.TemporaryFile(dir=self.path.parent)  # noqa: SIM115  (closed by the caller)
        self._output = output
        self._dtype = np.dtype(output.dtype)
        self._colour = not output.planes
        self._count = len(output.planes) or 1
        self._levels = _levels(shape)
        self._inside = _levels_in_block(block_px, len(self._levels))
        self._rest = _Rest(self._levels, self._inside, self._colour, self._count, self._dtype)
        self._places: dict[tuple[int, int, int, int], tuple[int, int]] = {}

    def encode(self, box: Box, pixels: NDArray[Any]) -> _Encoded:
        """Encode a block at all levels it fills with whole tiles; called from several threads."""
        expected = (*box.shape, 3) if self._colour else (self._count, *box.shape)
        if pixels.shape != expected or pixels.dtype != self._dtype:
            raise ValueError(
                f"{self.path}: block {box} is {pixels.shape} {pixels.dtype}, "
                f"expected {expected} {self._dtype}"
            )
        stack = pixels[None] if self._colour else pixels
        tiles: list[tuple[int, int, int, int, bytes]] = []
        for level in range(self._inside):
            if level:
                stack = np.stack([_half(plane, self._output.reduce) for plane in stack])
            tiles += _encode_tiles(stack, level, (box.x0 >> level, box.y0 >> level))
        if self._inside < len(self._levels):
            stack = np.stack([_half(plane, self._output.reduce) for plane in stack])
        return _Encoded(tiles, stack)

    def keep(self, box: Box, part: _Encoded) -> None:
        """Spool the tiles of a block."""
        self._rest.add(box, part.last)
        self._spool_tiles(part.tiles)

    def _spool_tiles(self, tiles: list[tuple[int, int, int, int, bytes]]) -> None:
        for level, plane, row, column, data in tiles:
            self._places[level, plane, row, column] = (self.spool.tell(), len(data))
            self.spool.write(data)

    def finish(self, origin: tuple[int, int], um_per_px: float | None) -> None:
        """Make the smallest levels and write the file."""
        for level, stack in self._rest.finish(self._output.reduce):
            self._spool_tiles(_encode_tiles(stack, level, (0, 0)))
        self.spool.flush()
        description = _describe(
            self._levels[0],
            self._dtype,
            planes=self._output.planes,
            origin=origin,
            um_per_px=um_per_px,
        )
        self._assemble(description)

    def _assemble(self, description: str) -> None:
        """Copy the spooled tiles in the order TIFF wants them; the file appears whole or not."""
        handle = self.spool.fileno()

        def tiles(level: int) -> Iterator[bytes]:
            height, width = self._levels[level]
            for plane in range(self._count):
                for row in range(-(-height // TILE_PX)):
                    for column in range(-(-width // TILE_PX)):
                        offset, size = self._places[level, plane, row, column]
                        yield os.pread(handle, size, offset)

        options: dict[str, Any] = {
            "dtype": self._dtype,
            "tile": (TILE_PX, TILE_PX),
            "compression": "adobe_deflate",
            "predictor": True,
            "photometric": "rgb" if self._colour else "minisblack",
            "metadata": None,
            "software": False,
        }
        part = self.path.with_name(self.path.name + ".part")
        with tifffile.TiffWriter(part, bigtiff=True) as tiff:
            for level, (height, width) in enumerate(self._levels):
                shape = (height, width, 3) if self._colour else (self._count, height, width)
                more: dict[str, Any] = (
                    {"subfiletype": 1}
                    if level
                    else {
                        "subifds": len(self._levels) - 1,
                        "description": description,
                    }
                )
                tiff.write(tiles(level), shape=shape, **options, **more)
        part.replace(self.path)


def _levels(shape: tuple[int, int]) -> list[tuple[int, int]]:
    """Sizes of the levels, halved (rounding up) until one tile holds them."""
    sizes = [shape]
    while max(sizes[-1]) > TILE_PX:
        height, width = sizes[-1]
        sizes.append(((height + 1) // 2, (width + 1) // 2))
    return sizes


def _levels_in_block(block_px: int, levels: int) -> int:
    """How many levels a block fills with whole tiles of its own."""
    inside = 1
    while inside < levels and (block_px >> inside) % TILE_PX == 0:
        inside += 1
    return inside


class _Rest:
    """Collects the first level in which blocks share tiles, and makes the smaller ones from it.

    With blocks of 2048 px this level is 1/64 of the pixels.
    """

    def __init__(
        self,
        levels: list[tuple[int, int]],
        inside: int,
        colour: bool,
        count: int,
        dtype: np.dtype,
    ) -> None:
        self._first = inside
        self._levels = levels
        self._needed = inside < len(levels)
        height, width = levels[inside] if self._needed else (0, 0)
        shape = (count, height, width, 3) if colour else (count, height, width)
        self._stack = np.zeros(shape, dtype)

    def add(self, box: Box, stack: NDArray[Any]) -> None:
        if not self._needed:
            return
        y, x = box.y0 >> self._first, box.x0 >> self._first
        self._stack[:, y : y + stack.shape[1], x : x + stack.shape[2]] = stack

    def finish(self, reduce: str) -> Iterator[tuple[int, NDArray[Any]]]:
        stack = self._stack
        for level in range(self._first, len(self._levels)):
            if level > self._first:
                stack = np.stack([_half(plane, reduce) for plane in stack])
            yield level, stack


def _half(plane: NDArray[Any], reduce: str) -> NDArray[Any]:
    height, width = plane.shape[:2]
    if reduce == "nearest":
        return plane[::2, ::2]
    if height % 2 or width % 2:
        pad = [(0, height % 2), (0, width % 2)] + [(0, 0)] * (plane.ndim - 2)
        plane = np.pad(plane, pad, mode="edge")
    return cv2.resize(
        np.ascontiguousarray(plane),
        (plane.shape[1] // 2, plane.shape[0] // 2),
        interpolation=cv2.INTER_AREA,
    )


def _encode_tiles(
    stack: NDArray[Any], level: int, at: tuple[int, int]
) -> list[tuple[int, int, int, int, bytes]]:
    """Encode (planes, h, w[, 3]) into tiles: (level, plane, row, column, bytes)."""
    x0, y0 = at
    found = []
    for number, plane in enumerate(stack):
        for y in range(0, plane.shape[0], TILE_PX):
            for x in range(0, plane.shape[1], TILE_PX):
                tile = plane[y : y + TILE_PX, x : x + TILE_PX]
                place = (level, number, (y0 + y) // TILE_PX, (x0 + x) // TILE_PX)
                found.append((*place, _encode_tile(tile)))
    return found


def _encode_tile(tile: NDArray[Any]) -> bytes:
    if tile.shape[:2] != (TILE_PX, TILE_PX):
        whole = np.zeros((TILE_PX, TILE_PX, *tile.shape[2:]), tile.dtype)
        whole[: tile.shape[0], : tile.shape[1]] = tile
        tile = whole
    if tile.ndim == 2 and (tile == tile[0, 0]).all():
        return _encode_plain(tile.dtype.str, int(tile[0, 0]))
    return _deflate(tile)


@cache
def _encode_plain(dtype: str, value: int) -> bytes:
    """A tile of one value: labels and masks are full of them."""
    return _deflate(np.full((TILE_PX, TILE_PX), value, dtype))


def _deflate(tile: NDArray[Any]) -> bytes:
    """Differences along the rows, packed.

    The lowest level takes two thirds of the time of a middle one, and files grow by 1.5 %.
    """
    axis = -2 if tile.ndim == 3 else -1
    delta = imagecodecs.delta_encode(np.ascontiguousarray(tile), axis=axis)
    return bytes(imagecodecs.deflate_encode(delta.tobytes(), 1))


def _describe(
    shape: tuple[int, int],
    dtype: np.dtype,
    *,
    planes: Sequence[str],
    origin: tuple[int, int],
    um_per_px: float | None,
) -> str:
    """OME-XML (2016-06) with the origin as plane positions in px."""
    height, width = shape
    channels = len(planes) or 3
    ome = ET.Element("OME", {"xmlns": _OME, "Creator": "maskdelta"})
    image = ET.SubElement(ome, "Image", {"ID": "Image:0", "Name": "raster"})
    pixels = ET.SubElement(
        image,
        "Pixels",
        {
            "ID": "Pixels:0",
            "DimensionOrder": "XYCZT",
            "Type": dtype.name,
            "SizeX": str(width),
            "SizeY": str(height),
            "SizeC": str(channels),
            "SizeZ": "1",
            "SizeT": "1",
        },
    )
    if um_per_px is not None:
        for axis in "XY":
            pixels.set(f"PhysicalSize{axis}", f"{um_per_px:.9g}")
            pixels.set(f"PhysicalSize{axis}Unit", "um".replace("u", "\N{MICRO SIGN}"))
    for number, name in enumerate(planes or ("RGB",)):
        ET.SubElement(
            pixels,
            "Channel",
            {
                "ID": f"Channel:0:{number}",
                "Name": name,
                "SamplesPerPixel": "1" if planes else "3",
            },
        )
    for number in range(len(planes) or 1):
        ET.SubElement(
            pixels,
            "TiffData",
            {"IFD": str(number), "FirstC": str(number), "PlaneCount": "1"},
        )
    for number in range(len(planes) or 1):
        ET.SubElement(
            pixels,
            "Plane",
            {
                "TheZ": "0",
                "TheT": "0",
                "TheC": str(number),
                "PositionX": str(origin[0]),
                "PositionY": str(origin[1]),
                "PositionXUnit": "pixel",
                "PositionYUnit": "pixel",
            },
        )
    return ET.tostring(ome, encoding="us-ascii", xml_declaration=True).decode("ascii")


@dataclass(frozen=True)
class _Level:
    pages: tuple[Any, ...]
    height: int
    width: int


@dataclass
class Raster:
    """Reads a raster written by `write_raster`, from any number of threads.

    Attributes
    ----------
    shape : (int, int)
        Height and width of the full level.
    planes : tuple of str
        Names of the planes; empty for a colour picture.
    origin : (int, int)
        x, y of the first pixel in the mosaic frame.
    um_per_px : float or None
    """

    path: Path
    shape: tuple[int, int]
    dtype: np.dtype
    planes: tuple[str, ...]
    origin: tuple[int, int]
    um_per_px: float | None
    _levels: tuple[_Level, ...]
    _file: Any
    _tiff: Any
    _patches: tuple[tuple[Box, NDArray[Any]], ...] = ()
    _tiles: BoundedCache[tuple[int, int, int], NDArray[Any]] = field(init=False)

    def __post_init__(self) -> None:
        self._tiles = BoundedCache(self._decode, budget_bytes=_CACHE_BYTES)

    @classmethod
    def open(cls, path: str | Path) -> Raster:
        """Open a raster.

        Raises
        ------
        ImageError
            When the file is missing or is not such a raster.
        """
        path = Path(path)
        try:
            file = open(path, "rb")  # noqa: SIM115  (closed by close)
        except OSError:
            raise ImageError(f"{path}: this raster is missing; run its stage.") from None
        tiff: Any = None
        try:
            tiff = tifffile.TiffFile(path, is_ome=False)
            pages = list(tiff.pages)
            planes, origin, um_per_px = _parse(pages[0].description)
            levels = [_Level(tuple(pages), pages[0].imagelength, pages[0].imagewidth)]
            for number in range(len(pages[0].subifds or ())):
                subs = tuple(page.pages[number] for page in pages)
                levels.append(_Level(subs, subs[0].imagelength, subs[0].imagewidth))
        except (
            tifffile.TiffFileError,
            ET.ParseError,
            KeyError,
            IndexError,
            ValueError,
            StopIteration,
        ):
            file.close()
            if tiff is not None:
                tiff.close()
            raise ImageError(
                f"{path}: this is not a raster of maskdelta; delete it and run its stage again."
            ) from None
        return cls(
            path=path,
            shape=(levels[0].height, levels[0].width),
            dtype=np.dtype(pages[0].dtype),
            planes=planes,
            origin=origin,
            um_per_px=um_per_px,
            _levels=tuple(levels),
            _file=file,
            _tiff=tiff,
        )

    def __enter__(self) -> Raster:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._file.close()
        self._tiff.close()

    @property
    def levels(self) -> int:
        """Number of levels; level n is reduced by 2**n."""
        return len(self._levels)

    @property
    def box(self) -> Box:
        """The raster's own extent in its mosaic frame."""
        x, y = self.origin
        return Box(x, y, x + self.shape[1], y + self.shape[0])

    def level_shape(self, level: int) -> tuple[int, int]:
        """Height and width of a level."""
        return self._levels[level].height, self._levels[level].width

    def level_for(self, longest_px: int) -> int:
        """The finest level whose longer side is at most `longest_px` (else the smallest)."""
        for number, level in enumerate(self._levels):
            if max(level.height, level.width) <= longest_px:
                return number
        return len(self._levels) - 1

    def read(
        self, box: Box, *, level: int = 0, planes: Sequence[int] | None = None
    ) -> NDArray[Any]:
        """Pixels of a box, given 0-based in the level's own px; 0 outside the raster.

        Returns
        -------
        (h, w, 3) for a colour picture, else (n, h, w)
        """
        wanted = range(len(self.planes) or 1) if planes is None else planes
        stack = [self._read_plane(box, level, plane) for plane in wanted]
        out = np.stack(stack) if self.planes else stack[0]
        for place, pixels in self._patches:
            inside = place.clipped(box)
            if not level and not inside.empty:
                part = pixels[list(wanted)] if self.planes else pixels
                out[_within(inside, box, self.planes)] = part[_within(inside, place, self.planes)]
        return out

    def patched(self, box: Box, pixels: NDArray[Any]) -> Raster:
        """The raster as it would be with other pixels in a box; the file stays as it is.

        Parameters
        ----------
        box : Box
            In the mosaic frame. Reduced levels do not show the patch.
        pixels : (h, w, 3) for a colour picture, else (planes, h, w)
        """
        x, y = self.origin
        place = Box(box.x0 - x, box.y0 - y, box.x1 - x, box.y1 - y)
        inside = place.clipped(Box(0, 0, self.shape[1], self.shape[0]))
        part = pixels[_within(inside, place, self.planes)]
        return replace(self, _patches=(*self._patches, (inside, part)))

    def read_mosaic(self, box: Box, *, planes: Sequence[int] | None = None) -> NDArray[Any]:
        """Pixels of a box given in the mosaic frame, full level."""
        x, y = self.origin
        return self.read(Box(box.x0 - x, box.y0 - y, box.x1 - x, box.y1 - y), planes=planes)

    def read_level(self, level: int) -> NDArray[Any]:
        """All pixels of a level."""
        height, width = self.level_shape(level)
        return self.read(Box(0, 0, width, height), level=level)

    def _read_plane(self, box: Box, level: int, plane: int) -> NDArray[Any]:
        info = self._levels[level]
        samples = () if self.planes else (3,)
        out = np.zeros((max(box.height, 0), max(box.width, 0), *samples), self.dtype)
        inside = box.clipped(Box(0, 0, info.width, info.height))
        if inside.empty:
            return out
        columns = -(-info.width // TILE_PX)
        for row in range(inside.y0 // TILE_PX, -(-inside.y1 // TILE_PX)):
            for column in range(inside.x0 // TILE_PX, -(-inside.x1 // TILE_PX)):
                tile = self._tiles.get((level, plane, row * columns + column))
                at = Box(column, row, column + 1, row + 1)
                place = Box(*(v * TILE_PX for v in at)).clipped(inside)
                out[
                    place.y0 - box.y0 : place.y1 - box.y0, place.x0 - box.x0 : place.x1 - box.x0
                ] = tile[
                    place.y0 - row * TILE_PX : place.y1 - row * TILE_PX,
                    place.x0 - column * TILE_PX : place.x1 - column * TILE_PX,
                ]
        return out

    def _decode(self, key: tuple[int, int, int]) -> NDArray[Any]:
        level, plane, index = key
        page = self._levels[level].pages[plane]
        data = os.pread(self._file.fileno(), page.databytecounts[index], page.dataoffsets[index])
        flat = np.frombuffer(imagecodecs.deflate_decode(data), self.dtype)
        samples = () if self.planes else (3,)
        delta = flat.reshape(TILE_PX, TILE_PX, *samples)
        tile: NDArray[Any] = imagecodecs.delta_decode(delta, axis=-1 if self.planes else -2)
        return tile


def _within(part: Box, whole: Box, planes: Sequence[str]) -> tuple[Any, ...]:
    """Index of a part in the pixels of a whole box."""
    rows = slice(part.y0 - whole.y0, part.y1 - whole.y0)
    columns = slice(part.x0 - whole.x0, part.x1 - whole.x0)
    return (..., rows, columns) if planes else (rows, columns)


def _parse(description: str) -> tuple[tuple[str, ...], tuple[int, int], float | None]:
    root = ET.fromstring(description)
    pixels = next(root.iter(f"{{{_OME}}}Pixels"))
    channels = [c.attrib for c in pixels.iter(f"{{{_OME}}}Channel")]
    plane = next(pixels.iter(f"{{{_OME}}}Plane")).attrib
    size = pixels.get("PhysicalSizeX")
    colour = channels[0]["SamplesPerPixel"] == "3"
    names = () if colour else tuple(c["Name"] for c in channels)
    origin = (int(plane["PositionX"]), int(plane["PositionY"]))
    return names, origin, None if size is None else float(size)
