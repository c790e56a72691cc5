"""Stitching: where each tile lies, and the mosaic made of them."""

from maskdelta.stitch._anchor import Anchor
from maskdelta.stitch._compose import compose
from maskdelta.stitch._place import Placement, place

__all__ = ["Anchor", "Placement", "compose", "place"]
