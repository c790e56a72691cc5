"""Pictures: reading tiles, large tiled pyramids, blockwise maps, colour."""

from maskdelta.images._blocks import Box, blocks_of, map_ordered, spread_blocks
from maskdelta.images._cache import BoundedCache
from maskdelta.images._colour import (
    colour_slope,
    eight_bits,
    full_scale,
    grey,
    linear_to_srgb,
    srgb_curve,
    srgb_inverse,
    srgb_to_linear,
)
from maskdelta.images._distance import distance_to
from maskdelta.images._raster import Output, Raster, write_raster, write_rasters
from maskdelta.images._resample import BlockMap, map_block
from maskdelta.images._tiles import (
    PictureInfo,
    file_sha256,
    list_tiles,
    natural_key,
    probe_picture,
    read_picture,
)

__all__ = [
    "BlockMap",
    "BoundedCache",
    "Box",
    "Output",
    "PictureInfo",
    "Raster",
    "blocks_of",
    "colour_slope",
    "distance_to",
    "eight_bits",
    "file_sha256",
    "full_scale",
    "grey",
    "linear_to_srgb",
    "list_tiles",
    "map_block",
    "map_ordered",
    "natural_key",
    "probe_picture",
    "read_picture",
    "spread_blocks",
    "srgb_curve",
    "srgb_inverse",
    "srgb_to_linear",
    "write_raster",
    "write_rasters",
]
