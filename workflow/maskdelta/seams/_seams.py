"""Seams that somebody's earlier joining left inside a finished picture."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskdelta.images import Box, Raster, map_ordered
from maskdelta.seams._accept import RULES, Ends, Seam, accepted, explained
from maskdelta.seams._closely import Sheet, doubled_px, look_closely, stops
from maskdelta.seams._lines import candidates, strengths
from maskdelta.seams._look import HALO_PX, KINDS, PIECE_PX, TURNS_PX, look_across
from maskdelta.study import write_json, write_table

__all__ = ["Seams", "find_seams"]

_COLUMNS_PX = 2048
_NEAR_PX = 6
_MARGIN_PX = 200


@dataclass(frozen=True)
class Seams:
    """What was found in one view.

    Parameters
    ----------
    rows : list of dict
        Rows of the table `seams`, px of the mosaic frame.
    figures : dict
        `offset_seen_px` and `brightness_seen_frac`: what a seam from side to side has to be to be
        found at 19 of 20 lines; None where too little crosses most lines.
    """

    rows: list[dict[str, Any]] = field(default_factory=list)
    figures: dict[str, Any] = field(default_factory=dict)

    def write(self, folder: str | Path) -> None:
        """Write seams.csv and seams.json."""
        write_table(Path(folder) / "seams.csv", "seams", self.rows)
        write_json(Path(folder) / "seams.json", self.figures)


def find_seams(mosaic: Raster, coverage: Raster, *, threads: int = 1) -> Seams:
    """Look for seams in a picture that somebody else may have joined.

    Parameters
    ----------
    mosaic, coverage : Raster
        Of the view.
    threads : int
        The result does not depend on it.

    Returns
    -------
    Seams

    Notes
    -----
    Read in blocks of 512 x 2048 px. What is kept is about a fifth of a byte a px.
    """
    ends: list[Ends] = []
    makers: list[Callable[[], dict[str, Any]]] = []
    seen: list[dict[str, float | None]] = []
    for turned in (False, True):
        sheet = Sheet(mosaic, coverage, turned)
        bounds, lines, figures = _upright(sheet, threads)
        seen.append(figures)
        for line in lines:
            ends.append(
                (_ends(sheet, bounds, line), stops(sheet, bounds, line.seen, line.kinds[0]))
            )
            makers.append(partial(_row, sheet, bounds, line))
    found = [makers[k]() for k in explained(ends)]
    found.sort(key=lambda row: (row["direction"], row["x0_px"], row["y0_px"]))
    rows = [{"seam": n, **row} for n, row in enumerate(found, start=1)]
    return Seams(rows, {key: _worse([s[key] for s in seen]) for key in seen[0]})


def _worse(values: Sequence[float | None]) -> float | None:
    told = [v for v in values if v is not None]
    return max(told) if len(told) == len(values) else None


def _upright(sheet: Sheet, threads: int) -> tuple[list[int], list[Seam], dict[str, float | None]]:
    """Where pieces begin, upright seams of a sheet, and how small a step would have been seen."""
    height, _ = sheet.shape
    count = max(1, round(height / PIECE_PX))
    bounds = [round(height * k / count) for k in range(count + 1)]
    strong, errors = [], []
    for values, error in map_ordered(
        lambda k: _look(sheet, bounds[k], bounds[k + 1]), range(count), threads=threads
    ):
        strong.append(strengths(values, error))
        errors.append(error[TURNS_PX.index(0)])
    # no tile is so narrow that it meets another this near to the border
    left, right = _extent(errors)
    looked = [
        look_closely(sheet, bounds, line, kind)
        for number, kind in enumerate(KINDS)
        for line in candidates(strong, number)
        if left + _MARGIN_PX <= line.middle <= right - _MARGIN_PX
    ]
    return bounds, accepted(looked), _sensitivity(errors)


def _extent(errors: Sequence[NDArray[np.float32]]) -> tuple[int, int]:
    """First and last column at which anything could be told."""
    told = np.flatnonzero(np.isfinite(np.stack(errors)).any((0, 1)))
    return (int(told[0]), int(told[-1])) if len(told) else (0, 0)


def _look(sheet: Sheet, y0: int, y1: int) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """`look_across` over the width of a sheet, in blocks of columns."""
    width = sheet.shape[1]
    halo = HALO_PX + max(TURNS_PX)
    parts = []
    for x0 in range(0, width, _COLUMNS_PX):
        x1 = min(x0 + _COLUMNS_PX, width)
        picture, seen = sheet.read(Box(x0 - halo, y0, x1 + halo, y1))
        parts.append([plane[..., halo : halo + x1 - x0] for plane in look_across(picture, seen)])
    values, errors = (np.concatenate(planes, axis=-1) for planes in zip(*parts, strict=True))
    return values, errors


def _sensitivity(errors: Sequence[NDArray[np.float32]]) -> dict[str, float | None]:
    """The step that a seam from end to end needs to be found, at 19 of 20 lines.

    None where less than half of the lines are crossed by enough to tell.
    """
    stacked = np.stack(errors)
    out: dict[str, float | None] = {}
    names = {"offset": "offset_seen_px", "brightness": "brightness_seen_frac"}
    for kind, (sign, name) in enumerate(names.items()):
        with np.errstate(divide="ignore"):
            weight = (1 / stacked[:, kind] ** 2).sum(0)
        told = weight > 0
        least = RULES[sign].least / np.sqrt(weight[told])
        out[name] = round(float(np.quantile(least, 0.95)), 4) if told.mean() > 0.5 else None
    return out


def _ends(sheet: Sheet, bounds: Sequence[int], seam: Seam) -> NDArray[np.float64]:
    """End points, (2, 2) px of the mosaic frame; a line runs between two px."""
    line = seam.seen.line
    points = np.array(
        [
            [line.column_at(piece - 0.5) - 0.5, bounds[piece] - 0.5]
            for piece in (line.first, line.last)
        ]
    )
    return (points[:, ::-1] if sheet.turned else points) + np.array(sheet.mosaic.origin)


def _row(sheet: Sheet, bounds: Sequence[int], seam: Seam) -> dict[str, Any]:
    """Row of the table; px of the mosaic frame."""
    line, signs = seam.seen.line, seam.seen.signs
    ends = _ends(sheet, bounds, seam)
    offset, brightness = (signs[kind] for kind in KINDS)
    doubled = doubled_px(sheet, bounds, line)
    return {
        "direction": "level" if sheet.turned else "upright",
        **dict(zip(("x0_px", "y0_px", "x1_px", "y1_px"), ends.ravel().tolist(), strict=True)),
        "signs": "; ".join((*seam.kinds, *(("doubled strip",) if doubled else ()))),
        "offset_px": offset.value if np.isfinite(offset.error) else None,
        "offset_error_px": offset.error if np.isfinite(offset.error) else None,
        "brightness_frac": _frac(brightness.value) if np.isfinite(brightness.error) else None,
        "brightness_error_frac": (brightness.error if np.isfinite(brightness.error) else None),
        "doubled_px": doubled,
        "strength": max(signs[kind].strength for kind in seam.kinds),
        "beside": max(signs[kind].beside for kind in seam.kinds),
        "on_grid": seam.on_grid,
    }


def _frac(log_ratio: float) -> float:
    return float(np.expm1(log_ratio))
