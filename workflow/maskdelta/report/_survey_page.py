"""The page that judges the tiles of a view before anything is stitched."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.images import probe_picture, read_picture
from maskdelta.report._picture_files import save_jpeg
from maskdelta.report._plots_die import draw_shading
from maskdelta.report._templates import write_page
from maskdelta.report._words import number
from maskdelta.survey import Survey

__all__ = ["write_survey_page"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class MapTile:
    """A tile on the map: its number, its row of the survey, its box in percent of the map."""

    number: int
    row: dict[str, Any]
    file: str
    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True)
class MapGap:
    """A place that needs another tile: a letter, why, how to get there, where on the map."""

    letter: str
    why: str
    take: str
    directions: list[str]
    thin: bool
    x: float
    y: float
    width: float
    height: float


def write_survey_page(
    path: str | Path, survey: Survey, files: Sequence[str], *, die: str, view: str
) -> None:
    """Write the survey page of a view and its pictures.

    Parameters
    ----------
    path : path
        Of the page; its pictures go into the folder `pictures` beside it.
    survey : Survey
    files : sequence of str
        The tiles, or the one finished picture.
    die, view : str
    """
    path = Path(path)
    shutil.rmtree(path.parent / "pictures", ignore_errors=True)
    tiles, gaps, ratio, widest = _map(survey)
    sources = {Path(file).name: str(file) for file in files}
    for tile in tiles:
        if tile.row["file"] in sources:
            side = max(160, min(1100, round(11 * max(tile.width, tile.height / ratio))))
            picture = _thumbnail(sources[tile.row["file"]], tile.row, side)
            save_jpeg(path.parent / tile.file, picture, quality=80)
    rows = survey.quality
    shape = (rows[0]["height_px"], rows[0]["width_px"]) if rows else (1, 1)
    shading = None
    if survey.flat_field.order:
        shading = draw_shading(path.parent, "pictures/shading", survey.flat_field, shape)
    write_page(
        path,
        "survey.html",
        die=die,
        view=view,
        tiles=tiles,
        shown={tile.file for tile in tiles if tile.row["file"] in sources},
        gaps=gaps,
        ratio=ratio,
        widest=widest,
        flagged=[tile for tile in tiles if tile.row["flags"]],
        figures=survey.figures,
        flat_field=survey.flat_field,
        shading=shading,
    )


def _map(survey: Survey) -> tuple[list[MapTile], list[MapGap], float, float]:
    """Tiles and gaps in percent of the map, its height over its width, and its width in px."""
    rows = survey.quality
    centres = np.array([[row["x_px"], row["y_px"]] for row in rows], float).reshape(-1, 2)
    sizes = np.array([[row["width_px"], row["height_px"]] for row in rows], float).reshape(-1, 2)
    size = np.median(sizes, axis=0) if len(rows) else np.ones(2)
    holes = np.array([[g["x_px"], g["y_px"]] for g in survey.gaps if g["area_px2"] > 0], float)
    low, high = _extent(centres, sizes, holes.reshape(-1, 2), size)
    whole = np.maximum(high - low, 1.0)
    tiles = []
    for k, row in enumerate(rows):
        x, y = 100 * (centres[k] - sizes[k] / 2 - low) / whole
        w, h = 100 * sizes[k] / whole
        file = f"pictures/tile_{k + 1:04d}.jpg"
        tiles.append(MapTile(k + 1, row, file, *(round(float(v), 3) for v in (x, y, w, h))))
    gaps = [
        _gap(letter, gap, rows, centres, sizes, low, whole, size)
        for letter, gap in zip(_letters(len(survey.gaps)), survey.gaps, strict=True)
    ]
    return tiles, gaps, float(round(whole[1] / whole[0], 5)), float(whole[0])


def _extent(centres: Array, sizes: Array, holes: Array, size: Array) -> tuple[Array, Array]:
    low = np.concatenate([centres - sizes / 2, holes - size / 2, [[np.inf, np.inf]]]).min(0)
    high = np.concatenate([centres + sizes / 2, holes + size / 2, [[-np.inf, -np.inf]]]).max(0)
    return (low, high) if np.isfinite(low).all() else (np.zeros(2), np.ones(2))


def _letters(count: int) -> list[str]:
    """A, B, ... Z, AA, AB, ..."""
    names = []
    for k in range(count):
        name = ""
        while k >= 0:
            name, k = chr(ord("A") + k % 26) + name, k // 26 - 1
        names.append(name)
    return names


def _gap(
    letter: str,
    gap: dict[str, Any],
    rows: Sequence[dict[str, Any]],
    centres: Array,
    sizes: Array,
    low: Array,
    whole: Array,
    size: Array,
) -> MapGap:
    place = np.array([gap["x_px"], gap["y_px"]])
    x, y = 100 * (place - low) / whole
    w, h = 100 * size / whole
    away = np.hypot(*((centres - place) / size).T)
    nearest = np.argsort(away, kind="stable")[:2]
    return MapGap(
        letter,
        gap["why"],
        gap["take"],
        [_direction(rows[k]["file"], place - centres[k], sizes[k]) for k in nearest],
        gap["area_px2"] <= 0,
        *(round(float(v), 3) for v in (x, y, w, h)),
    )


def _direction(file: str, way: Array, size: Array) -> str:
    """How to move the picture from the middle of a tile, in px and in tile sides."""
    parts = []
    for k, (less, more, side) in enumerate(
        (("left", "right", "widths"), ("up", "down", "heights"))
    ):
        share = abs(way[k]) / size[k]
        if share >= 0.02:
            where = more if way[k] > 0 else less
            parts.append(f"{number(abs(way[k]))} px ({share:.2f} tile {side}) {where}")
    return f"from {file}: {' and '.join(parts) if parts else 'the same place'}"


def _thumbnail(path: str, row: dict[str, Any], longest_px: int) -> NDArray[Any]:
    """A small copy of a tile; JPEG is decoded at reduced size."""
    shrink = max(row["width_px"], row["height_px"]) / longest_px
    image: Any = None
    if probe_picture(path).format == "JPEG":
        flags = {
            2: cv2.IMREAD_REDUCED_COLOR_2,
            4: cv2.IMREAD_REDUCED_COLOR_4,
            8: cv2.IMREAD_REDUCED_COLOR_8,
        }
        fit = [factor for factor in flags if factor <= shrink]
        image = cv2.imread(path, flags[max(fit)] if fit else cv2.IMREAD_COLOR)
    image = read_picture(path) if image is None else image[..., ::-1]
    factor = min(1.0, longest_px / max(image.shape[:2]))
    size = tuple(max(1, round(side * factor)) for side in (image.shape[1], image.shape[0]))
    return cv2.resize(np.ascontiguousarray(image), size, interpolation=cv2.INTER_AREA)
