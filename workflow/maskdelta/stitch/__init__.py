"""Stitching: where each tile lies, and the mosaic made of them."""

from maskdelta.stitch._anchor import Anchor
from maskdelta.stitch._compose import compose
from maskdelta.stitch._place import Placement, place
from maskdelta.stitch._seams import Seams, lead_seams

__all__ = ["Anchor", "Placement", "Seams", "compose", "lead_seams", "place"]
