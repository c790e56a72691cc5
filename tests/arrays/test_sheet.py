"""Sheets of cells: in the order of doubt, each cell once."""

from __future__ import annotations

import numpy as np

from array_scenes import marked
from maskdelta.arrays import contact_sheet, find_lattice, read_bits
from maskdelta.report._arrays_page import _shown
from maskdelta.study import ArraySettings, BitMatrix


def test_sheets_go_on_where_the_one_before_ended(draw) -> None:
    rng = np.random.default_rng(3)
    scene = draw(rng.integers(0, 2, (10, 12)).astype(np.int8), rng)
    settings = ArraySettings.model_validate(
        {"rows": {"count": 10}, "columns": {"count": 12}, "bit": {"size_um": 10}}
    )
    mosaic = scene.rasters.mosaic
    lattice = find_lattice(mosaic, marked(scene.centres_px, rng), settings).lattice
    bits = read_bits(scene.rasters, lattice, settings.bit, um_per_px=1.0).bits
    whole = contact_sheet(mosaic, bits, lattice, side_px=20, most=120)
    parts = [
        contact_sheet(mosaic, bits, lattice, side_px=20, first=first, most=60) for first in (0, 60)
    ]
    rows = (whole.shape[0] - 3) // 2
    assert (whole[:rows] == parts[0][:rows]).all()
    assert (whole[rows : 2 * rows] == parts[1][:rows]).all()


def remarked(count: int, *ranks: int) -> BitMatrix:
    """A reading of one row whose cells of some ranks bear a remark."""
    nothing = np.zeros((1, count))
    rank = np.arange(1, count + 1, dtype=np.int32)[None]
    flags = np.where(np.isin(rank, ranks), "between 0 and 1", "").astype(object)
    whole = nothing.astype(np.int8)
    centres = np.zeros((1, count, 2))
    return BitMatrix(whole, whole, nothing, nothing, nothing, rank, flags, centres)


def test_as_many_sheets_as_hold_the_cells_with_a_remark() -> None:
    assert _shown(remarked(90)) == 90
    assert _shown(remarked(5000)) == 400
    assert _shown(remarked(5000, 3, 850)) == 1200
    assert _shown(remarked(90_000, 70_000)) == 4000
