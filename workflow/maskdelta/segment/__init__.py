"""Mosaic and swatches -> membership, visibility and confidence of each layer."""

from maskdelta.segment._labels import NOT_PHOTOGRAPHED, SPOILED, UNKNOWN
from maskdelta.segment._segment import Swatch, ignored_areas, segment, swatches_of

__all__ = [
    "NOT_PHOTOGRAPHED",
    "SPOILED",
    "UNKNOWN",
    "Swatch",
    "ignored_areas",
    "segment",
    "swatches_of",
]
