"""Mosaic and swatches -> membership, visibility and confidence of each layer."""

from maskdelta.segment._agreement import TileAgreement, tile_agreement
from maskdelta.segment._labeller import Labeller
from maskdelta.segment._laid import lay_view
from maskdelta.segment._rules import NOT_PHOTOGRAPHED, SPOILED, UNKNOWN
from maskdelta.segment._segment import Swatch, ignored_areas, segment, swatches_of
from maskdelta.segment._suggest import (
    Cluster,
    Clusters,
    NamedDie,
    named_dies,
    suggest_swatches,
    write_suggestions,
)
from maskdelta.segment._views import SegmentedView, merge_views

__all__ = [
    "NOT_PHOTOGRAPHED",
    "SPOILED",
    "UNKNOWN",
    "Cluster",
    "Clusters",
    "Labeller",
    "NamedDie",
    "SegmentedView",
    "Swatch",
    "TileAgreement",
    "ignored_areas",
    "lay_view",
    "merge_views",
    "named_dies",
    "segment",
    "suggest_swatches",
    "swatches_of",
    "tile_agreement",
    "write_suggestions",
]
