"""Lattices proposed without marks: spacing, drawn arrays, and the command."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import shapely
import yaml

from array_scenes import Scene
from maskdelta.arrays import find_dots, find_lattice, propose_lattice
from maskdelta.arrays._spacing import guess_axis
from maskdelta.cli import main
from maskdelta.study import ArraySettings, link_to_study

NO_STRAPS = np.zeros(0)


def outlined(scene: Scene, margin_px: float = 9.0) -> shapely.Polygon:
    return shapely.Polygon(scene.centres_px[[0, 0, -1, -1], [0, -1, -1, 0]]).buffer(margin_px)


@pytest.mark.parametrize("seed", range(4))
def test_rows_and_columns_with_straps_and_pairs(draw, seed: int) -> None:
    rng = np.random.default_rng(seed)
    x = 24.0 * (np.arange(20) + 0.7 * (np.arange(20) // 4))
    y = np.array([32.0 * r + 12.0 * (r % 2) for r in range(16)])
    bits = (rng.random((16, 20)) < 0.5).astype(np.int8)
    bits[:, 9] = 0  # a column that does not show
    bits[[0, -1], 3] = bits[4, [0, -1]] = 1
    scene = draw(bits, rng, x_px=x, y_px=y, angle_deg=float(rng.uniform(-20, 20)))
    proposal = propose_lattice(*find_dots(scene.rasters.layers, 0, outlined(scene)))
    assert proposal.why == ""
    settings = ArraySettings.model_validate(proposal.settings())
    assert (settings.rows.count, settings.columns.count) == bits.shape
    assert settings.columns.gap_places == (4, 8, 12, 16)
    fit = find_lattice(scene.rasters.mosaic, proposal.corners(), settings)
    miss = np.hypot(*np.moveaxis(fit.lattice.centres() - scene.centres_px, -1, 0))
    assert miss.max() < 24.0 / 4


def test_dots_in_no_order_are_refused(rng) -> None:
    assert "dots" in propose_lattice(rng.uniform(0, 500, (150, 2)), 4.0).why
    assert "12 are needed" in propose_lattice(np.zeros((3, 2)), 4.0).why


def test_two_explanations_of_wide_steps() -> None:
    hidden = guess_axis(np.array([0, 10, 20, 40, 50, 60, 70.0]), NO_STRAPS)
    assert (hidden.count, hidden.gaps) == (8, ())
    straps = guess_axis(np.array([0, 10, 20, 40, 50, 60, 80, 90, 100, 120.0]), NO_STRAPS)
    assert (straps.count, straps.gaps, straps.gap_px) == (10, (3, 6, 9), 10)
    seen = guess_axis(np.array([0, 10, 20, 40, 50, 60.0]), np.array([30.0]))
    assert (seen.count, seen.gaps) == (6, (3,))
    odd = guess_axis(np.array([0, 10, 20, 34, 44, 54, 64.0]), NO_STRAPS)
    assert (odd.count, odd.gaps) == (7, (3,))
    assert odd.gap_px == pytest.approx(4.0)
    pairs = guess_axis(np.array([0, 10, 30, 40, 60, 70, 100.0]), NO_STRAPS)
    assert (pairs.count, pairs.steps) == (8, (10, 20))


@pytest.fixture
def study(draw, tmp_path, monkeypatch) -> Scene:
    """A study that has been run, with an outline around its array."""
    monkeypatch.chdir(tmp_path)
    rng = np.random.default_rng(3)
    scene = draw(rng.integers(0, 2, (10, 12)).astype(np.int8), rng)
    die = tmp_path / "results/dies/a1"
    die.mkdir(parents=True)
    scene.rasters.layers.path.rename(die / "layers.ome.tif")
    link_to_study("a1", "a1", [], own_um_per_px=0.5, reference_um_per_px=0.5).write(
        die / "to_study.json"
    )
    feature = {
        "type": "Feature",
        "geometry": shapely.geometry.mapping(outlined(scene)),
        "properties": {"role": "landmark", "label": "rom", "frame": "mosaic", "die": "a1"},
    }
    (tmp_path / "marks.geojson").write_text(json.dumps({"features": [feature]}))
    data = {
        "reference": "a1",
        "dies": {"a1": {"revision": "A", "picture": "a1.png"}},
        "marks": ["marks.geojson"],
    }
    (tmp_path / "study.yaml").write_text(yaml.safe_dump(data))
    return scene


def test_the_command_prints_settings_and_writes_marks(study, capsys) -> None:
    assert main(["propose", "a1", "rom", "study.yaml"]) == 0
    printed = yaml.safe_load(capsys.readouterr().out)
    assert printed == {"arrays": {"rom": {"rows": {"count": 10}, "columns": {"count": 12}}}}
    marks = json.loads(Path("results/dies/a1/proposed/rom.geojson").read_text())["features"]
    for mark in marks:
        cell = study.centres_px[mark["properties"]["row"], mark["properties"]["column"]]
        assert np.hypot(*(np.array(mark["geometry"]["coordinates"]) - cell)) < 2.0  # px


def test_the_command_says_what_is_missing(study, capsys) -> None:
    assert main(["propose", "a1", "plane", "study.yaml"]) == 1
    assert "no landmark `plane` outlines" in capsys.readouterr().err
    assert main(["propose", "b1", "rom", "study.yaml"]) == 1
    assert "`b1` is not under `dies`" in capsys.readouterr().err
    assert main(["propose", "a1", "rom", "study.yaml", "--layer", "gold"]) == 1
    assert "`gold` is not under `layers`" in capsys.readouterr().err
