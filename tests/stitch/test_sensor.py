"""What the sensor shows by itself is told from what is odd on the die."""

from __future__ import annotations

import numpy as np
import pytest

from maskdelta.stitch._hypothesis import Hypothesis, lag_behind
from maskdelta.stitch._overlap import Fit
from maskdelta.stitch._sensor import look_at_sensor

ROWS, COLUMNS = 20, 24  # blocks of a tile
NONE = np.zeros((0, 2))


def hypothesis(fit):
    return Hypothesis(
        np.zeros(2), 0.05, 0.99, NONE, NONE, NONE, NONE[:, 0], NONE, (400, 100), fit=fit
    )


def pair(rng, *, stain=None, odd=None):
    """Tiles beside each other: columns 18 to 23 of a are 0 to 5 of b, give or take a block.

    A stain (row, column of the tile) spoils the block where it lies in a and where it lies in b;
    something that only one tile shows spoils one anywhere.
    """
    first = int(rng.integers(17, 20))
    energy = rng.chisquare(9, (ROWS, COLUMNS - first)) / 9
    for at in [stain, stain and (stain[0], stain[1] + first)]:
        if at is not None and first <= at[1] < COLUMNS:
            energy[at[0], at[1] - first] = 80.0
    if odd is not None:
        energy[odd % ROWS, odd % energy.shape[1]] = 80.0
    return Fit(first, 0, energy, np.full(energy.shape, 90.0), 0.99, np.array([-float(first), 0.0]))


def test_what_stays_in_the_tile_is_a_stain_and_what_wanders_is_not():
    rng = np.random.default_rng(1)
    fits = [pair(rng, stain=(7, 21), odd=int(rng.integers(100))) for _ in range(16)]
    sensor = look_at_sensor([hypothesis(fit) for fit in fits], (ROWS, COLUMNS))
    assert sensor.stained[7, 21]
    assert sensor.stained.sum() <= 3  # where b lies under it may be one as well
    assert not sensor.clean[7, 21]
    assert sensor.clean[:, 20:].mean() > 0.8
    assert not sensor.clean[:, 8:16].any()  # no overlap reaches there
    freed = sensor.without_stains(hypothesis(fits[0])).fit
    assert np.isnan(freed.energy[7, 21 - fits[0].column])
    assert np.isfinite(freed.energy).mean() > 0.95


def test_few_pairs_tell_nothing():
    rng = np.random.default_rng(2)
    sensor = look_at_sensor([hypothesis(pair(rng, stain=(7, 21)))] * 2, (ROWS, COLUMNS))
    assert not sensor.stained.any()
    assert not sensor.clean.any()


@pytest.mark.parametrize("known", [True, False])
def test_a_misfit_that_one_shift_alone_lays_on_the_other_tile_counts_where_it_is_no_dust(known):
    """Over equal cells both fit; where the second one overlaps farther, the array ends."""
    rng = np.random.default_rng(3)

    def fit(columns, spoilt):
        energy = rng.chisquare(9, (ROWS, columns)) / 9
        energy[:, 6:][:, : columns - 6] = spoilt
        clean = np.full(energy.shape, known)
        return Fit(0, 0, energy, np.full(energy.shape, 90.0), 0.99, np.zeros(2), clean)

    better, worse = hypothesis(fit(6, 0.0)), hypothesis(fit(7, 80.0))
    lag = lag_behind(better, worse)
    assert lag.net == (ROWS if known else 0)
    assert lag_behind(worse, better).net == -lag.net


def test_what_spoils_a_block_at_both_shifts_says_nothing():
    rng = np.random.default_rng(4)
    energy = rng.chisquare(9, (2, ROWS, 6)) / 9
    energy[:, 3:8, 2] = [[100.0] * 5, [120.0] * 5]  # dust on a, over one plain cell or the next
    one, two = (hypothesis(Fit(0, 0, e, e * 9, 0.99, np.zeros(2))) for e in energy)
    assert lag_behind(one, two).odd == 0
