"""Names shared by every part of the phantom: layers, stacks and the design grid."""

from __future__ import annotations

LAYERS: tuple[str, ...] = (
    "diffusion",
    "polysilicon",
    "contact",
    "buried_contact",
    "implant",
    "metal",
    "pad_opening",
)
"""Mask layers in the order of the planes of every truth raster."""

STACKS: tuple[str, ...] = (
    "field_oxide",
    "diffusion",
    "polysilicon",
    "gate",
    "metal",
    "contact",
    "buried_contact",
    "pad_opening",
)
"""What a person can point at in a photograph: layers lying over one another."""

LAMBDA_UM = 2
"""Length unit of the design rules (Mead & Conway 1980), um."""
