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


def write_views(stripped: str = "[metal]", more: str = "") -> None:
    Path("c.yaml").write_text(
        "reference: a1\nmarks: [m.geojson]\n"
        "dies: {a1: {revision: A, views: {top: {tiles: 't/*.png'}, "
        f"bare: {{tiles: 't/*.png', stripped_layers: {stripped}}}}}}},\n"
        "       b1: {revision: B, tiles: 't/*.png'}}\n"
        "comparisons: [{before: a1, after: b1}]\n" + more
    )


def test_a_view_without_swatches_is_noted(study: Path) -> None:
    write_views()
    mark(role="swatch", stack="metal", view="top")
    faults, notes = check_study("c.yaml")
    assert not faults
    sentence = "dies.a1.views.bare: no swatch is drawn in this view, so it adds nothing"
    assert any(note.startswith(sentence) for note in notes)
    write_views(more="segment: {merge_views: false}\n")
    assert not any(sentence in note for note in check_study("c.yaml")[1])


def test_swatches_of_a_further_view_do_not_stand_for_the_main_one(study: Path) -> None:
    write_views()
    mark(role="swatch", stack="diffusion", view="bare")
    faults, notes = check_study("c.yaml")
    assert not faults
    assert any(note.startswith("dies.a1: swatches of 0 stack(s)") for note in notes)
    assert any(note.startswith("dies.a1.views.bare: swatches of one stack") for note in notes)


def test_what_was_stripped_off_cannot_be_marked(study: Path) -> None:
    write_views()
    mark(role="swatch", stack="metal", view="bare")
    (fault,) = check_study("c.yaml")[0]
    assert fault == (
        "m.geojson: feature 1: the stack `metal` cannot be seen in the view `bare` of `a1`, from "
        "which metal had been stripped; correct the name, or `stripped_layers`."
    )
    mark(role="swatch", stack="contact", view="bare")  # the holes are left
    assert check_study("c.yaml")[0] == []
    write_views(stripped="[mettal]")
    (fault,) = check_study("c.yaml")[0]
    assert fault.startswith("dies.a1.views.bare.stripped_layers: the layer `mettal` is not known")
    assert "did you mean `metal`?" in fault


def test_a_landmark_in_a_further_view_is_refused(study: Path) -> None:
    write_views()
    mark(role="landmark", label="ROM", view="bare")
    (fault,) = check_study("c.yaml")[0]
    assert "a mark of the role landmark is read in the main view `top` of `a1` only" in fault
    mark(role="point_pair", label="p", view="bare")
    assert check_study("c.yaml")[0] == []
