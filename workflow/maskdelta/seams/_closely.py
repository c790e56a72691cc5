"""A close look at one line that may be a seam, with the lines beside it as the control."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.images import Box, Raster, grey
from maskdelta.seams._lines import Candidate
from maskdelta.seams._look import (
    CHUNK_PX,
    HALO_PX,
    KINDS,
    Chunks,
    chunks_of,
    displacement,
    middle,
    step,
)

__all__ = ["Closely", "Sheet", "Sign", "doubled_px", "look_closely", "stops"]

Image = NDArray[np.float32]

_BESIDE_PX = 160
_OWN_PX = 8
_FINE_PX = 4
_BORDERS = (0.12, 0.5, 0.88)
_LEAST_CROSSING = 12
_WORTH_A_LOOK = 4.5


@dataclass(frozen=True)
class Sheet:
    """A mosaic as it lies, or turned so that its level lines stand upright.

    Parameters
    ----------
    mosaic, coverage : Raster
    turned : bool
        Whether x and y are exchanged.
    """

    mosaic: Raster
    coverage: Raster
    turned: bool

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width."""
        height, width = self.mosaic.shape
        return (width, height) if self.turned else (height, width)

    def read(self, box: Box) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
        """Picture (h, w, 3), and where something was photographed (h, w); 0-based box."""
        if self.turned:
            box = Box(box.y0, box.x0, box.y1, box.x1)
        picture, seen = self.mosaic.read(box), self.coverage.read(box)[0] > 0
        if self.turned:
            picture, seen = np.ascontiguousarray(picture.transpose(1, 0, 2)), seen.T.copy()
        return picture, seen


@dataclass(frozen=True)
class Sign:
    """What a close look at one kind of sign gave.

    Parameters
    ----------
    value, error : float
        As in `look_across`, less what the lines beside have in common.
    strength : float
        Value over error.
    beside : float
        The largest strength among the lines up to 160 px beside.
    alike : float
        Share of what crosses the line that goes along.
    crossing : int
        How much crosses the line: chunks that were used.
    pieces : float
        Share of the pieces of 512 px, of those that can tell, that say the same by themselves.
    """

    value: float
    error: float
    strength: float
    beside: float
    alike: float
    crossing: int
    pieces: float

    def stands(self, *, least: float, over: float) -> bool:
        """Whether it is no matter of chance or of a line of the die."""
        return (
            self.strength >= least
            and self.strength >= over * self.beside
            and self.alike >= 0.7
            and self.crossing >= _LEAST_CROSSING
            and self.pieces >= 0.75
            and abs(self.value) >= 4 * self.error
        )


@dataclass(frozen=True)
class Closely:
    """A line looked at closely: where it is, and its sign of each kind."""

    line: Candidate
    signs: dict[str, Sign]


def look_closely(sheet: Sheet, bounds: Sequence[int], line: Candidate, kind: str) -> Closely:
    """Pool all that crosses a line, and hold it against the lines beside it.

    Parameters
    ----------
    sheet : Sheet
    bounds : sequence of int
        Rows at which pieces begin, and the end of the last one.
    line : Candidate
    kind : str
        What made it a candidate; the other kinds are looked at only where this one is strong.
    """
    looks = {kind: _look(sheet, bounds, line, kind)}
    # three lines see a seam whole, two px apart from it at most: the one amid them is it
    near = np.abs(_standing_out(*looks[kind][1:]))[_BESIDE_PX - 4 : _BESIDE_PX + 5]
    strong = near * (near > 0.6 * near.max())
    at = _BESIDE_PX - 4 + round(float((strong * np.arange(9)).sum() / max(strong.sum(), 1e-9)))
    signs = {kind: _sign(kind, at, *looks[kind])}
    if signs[kind].stands(least=_WORTH_A_LOOK, over=1.0):
        for other in KINDS:
            if other != kind:
                signs[other] = _sign(other, at, *_look(sheet, bounds, line, other))
        signs["offset"] = _exact(sheet, bounds, line, at, signs["offset"])
    moved = replace(line, column=line.column + at - _BESIDE_PX)
    return Closely(moved, signs)


def _look(
    sheet: Sheet, bounds: Sequence[int], line: Candidate, kind: str
) -> tuple[list[Chunks], Image, Image]:
    """Chunks of a kind, piece by piece; value and error of the line and of those beside it."""
    parts = _strip(sheet, bounds, line, CHUNK_PX if kind == "offset" else _FINE_PX)
    return parts, *_measured(kind, Chunks.joined(parts))


def _measured(kind: str, chunks: Chunks) -> tuple[Image, Image]:
    if kind == "offset":
        return displacement(chunks)
    return step(chunks, borders=_BORDERS, slack=0.15, range_of=2.0)


def stops(sheet: Sheet, bounds: Sequence[int], seen: Closely, kind: str) -> tuple[bool, bool]:
    """Whether what speaks for a line is plainly absent right beyond its two ends.

    The seam of a tile goes on to the border of the picture or to another seam; what a block of
    the die shows stops at its end.
    """
    line, own = seen.line, seen.signs[kind]
    found = []
    for first, last in ((line.first - 2, line.first), (line.last, line.last + 2)):
        first, last = max(first, 0), min(last, len(bounds) - 1)
        if first >= last:
            found.append(False)
            continue
        _, value, error = _look(sheet, bounds, replace(line, first=first, last=last), kind)
        usual, _ = _background(value, error)
        absent = abs(float(value[_BESIDE_PX]) - usual) < 0.3 * abs(own.value)
        found.append(absent and float(error[_BESIDE_PX]) < 0.2 * abs(own.value))
    return found[0], found[1]


def _strip(
    sheet: Sheet, bounds: Sequence[int], line: Candidate, chunk_px: int, back_px: int = 0
) -> list[Chunks]:
    """Piece by piece, what each chunk along a line says of it and of the lines beside it."""
    parts = []
    half = _BESIDE_PX + HALO_PX
    for piece in range(line.first, line.last):
        x = round(line.column_at(piece))
        picture, seen = sheet.read(Box(x - half, bounds[piece], x + half + 1, bounds[piece + 1]))
        chunks = chunks_of(picture, seen, chunk_px=chunk_px, back_px=back_px)
        parts.append(chunks.leaning(line.turn_px).inner(HALO_PX))
    return parts


def _background(value: Image, error: Image) -> tuple[float, float]:
    told = np.isfinite(error)
    told[_BESIDE_PX - _OWN_PX : _BESIDE_PX + _OWN_PX + 1] = False
    if told.sum() < 20:
        return 0.0, 1.0
    return float(np.median(value[told])), float(np.median(error[told]))


def _standing_out(value: Image, error: Image) -> Image:
    usual, scatter = _background(value, error)
    told = np.isfinite(error)
    strength: Image = np.where(told, (value - usual) / np.maximum(error, 0.7 * scatter), 0)
    return strength


def _sign(kind: str, at: int, parts: list[Chunks], value: Image, error: Image) -> Sign:
    chunks = Chunks.joined(parts)
    usual, scatter = _background(value, error)
    strength = np.abs(_standing_out(value, error))
    beside = np.delete(strength, np.s_[at - _OWN_PX : at + _OWN_PX + 1])
    own = float(value[at] - usual)
    planes = (0, 1) if kind == "offset" else (2,)
    used = np.concatenate([chunks.values[k, :, at][chunks.valid[k, :, at]] for k in planes])
    alike = float(((used - usual) * np.sign(own) > 0.3 * abs(own)).mean()) if len(used) else 0.0
    if kind != "offset":
        # one chunk of few rows says little of a small step: there the classes of tone decide
        alike = 1.0
    told = bool(np.isfinite(error[at]))
    return Sign(
        own,
        float(max(error[at], 0.7 * scatter)) if told else np.inf,
        float(strength[at]) if told else 0.0,
        float(beside.max(initial=0.0)),
        alike,
        len(used),
        _agreeing(kind, at, parts, usual, own),
    )


def _agreeing(kind: str, at: int, parts: list[Chunks], usual: float, own: float) -> float:
    """Share of the pieces that can tell by themselves whose value is that of the whole line."""
    votes = []
    for part in parts:
        found = displacement(part) if kind == "offset" else middle(part.values[2], part.valid[2])
        value, error = (float(plane[at]) for plane in found)
        if np.isfinite(error):
            votes.append(abs(value - usual - own) <= 0.35 * abs(own) + 2.5 * error)
    return float(np.mean(votes)) if votes else 1.0


def _exact(sheet: Sheet, bounds: Sequence[int], line: Candidate, at: int, rough: Sign) -> Sign:
    """The displacement measured again once it is all but taken back: least squares are local.

    Taken back in whole px, tried about the rough value, which comes out up to a third too large.
    """
    tries = {round(share * rough.value) for share in (0.7, 0.85, 1.0)} - {0}
    best, nearest = rough, 0.7
    for back in sorted(tries):
        strip = Chunks.joined(_strip(sheet, bounds, line, CHUNK_PX, back_px=back))
        value, error = (float(plane[at]) for plane in _all_outlines(strip))
        if np.isfinite(error) and abs(value) < nearest:
            nearest = abs(value)
            best = replace(rough, value=back + value, error=max(error, 0.02))
    return best


def _all_outlines(chunks: Chunks) -> tuple[Image, Image]:
    """Displacement of rising and falling outlines together, whether or not they agree."""
    return middle(
        np.concatenate([chunks.values[0], chunks.values[1]]),
        np.concatenate([chunks.valid[0], chunks.valid[1]]),
    )


def doubled_px(sheet: Sheet, bounds: Sequence[int], line: Candidate, *, most_px: int = 24) -> int:
    """Width of a strip that is shown twice, left and right of a line; 0 for none.

    The horizontal slope of the picture in the strip right of the line is correlated with that
    left of it, for all widths, at this line and at those beside it: in an array they agree at
    any line.
    """
    half = _BESIDE_PX
    rows = []
    for piece in range(line.first, line.last):
        x = round(line.column_at(piece))
        picture, _ = sheet.read(Box(x - half, bounds[piece], x + half, bounds[piece + 1]))
        luma = cv2.GaussianBlur(grey(picture), (0, 0), 0.8)
        rows.append(cv2.Sobel(luma, cv2.CV_32F, 1, 0))
    slope = np.concatenate(rows)
    power = np.concatenate([[0.0], np.cumsum((slope * slope).sum(0, dtype=float))])
    best, width = 0.0, 0
    for d in range(4, most_px + 1):
        product = np.zeros(2 * half)
        product[d:] = (slope[:, d:] * slope[:, :-d]).sum(0, dtype=float)
        total = np.concatenate([[0.0], np.cumsum(product)])
        lines = np.arange(d, 2 * half - d)
        energy = (power[lines + d] - power[lines]) * (power[lines] - power[lines - d])
        match = (total[lines + d] - total[lines]) / np.sqrt(energy + 1e-9)
        own = float(match[half - d - 2 : half - d + 3].max())
        beside = np.delete(match, np.s_[max(0, half - 2 * d) : half]).max(initial=0.0)
        if own > max(0.75, best) and own > beside + 0.2:
            best, width = own, d
    return width
