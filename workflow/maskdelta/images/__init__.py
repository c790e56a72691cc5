"""Pictures: reading tiles, large tiled pyramids, blockwise maps, colour."""

from maskdelta.images._blocks import Box, blocks_of, map_ordered
from maskdelta.images._colour import (
    full_scale,
    grey,
    linear_to_srgb,
    srgb_curve,
    srgb_inverse,
    srgb_to_linear,
)
from maskdelta.images._raster import Raster, write_raster
from maskdelta.images._tiles import (
    PictureInfo,
    file_sha256,
    list_tiles,
    probe_picture,
    read_picture,
)

__all__ = [
    "Box",
    "PictureInfo",
    "Raster",
    "blocks_of",
    "file_sha256",
    "full_scale",
    "grey",
    "linear_to_srgb",
    "list_tiles",
    "map_ordered",
    "probe_picture",
    "read_picture",
    "srgb_curve",
    "srgb_inverse",
    "srgb_to_linear",
    "write_raster",
]
