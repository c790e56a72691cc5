"""Dust on the sensor is what recurs in the frame of the tiles; arrays that recur there are not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from maskdelta.survey import FlatField, survey
from maskdelta.survey._dust import Speck, find_dust
from maskdelta.survey._look import look_at_all
from tile_scenes import SURVEY, grid, make_die, take_tiles, write

SPECKS = ((70.0, 60.0, 3.0, 0.15), (200.0, 130.0, 2.5, 0.2))


def dusty(cuts, specks=SPECKS):
    """The tiles with soft dark spots (x, y, sigma, depth) at the same place of each."""
    height, width = cuts[0].pixels.shape[:2]
    y, x = np.mgrid[:height, :width]
    through = np.ones((height, width))
    for cx, cy, sigma, depth in specks:
        through *= 1 - depth * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * sigma**2))
    # 2.2 is near enough to the curve of sRGB
    encoded = (through ** (1 / 2.2))[..., None]
    return [replace(c, pixels=np.rint(c.pixels * encoded).astype(np.uint8)) for c in cuts]


def scattered(seed, rows=4, columns=5):
    """Tiles of a die with bare places between its lines."""
    die = make_die((900, 1300), seed=seed)
    die[100:900, 300:1000] = 120
    rng = np.random.default_rng(seed)
    for _ in range(60):
        y, x = rng.integers(100, 880), rng.integers(300, 980)
        die[y : y + 8, x : x + rng.integers(20, 60)] = rng.uniform(60, 200)
    return take_tiles(die, rows, columns, overlap_frac=0.25, noise=2.0, seed=seed)


@pytest.mark.parametrize("seed", [1, 2])
def test_specks_are_found_where_they_are(tmp_path, seed):
    looks = look_at_all(write(tmp_path, dusty(scattered(seed))), threads=1)
    found = find_dust(looks)
    assert len(found) == len(SPECKS)
    for speck, (x, y, sigma, depth) in zip(found, SPECKS, strict=True):
        assert np.hypot(speck.x_px - x, speck.y_px - y) < 1
        # the median that each place is held against sees a part of the spot; noise does the rest
        assert speck.sigma_px == pytest.approx(sigma, rel=0.3)
        assert speck.depth_frac == pytest.approx(depth, rel=0.3)


@pytest.mark.parametrize("seed", [1, 2])
def test_clean_tiles_have_none(tmp_path, seed):
    assert find_dust(look_at_all(write(tmp_path, scattered(seed)), threads=1)) == ()


@pytest.mark.parametrize("pitch", [24, 40])
def test_an_array_whose_pitch_goes_into_the_step_is_no_dust(tmp_path, pitch):
    die = make_die((1400, 2000), seed=4, array=(0, 0, 2000, 1400), pitch=pitch, odd_frac=0.02)
    rng = np.random.default_rng(pitch)
    cut = take_tiles(die, 1, 1)[0]
    cuts = []
    for row in range(3):
        for column in range(4):
            y, x = row * 10 * pitch, column * 12 * pitch
            part = die[y : y + 290, x : x + 360][:200, :260]
            noisy = np.clip(part + rng.normal(0, 2, part.shape), 0, 255).astype(np.uint8)
            cuts.append(replace(cut, name=f"r{row}c{column}.png", pixels=noisy))
    assert find_dust(look_at_all(write(tmp_path, cuts), threads=1)) == ()


def test_few_tiles_tell_nothing(tmp_path):
    cuts = dusty(scattered(1))[:6]
    assert find_dust(look_at_all(write(tmp_path, cuts), threads=1)) == ()


def test_the_survey_hands_dust_to_the_flat_field(tmp_path):
    files = write(tmp_path / "t", dusty(scattered(1)))
    found = survey(files, view=grid(4, 5), settings=SURVEY)
    assert len(found.figures["dust"]) == len(found.flat_field.specks) == len(SPECKS)
    found.write(tmp_path)
    again = FlatField.read(tmp_path / "flat_field.json")
    np.testing.assert_array_equal(again.gain((160, 240)), found.flat_field.gain((160, 240)))
    off = survey(files, view=grid(4, 5), settings=SURVEY.model_copy(update={"flat_field": "none"}))
    assert off.flat_field.changes_nothing
    assert len(off.figures["dust"]) == len(SPECKS)


def test_specks_are_divided_out_at_any_size():
    speck = Speck(100.0, 60.0, 4.0, 0.2, 9)
    field = FlatField(specks=(speck,), width_px=320)
    assert not field.changes_nothing
    gain = field.gain((240, 320))[..., 0]
    assert gain[60, 100] == pytest.approx(1 / 0.8)
    assert gain[60, 116] == pytest.approx(1.0, abs=1e-3)
    assert gain[200, 300] == 1
    # a small picture loses the same light
    small = field.gain((24, 32))[..., 0]
    assert (1 - 1 / small).sum() * 100 == pytest.approx((1 - 1 / gain).sum(), rel=0.05)
