"""From lattice and rasters to bits, each with what is known of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from maskdelta.arrays._beside import Beside, read_beside
from maskdelta.arrays._cells import CellFrame, sample_cells
from maskdelta.arrays._classes import Classes, by_layer_alone, classify, first_guess, guess_by_layer
from maskdelta.arrays._fit import turn
from maskdelta.arrays._lattice import Lattice
from maskdelta.arrays._recentre import recentred
from maskdelta.errors import ArrayError
from maskdelta.images import Raster
from maskdelta.study import UNREADABLE, ArrayBit, BitMatrix

__all__ = ["DieRasters", "ReadBits", "read_bits"]

Array = NDArray[np.float64]
_PLACES = 10
_PLACES_BESIDE = 20  # the finer the picture, the more of it does not touch dirt
_MOST_COMPARED = 3000
_AROUND = 1.7  # side of the picture looked at, in sides of what tells the bit
_ASTRAY = 0.25  # of the way from one kind to the other, beyond which dirt is to blame


@dataclass(frozen=True)
class DieRasters:
    """The rasters of one die.

    Parameters
    ----------
    mosaic, coverage, layers, labels : Raster
    spoiled : int
        Label of debris and damage.
    """

    mosaic: Raster
    coverage: Raster
    layers: Raster
    labels: Raster
    spoiled: int

    def __enter__(self) -> DieRasters:
        return self

    def __exit__(self, *_: object) -> None:
        for raster in (self.mosaic, self.coverage, self.layers, self.labels):
            raster.close()


@dataclass(frozen=True)
class ReadBits:
    """Bits and the lattice they were read with, its middle moved onto what tells the bit.

    Parameters
    ----------
    bits : BitMatrix
    lattice : Lattice
    recentred_px : (2,) float64
        How far the lattice was moved, mean over the kinds of cells.
    separation : float
        Distance of the zeros from the ones, standard deviations; 0 where too few cells of one
        kind were there to learn from.
    told_by : str
        `picture` where both kinds were learnt, `layer` where only the layer tells the bits, and
        `nothing` where no bit can be read.
    """

    bits: BitMatrix
    lattice: Lattice
    recentred_px: Array
    separation: float
    told_by: str


def read_bits(
    rasters: DieRasters,
    lattice: Lattice,
    settings: ArrayBit,
    *,
    um_per_px: float,
    taught: Mapping[tuple[int, int], int] | None = None,
    name: str = "array",
) -> ReadBits:
    """Read every bit of an array.

    The layer that makes a bit gives a first guess for each cell (or the cells a person marked
    do); from the guess it is learnt how the two kinds of cells look in this array of this die,
    and each cell is called by its own picture. Dirt that the segmentation saw does not make a
    bit unreadable if the cell still looks like its kind; a cell that looks like neither is
    unreadable, whatever its score. Where fewer than two cells hold one of the values, there is
    nothing to learn the difference from, and the layer alone tells the bits; a cell that is the
    only one of its value is then unreadable, since dirt may be all that sets it apart.

    Parameters
    ----------
    rasters : DieRasters
    lattice : Lattice
    settings : ArrayBit
    um_per_px : float
        Scale of the mosaic in the unit of `size_um`.
    taught : mapping of (row, column) to int, optional
        Cells that a person marked with their value.
    name : str
        For messages.

    Raises
    ------
    ArrayError
        When nothing says what a bit looks like.
    """
    layer = _layer_plane(rasters, settings, taught, name)
    shape = (lattice.rows.count, lattice.columns.count)
    known = np.full(shape, -1, np.int8)
    for (row, column), value in (taught or {}).items():
        if row < shape[0] and column < shape[1]:
            known[row, column] = value
    side_px = settings.size_um / um_per_px
    moved = np.zeros(2)
    for last in (False, True):
        frame = _frame(lattice, _AROUND * side_px)
        cells = _look(rasters, lattice, frame, layer)
        classes = _classes(cells, known.ravel(), settings, use_layer=layer is not None)
        if last or not classes.separation > 4:
            break
        lattice, step = recentred(lattice, frame, classes.contrast)
        moved += step
        if np.hypot(*step) < 0.5:
            break
    told_by = "picture" if classes.separation else "nothing"
    if told_by == "nothing" and layer is not None:
        classes = _by_layer(cells, settings)
        told_by = "layer"
    again = None
    if classes.separation:
        drawn = None if layer is None else int(not settings.absent)
        again = partial(_look_again, rasters, lattice, side_px, cells, classes, drawn)
    bits = _matrix(cells, classes, lattice, settings, again)
    return ReadBits(bits, lattice, moved, classes.separation, told_by)


def _layer_plane(
    rasters: DieRasters,
    settings: ArrayBit,
    taught: Mapping[tuple[int, int], int] | None,
    name: str,
) -> int | None:
    if settings.layer:
        if settings.layer not in rasters.layers.planes:
            raise ArrayError(
                f"arrays.{name}: `bit.layer` names `{settings.layer}`, which is not under "
                f"`layers` ({', '.join(rasters.layers.planes)})."
            )
        return rasters.layers.planes.index(settings.layer)
    if not taught or len(set(taught.values())) < 2:
        raise ArrayError(
            f"arrays.{name}: nothing says what a bit looks like; name a layer in `bit.layer`, or "
            "mark a few cells of both values (role `array_cell`)."
        )
    return None


def _frame(lattice: Lattice, side_px: float, *, most: int = _PLACES) -> CellFrame:
    along_row, along_column = lattice.frames()
    return CellFrame.of(along_row, along_column, side_px=side_px, most=most)


@dataclass(frozen=True)
class _Cells:
    """What was seen of n cells, row by row.

    Parameters
    ----------
    pictures : (n, size, size, 3) float32, 0..1
        Turned so that mirrored cells look alike.
    layer : (n,) float64
        Membership of the layer at the middle, 0..1.
    spoiled, photographed : (n,) float64
        Shares of the place that tells the bit.
    kind : (n,) int
    place : (n, 2) float64
    """

    pictures: NDArray[np.float32]
    layer: Array
    spoiled: Array
    photographed: Array
    kind: NDArray[np.intp]
    place: Array


def _look(rasters: DieRasters, lattice: Lattice, frame: CellFrame, layer: int | None) -> _Cells:
    r, c = (index.ravel() for index in np.indices((lattice.rows.count, lattice.columns.count)))
    centres = lattice.at(r, c)
    step = float(np.linalg.norm(frame.across))
    pictures = sample_cells(rasters.mosaic, centres, frame, blur_px=max(0.6, 0.5 * step))
    middle = _middle_weights(frame.size)
    inner = middle > 0.25 * middle.max()
    labels = sample_cells(rasters.labels, centres, frame, nearest=True)[..., 0][:, inner]
    covered = sample_cells(rasters.coverage, centres, frame, nearest=True)[..., 0][:, inner]
    present = np.zeros(len(r))
    if layer is not None:
        planes = sample_cells(rasters.layers, centres, frame, planes=[layer])[..., 0]
        present = (planes * middle).sum((1, 2)) / 255
    spans = [max(count - 1, 1) / 2 for count in (lattice.rows.count, lattice.columns.count)]
    return _Cells(
        pictures=turn(pictures.astype(np.float32) / np.float32(255), lattice.flips(r, c)),
        layer=present,
        spoiled=(labels == rasters.spoiled).mean(1),
        photographed=(covered > 0).mean(1),
        kind=lattice.kinds(r, c),
        place=np.column_stack([r / spans[0] - 1, c / spans[1] - 1]),
    )


def _look_again(
    rasters: DieRasters,
    lattice: Lattice,
    side_px: float,
    cells: _Cells,
    classes: Classes,
    drawn: int | None,
    which: NDArray[np.intp],
) -> Beside:
    """Read some cells by their clean px, in finer pictures than those that most are read by."""
    trusted = np.flatnonzero(_clean(cells))
    trusted = np.setdiff1d(trusted[:: 1 + len(trusted) // _MOST_COMPARED], which)
    both = np.concatenate([trusted, which])
    frame = _frame(lattice, _AROUND * side_px, most=_PLACES_BESIDE)
    r, c = np.divmod(both, lattice.columns.count)
    sampled = sample_cells(rasters.mosaic, lattice.at(r, c), frame, blur_px=0.6)
    pictures = turn(sampled.astype(np.float32) / np.float32(255), lattice.flips(r, c))
    return read_beside(
        pictures.reshape(len(both), -1, 3),
        (classes.score[both] > 0.5).astype(np.int8),
        cells.kind[both],
        trusted=np.arange(len(both)) < len(trusted),
        which=np.arange(len(trusted), len(both)),
        shape=drawn,
    )


def _middle_weights(size: int) -> Array:
    """(size, size) Gaussian over the place that tells the bit, sum 1."""
    t = (np.arange(size) - (size - 1) / 2) / (size / (2 * _AROUND))
    line = np.exp(-2.0 * t**2)
    weights = np.outer(line, line)
    return weights / weights.sum()


def _classes(
    cells: _Cells, taught: NDArray[np.int8], settings: ArrayBit, *, use_layer: bool
) -> Classes:
    features = cells.pictures.reshape(len(cells.pictures), -1)
    clean = _clean(cells)
    if use_layer:
        guess = guess_by_layer(cells.layer)
        if settings.absent:
            guess = np.where(guess < 0, guess, 1 - guess).astype(np.int8)
        guess[taught >= 0] = taught[taught >= 0]
    else:
        guess = first_guess(features, cells.kind, taught)
    guess[~clean & (taught < 0)] = -1
    return classify(
        features,
        guess,
        kind=cells.kind,
        place=cells.place,
        trusted=clean,
        middle=_picture_weights(cells),
    )


def _by_layer(cells: _Cells, settings: ArrayBit) -> Classes:
    found = by_layer_alone(
        cells.pictures.reshape(len(cells.pictures), -1),
        cells.layer,
        trusted=_clean(cells),
        middle=_picture_weights(cells),
    )
    if not settings.absent:
        return found
    return replace(found, llr=-found.llr, score=1 - found.score)


def _clean(cells: _Cells) -> NDArray[np.bool_]:
    """(n,) cells to learn from; those called debris too where hardly any others are left."""
    clean = (cells.spoiled < 0.1) & (cells.photographed > 0.99)
    return clean if clean.sum() >= 8 else cells.photographed > 0.99


def _picture_weights(cells: _Cells) -> Array:
    """(d,) weights, sum 1, of the px of a cell's picture: those that tell the bit."""
    return np.repeat(_middle_weights(cells.pictures.shape[1]).ravel(), 3) / 3


def _matrix(
    cells: _Cells,
    classes: Classes,
    lattice: Lattice,
    settings: ArrayBit,
    look_again: Callable[[NDArray[np.intp]], Beside] | None,
) -> BitMatrix:
    shape = (lattice.rows.count, lattice.columns.count)
    llr, score, odd = classes.llr.copy(), classes.score.copy(), classes.oddness
    unseen = cells.photographed < 0.9
    strange = odd > settings.odd_sigma
    dirty = (cells.spoiled > 0.1) & (odd > settings.odd_sigma - 1)
    doubtful = np.abs(llr) < settings.min_llr
    # dirt across a contact makes it look like half of one; of clean cells 1 in 10,000 does
    astray = np.minimum(np.abs(classes.score), np.abs(classes.score - 1)) > _ASTRAY
    doubtful |= astray & (cells.spoiled > 0.1)
    lone = classes.lone
    value = np.where(llr > 0, 1, 0).astype(np.int8)
    value[unseen | strange | dirty | doubtful | lone] = UNREADABLE
    beside = np.zeros(len(llr), bool)
    which = np.flatnonzero((strange | dirty | doubtful) & ~unseen)
    if look_again is not None and len(which):
        found = look_again(which)
        which, told = which[found.value >= 0], found.value >= 0
        value[which], score[which], llr[which] = (
            part[told] for part in (found.value, found.score, found.llr)
        )
        beside[which] = True
    llr[unseen] = 0.0
    words = (
        (unseen, "not photographed"),
        (strange, "looks like neither kind"),
        (cells.spoiled > 0.1, "called debris by the segmentation"),
        (doubtful & ~unseen & ~beside, "between 0 and 1"),
        (beside, "read beside dirt"),
        (lone, "the only one of its kind"),
    )
    flags = np.full(len(llr), "", object)
    for where, word in words:
        flags[where] = [f"{old}; {word}" if old else word for old in flags[where]]
    sure = np.abs(llr) - 3.0 * np.clip(np.nan_to_num(odd, nan=99) - 3, 0, 20)
    # a cell wholly under debris that still reads well is worth no more than half a clean one
    sure = sure - 6.0 * cells.spoiled - 500.0 * beside - 1000.0 * (value == UNREADABLE)
    rank = np.empty(len(llr), np.int32)
    rank[np.argsort(sure, kind="stable")] = np.arange(1, len(llr) + 1)
    return BitMatrix(
        value=value.reshape(shape),
        read=value.reshape(shape),
        llr=llr.reshape(shape),
        score=score.reshape(shape),
        oddness=odd.reshape(shape),
        rank=rank.reshape(shape),
        flags=flags.reshape(shape),
        centre_px=lattice.centres(),
    )
