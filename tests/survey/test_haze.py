"""A veil of light over a tile shows against its neighbours; exposure and shading do not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from maskdelta.images import linear_to_srgb, srgb_to_linear
from maskdelta.survey import survey
from tile_scenes import SURVEY, grid, make_die, shaded, take_tiles, write


def contrasty_die():
    """Lines, over dark and bright areas: where all is alike, a veil looks like exposure."""
    die = make_die((1000, 1300), seed=8)
    rng = np.random.default_rng(8)
    for _ in range(150):
        y, x = rng.integers(0, 960), rng.integers(0, 1240)
        die[y : y + 40, x : x + 60] = rng.choice([40, 235])
    return die


DIE = contrasty_die()


def veiled(cut, light):
    """The tile with the same light added everywhere, linear."""
    linear = srgb_to_linear(cut.pixels) + np.float32(light)
    return replace(cut, pixels=linear_to_srgb(linear, cut.pixels.dtype))


def tiles(seed):
    return shaded(take_tiles(DIE, 3, 4, overlap_frac=0.25, seed=seed), seed=seed)[0]


@pytest.mark.parametrize("seed", [1, 2])
def test_a_hazy_tile_is_flagged_and_no_other(tmp_path, seed):
    cuts = tiles(seed)
    light = float(np.median(srgb_to_linear(DIE)))
    cuts[5] = veiled(cuts[5], 0.25 * light)
    rows = survey(write(tmp_path, cuts), view=grid(3, 4), settings=SURVEY).quality
    assert [k for k, row in enumerate(rows) if "hazy" in row["flags"]] == [5]
    # shading took a fifth to a half of the light of all, and the veil is divided by it too
    assert 0.25 < rows[5]["haze_frac"] < 0.55


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_shading_and_exposure_are_no_haze(tmp_path, seed):
    rows = survey(write(tmp_path, tiles(seed)), view=grid(3, 4), settings=SURVEY).quality
    assert max(abs(row["haze_frac"]) for row in rows) < 0.06
    assert not any("hazy" in row["flags"] for row in rows)
