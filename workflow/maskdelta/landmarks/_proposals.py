"""All places that a person may want to name, as marks to be corrected."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import shapely

from maskdelta.images import Raster
from maskdelta.landmarks._lettering import find_lettering
from maskdelta.landmarks._pads import find_pads
from maskdelta.landmarks._periodic import find_periodic
from maskdelta.study import write_json

__all__ = ["Proposal", "propose_landmarks", "write_landmarks"]


@dataclass(frozen=True)
class Proposal:
    """A place that may be worth a name.

    Parameters
    ----------
    label : str
        A name to be corrected: array 1, pad 1, lettering 1.
    outline : shapely Polygon
        Mosaic frame, px.
    note : str
        What was measured there.
    """

    label: str
    outline: shapely.Polygon
    note: str = ""


def propose_landmarks(
    mosaic: Raster, coverage: Raster, *, um_per_px: float | None = None
) -> list[Proposal]:
    """Periodic areas, pads and lettering of a die, told from the picture alone.

    Parameters
    ----------
    mosaic, coverage : Raster
    um_per_px : float, optional
        For the notes.

    Returns
    -------
    list of Proposal
    """
    unit, scale = ("px", 1.0) if um_per_px is None else ("um", um_per_px)
    found = []
    for number, area in enumerate(find_periodic(mosaic, coverage), 1):
        across, down = (float((step @ step) ** 0.5) * scale for step in area.periods_px)
        note = f"repeats every {across:.1f} by {down:.1f} {unit}, about {area.cells} times"
        found.append(Proposal(f"array {number}", area.outline, note))
    for kind, outlines in (
        ("pad", find_pads(mosaic, coverage)),
        ("lettering", find_lettering(mosaic, coverage)),
    ):
        found += [Proposal(f"{kind} {n}", outline) for n, outline in enumerate(outlines, 1)]
    return found


def write_landmarks(path: str | Path, proposals: list[Proposal], *, die: str, view: str) -> None:
    """Write proposals as GeoJSON marks of the role `landmark`."""
    features: list[dict[str, Any]] = [
        {
            "type": "Feature",
            "geometry": dict(shapely.geometry.mapping(shapely.set_precision(p.outline, 0.01))),
            "properties": {
                "role": "landmark",
                "label": p.label,
                "frame": "mosaic",
                "die": die,
                "view": view,
                "note": p.note,
            },
        }
        for p in proposals
    ]
    write_json(path, {"type": "FeatureCollection", "features": features})
