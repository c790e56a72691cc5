"""Both mosaics in one orientation, with numbered changes and landmarks over them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from maskdelta.images import Raster
from maskdelta.report._picture_files import save_jpeg
from maskdelta.report._results import Compared, Folders, covered_box
from maskdelta.report._scale_bar import ScaleBar, scale_bar
from maskdelta.report._view import View, sample
from maskdelta.report._words import plain_name, unit_sign

__all__ = ["Mosaic", "Overview", "Place", "Tag", "draw_overview"]

Array = NDArray[np.float64]
Rectangle = tuple[float, float, float, float]
_LETTER_PX, _LINE_PX = 18.0, 32.0  # of the numbers on a picture 1400 px wide, shown at 580 px


@dataclass(frozen=True)
class Mosaic:
    """A reduced mosaic as a file, with its size and its scale bar."""

    file: str
    width: int
    height: int
    bar: ScaleBar


@dataclass(frozen=True)
class Tag:
    """A numbered change: its box and the place of its number, percent of the picture."""

    rank: int
    anchor: str
    words: str
    x: float
    y: float
    width: float
    height: float
    label_x: float
    label_y: float


@dataclass(frozen=True)
class Place:
    """A landmark: the place of its label, percent of the picture, and its outline as a path."""

    label: str
    x: float
    y: float
    outline: str


@dataclass(frozen=True)
class Overview:
    """Both mosaics and what is drawn over them."""

    before: Mosaic
    after: Mosaic
    tags: list[Tag]
    untagged: int
    places: list[Place]


def draw_overview(
    compared: Compared,
    folders: Folders,
    outlines: dict[str, BaseGeometry],
    *,
    longest_px: int = 1400,
    most_tags: int = 60,
) -> Overview:
    """Write the reduced mosaics of a comparison; the one after in the frame of the one before.

    Parameters
    ----------
    compared : Compared
    folders : Folders
    outlines : dict
        Geometry of the landmarks by label, study frame; those without get a label only.
    longest_px : int
        Longer side of the pictures.
    most_tags : int
        Changes that are numbered; more would hide the die.

    Returns
    -------
    Overview
    """
    folder = folders.report / compared.name
    with Raster.open(folders.coverage(compared.before)) as coverage:
        view = View.of_box(covered_box(coverage), longest_px=longest_px)
    with Raster.open(folders.mosaic(compared.before)) as raster:
        save_jpeg(folder / "before.jpg", sample(raster, view))
    before = _mosaic(compared, "before.jpg", view, compared.um_per_px)
    after = _write_after(compared, folders, view, folder, longest_px)
    shown = compared.changes[:most_tags]
    tags, taken = _tags(compared, shown, view, with_pictures=folders.study.report.changes_shown)
    return Overview(
        before=before,
        after=after,
        tags=tags,
        untagged=len(compared.changes) - len(shown),
        places=_places(compared, outlines, view, taken),
    )


def _write_after(
    compared: Compared, folders: Folders, view: View, folder: Path, longest_px: int
) -> Mosaic:
    """The mosaic after: over the one before, or as it is where the registration was refused."""
    with Raster.open(folders.mosaic(compared.after)) as raster:
        if not compared.refused:
            moved = sample(raster, view, frame_to_raster=compared.registration.before_to_after)
            save_jpeg(folder / "after.jpg", moved)
            return _mosaic(compared, "after.jpg", view, compared.um_per_px)
        with Raster.open(folders.coverage(compared.after)) as coverage:
            own = View.of_box(covered_box(coverage), longest_px=longest_px)
        save_jpeg(folder / "after.jpg", sample(raster, own))
    link = folders.link(compared.after)
    return _mosaic(compared, "after.jpg", own, link.um_per_mosaic_px(), unit=link.unit)


def _mosaic(
    compared: Compared, file: str, view: View, um_per_px: float, *, unit: str = ""
) -> Mosaic:
    printed = unit_sign(unit) if unit else compared.unit
    bar = scale_bar(view.width * view.scale * um_per_px, printed, most_frac=0.22)
    return Mosaic(f"{compared.name}/{file}", view.width, view.height, bar)


def _tags(
    compared: Compared,
    rows: Sequence[dict[str, Any]],
    view: View,
    *,
    with_pictures: int,
    least_px: float = 16,
) -> tuple[list[Tag], list[Rectangle]]:
    """Boxes around the changes with numbers beside them, and the rectangles these take up."""
    size = np.array([view.width, view.height], float)
    frames = []
    for row in rows:
        ax, ay, bx, by = compared.box_px(row)
        (x0, y0), (x1, y1) = view.place([[ax, ay], [bx, by]])
        gx, gy = (max(least_px - side, 8) / 2 for side in (x1 - x0, y1 - y0))
        frames.append((float(x0 - gx), float(y0 - gy), float(x1 + gx), float(y1 + gy)))
    taken: list[Rectangle] = []
    tags = []
    for row, frame in zip(rows, frames, strict=True):
        across = _LETTER_PX * (len(str(row["rank"])) + 1.2)
        x, y = free_spot(beside(frame, (across, _LINE_PX)), (across, _LINE_PX), size, taken)
        taken.append((x, y, x + across, y + _LINE_PX))
        left, top, right, bottom, label_x, label_y = np.round(
            100 * np.array([*frame, x, y]) / np.tile(size, 3), 2
        ).tolist()
        words = f"{row['kind']}: {plain_name(row['layers'].replace(' ', ', '))}"
        words += f", near {row['landmark']}" if row["landmark"] else ""
        width, height = round(right - left, 2), round(bottom - top, 2)
        anchor = f"{'change' if row['rank'] <= with_pictures else 'row'}-{row['rank']}"
        tags.append(Tag(row["rank"], anchor, words, left, top, width, height, label_x, label_y))
    return tags, taken + frames


def beside(frame: Rectangle, label: tuple[float, float]) -> list[tuple[float, float]]:
    """Places for the upper left corner of a label beside a frame, the best first."""
    across, down = label
    x0, y0, x1, y1 = frame
    right, left, above, below = x1 + 3, x0 - across - 3, y0 - down - 3, y1 + 3
    sides = [(right, y0), (left, y0), (x0, above), (x0, below)]
    return sides + [(right, above), (left, below), (right, below), (left, above)]


def free_spot(
    spots: Sequence[tuple[float, float]],
    label: tuple[float, float],
    size: Array,
    taken: Sequence[Rectangle],
) -> tuple[float, float]:
    """The first spot where a label is inside the picture and clear of what is taken.

    Where none is clear, the first that is inside is moved no further.
    """
    across, down = label
    limit = np.maximum(size - [across, down], 0)
    inside = [(float(np.clip(x, 0, limit[0])), float(np.clip(y, 0, limit[1]))) for x, y in spots]
    for x, y in inside:
        if not any(
            x < right and y < bottom and x + across > left and y + down > top
            for left, top, right, bottom in taken
        ):
            return x, y
    return inside[0]


def _places(
    compared: Compared,
    outlines: dict[str, BaseGeometry],
    view: View,
    taken: Sequence[Rectangle],
) -> list[Place]:
    """Outlines of the landmarks where these are known, and labels that keep clear of the tags."""
    size = np.array([view.width, view.height], float)
    taken = list(taken)
    places = []
    for label, row in {r["landmark"]: r for r in compared.landmarks}.items():
        x, y = view.place(compared.link.to_mosaic([[row["x_um"], row["y_um"]]]))[0].tolist()
        if not (0 <= x <= size[0] and 0 <= y <= size[1]):
            continue
        geometry, path, frame = outlines.get(label), "", (x, y, x, y)
        if geometry is not None and geometry.area > 0:
            moved = shapely.transform(geometry, lambda p: view.place(compared.link.to_mosaic(p)))
            path, frame = _path(moved.simplify(0.5)), moved.bounds
        across, down = 0.56 * _LINE_PX * (len(label) + 1), _LINE_PX
        lx, ly = free_spot(_over(frame, (across, down)), (across, down), size, taken)
        taken.append((lx, ly, lx + across, ly + down))
        middle = np.round(100 * np.array([lx + across / 2, ly + down / 2]) / size, 2)
        places.append(Place(label, float(middle[0]), float(middle[1]), path))
    return places


def _over(frame: Rectangle, label: tuple[float, float]) -> list[tuple[float, float]]:
    """Places for a label inside or around a frame, the best first."""
    across, down = label
    x0, y0, x1, y1 = frame
    left, middle = (x0 + x1 - across) / 2, (y0 + y1 - down) / 2
    inside = [(left, y0 + 2), (left, middle), (left, y1 - down - 2)]
    outside = [
        (left, y1 + 14),
        (left, y0 - down - 14),
        (x0 - across - 14, middle),
        (x1 + 14, middle),
    ]
    return inside + outside + beside(frame, label)


def _path(geometry: BaseGeometry) -> str:
    """SVG path of the outer rings."""
    parts = []
    for polygon in getattr(geometry, "geoms", [geometry]):
        points = np.round(np.asarray(polygon.exterior.coords), 1).tolist()
        parts.append("M" + " ".join(f"{x:g},{y:g}" for x, y in points[:-1]) + "Z")
    return "".join(parts)
