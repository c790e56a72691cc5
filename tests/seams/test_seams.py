"""Seams at known lines of pictures that a helper joins wrongly."""

from __future__ import annotations

import os
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from joined_scenes import found_share, join_wrongly, seams_of, turned
from maskdelta.images import Raster, linear_to_srgb, read_picture
from maskdelta.seams import find_seams
from maskdelta.seams._look import chunks_of, displacement, step
from maskdelta.study import TABLES, read_json, read_table
from tile_scenes import make_die

X = 700


def _die(seed: int) -> np.ndarray:
    return make_die((1600, 1800), seed=seed).astype(np.uint16) * 257


def _stripes(moved_px: float, gain: float) -> np.ndarray:
    """Stripes that run across the line at column 60, with what lies right of it changed."""
    y = np.arange(512)[:, None] + np.zeros((1, 120))
    y[:, 60:] -= moved_px
    light = 0.3 + 0.15 * np.sin(2 * np.pi * y / 41)
    light[:, 60:] *= gain
    coded = linear_to_srgb(light.astype(np.float32), np.dtype(np.uint16))
    return coded[..., None].repeat(3, -1)


@pytest.mark.parametrize("gain", [1.0, 1.05])
def test_a_displacement_is_measured(gain: float) -> None:
    """0.8 px down; brightness has no say in it."""
    value, error = displacement(chunks_of(_stripes(0.8, gain), np.ones((512, 120), bool)))
    assert value[60] == pytest.approx(0.8, abs=0.1)
    assert np.isfinite(error[60])
    assert abs(value[45]) < 0.02


def test_a_step_of_brightness_is_measured() -> None:
    """In linear light, and nothing elsewhere."""
    value, error = step(chunks_of(_stripes(0.0, 1.05), np.ones((512, 120), bool)))
    assert value[60] == pytest.approx(np.log(1.05), rel=0.03)
    assert np.isfinite(error[60])
    assert abs(value[45]) < 1e-3


def test_an_outline_along_the_line_is_no_step() -> None:
    """Two plain areas that meet: nothing crosses, so nothing is told."""
    picture = np.full((512, 120, 3), 90, np.uint8)
    picture[:, 60:] = 100
    noisy = picture + np.random.default_rng(0).integers(-3, 4, picture.shape)
    chunks = chunks_of(noisy.astype(np.uint8), np.ones((512, 120), bool))
    assert not np.isfinite(displacement(chunks)[1][60])
    assert step(chunks)[0][60] == 0


@pytest.mark.parametrize("seed", [1, 3])
def test_a_right_picture_has_none(seed: int, tmp_path: Path) -> None:
    picture, _ = join_wrongly(_die(seed), seed=seed)
    seams = seams_of(picture, tmp_path)
    assert seams.rows == []
    assert 0.3 < seams.figures["offset_seen_px"] < 0.8
    assert 0.02 < seams.figures["brightness_seen_frac"] < 0.05


@pytest.mark.parametrize(("offset_px", "tolerance_px"), [(1.0, 0.2), (-3.0, 0.25)])
def test_a_displaced_part_is_found(offset_px: float, tolerance_px: float, tmp_path: Path) -> None:
    picture, joints = join_wrongly(_die(1), xs=(X,), offset_px=(0.0, offset_px), seed=1)
    seams = seams_of(picture, tmp_path)
    assert found_share(seams.rows, joints)[:2] == (1, 0)
    (row,) = seams.rows
    assert row["signs"] == "offset"
    assert row["offset_px"] == pytest.approx(offset_px, abs=tolerance_px)
    assert (row["x0_px"] + row["x1_px"]) / 2 == pytest.approx(X - 0.5, abs=2)
    assert row["doubled_px"] == 0


def test_level_seams_and_both_signs(tmp_path: Path) -> None:
    """Below a line everything lies 2 px further right, and is brighter."""
    picture, joints = join_wrongly(_die(2), ys=(800,), offset_px=(2.0, 0.0), gain=1.06, seed=2)
    seams = seams_of(picture, tmp_path)
    assert found_share(seams.rows, joints)[:2] == (1, 0)
    (row,) = seams.rows
    assert row["direction"] == "level"
    assert "offset" in row["signs"]
    assert row["offset_px"] == pytest.approx(2.0, abs=0.25)
    seams.write(tmp_path)
    (read,) = read_table(tmp_path / "seams.csv", "seams")
    assert read["signs"] == row["signs"]
    jsonschema.validate(read, TABLES["seams"].schema())
    assert read_json(tmp_path / "seams.json") == seams.figures


def test_a_step_of_brightness_is_found(tmp_path: Path) -> None:
    picture, joints = join_wrongly(_die(1), xs=(X,), gain=1.06, seed=1)
    seams = seams_of(picture, tmp_path)
    assert found_share(seams.rows, joints)[:2] == (1, 0)
    assert seams.rows[0]["signs"] == "brightness"
    assert seams.rows[0]["brightness_frac"] == pytest.approx(0.06, abs=0.015)


def test_a_picture_turned_since_is_looked_at_askew(tmp_path: Path) -> None:
    """Turned by a third of a degree: over the picture the seam runs 9 px to the side."""
    picture, _ = join_wrongly(_die(1), xs=(X,), offset_px=(0.0, 3.0), seed=1)
    rows = seams_of(turned(picture, 0.33), tmp_path).rows
    assert [row["direction"] for row in rows] == ["upright"]
    across = rows[0]["x1_px"] - rows[0]["x0_px"]
    down = rows[0]["y1_px"] - rows[0]["y0_px"]
    assert across / down == pytest.approx(np.tan(np.radians(0.33)), abs=0.004)


def test_seams_of_a_regular_pitch_support_one_another(tmp_path: Path) -> None:
    cuts = (450, 900, 1350)
    picture, joints = join_wrongly(_die(1), xs=cuts, offset_px=(0.0, 1.5), seed=1)
    rows = seams_of(picture, tmp_path).rows
    assert found_share(rows, joints)[:2] == (3, 0)
    assert all(row["on_grid"] for row in rows)


def test_the_same_for_any_number_of_threads(tmp_path: Path) -> None:
    picture, _ = join_wrongly(_die(1)[:1100, :1200], xs=(X,), offset_px=(0.0, 2.0), seed=1)
    once = seams_of(picture, tmp_path)
    with (
        Raster.open(tmp_path / "mosaic.ome.tif") as mosaic,
        Raster.open(tmp_path / "mosaic_tiles.tif") as coverage,
    ):
        assert find_seams(mosaic, coverage, threads=3) == once


@pytest.mark.parametrize("name", ["photo5_finished_a.jpg", "photo2_diffusion.jpg"])
def test_no_seam_in_a_real_photograph(name: str, tmp_path: Path) -> None:
    """Single photographs of a home-made device (see `tests/micrographs.py`): none has a seam."""
    path = Path(os.environ.get("MASKDELTA_MICROGRAPHS", "")) / "homemade_nmos" / name
    if not path.is_file():
        pytest.skip("MASKDELTA_MICROGRAPHS names no folder with homemade_nmos")
    assert seams_of(read_picture(path), tmp_path).rows == []
