"""Faults found before a run, one sentence each."""

from __future__ import annotations

import json
from pathlib import Path

import imagecodecs
import numpy as np
import pytest

from maskdelta.cli import main
from maskdelta.cli._check import check_study


@pytest.fixture
def study(tmp_path: Path, monkeypatch, rng) -> Path:
    monkeypatch.chdir(tmp_path)
    Path("t").mkdir()
    for number in range(4):
        image = rng.integers(0, 255, (40, 60, 3)).astype(np.uint8)
        Path(f"t/t{number}.png").write_bytes(imagecodecs.png_encode(image))
    Path("c.yaml").write_text(
        "reference: a1\nmarks: [m.geojson]\n"
        "dies: {a1: {revision: A, tiles: 't/*.png', grid: {rows: 2, columns: 2}}}\n"
    )
    return tmp_path


def mark(**properties: str) -> None:
    ring = [[1, 1], [9, 1], [9, 9], [1, 1]]
    feature = {
        "type": "Feature",
        "geometry": {"type": "Polygon", "coordinates": [ring]},
        "properties": {"frame": "tile", "die": "a1", "tile": "t1.png", **properties},
    }
    Path("m.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}))


def test_a_clean_study_has_no_fault(study: Path, capsys) -> None:
    assert main(["check", "c.yaml"]) == 0
    assert "No fault found." in capsys.readouterr().out


def test_all_faults_come_at_once(study: Path, capsys) -> None:
    Path("t/t0.png").write_bytes(Path("t/t0.png").read_bytes()[:200])
    Path("t/t1.png").write_bytes(imagecodecs.png_encode(np.zeros((40, 60, 3), np.uint16)))
    Path("t/t3.png").unlink()
    mark(role="swatch", stack="metall")
    assert main(["check", "c.yaml"]) == 1
    text = capsys.readouterr().err
    assert "t/t0.png: the file is cut short" in text
    assert "bits a channel" in text
    assert "2 x 2 = 4 places" in text
    assert "did you mean `metal`?" in text
    assert "4 fault(s) found." in text


def test_a_mark_on_a_tile_that_is_not_there(study: Path) -> None:
    mark(role="landmark", label="ROM", tile="t9.png")
    faults, _ = check_study("c.yaml")
    assert len(faults) == 1
    assert "has no tile `t9.png`; did you mean `t" in faults[0]


def test_copies_are_noted(study: Path) -> None:
    Path("t/t3.png").write_bytes(Path("t/t1.png").read_bytes())
    faults, notes = check_study("c.yaml")
    assert not faults
    assert any("the same bytes as" in note for note in notes)


def test_a_missing_folder_is_named(study: Path) -> None:
    Path("c.yaml").write_text("reference: a1\ndies: {a1: {revision: A, tiles: 'none/*.png'}}\n")
    faults, _ = check_study("c.yaml")
    assert faults == [
        "dies.a1: `none/*.png`: the folder `none` does not exist; correct the pattern."
    ]


def test_verdicts_are_checked(study: Path) -> None:
    text = Path("c.yaml").read_text()
    Path("c.yaml").write_text(text + "verdicts: v.csv\n")
    Path("v.csv").write_text('comparison,change,verdict\na1--b1,"metl@1,2",accepted\n')
    faults, _ = check_study("c.yaml")
    assert faults == [
        "v.csv: line 2: the comparison `a1--b1` is not known; known: none.",
        "v.csv: line 2: the layer `metl` is not known; did you mean `metal`?",
    ]
    Path("v.csv").write_text('comparison,change,verdict\na1--b1,"metal@1,2",acceptd\n')
    faults, _ = check_study("c.yaml")
    assert faults == ["v.csv: line 2: the verdict `acceptd` is not known; did you mean `accepted`?"]
