"""The whole pipeline on dies with metal on and stripped: what changed under the metal is found."""

from __future__ import annotations

import dataclasses
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import yaml

from maskdelta.phantom import load_preset, read_truth
from maskdelta.phantom._marks import write_marks
from maskdelta.study import LayerStack, Poses, read_json, read_table
from scoring import Die
from view_scenes import cut_masks, die_views, hide_edits, score_hidden, write_views

pytestmark = pytest.mark.slow

SEED = 5
BOX_UM = (0, 0, 900, 800)  # with the pads of a corner: an array alone has no place of its own


@dataclass(frozen=True)
class Finished:
    """A finished study in a folder, and the boxes of what was added under metal, um."""

    folder: Path
    edits: list[tuple[int, int, int, int]]

    def die(self, name: str) -> Die:
        """The die with the truth of its metal-on view."""
        results = self.folder / "results"
        poses = Poses.read(results / "dies" / name / "top/tiles.csv")
        return Die(name, read_truth(self.folder / "truth" / name / "top"), poses, results)


def maskdelta(folder: Path, *arguments: str) -> str:
    command = [sys.executable, "-m", "maskdelta.cli", *arguments]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def finished(tmp_path_factory) -> Finished:
    folder = tmp_path_factory.mktemp("views")
    preset = load_preset("ordinary").resized(1700, 1700)
    specimen = dataclasses.replace(preset.specimen, wires=0, scratches=1)
    preset = dataclasses.replace(preset, specimen=specimen)
    before = cut_masks(preset, SEED, BOX_UM)
    after, edits = hide_edits(before, np.random.default_rng(SEED))
    assert len(edits) == 3
    dies, marks = {}, []
    for number, (die, masks) in enumerate((("a1", before), ("b1", after))):
        views = die_views(preset, masks, seed=SEED * 10 + number, which=number)
        settings, drawn = write_views(
            views, folder / "photos", folder / "truth", die=die, seed=SEED + number
        )
        dies[die] = {"revision": "AB"[number], "views": settings}
        marks += drawn
    write_marks(folder / "marks" / "swatches.geojson", marks)
    study = {
        "reference": "a1",
        "dies": dies,
        "comparisons": [{"before": "a1", "after": "b1"}],
        "marks": ["marks/*.geojson"],
    }
    (folder / "config.yaml").write_text(yaml.safe_dump(study))
    maskdelta(folder, "run", "config.yaml", "--cores", "2")
    return Finished(folder, edits)


@pytest.mark.parametrize("name", ["a1", "b1"])
@pytest.mark.parametrize("layer", ["diffusion", "polysilicon"])
def test_what_lies_under_metal_is_told_and_true(finished: Finished, name: str, layer: str) -> None:
    die = finished.die(name)
    folder = finished.folder / "results/dies" / name
    before, after = (
        score_hidden(LayerStack(layers), die.truth, die.to_mosaic, layer)
        for layers in (folder / "top", folder)
    )
    # 0.37 of the die is hidden with metal on, and 0.03 and 0.06 in both: dirt, contact holes
    assert before.hidden_frac > 0.3
    assert after.hidden_frac < 0.08
    assert after.told_frac > 0.85
    # 0.986 and 0.999 were measured
    assert after.f1_off_edges > 0.97


def test_the_views_lie_over_one_another(finished: Finished) -> None:
    for name in ("a1", "b1"):
        merged = read_json(finished.folder / f"results/dies/{name}/layers.json")["merged"]
        assert merged["views"][1]["why"] == ""
        assert merged["views"][1]["left_out_rms_px"] < 0.5
        assert {"diffusion", "polysilicon"} <= set(merged["views"][1]["told"])
        assert merged["layers"]["metal"]["from"]["bare"] == 0


def test_what_was_added_under_metal_is_found(finished: Finished) -> None:
    folder = finished.folder / "results/comparisons/a1--b1"
    rows = [
        row for row in read_table(folder / "changes.csv", "changes") if "diffusion" in row["layers"]
    ]
    die = finished.die("a1")
    scale = read_json(finished.folder / "results/dies/a1/to_study.json")["um_per_px"]
    for x0, y0, x1, y1 in finished.edits:
        (x, y), *_ = die.to_mosaic(np.array([[(x0 + x1) / 2, (y0 + y1) / 2]])) * scale
        found = [r for r in rows if abs(r["x_um"] - x) < 6 and abs(r["y_um"] - y) < 6]
        assert len(found) == 1
        # corners are round, which is 4 % of the smaller ones; 0.89 to 0.98 were measured
        assert found[0]["added_um2"] == pytest.approx((x1 - x0) * (y1 - y0), rel=0.15)
    assert len(rows) <= len(finished.edits) + 1  # besides them none was seen


def test_the_page_says_where_each_layer_comes_from(finished: Finished) -> None:
    page = (finished.folder / "results/report/die-a1.html").read_text(encoding="utf-8")
    assert "Which view each layer comes from" in page
    assert "The view bare lies over the view top by" in page
    page = (finished.folder / "results/report/a1--b1.html").read_text(encoding="utf-8")
    assert "view bare of a1 and view bare of b1, laid into the frames" in page
