"""One odd cell that two tiles show tells one pitch from the next; dust does not."""

from __future__ import annotations

import numpy as np
import pytest

from maskdelta.images import Box
from maskdelta.stitch._measure import measure_pair
from maskdelta.stitch._odd import OddPair, odd_parts
from maskdelta.stitch._overlap import Overlap
from maskdelta.stitch._spline import load_spline
from tile_scenes import cutter, make_die, write

PITCH = 24
WHOLE = (0, 0, 960, 720)
SHIFT = np.array([251.0, 3.0])  # 85 px of 336 overlap


def array_with(odd_cells):
    """Nothing but equal cells, the named ones (column, row) other than the rest."""
    die = make_die((720, 960), array=WHOLE, pitch=PITCH)
    programmed = make_die((720, 960), array=WHOLE, pitch=PITCH, odd_frac=1.0)
    for column, row in odd_cells:
        y, x = row * PITCH, column * PITCH
        die[y : y + PITCH, x : x + PITCH] = programmed[y : y + PITCH, x : x + PITCH]
    return die


def splines_of(die, folder, *, specks=(), every=1):
    """Two tiles beside each other; specks (x, y) lie at one place of the sensor in both."""
    y, x = np.mgrid[:288, :336]
    through = np.ones((288, 336))
    for sx, sy in specks:
        through -= 0.4 * np.exp(-((x - sx) ** 2 + (y - sy) ** 2) / (2 * 4.0**2))
    rng = np.random.default_rng(3)
    cuts = []
    for k, (dx, dy) in enumerate([(0, 0), SHIFT.astype(int)]):
        part = die[150 + dy : 438 + dy, 120 + dx : 456 + dx] * through[..., None]
        noisy = np.clip(part + rng.normal(0, 3, part.shape), 0, 255).astype(np.uint8)
        cuts.append(cutter.Cut(f"{k}.png", noisy, 0.0, 0.0))
    return [load_spline(path, every=every) for path in write(folder, cuts)]


ODD_CELL = (17, 13)  # in the overlap: x from 371 to 456, y from 153 to 438


@pytest.fixture(scope="module", params=[1, 2])
def every(request):
    return request.param


@pytest.fixture(scope="module")
def one_odd(tmp_path_factory, every):
    return splines_of(array_with([ODD_CELL]), tmp_path_factory.mktemp("odd"), every=every)


def steps():
    return [np.array([PITCH, 0.0]), np.array([0.0, PITCH])]


def test_the_odd_cell_is_all_that_is_left(one_odd, every):
    box = Box(*(v // every for v in (200, 4, 333, 280)))
    left = odd_parts(one_odd[0], box, [v / every for v in steps()], stride=2 // every)
    row, column = np.unravel_index(int(np.abs(left).argmax()), left.shape)
    # the cell's square is drawn from (8, 13) to (14, 21) of the cell
    assert abs(200 + 2 * column - (ODD_CELL[0] * PITCH + 11 - 120)) <= 4
    assert abs(4 + 2 * row - (ODD_CELL[1] * PITCH + 17 - 150)) <= 4
    # read noise of 3 levels is smoothed to 0.4; the square differs by 140 before it is smoothed
    assert np.median(np.abs(left)) < 0.6
    assert np.abs(left).max() > 50


def test_an_odd_cell_is_met_at_the_true_shift_only(one_odd, every):
    pair = OddPair(Overlap(*one_odd, every=every), SHIFT, steps())
    # a square of 6 x 8 px, sampled to a px, fills two to four blocks of 8 x 8 well enough
    assert pair.matched(SHIFT) >= 2
    moves = [(i, j) for i in (-1, 0, 1) for j in (-1, 0, 1) if i or j]
    assert [pair.matched(SHIFT + PITCH * np.array(move)) for move in moves] == [0.0] * 8


def test_one_odd_cell_decides_a_pair(one_odd, every):
    wrong = SHIFT + [PITCH, 0]
    found = measure_pair(*one_odd, [wrong, SHIFT], reach_px=4, every=every)
    np.testing.assert_allclose(found[0].shift, SHIFT, atol=0.1)
    assert all(h.lag.is_clear(strict=False) for h in found[1:])


def test_equal_cells_decide_nothing(tmp_path, every):
    splines = splines_of(array_with([]), tmp_path, every=every)
    pair = measure_pair(*splines, [SHIFT], reach_px=4, every=every)
    assert len(pair) > 4
    assert not any(h.lag.is_clear(strict=False) for h in pair[1:])


def test_dust_of_the_sensor_meets_nothing(tmp_path):
    """Two specks, one shift and one pitch apart: each tile's one lies on the other's other one."""
    specks = [(40, 100), (40 + SHIFT[0] + PITCH, 100 + SHIFT[1])]
    splines = splines_of(array_with([]), tmp_path, specks=specks)
    there = SHIFT + [PITCH, 0]
    plain = OddPair(Overlap(*splines), SHIFT, steps())
    assert plain.matched(there) == 0
    # were they not known to lie at one place of the sensor, they would speak for this shift
    lone = splines_of(array_with([]), tmp_path / "lone", specks=specks[:1])
    other = splines_of(array_with([]), tmp_path / "other", specks=specks[1:])
    assert OddPair(Overlap(other[0], lone[1]), SHIFT, steps()).matched(there) > 0
