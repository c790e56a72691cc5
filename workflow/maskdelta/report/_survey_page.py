"""The page that judges the tiles of a view before anything is stitched."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cv2

from maskdelta.images import read_picture
from maskdelta.report._pictures import save_jpeg
from maskdelta.report._templates import render
from maskdelta.survey import Survey

__all__ = ["write_survey_page"]


def write_survey_page(
    path: str | Path, survey: Survey, files: Sequence[str], *, die: str, view: str
) -> None:
    """Write the survey page and thumbnails in a folder `tiles` beside it.

    Parameters
    ----------
    path : path
    survey : Survey
    files : sequence of str
        The tiles.
    die, view : str
    """
    path = Path(path)
    for file in files:
        image = read_picture(file)
        height = max(1, round(image.shape[0] * 120 / image.shape[1]))
        small = cv2.resize(image, (120, height), interpolation=cv2.INTER_AREA)
        save_jpeg(path.parent / "tiles" / f"{Path(file).name}.jpg", small)
    page = render(
        "survey.html",
        title=f"Survey of {die} ({view})",
        rows=survey.quality,
        flagged=[row for row in survey.quality if row["flags"]],
        map=_tile_map(survey),
        gaps=survey.gaps,
        pairs=len(survey.neighbours),
    )
    path.write_text(page, encoding="utf-8")


def _tile_map(survey: Survey, *, width: float = 900.0) -> dict[str, Any]:
    """Tiles at their coarse places, with gaps, scaled to a drawing `width` wide."""
    rows = survey.quality
    left = min(r["x_px"] - r["width_px"] / 2 for r in rows)
    top = min(r["y_px"] - r["height_px"] / 2 for r in rows)
    right = max(r["x_px"] + r["width_px"] / 2 for r in rows)
    bottom = max(r["y_px"] + r["height_px"] / 2 for r in rows)
    scale = width / max(right - left, 1)
    tiles = [
        {
            "number": number,
            "flags": r["flags"],
            "x": round((r["x_px"] - r["width_px"] / 2 - left) * scale, 1),
            "y": round((r["y_px"] - r["height_px"] / 2 - top) * scale, 1),
            "w": round(r["width_px"] * scale, 1),
            "h": round(r["height_px"] * scale, 1),
        }
        for number, r in enumerate(rows, start=1)
    ]
    gaps = [
        {"x": round((g["x_px"] - left) * scale, 1), "y": round((g["y_px"] - top) * scale, 1)}
        for g in survey.gaps
    ]
    height = round((bottom - top) * scale, 1)
    return {"width": width, "height": height, "tiles": tiles, "gaps": gaps}
