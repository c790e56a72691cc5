"""What is needed to repeat a study, and nothing that tells of the machine."""

from __future__ import annotations

import json
import platform

import pytest

from maskdelta.images import file_sha256
from maskdelta.report import write_provenance
from report_scene import settings, write_scene


@pytest.fixture
def written(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    results = write_scene(tmp_path)
    marks = tmp_path / "config" / "marks.geojson"
    marks.parent.mkdir()
    marks.write_text('{"features": []}')
    outside = tmp_path.parent / "elsewhere" / "photos" / "*.jpg"
    study = settings(
        marks=[str(marks)],
        dies={
            "a1": {"revision": "A", "tiles": str(outside)},
            "b1": {"revision": "B", "tiles": "tiles/b1/*.jpg"},
        },
    )
    path = results / "provenance.json"
    write_provenance(path, results, study.model_dump(mode="json"))
    return path


def test_inputs_settings_versions(written, tmp_path):
    data = json.loads(written.read_text())
    assert set(data["inputs"]) == {"a1/top", "b1/top"}
    assert data["inputs"]["a1/top"]["tile 1.jpg"] == f"{0:064x}"
    assert data["files"] == {
        "config/marks.geojson": file_sha256(tmp_path / "config" / "marks.geojson")
    }
    assert data["settings"]["difference"]["margin_px"] == 1.0
    assert data["versions"]["python"] == platform.python_version()
    assert {"maskdelta", "numpy", "scipy", "opencv-python-headless"} <= set(data["versions"])
    assert "pytest" not in data["versions"]


def test_nothing_of_the_machine(written, tmp_path):
    text = written.read_text(encoding="utf-8")
    assert str(tmp_path.parent) not in text
    assert platform.node() not in text
    tiles = json.loads(text)["settings"]["dies"]["a1"]["views"]["top"]["tiles"]
    assert tiles == "…/photos/*.jpg"
