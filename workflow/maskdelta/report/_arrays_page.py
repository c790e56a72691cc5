"""The page of the programmed arrays of a comparison."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskdelta.arrays import Lattice, contact_sheet
from maskdelta.images import Box, Raster, eight_bits
from maskdelta.report._array_words import array_sentences, lead_sentence
from maskdelta.report._picture_files import save_jpeg
from maskdelta.report._results import Compared, Folders
from maskdelta.report._scale_bar import ScaleBar, scale_bar
from maskdelta.report._templates import write_page
from maskdelta.report._view import View, sample
from maskdelta.study import BIT_WORDS, BitMatrix, read_json, read_table

__all__ = ["ArrayCard", "write_arrays_page"]

UNITS = 1000
_MOST_DOUBTFUL = 20
_ON_SHEET = 400
_MOST_SHEETS = 10
_MOST_DOTS = 4000


@dataclass(frozen=True)
class CellSheet:
    """One picture of cells by doubt.

    Parameters
    ----------
    picture : str
        Path relative to the page.
    width, height : int
        px.
    first, last : int
        Ranks of the cells on it.
    """

    picture: str
    width: int
    height: int
    first: int
    last: int


@dataclass(frozen=True)
class ArraySide:
    """One array of one die.

    Parameters
    ----------
    die : str
    record : dict
        Of `<array>.lattice.json`.
    picture : str
        Path relative to the page; empty where the lattice was not found.
    width, height : int
        Of the picture, px.
    bar : ScaleBar or None
    dots : str
        SVG path with a dot on every cell, `UNITS` wide.
    rings : tuple of (float, float, float, str)
        Middle, radius and class of the ring around each bit that is listed.
    doubtful : list of dict
        The first rows by doubt.
    sheets : tuple of CellSheet
    left_out, left_out_remarked : int
        Cells on none of the sheets, and how many of them bear a remark.
    """

    die: str
    record: dict[str, Any]
    picture: str = ""
    width: int = 0
    height: int = 0
    bar: ScaleBar | None = None
    dots: str = ""
    rings: tuple[tuple[float, float, float, str], ...] = ()
    doubtful: tuple[dict[str, Any], ...] = ()
    sheets: tuple[CellSheet, ...] = ()
    left_out: int = 0
    left_out_remarked: int = 0


@dataclass(frozen=True)
class ArrayCard:
    """What the page says of one array."""

    name: str
    title: str
    about: dict[str, Any]
    lead: str
    sentences: list[str]
    rows: list[dict[str, Any]]
    sides: tuple[ArraySide, ArraySide]


def write_arrays_page(compared: Compared, folders: Folders, **common: object) -> list[ArrayCard]:
    """Write `<before>--<after>-arrays.html`; nothing where the study names no array."""
    arrays = folders.study.arrays
    if not arrays:
        return []
    summary = read_json(compared.folder / "arrays.json")
    table = read_table(compared.folder / "arrays.csv", "arrays")
    cards = [
        _card(name, summary[name], [r for r in table if r["array"] == name], compared, folders)
        for name in arrays
    ]
    page = f"{compared.name}-arrays.html"
    write_page(
        folders.report / page,
        "arrays.html",
        c=compared,
        cards=cards,
        units=UNITS,
        page=page,
        **common,
    )
    return cards


def _card(
    name: str,
    about: dict[str, Any],
    rows: list[dict[str, Any]],
    compared: Compared,
    folders: Folders,
) -> ArrayCard:
    lead, sentences = "", []
    if about["compared"]:
        lead, sentences = lead_sentence(about), array_sentences(about)
    return ArrayCard(
        name=name,
        title=folders.study.arrays[name].title or name,
        about=about,
        lead=lead,
        sentences=sentences,
        rows=rows,
        sides=(
            _side(name, compared.before, rows, compared, folders),
            _side(name, compared.after, rows, compared, folders),
        ),
    )


def _side(
    name: str, die: str, rows: list[dict[str, Any]], compared: Compared, folders: Folders
) -> ArraySide:
    folder = folders.die(die) / "arrays"
    record = read_json(folder / f"{name}.lattice.json")
    if not record["found"]:
        return ArraySide(die, record)
    bits = BitMatrix.read_file(folder / f"{name}.bits.csv")
    lattice = Lattice.from_record(record["lattice"])
    after = die == compared.after
    there = compared.registration.before_to_after if after and not compared.refused else None
    back = compared.registration.after_to_before if there else None
    centres = bits.centre_px.reshape(-1, 2)
    centres = back(centres) if back else centres
    pitch = max(float(np.linalg.norm(v)) for v in lattice.frames())
    view = _view(centres, 0.8 * pitch)
    side_px = 2.2 * folders.study.arrays[name].bit.size_um * pitch_scale(record)
    shown = _shown(bits)
    stem = f"{compared.name}/array_{name}_{'after' if after else 'before'}"
    with Raster.open(folders.mosaic(die)) as mosaic:
        picture = eight_bits(sample(mosaic, view, frame_to_raster=there))
        sheets = [
            contact_sheet(mosaic, bits, lattice, side_px=side_px, first=first, most=_ON_SHEET)
            for first in range(0, shown, _ON_SHEET)
        ]
    save_jpeg(folders.report / f"{stem}.jpg", picture)
    for number, sheet in enumerate(sheets, 1):
        save_jpeg(folders.report / f"{stem}_cells_{number}.jpg", sheet)
    drawn = view.place(centres) * (UNITS / view.width)
    grid = drawn.reshape(*bits.shape, 2)
    return ArraySide(
        die=die,
        record=record,
        picture=f"{stem}.jpg",
        width=view.width,
        height=view.height,
        bar=scale_bar(view.width * view.scale * compared.um_per_px, compared.unit),
        dots=_dots(drawn),
        rings=_rings(rows, grid, 0.42 * pitch / view.scale * UNITS / view.width, after),
        doubtful=_doubtful(bits),
        sheets=tuple(
            CellSheet(
                f"{stem}_cells_{number + 1}.jpg",
                sheet.shape[1],
                sheet.shape[0],
                number * _ON_SHEET + 1,
                min((number + 1) * _ON_SHEET, shown),
            )
            for number, sheet in enumerate(sheets)
        ),
        left_out=bits.value.size - shown,
        left_out_remarked=int(((bits.rank > shown) & (bits.flags != "")).sum()),
    )


def _shown(bits: BitMatrix) -> int:
    """How many cells the sheets show: whole sheets, down to the last that bears a remark."""
    remarked = int(bits.rank[bits.flags != ""].max(initial=1))
    sheets = min(-(-remarked // _ON_SHEET), _MOST_SHEETS)
    return min(sheets * _ON_SHEET, bits.value.size)


def pitch_scale(record: dict[str, Any]) -> float:
    """px of the mosaic per unit of the study, from the pitch given in both."""
    pitch = record["pitch"]["columns"]
    return float(pitch["px"] / pitch["um"]) if pitch["um"] else 1.0


def _view(centres: NDArray[np.float64], margin: float) -> View:
    (x0, y0), (x1, y1) = centres.min(0) - margin, centres.max(0) + margin
    box = Box(int(x0), int(y0), int(x1) + 1, int(y1) + 1)
    view = View.of_box(box, longest_px=1100)
    zoom = max(1, 500 // max(view.width, view.height))
    return View(view.x0, view.y0, view.scale / zoom, view.width * zoom, view.height * zoom)


def _dots(drawn: NDArray[np.float64]) -> str:
    """A dot a cell; of large arrays some, evenly."""
    some = drawn[:: 1 + len(drawn) // _MOST_DOTS]
    return "".join(f"M{x:.1f},{y:.1f}h0" for x, y in some)


def _rings(
    rows: list[dict[str, Any]], grid: NDArray[np.float64], radius: float, after: bool
) -> tuple[tuple[float, float, float, str], ...]:
    """Middle, radius and class of a ring around every bit that is listed."""
    found = []
    for row in rows:
        r, c = (row["row_after"], row["column_after"]) if after else (row["row"], row["column"])
        if not (0 <= r < grid.shape[0] and 0 <= c < grid.shape[1]):
            continue
        kind = "added" if row["after"] == "1" else "removed"
        x, y = (round(float(v), 1) for v in grid[r, c])
        found.append((x, y, round(max(radius, 7.0), 1), kind if row["state"] == "changed" else ""))
    return tuple(found)


def _doubtful(bits: BitMatrix) -> tuple[dict[str, Any], ...]:
    rows, columns = np.unravel_index(bits.by_doubt(_MOST_DOUBTFUL), bits.shape)
    return tuple(
        {
            "rank": int(bits.rank[r, c]),
            "row": int(r),
            "column": int(c),
            "value": BIT_WORDS[int(bits.value[r, c])],
            "llr": float(bits.llr[r, c]),
            "flags": bits.flags[r, c],
        }
        for r, c in zip(rows, columns, strict=True)
    )
