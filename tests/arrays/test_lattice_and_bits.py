"""Drawn arrays with known bits: the lattice found, the bits read, and what can't be read."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from array_scenes import marked
from maskdelta.arrays import Axis, Lattice, find_lattice, read_bits
from maskdelta.arrays._bits import _Cells, _matrix
from maskdelta.arrays._classes import Classes
from maskdelta.errors import ArrayError
from maskdelta.study import UNREADABLE, ArrayBit, ArraySettings


def settings(rows: dict, columns: dict, **bit: object) -> ArraySettings:
    return ArraySettings.model_validate(
        {"rows": rows, "columns": columns, "bit": {"size_um": 10.0, **bit}}
    )


def random_bits(rng: np.random.Generator, rows: int, columns: int) -> np.ndarray:
    return rng.integers(0, 2, (rows, columns)).astype(np.int8)


def farthest(lattice: Lattice, centres: np.ndarray) -> float:
    return float(np.hypot(*np.moveaxis(lattice.centres() - centres, -1, 0)).max())


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_bits_and_lattice_with_straps(draw, seed: int) -> None:
    rng = np.random.default_rng(seed)
    x = 24.0 * (np.arange(18) + 0.8 * (np.arange(18) // 5))
    scene = draw(random_bits(rng, 16, 18), rng, x_px=x)
    # neither the size of the gaps nor the exact places of the corners are given
    wanted = settings({"count": 16}, {"count": 18, "gap_every": 5})
    fit = find_lattice(scene.rasters.mosaic, marked(scene.centres_px, rng), wanted)
    read = read_bits(scene.rasters, fit.lattice, wanted.bit, um_per_px=1.0)
    assert (read.bits.value == scene.bits).all()
    assert farthest(read.lattice, scene.centres_px) < 1.0  # px; the dots are 6 px wide
    along = read.lattice.frames()[0]
    assert np.hypot(*along) == pytest.approx(24.0, abs=0.03)


def test_two_opposite_corners_are_enough_for_a_straight_array(draw) -> None:
    rng = np.random.default_rng(5)
    scene = draw(random_bits(rng, 14, 20), rng, angle_deg=2.3)
    wanted = settings({"count": 14}, {"count": 20})
    corners = marked(scene.centres_px, rng, cells=((0, 0), (-1, -1)), off_px=1.0)
    fit = find_lattice(scene.rasters.mosaic, corners, wanted)
    read = read_bits(scene.rasters, fit.lattice, wanted.bit, um_per_px=1.0)
    assert (read.bits.value == scene.bits).all()


def test_pairs_of_rows_whose_steps_are_searched_for(draw) -> None:
    rng = np.random.default_rng(6)
    y = np.array([36.0 * (r // 2) * 2 + 44.0 * (r % 2) for r in range(16)])
    scene = draw(random_bits(rng, 16, 16), rng, y_px=y, pitch_px=24)
    wanted = settings({"count": 16, "period": 2}, {"count": 16})
    fit = find_lattice(scene.rasters.mosaic, marked(scene.centres_px, rng), wanted)
    assert farthest(fit.lattice, scene.centres_px) < 3.0  # the marks' common shift is still in it


def test_what_dirt_covers_is_unreadable_and_ranks_first(draw) -> None:
    rng = np.random.default_rng(7)
    dirt = [(3, 4), (8, 11), (12, 0)]
    scene = draw(random_bits(rng, 14, 14), rng, dirt=dirt)
    wanted = settings({"count": 14}, {"count": 14})
    fit = find_lattice(scene.rasters.mosaic, marked(scene.centres_px, rng), wanted)
    bits = read_bits(scene.rasters, fit.lattice, wanted.bit, um_per_px=1.0).bits
    assert {tuple(map(int, cell)) for cell in np.argwhere(bits.value == UNREADABLE)} == set(dirt)
    assert {int(bits.rank[cell]) for cell in dirt} == {1, 2, 3}
    assert all("debris" in bits.flags[cell] for cell in dirt)
    readable = bits.value != UNREADABLE
    assert (bits.value == scene.bits)[readable].all()


@pytest.mark.parametrize("off_px", [(13.0, 0.0), (-9.0, 9.0), (0.0, -13.0)])
def test_cells_partly_under_dirt_are_read_by_what_is_clean(draw, off_px) -> None:
    rng = np.random.default_rng(21)
    dirt = [(int(r), int(c)) for r in (2, 6, 10) for c in (2, 6, 10)]
    scene = draw(random_bits(rng, 14, 14), rng, dirt=dirt, dirt_off_px=off_px)
    assert len({int(scene.bits[cell]) for cell in dirt}) == 2
    wanted = settings({"count": 14}, {"count": 14})
    fit = find_lattice(scene.rasters.mosaic, marked(scene.centres_px, rng), wanted)
    bits = read_bits(scene.rasters, fit.lattice, wanted.bit, um_per_px=1.0).bits
    places = tuple(np.transpose(dirt))
    assert (bits.value[places] == scene.bits[places]).all()
    # the other side of the blob reaches the middle of the next cell
    assert ((bits.value == scene.bits) | (bits.value == UNREADABLE)).all()
    beside = np.char.find(bits.flags.astype(str), "beside dirt") >= 0
    assert beside[places].all()
    # the first that a person checks
    assert bits.rank[beside].max() == beside.sum() + bits.unreadable
    assert all((bits.llr[cell] > 0) == scene.bits[cell] for cell in dirt)


@pytest.mark.parametrize("colour", [(225, 205, 160), (165, 125, 70), (190, 160, 110)])
@pytest.mark.parametrize("off_px", [(0.0, 0.0), (5.0, 0.0), (9.0, 0.0), (11.0, 0.0)])
def test_dirt_in_the_colours_of_the_cells_is_not_read(draw, colour, off_px) -> None:
    rng = np.random.default_rng(22)
    dirt = [(int(r), int(c)) for r in (2, 6, 10) for c in (2, 6, 10)]
    scene = draw(random_bits(rng, 14, 14), rng, dirt=dirt, dirt_off_px=off_px, dirt_colour=colour)
    wanted = settings({"count": 14}, {"count": 14})
    fit = find_lattice(scene.rasters.mosaic, marked(scene.centres_px, rng), wanted)
    bits = read_bits(scene.rasters, fit.lattice, wanted.bit, um_per_px=1.0).bits
    assert ((bits.value == scene.bits) | (bits.value == UNREADABLE)).all()
    assert (bits.value == UNREADABLE).sum() <= 2 * len(dirt)  # dirt may reach the next cell


def test_an_alarm_of_debris_over_a_clean_cell_costs_no_bit(draw) -> None:
    rng = np.random.default_rng(8)
    scene = draw(random_bits(rng, 12, 12), rng)
    spoiled = draw(scene.bits, np.random.default_rng(9), dirt=[(5, 5)]).rasters.labels
    rasters = replace(scene.rasters, labels=spoiled)
    wanted = settings({"count": 12}, {"count": 12})
    fit = find_lattice(rasters.mosaic, marked(scene.centres_px, rng), wanted)
    bits = read_bits(rasters, fit.lattice, wanted.bit, um_per_px=1.0).bits
    assert (bits.value == scene.bits).all()
    assert "debris" in bits.flags[5, 5]


def test_a_cell_half_way_between_the_kinds_is_read_only_where_it_is_clean() -> None:
    """A thin hair over a contact makes it look like half of one; the bit must not be guessed."""
    score = np.array([0.02, 0.27, 0.27, 0.73, 0.98])
    spoiled = np.array([1.0, 1.0, 0.0, 1.0, 1.0])
    count = len(score)
    cells = _Cells(
        pictures=np.zeros((count, 3, 3, 3), np.float32),
        layer=np.zeros(count),
        spoiled=spoiled,
        photographed=np.ones(count),
        kind=np.zeros(count, int),
        place=np.zeros((count, 2)),
    )
    classes = Classes(
        llr=40 * (score - 0.5),
        score=score,
        oddness=np.full(count, 1.5),
        contrast=np.zeros(27),
        separation=40.0,
        lone=np.zeros(count, bool),
    )
    lattice = Lattice(Axis(1), Axis(count), np.zeros((6, 2)))
    bits = _matrix(cells, classes, lattice, ArrayBit(size_um=4.0), None)
    assert bits.value.tolist() == [[0, UNREADABLE, 0, UNREADABLE, 1]]
    assert "between 0 and 1" in bits.flags[0, 1]
    assert bits.rank[0, 1] < bits.rank[0, 2]


def test_learnt_from_marked_cells_without_a_layer(draw) -> None:
    rng = np.random.default_rng(10)
    scene = draw(random_bits(rng, 12, 15), rng)
    wanted = settings({"count": 12}, {"count": 15}, layer="")
    fit = find_lattice(scene.rasters.mosaic, marked(scene.centres_px, rng), wanted)
    ones, zeros = np.argwhere(scene.bits == 1)[:3], np.argwhere(scene.bits == 0)[:3]
    taught = {tuple(map(int, cell)): 1 for cell in ones}
    taught |= {tuple(map(int, cell)): 0 for cell in zeros}
    read = read_bits(scene.rasters, fit.lattice, wanted.bit, um_per_px=1.0, taught=taught)
    assert (read.bits.value == scene.bits).all()
    with pytest.raises(ArrayError, match="nothing says what a bit looks like"):
        read_bits(scene.rasters, fit.lattice, wanted.bit, um_per_px=1.0)


def test_a_bit_may_be_the_absence_of_the_layer(draw) -> None:
    rng = np.random.default_rng(11)
    scene = draw(random_bits(rng, 12, 12), rng)
    wanted = settings({"count": 12}, {"count": 12}, absent=True)
    fit = find_lattice(scene.rasters.mosaic, marked(scene.centres_px, rng), wanted)
    bits = read_bits(scene.rasters, fit.lattice, wanted.bit, um_per_px=1.0).bits
    assert (bits.value == 1 - scene.bits).all()


@pytest.mark.parametrize("absent", [False, True])
@pytest.mark.parametrize("value", [0, 1])
def test_an_array_of_one_value_is_told_by_its_layer(draw, value: int, absent: bool) -> None:
    rng = np.random.default_rng(12)
    scene = draw(np.full((12, 12), value, np.int8), rng, dirt=[(4, 4)])
    wanted = settings({"count": 12}, {"count": 12}, absent=absent, size_um=8.0)
    fit = find_lattice(scene.rasters.mosaic, marked(scene.centres_px, rng, off_px=0.7), wanted)
    read = read_bits(scene.rasters, fit.lattice, wanted.bit, um_per_px=1.0)
    assert read.told_by == "layer"
    expected = np.full((12, 12), 1 - value if absent else value)
    expected[4, 4] = UNREADABLE
    assert (read.bits.value == expected).all()


def test_the_only_cell_of_its_value_is_for_a_person_to_call(draw) -> None:
    rng = np.random.default_rng(15)
    bits = np.zeros((12, 12), np.int8)
    bits[7, 2] = 1
    scene = draw(bits, rng)
    wanted = settings({"count": 12}, {"count": 12}, size_um=8.0)
    fit = find_lattice(scene.rasters.mosaic, marked(scene.centres_px, rng, off_px=0.7), wanted)
    found = read_bits(scene.rasters, fit.lattice, wanted.bit, um_per_px=1.0).bits
    assert found.rank[7, 2] == 1
    assert found.value[7, 2] == UNREADABLE
    assert "the only one of its kind" in found.flags[7, 2]
    assert found.unreadable == 1


def test_marks_that_contradict_the_settings_say_so(draw) -> None:
    rng = np.random.default_rng(13)
    scene = draw(random_bits(rng, 8, 8), rng)
    corners = marked(scene.centres_px, rng, cells=((0, 0), (7, 0), (0, 7)))
    with pytest.raises(ArrayError, match="row 7, column 0, but the array has 6 rows"):
        find_lattice(scene.rasters.mosaic, corners, settings({"count": 6}, {"count": 8}))
    with pytest.raises(ArrayError, match="mark three corner cells"):
        find_lattice(scene.rasters.mosaic, corners[:1], settings({"count": 8}, {"count": 8}))


def test_nominal_places_are_what_the_basis_spans() -> None:
    axis = Axis(11, period=3, gaps=(4, 8))
    places = axis.nominal((3, 1, 2), 1.5)
    basis = np.column_stack([np.ones(11), axis.basis()])
    fitted = basis @ np.linalg.lstsq(basis, places, rcond=None)[0]
    np.testing.assert_allclose(fitted, places, atol=1e-12)  # rounding of the solver
    np.testing.assert_allclose(np.diff(places)[:3], [1.5, 0.5, 1.0])
    assert places[4] - places[3] == pytest.approx(1.5 + 1.5)


def test_a_lattice_survives_its_record() -> None:
    rng = np.random.default_rng(14)
    rows, columns = Axis(6, 2, (3,), True), Axis(9)
    lattice = Lattice(rows, columns, rng.normal(0, 10, (1 + 3 + 1 + 3, 2)))
    again = Lattice.from_record(lattice.record())
    np.testing.assert_allclose(again.centres(), lattice.centres(), atol=1e-3)  # 5 decimals
