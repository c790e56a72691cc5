"""The tables of the results: columns, types, units, and reading and writing them.

`workflow/schemas/<table>.schema.json` is generated from `TABLES`; floats are written with a fixed
number of decimals, so that a rerun gives the same bytes.
"""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from maskdelta.errors import MaskdeltaError

__all__ = ["TABLES", "Column", "Table", "read_json", "read_table", "write_json", "write_table"]


@dataclass(frozen=True)
class Column:
    """One column: `kind` is str, int, float or bool; `decimals` are those written for a float."""

    name: str
    kind: type
    description: str
    decimals: int = 3
    empty: bool = False
    choices: tuple[str, ...] = ()


@dataclass(frozen=True)
class Table:
    """A table of the results and what its columns mean."""

    name: str
    description: str
    columns: tuple[Column, ...]

    def schema(self) -> dict[str, Any]:
        """JSON Schema of one row, typed."""
        kinds = {str: "string", int: "integer", float: "number", bool: "boolean"}
        properties: dict[str, Any] = {}
        for column in self.columns:
            kind: Any = kinds[column.kind]
            entry: dict[str, Any] = {"description": column.description}
            entry["type"] = [kind, "null"] if column.empty and column.kind is not str else kind
            if column.choices:
                entry["enum"] = list(column.choices)
            properties[column.name] = entry
        return {
            "$schema": "https://json-schema.org/draft/2020-12/schema",
            "title": f"{self.name}: a row",
            "description": self.description,
            "type": "object",
            "additionalProperties": False,
            "properties": properties,
            "required": [column.name for column in self.columns],
        }


def _c(name: str, kind: type, description: str, **more: Any) -> Column:
    return Column(name, kind, description, **more)


CHANGE_KINDS = (
    "added",
    "removed",
    "altered",
    "moved",
    "widened",
    "narrowed",
    "joined",
    "cut",
    "contact new",
    "contact gone",
    "array bit",
    "lettering",
    "redrawn",
)
_BIT = ("0", "1", "unreadable")

_TILES = Table(
    "tiles",
    "A row a tile: where it lies in the mosaic and how good it is.",
    (
        _c("file", str, "File name of the tile."),
        _c("sha256", str, "Hash of the file's bytes."),
        _c("width_px", int, "Width of the tile."),
        _c("height_px", int, "Height of the tile."),
        _c("centre_x_px", float, "Centre of the tile in the mosaic frame.", decimals=4, empty=True),
        _c("centre_y_px", float, "Centre of the tile in the mosaic frame.", decimals=4, empty=True),
        _c("angle_deg", float, "Turn of the tile in the mosaic frame.", decimals=5, empty=True),
        _c("scale", float, "Mosaic px per tile px.", decimals=7, empty=True),
        _c("var_x_px2", float, "Variance of centre_x_px.", decimals=9, empty=True),
        _c("cov_xy_px2", float, "Covariance of the centre's x and y.", decimals=9, empty=True),
        _c("var_y_px2", float, "Variance of centre_y_px.", decimals=9, empty=True),
        _c("island", int, "Number of the connected group of tiles; 0 is the largest."),
        _c("modulo_pitch", bool, "Position known only up to whole pitches of an array."),
        _c("lens", float, "Radial lens term at the corner of the tile (share).", decimals=7),
        _c("focus", float, "Sharpness relative to the neighbours in overlaps.", decimals=3),
        _c("exposure", float, "Exposure factor divided out, linear light.", decimals=5),
        _c("residual_px", float, "RMS residual of the pairs in use.", decimals=3, empty=True),
        _c(
            "status",
            str,
            "What became of the tile.",
            choices=("placed", "unplaced", "rejected"),
        ),
        _c("why", str, "Reason where the tile is not placed, or a warning."),
    ),
)

_QUALITY = Table(
    "quality",
    "A row a tile, from the survey, before anything is placed to a pixel.",
    (
        _c("file", str, "File name of the tile."),
        _c("sha256", str, "Hash of the file's bytes."),
        _c("width_px", int, "Width of the tile."),
        _c("height_px", int, "Height of the tile."),
        _c("bits", int, "Bits per channel."),
        _c("orientation", int, "EXIF orientation found and applied (1 is upright)."),
        _c("x_px", float, "Nominal or coarsely found centre, px of the mosaic.", decimals=1),
        _c("y_px", float, "Nominal or coarsely found centre, px of the mosaic.", decimals=1),
        _c("focus", float, "Sharpness relative to the neighbours in overlaps.", decimals=3),
        _c(
            "haze_frac",
            float,
            "Scattered light over the tile against its neighbours, of the view's median light.",
            decimals=3,
        ),
        _c("clipped_frac", float, "Share of the pixels at the upper limit.", decimals=5),
        _c("dark_frac", float, "Share of the pixels at the lower limit.", decimals=5),
        _c("exposure", float, "Exposure factor against the other tiles, linear.", decimals=5),
        _c("neighbours", int, "Number of neighbours that overlap and correlate."),
        _c("flags", str, "Words for people, separated by `; `; empty when all is well."),
    ),
)

_NEIGHBOURS = Table(
    "neighbours",
    "A row a pair of tiles that may overlap, with the coarse shift found by the survey.",
    (
        _c("file_a", str, "First tile."),
        _c("file_b", str, "Second tile."),
        _c("dx_px", float, "Centre of b minus centre of a.", decimals=1),
        _c("dy_px", float, "Centre of b minus centre of a.", decimals=1),
        _c("score", float, "Correlation of the overlap at reduced scale, -1..1.", decimals=4),
        _c("rival", float, "Best score elsewhere, as a share of `score`.", decimals=4),
        _c("candidates", str, "All shifts worth trying: `dx dy score` separated by `;`."),
    ),
)

_PAIRS = Table(
    "pairs",
    "A row a pair of overlapping tiles, measured to a fraction of a px.",
    (
        _c("file_a", str, "First tile."),
        _c("file_b", str, "Second tile."),
        _c("dx_px", float, "Centre of b minus centre of a.", decimals=3),
        _c("dy_px", float, "Centre of b minus centre of a.", decimals=3),
        _c("sd_px", float, "Standard deviation of the shift per axis.", decimals=4),
        _c("score", float, "Correlation of the overlap at full scale, -1..1.", decimals=4),
        _c("candidates", int, "Shifts that could not be told apart from the best."),
        _c("residual_px", float, "Distance from the placement found.", decimals=3, empty=True),
        _c("used", bool, "Whether the placement believes this pair."),
    ),
)

_MOSAIC_SEAMS = Table(
    "mosaic_seams",
    "A row two tiles that share an overlap, with the seam that divides it in the mosaic.",
    (
        _c("file_a", str, "Tile to the left of the seam, or above it."),
        _c("file_b", str, "The other tile."),
        _c("x_px", float, "Middle of the overlap, mosaic frame.", decimals=1),
        _c("y_px", float, "Middle of the overlap, mosaic frame.", decimals=1),
        _c(
            "step_levels",
            float,
            "Mean difference between the two tiles along the seam, grey levels of 255.",
            decimals=2,
        ),
        _c("overlap_levels", float, "The same over the whole overlap.", decimals=2),
    ),
)

_SEAMS = Table(
    "seams",
    "A row a seam that an earlier joining left inside a finished picture.",
    (
        _c("seam", int, "Number of the seam in this view."),
        _c("direction", str, "How it runs.", choices=("upright", "level")),
        _c("x0_px", float, "Its upper or left end, mosaic frame.", decimals=1),
        _c("y0_px", float, "Its upper or left end, mosaic frame.", decimals=1),
        _c(
            "x1_px",
            float,
            "Its other end, mosaic frame; ends are good to half a piece of 512 px.",
            decimals=1,
        ),
        _c("y1_px", float, "Its other end, mosaic frame.", decimals=1),
        _c(
            "signs",
            str,
            "What speaks for it, separated by `; `: offset, brightness, doubled strip.",
        ),
        _c(
            "offset_px",
            float,
            "How far what lies right of it is moved down, or below it to the right.",
            empty=True,
        ),
        _c("offset_error_px", float, "Standard error of it.", empty=True),
        _c("brightness_frac", float, "Step of brightness, linear light.", decimals=4, empty=True),
        _c("brightness_error_frac", float, "Standard error of it.", decimals=4, empty=True),
        _c("doubled_px", int, "Width of a strip shown on both sides of it; 0 for none."),
        _c("strength", float, "Its strongest sign in standard errors.", decimals=1),
        _c("beside", float, "The same of the strongest line within 160 px of it.", decimals=1),
        _c("on_grid", bool, "Whether at least three seams share a pitch that it fits."),
    ),
)

_JUMPS = Table(
    "jumps",
    "A row a straight line along which a registration jumps: a seam in one of the two pictures.",
    (
        _c("jump", int, "Number of the line in this comparison."),
        _c(
            "picture",
            str,
            "In whose frame it runs upright or level; either, where both lie alike.",
            choices=("before", "after", "either"),
        ),
        _c("x0_px", float, "One end, mosaic of the die before.", decimals=1),
        _c("y0_px", float, "One end, mosaic of the die before.", decimals=1),
        _c("x1_px", float, "The other end, mosaic of the die before.", decimals=1),
        _c("y1_px", float, "The other end, mosaic of the die before.", decimals=1),
        _c("dx_px", float, "Jump from left to right of it, or downwards, px of the die before."),
        _c("dy_px", float, "The same, its component in y."),
        _c("error_px", float, "Standard error of either component."),
        _c("jump_um", float, "Length of the jump in the unit of the study."),
        _c("strength", float, "Length of the jump in standard errors.", decimals=1),
    ),
)

_RESIDUALS = Table(
    "residuals",
    "A row a control point of the registration.",
    (
        _c("x_px", float, "Place in the mosaic of the die before.", decimals=2),
        _c("y_px", float, "Place in the mosaic of the die before.", decimals=2),
        _c(
            "dx_px",
            float,
            "Measured minus predicted place, x, less what shifts of single layers add.",
            decimals=3,
        ),
        _c("dy_px", float, "The same along y.", decimals=3),
        _c("left_out_dx_px", float, "The same with its block left out of the fit.", decimals=3),
        _c("left_out_dy_px", float, "The same with its block left out of the fit.", decimals=3),
        _c("score", float, "Correlation of the patches, -1..1.", decimals=4),
        _c("weight", float, "Weight in the robust fit, 0..1.", decimals=3),
        _c("group", int, "Number of the contiguous group of rejected points; 0 is none."),
    ),
)

_CHANGES = Table(
    "changes",
    "A row a change, ranked.",
    (
        _c("rank", int, "1 is the first to look at."),
        _c("change", str, "Lasting name: layer and place, not a running number."),
        _c("kind", str, "What kind of change it is.", choices=CHANGE_KINDS),
        _c("moved_x_um", float, "How far it moved, if it did.", decimals=2, empty=True),
        _c("moved_y_um", float, "How far it moved, if it did.", decimals=2, empty=True),
        _c("layers", str, "Layers that changed, separated by blanks."),
        _c("x_um", float, "Centroid of the changed area, study frame.", decimals=2),
        _c("y_um", float, "Centroid of the changed area, study frame.", decimals=2),
        _c("x0_um", float, "Left edge of the box, study frame.", decimals=2),
        _c("y0_um", float, "Upper edge of the box, study frame.", decimals=2),
        _c("x1_um", float, "Right edge of the box, study frame.", decimals=2),
        _c("y1_um", float, "Lower edge of the box, study frame.", decimals=2),
        _c("added_um2", float, "Area present only after.", decimals=2),
        _c("removed_um2", float, "Area present only before.", decimals=2),
        _c("error_um", float, "95 % registration error at this place.", decimals=3),
        _c("evidence", float, "Weaker of the two photographs' evidence, log units.", decimals=2),
        _c(
            "affinity",
            float,
            "How usual the two photographs' colours are for each other, log units; negative for a "
            "change.",
            decimals=2,
        ),
        _c(
            "p_value",
            float,
            "Share of false candidates that score as much as its strongest region; empty without "
            "a comparison of two dies of one revision.",
            decimals=6,
            empty=True,
        ),
        _c("q_value", float, "The same, as a false discovery rate.", decimals=6, empty=True),
        _c(
            "seen_before",
            str,
            "In how many dies of the revision before what is new after shows, of those where "
            "that could be told: `0 of 2`.",
        ),
        _c("seen_after", str, "The same for the dies of the revision after."),
        _c(
            "cause",
            str,
            "Whether the masks changed or one chip is at fault; empty without further specimens.",
            choices=("", "mask change", "specimen fault", "undecided"),
        ),
        _c("landmark", str, "Nearest landmark within reach; empty where none."),
        _c("landmark_distance_um", float, "Distance to it.", decimals=1, empty=True),
        _c(
            "landmark_bearing_deg",
            float,
            "Direction from it to the change in the study frame: 0 up, 90 right; empty inside it.",
            decimals=0,
            empty=True,
        ),
        _c(
            "verdict",
            str,
            "The person's verdict; empty until given.",
            choices=("", "accepted", "rejected", "open"),
        ),
        _c("label", str, "The person's own name for it; empty unless given."),
        _c("note", str, "The person's note; empty unless given."),
        _c("since_verdict", str, "What is no longer as it was when judged; empty when nothing is."),
        _c("tiles_before", str, "Tiles of the die before that show it, separated by blanks."),
        _c("tiles_after", str, "Tiles of the die after that show it, separated by blanks."),
    ),
)

_REGIONS = Table(
    "regions",
    "A row a connected region of one layer that differs: the pieces that changes are made of.",
    (
        _c("layer", str, "Layer."),
        _c("state", str, "From before to after.", choices=("added", "removed")),
        _c("listed", bool, "Whether it counts as changed; else it is too small or too doubtful."),
        _c(
            "doubt",
            str,
            "Why it does not count; empty when it does.",
            choices=(
                "",
                "small",
                "near debris",
                "soft outline",
                "weak evidence",
                "usual colours",
                "narrow gap",
                "oblique edges",
                "rim of a dot",
                "odd ground",
                "unlike a dot",
                "unlike other shapes",
                "over what hides it",
                "smaller than any shape",
                "along a seam",
            ),
        ),
        _c("score", float, "Weakest evidence times root of the core, log units times um."),
        _c("area_px", int, "Area, px of the mosaic before."),
        _c("core_px", int, "Part of it that no displacement within the tolerance explains."),
        _c("x_px", float, "Centroid in the mosaic before.", decimals=4),
        _c("y_px", float, "Centroid in the mosaic before.", decimals=4),
        _c("x0_px", int, "First column of its box, mosaic before."),
        _c("y0_px", int, "First row of its box, mosaic before."),
        _c("x1_px", int, "Column after the last one."),
        _c("y1_px", int, "Row after the last one."),
        _c("for_before", float, "Mean log-odds of presence before, over the core.", decimals=4),
        _c("for_after", float, "Mean log-odds of presence after, over the core.", decimals=4),
        _c("affinity", float, "How usual the colours are for each other, log units.", decimals=4),
        _c("near_spoiled", float, "Share of the core close to debris or damage.", decimals=4),
        _c("soft_outline", float, "Share of the outline that neither shows sharp.", decimals=4),
    ),
)

_NULL = Table(
    "null",
    "A row a candidate of the null pairs: what p values were counted on, best first.",
    (
        _c("comparison", str, "Two dies of one revision."),
        _c("layer", str, "Layer."),
        _c("score", float, "As in regions.csv."),
        _c("listed", bool, "Whether it is listed as a change there."),
        _c("doubt", str, "Why it is not; empty when it is."),
    ),
)

_LANDMARKS = Table(
    "landmarks",
    "A row a landmark and layer.",
    (
        _c("landmark", str, "Label of the landmark."),
        _c("layer", str, "Layer."),
        _c("x_um", float, "Centroid, study frame.", decimals=2),
        _c("y_um", float, "Centroid, study frame.", decimals=2),
        _c(
            "area_um2", float, "Area looked at: the landmark's, or a disc of its reach.", decimals=1
        ),
        _c("changes", int, "Changes that touch this area."),
        _c("added_um2", float, "Area present only after.", decimals=2),
        _c("removed_um2", float, "Area present only before.", decimals=2),
        _c("comparable_frac", float, "Share of the area that could be compared.", decimals=4),
        _c(
            "smallest_seen_um",
            float,
            "Side of the smallest square that is found with 95 % probability there; empty where "
            "none is.",
            decimals=2,
            empty=True,
        ),
    ),
)

_SENSITIVITY = Table(
    "sensitivity",
    "A row a layer: how much could be compared, and how large a planted change had to be.",
    (
        _c("layer", str, "Layer."),
        _c("comparable_um2", float, "Area that could be compared.", decimals=1),
        _c("not_comparable_um2", float, "Area of the die that could not.", decimals=1),
        _c("comparable_frac", float, "Share of the area photographed in either die.", decimals=4),
        _c("planted", int, "Changes planted to measure it."),
        _c(
            "large_found_frac",
            float,
            "Share that is found of changes of any size large enough.",
            decimals=3,
            empty=True,
        ),
        _c(
            "smallest_seen_um",
            float,
            "Side of the smallest square that is found with 95 % probability; empty where none is, "
            "or too few could be planted.",
            decimals=2,
            empty=True,
        ),
        _c(
            "smallest_seen_p95_um",
            float,
            "The same at the worst twentieth of the comparable area.",
            decimals=2,
            empty=True,
        ),
    ),
)

_PLANTED = Table(
    "planted",
    "A row a change planted into a picture to see whether it is found.",
    (
        _c("layer", str, "Layer that the square gained."),
        _c(
            "state",
            str,
            "removed when it was planted before, added when after.",
            choices=("added", "removed"),
        ),
        _c("stack", str, "Stack that it looks like."),
        _c("ground", str, "Stack that it lies on."),
        _c("beside", bool, "Whether it lies on the edge of a shape of its layer; else alone."),
        _c("x_px", float, "Middle of the square in the mosaic before.", decimals=2),
        _c("y_px", float, "Middle of the square in the mosaic before.", decimals=2),
        _c("side_um", float, "Its side.", decimals=3),
        _c("found", bool, "Whether it would have been listed."),
    ),
)

_BITS = Table(
    "bits",
    "A row a bit of a programmed array of one die (`<array>.bits.csv`).",
    (
        _c("row", int, "Row, from 0."),
        _c("column", int, "Column, from 0."),
        _c("value", str, "The bit; a person's correction counts.", choices=_BIT),
        _c("read", str, "What the pictures alone say.", choices=_BIT),
        _c("llr", float, "Log-likelihood ratio of 1 against 0, natural logarithm.", decimals=2),
        _c("score", float, "0: as the zeros look, 1: as the ones.", decimals=3, empty=True),
        _c(
            "oddness",
            float,
            "How unlike its own kind the cell looks, robust standard deviations.",
            decimals=2,
            empty=True,
        ),
        _c("doubt_rank", int, "1 is the most doubtful cell of the array."),
        _c("flags", str, "Words for people, separated by `; `; empty when all is well."),
        _c("x_px", float, "Middle of the place that tells the bit, mosaic frame.", decimals=2),
        _c("y_px", float, "Middle of the place that tells the bit, mosaic frame.", decimals=2),
    ),
)

_WORDS = Table(
    "words",
    "A row a word of a ROM (`<array>.words.csv`).",
    (
        _c("address", int, "Address, or the input code where a decode plane drives the lines."),
        _c("address_hex", str, "The same in hexadecimal."),
        _c("hex", str, "The word; `?` where any of its four bits is unreadable."),
        _c("binary", str, "The word, highest bit first; `?` for an unreadable bit."),
        _c("line", str, "Word line it lies on; several, or none, where a decode plane says so."),
    ),
)

_TERMS = Table(
    "terms",
    "A row an output line of a decode plane (`<array>.terms.csv`).",
    (
        _c("line", int, "Output line, from 0."),
        _c("name", str, "Its name, or its number."),
        _c("term", str, "Product term of the input signals; `~` is not, `?` unreadable."),
        _c("pattern", str, "Inputs, highest code bit first: 0, 1, `-` either, `?` unreadable."),
        _c("codes_count", int, "Number of input codes that surely drive it."),
        _c("codes_possible", int, "The same with unreadable bits taken as most permissive."),
        _c("codes", str, "The input codes that surely drive it, as ranges: `0-3 8`."),
        _c(
            "state",
            str,
            "driven, never (no code that can occur drives it), always, or undecided.",
            choices=("driven", "never", "always", "undecided"),
        ),
        _c("equal_to", str, "Other lines with the same term, separated by blanks."),
    ),
)

_TRUTH = Table(
    "truth",
    "A row an input code of a decode plane (`<array>.truth.csv`).",
    (
        _c("code", int, "Input code."),
        _c("inputs", str, "The code, highest bit first."),
        _c("outputs", str, "The lines, line 0 first: 1 driven, 0 not, `?` undecided."),
        _c("lines", str, "Lines that are surely driven, separated by blanks."),
    ),
)

_ARRAYS = Table(
    "arrays",
    "A row a bit that differs between two dies or cannot be compared.",
    (
        _c("array", str, "Array."),
        _c("row", int, "Row before, from 0."),
        _c("column", int, "Column before, from 0."),
        _c("row_after", int, "Row after; it differs where the arrangement does."),
        _c("column_after", int, "Column after."),
        _c("before", str, "The bit before.", choices=_BIT),
        _c("after", str, "The bit after.", choices=_BIT),
        _c(
            "state",
            str,
            "changed; doubtful: read differently, but it may be chance; not comparable: "
            "unreadable in either.",
            choices=("changed", "doubtful", "not comparable"),
        ),
        _c("llr_before", float, "Log-likelihood ratio of 1 against 0.", decimals=2),
        _c("llr_after", float, "Log-likelihood ratio of 1 against 0.", decimals=2),
        _c(
            "p_value",
            float,
            "Chance of so large a difference between equal bits; empty where corrected.",
            decimals=9,
            empty=True,
        ),
        _c("q_value", float, "The same, as a false discovery rate.", decimals=9, empty=True),
        _c("x_um", float, "Place, study frame.", decimals=2),
        _c("y_um", float, "Place, study frame.", decimals=2),
    ),
)

TABLES: dict[str, Table] = {
    table.name: table
    for table in (
        _TILES,
        _QUALITY,
        _NEIGHBOURS,
        _PAIRS,
        _MOSAIC_SEAMS,
        _SEAMS,
        _JUMPS,
        _RESIDUALS,
        _REGIONS,
        _NULL,
        _CHANGES,
        _LANDMARKS,
        _SENSITIVITY,
        _PLANTED,
        _BITS,
        _WORDS,
        _TERMS,
        _TRUTH,
        _ARRAYS,
    )
}


def write_table(path: str | Path, name: str, rows: Iterable[Mapping[str, Any]]) -> None:
    """Write rows as CSV with the columns of the table `name`.

    Parameters
    ----------
    path : path
        Folders are made as needed.
    name : str
        A key of `TABLES`.
    rows : iterable of mapping
        A value for each column; None and NaN are written as an empty cell.
    """
    table = TABLES[name]
    Path(path).parent.mkdir(parents=True, exist_ok=True)
    with open(path, "w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow([column.name for column in table.columns])
        for row in rows:
            writer.writerow([_cell(column, row[column.name]) for column in table.columns])


def _cell(column: Column, value: Any) -> str:
    if value is None or (isinstance(value, float) and math.isnan(value)):
        if not column.empty:
            raise ValueError(f"column {column.name} must not be empty")
        return ""
    if column.kind is bool:
        return "true" if value else "false"
    if column.kind is float:
        text = f"{float(value):.{column.decimals}f}"
        return text[1:] if text.startswith("-") and float(text) == 0 else text
    return str(value)


def read_table(path: str | Path, name: str) -> list[dict[str, Any]]:
    """Read a CSV of the results, typed; empty cells of non-text columns become None.

    Raises
    ------
    MaskdeltaError
        When the file is missing or its columns are not those of the table.
    """
    table = TABLES[name]
    try:
        with open(path, encoding="utf-8", newline="") as file:
            rows = list(csv.reader(file))
    except OSError:
        raise MaskdeltaError(f"{path}: this table of results is missing; run its stage.") from None
    expected = [column.name for column in table.columns]
    if not rows or rows[0] != expected:
        raise MaskdeltaError(
            f"{path}: the columns are not those of the table `{name}`; delete it and run again."
        )
    return [
        {c.name: _typed(c, cell) for c, cell in zip(table.columns, row, strict=True)}
        for row in rows[1:]
    ]


def _typed(column: Column, cell: str) -> Any:
    if column.kind is str:
        return cell
    if cell == "":
        return None
    return cell == "true" if column.kind is bool else column.kind(cell)


def write_json(path: str | Path, data: Any) -> None:
    """Write JSON with sorted keys: the same data gives the same bytes."""
    Path(path).parent.mkdir(parents=True, exist_ok=True)
    text = json.dumps(data, indent=1, sort_keys=True, ensure_ascii=False, allow_nan=False)
    Path(path).write_text(text + "\n", encoding="utf-8")


def read_json(path: str | Path) -> Any:
    """Read JSON.

    Raises
    ------
    MaskdeltaError
        When the file is missing or is not JSON.
    """
    try:
        return json.loads(Path(path).read_text(encoding="utf-8"))
    except OSError:
        raise MaskdeltaError(f"{path}: this result is missing; run its stage.") from None
    except json.JSONDecodeError:
        raise MaskdeltaError(f"{path}: this is not valid JSON; delete it and run again.") from None
