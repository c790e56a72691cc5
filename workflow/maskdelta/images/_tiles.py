"""Reading tile files: headers, faults, pixels."""

from __future__ import annotations

import glob
import hashlib
import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import Image, UnidentifiedImageError

from maskdelta.errors import ImageError

__all__ = [
    "PictureInfo",
    "file_sha256",
    "list_tiles",
    "natural_key",
    "probe_picture",
    "read_picture",
]

Picture = NDArray[np.uint8] | NDArray[np.uint16]
_EXIF_ORIENTATION = 0x0112


@dataclass(frozen=True)
class PictureInfo:
    """What a picture's header says.

    Parameters
    ----------
    width_px, height_px : int
        After the orientation has been applied.
    bits : int
        8 or 16 per channel.
    channels : int
        1 (grey) or 3 (colour); an alpha channel is not counted.
    orientation : int
        EXIF orientation, 1..8; 1 is upright.
    format : str
        JPEG, PNG, TIFF or WEBP.
    colour_profile : bool
        Whether an ICC profile lies in the file.
    """

    width_px: int
    height_px: int
    bits: int
    channels: int
    orientation: int
    format: str
    colour_profile: bool


def list_tiles(pattern: str) -> list[str]:
    """Files that fit a glob pattern, in natural order (t2 before t10)."""
    return sorted((p for p in glob.glob(pattern) if Path(p).is_file()), key=natural_key)


def natural_key(text: str) -> list[object]:
    """Sort key that puts t2 before t10."""
    return [int(p) if p.isdigit() else p for p in re.split(r"(\d+)", text)]


def file_sha256(path: str | Path) -> str:
    """Hash of a file's bytes, hexadecimal."""
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def probe_picture(path: str | Path) -> PictureInfo:
    """Read a picture's header and check that its file is whole, without decoding its pixels.

    Raises
    ------
    ImageError
        When the file is missing, of an unknown kind, truncated, or of an unsupported depth.
    """
    try:
        size = Path(path).stat().st_size
    except OSError:
        raise ImageError(f"{path}: there is no such file; check the path.") from None
    if size == 0:
        raise ImageError(f"{path}: the file is empty; export it again.")
    with open(path, "rb") as file:
        head = file.read(16)
    if head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return _probe_tiff(path, size)
    try:
        with Image.open(path) as image:
            kind = image.format or ""
            width, height = image.size
            mode = image.mode
            orientation = 1
            # for a PNG the library decodes all pixels to look for the chunk behind them
            if kind != "PNG" or _png_may_hold_exif(path):
                orientation = int(image.getexif().get(_EXIF_ORIENTATION, 1) or 1)
            profile = bool(image.info.get("icc_profile"))
    except (UnidentifiedImageError, OSError, SyntaxError, ValueError, Image.DecompressionBombError):
        if head[:4] in (b"\x89PNG", b"RIFF") or head[:2] == b"\xff\xd8":
            raise ImageError(
                f"{path}: the file is cut short or damaged; copy or export it again."
            ) from None
        raise ImageError(
            f"{path}: this is not a JPEG, PNG, TIFF or WebP picture that can be read; "
            "export it again or take it out."
        ) from None
    if kind not in ("JPEG", "PNG", "WEBP", "MPO"):
        raise ImageError(f"{path}: pictures of the kind {kind} are not read; export it as TIFF.")
    if mode in ("CMYK", "YCCK", "P", "1", "LAB"):
        raise ImageError(f"{path}: colours of the kind {mode} are not read; export it as RGB.")
    _check_end(path, kind, size, head)
    if orientation >= 5:
        width, height = height, width
    bits = 16 if mode.startswith("I") else _png_bits(path) if kind == "PNG" else 8
    channels = 1 if mode.startswith(("L", "I")) else 3
    kind = "JPEG" if kind == "MPO" else kind
    return PictureInfo(width, height, bits, channels, orientation, kind, profile)


def _png_may_hold_exif(path: str | Path) -> bool:
    """Whether a PNG has a chunk in which EXIF is written (PNG 3rd ed., 5.3: length, type, data)."""
    with open(path, "rb") as file:
        file.seek(8)
        while len(head := file.read(8)) == 8:
            if head[4:] in (b"eXIf", b"tEXt", b"zTXt", b"iTXt"):
                return True
            file.seek(int.from_bytes(head[:4], "big") + 4, os.SEEK_CUR)
    return False


def _png_bits(path: str | Path) -> int:
    with open(path, "rb") as file:
        return 16 if file.read(25)[24] == 16 else 8


def _check_end(path: str | Path, kind: str, size: int, head: bytes) -> None:
    """The end marker of the format must be there; otherwise the copy was cut short."""
    with open(path, "rb") as file:
        file.seek(max(0, size - 4096))
        tail = file.read()
    whole = {
        "JPEG": b"\xff\xd9" in tail,
        "MPO": b"\xff\xd9" in tail,
        "PNG": b"IEND" in tail,
        "WEBP": int.from_bytes(head[4:8], "little") + 8 <= size,
    }[kind]
    if not whole:
        raise ImageError(f"{path}: the file is cut short (no end marker); copy it again.")


def _probe_tiff(path: str | Path, size: int) -> PictureInfo:
    try:
        with tifffile.TiffFile(path) as tiff:
            page = tiff.pages.first
            spans = zip(page.dataoffsets, page.databytecounts, strict=True)
            beyond = any(offset + count > size for offset, count in spans)
            samples, depth = page.samplesperpixel, np.dtype(page.dtype)
            tag = page.tags.get(274)
            orientation = int(tag.value) if tag is not None else 1
            width, height = page.imagewidth, page.imagelength
            profile = 34675 in page.tags
    except Exception as exc:
        raise ImageError(
            f"{path}: the TIFF's tables cannot be read ({exc}); export it again."
        ) from None
    if beyond:
        raise ImageError(f"{path}: the file is cut short (pixels missing); copy it again.")
    if depth not in (np.dtype(np.uint8), np.dtype(np.uint16)):
        raise ImageError(f"{path}: pixels of the kind {depth} are not read; export 8 or 16 bits.")
    if orientation >= 5:
        width, height = height, width
    channels = 3 if samples >= 3 else 1
    return PictureInfo(width, height, depth.itemsize * 8, channels, orientation, "TIFF", profile)


def read_picture(path: str | Path) -> Picture:
    """Decode a picture.

    Returns
    -------
    (H, W, 3) uint8 or uint16
        sRGB-encoded RGB, upright by its EXIF orientation; grey is repeated, alpha is dropped.

    Raises
    ------
    ImageError
        When it cannot be read.
    """
    info = probe_picture(path)
    try:
        if info.format == "TIFF":
            image = tifffile.imread(path, key=0)
        else:
            data = Path(path).read_bytes()
            decode = {
                "JPEG": imagecodecs.jpeg8_decode,
                "PNG": imagecodecs.png_decode,
                "WEBP": imagecodecs.webp_decode,
            }[info.format]
            image = decode(data)
    except Exception as exc:
        raise ImageError(
            f"{path}: the pixels cannot be decoded ({exc}); export it again."
        ) from None
    return _upright(_as_rgb(image), info.orientation)


def _as_rgb(image: NDArray[Any]) -> Picture:
    if image.ndim == 3 and image.shape[0] in (3, 4) and image.shape[2] > 4:
        image = np.moveaxis(image, 0, -1)  # planar TIFF
    if image.ndim == 2 or image.shape[2] <= 2:
        plane = image if image.ndim == 2 else image[..., 0]
        return np.repeat(plane[..., None], 3, axis=2)
    return np.ascontiguousarray(image[..., :3])


def _upright(image: Picture, orientation: int) -> Picture:
    """Apply the EXIF orientation (Exif 2.3, tag 274)."""
    if orientation in (2, 4, 5, 7):
        image = image[:, ::-1]
    turns = {1: 0, 2: 0, 3: 2, 4: 2, 5: 1, 6: 3, 7: 3, 8: 1}.get(orientation, 0)
    upright: NDArray[Any] = np.ascontiguousarray(np.rot90(image, turns))
    return upright
