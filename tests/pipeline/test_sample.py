"""The whole pipeline on the sample study: the figures promised, and reruns that do nothing."""

from __future__ import annotations

import csv
import hashlib
import html.parser
import json
import shutil
import subprocess
import sys
from pathlib import Path

import gdstk
import jsonschema
import numpy as np
import pytest
import shapely
import shapely.geometry

from maskdelta.cli._where import describe_places, find_places
from maskdelta.images import Box, Raster
from maskdelta.phantom import read_truth
from maskdelta.study import TABLES, Poses, read_study, read_table
from scoring import score_study

ROOT = Path(__file__).parents[2]


def run(folder: Path, *arguments: str) -> str:
    return maskdelta(folder, "run", *arguments)


def maskdelta(folder: Path, *arguments: str) -> str:
    command = [sys.executable, "-m", "maskdelta.cli", *arguments]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def digests(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted((folder / "results").rglob("*"))
        if path.is_file() and "logs" not in path.parts
    }


@pytest.fixture(scope="module")
def sample(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("sample")
    for name in ("config", "sample_images"):
        shutil.copytree(ROOT / name, folder / name)
    shutil.copytree(ROOT / "tests" / "truth" / "sample", folder / "truth")
    assert "results/report/index.html" in run(folder, "--cores", "2")
    return folder


def test_the_promised_figures(sample: Path) -> None:
    figures = score_study(sample)
    assert figures["placed_frac"] == 1.0
    assert figures["placement_rms_px"] <= 0.5
    assert figures["registration_rms_px"] <= 1.0
    assert figures["missed"] == []
    assert figures["edits_found"] == figures["edits"] == 10
    assert figures["false_changes"] <= 3


def test_every_bit_is_read_and_the_two_edited_ones_are_found(sample: Path) -> None:
    edited = {}
    for die in ("a1", "b1"):
        with open(sample / "truth" / die / "bits.csv", encoding="utf-8") as file:
            truth = {(int(r["word"]), int(r["column"])): r["value"] for r in csv.DictReader(file)}
        table = read_table(sample / f"results/dies/{die}/arrays/melody_rom.bits.csv", "bits")
        assert {(row["row"], row["column"]): row["value"] for row in table} == truth
        edited[die] = truth
    rows = read_table(sample / "results/comparisons/a1--b1/arrays.csv", "arrays")
    changed = {(row["row"], row["column"]) for row in rows if row["state"] == "changed"}
    assert {row["array"] for row in rows} == {"melody_rom"}
    assert changed == {cell for cell, bit in edited["a1"].items() if edited["b1"][cell] != bit}
    assert len(changed) == 2


def test_the_first_places_are_true_and_near_landmarks(sample: Path) -> None:
    rows = read_table(sample / "results/comparisons/a1--b1/changes.csv", "changes")
    assert rows[0]["kind"] == "added"
    assert "polysilicon" in rows[0]["layers"]
    assert rows[0]["landmark"]


def test_the_layout_file_holds_the_areas_of_the_masks(sample: Path) -> None:
    folder = sample / "results/comparisons/a1--b1"
    (top,) = gdstk.read_gds(folder / "changes.gds").top_level()
    layers = [row["layer"] for row in read_table(folder / "sensitivity.csv", "sensitivity")]
    for number, layer in enumerate(layers, start=1):
        with Raster.open(folder / "differences" / f"{layer}.tif") as mask:
            states = mask.read_level(0)
        for state in (1, 2, 255):
            polygons = top.get_polygons(layer=number, datatype=state)
            wanted = (states == state).sum() * 0.25  # um2 of a px of the reference
            # places in changes.geojson are rounded to a nm
            assert sum(p.area() for p in polygons) == pytest.approx(wanted, rel=1e-4)


def test_tables_follow_their_schemas(sample: Path) -> None:
    for name, table in TABLES.items():
        if name in ("null", "seams", "jumps"):
            # the sample holds no two dies of one revision and no picture that somebody joined;
            # see tests/difference and tests/seams
            continue
        results = sample / "results"
        paths = [*results.rglob(f"{name}.csv"), *results.rglob(f"*.{name}.csv")]
        rows = [row for path in paths for row in read_table(path, name)]
        assert rows, f"no row of the table {name} to hold against its schema"
        for row in rows:
            jsonschema.validate(row, table.schema())


class _Links(html.parser.HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self.without_alt = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        data = dict(attrs)
        self.found += [data[k] or "" for k in ("src", "href") if k in data]
        self.without_alt += tag == "img" and not data.get("alt")


def test_the_pages_need_nothing_from_outside(sample: Path) -> None:
    pages = [p for p in (sample / "results").rglob("*.html") if "suggestions" not in p.parts]
    # overview, comparison, arrays, fit, quality, reading; a page and a survey for each die
    assert len(pages) == 10
    for page in pages:
        parser = _Links()
        parser.feed(page.read_text(encoding="utf-8"))
        assert not parser.without_alt, page
        for link in parser.found:
            assert not link.startswith(("http", "/", "file:")), link
            target = link.partition("#")[0]
            assert not target or (page.parent / target).is_file(), (page, link)


def test_a_verdict_reruns_the_ranking_only_and_is_kept(sample: Path) -> None:
    before = digests(sample)
    table = sample / "results/comparisons/a1--b1/changes.csv"
    first = read_table(table, "changes")[0]
    verdicts = sample / "config" / "verdicts.csv"
    text = f'comparison,change,verdict,note\na1--b1,"{first["change"]}",rejected,a test\n'
    verdicts.write_text(text)
    output = run(sample, "--cores", "2")
    last = read_table(table, "changes")[-1]
    assert (last["change"], last["note"]) == (first["change"], "a test")
    assert "ranked" in output
    assert "Differences between" not in output
    assert verdicts.read_text() == text
    verdicts.unlink()
    run(sample, "--cores", "2")
    assert digests(sample) == before


def test_a_second_run_does_nothing_and_a_setting_reruns_what_reads_it(sample: Path) -> None:
    before = digests(sample)
    assert "Survey" not in run(sample, "--cores", "2")
    assert digests(sample) == before
    config = sample / "config" / "config.yaml"
    text = config.read_text()
    config.write_text(text + "difference: {min_area_um2: 30.0}\n")
    output = run(sample, "--cores", "2")
    config.write_text(text)
    assert "Differences between a1 and b1" in output
    assert "Placing" not in output
    assert "Layers of" not in output


def test_a_place_of_a_tile_is_found_in_the_other_die(sample: Path, monkeypatch) -> None:
    monkeypatch.chdir(sample)
    study = read_study("config/config.yaml")
    truth = {die: read_truth(sample / "truth" / die) for die in ("a1", "b1")}
    found = 0
    for tile in ("tile_0008.jpg", "tile_0015.jpg", "tile_0022.jpg"):
        die_um = truth["a1"].tile_to_die_um(tile, np.array([[512.0, 300.0]]))
        _, unit, places = find_places(study, 512.0, 300.0, die="a1", tile=tile)
        assert (unit, [place.die for place in places]) == ("um", ["a1", "b1"])
        assert (tile, 512.0, 300.0) in places[0].tiles
        assert places[0].error == 0
        for file, x, y in places[1].tiles:
            there = truth["b1"].die_um_to_tile(file, die_um)[0]
            # the error is a 95 % radius of the pictures' map; the layers of each wafer lie off
            # the masks by 0.15 um besides (three standard deviations of two wafers)
            off_um = 0.55 * np.hypot(*(there - [x, y]))
            assert off_um < 2 * places[1].error + 3 * 0.15 * np.sqrt(2)
            found += 1
    assert found >= 3
    words = describe_places("config/config.yaml", 512, 300, die="a1", tile="tile_0008.jpg")
    assert words.startswith("study frame: ")
    assert "b1 (revision B): mosaic" in words


def test_swatches_of_the_other_die_are_proposed_and_named(sample: Path) -> None:
    marks = sample / "config" / "marks" / "swatches.geojson"
    text = marks.read_text()
    drawn = json.loads(text)
    kept = [f for f in drawn["features"] if f["properties"]["die"] == "a1"]
    marks.write_text(json.dumps({**drawn, "features": kept}))
    maskdelta(sample, "suggest", "--cores", "2")
    marks.write_text(text)
    proposed = json.loads((sample / "results/suggestions/b1/swatches.geojson").read_text())
    figures = json.loads((sample / "results/dies/b1/layers.json").read_text())
    stacks = [*figures["stacks"], *["none"] * 256]
    named = {}
    with Raster.open(sample / "results/dies/b1/labels.tif") as labels:
        for feature in proposed["features"]:
            stack = feature["properties"]["stack"]
            for part in shapely.get_parts(shapely.geometry.shape(feature["geometry"])):
                x0, y0, x1, y1 = (round(v + 0.5) for v in part.bounds)
                px = labels.read_mosaic(Box(x0, y0, x1, y1))[0]
                called = stacks[np.bincount(px.ravel()).argmax()]
                named.setdefault(stack, []).append(called == stack)
    # polysilicon is left out: buried contacts and dark dirt have its colour on this die
    for stack in ("field_oxide", "diffusion", "gate", "metal", "contact"):
        assert np.mean(named.get(stack, [False])) >= 0.8, (stack, sorted(named))


@pytest.mark.slow
def test_a_fresh_run_on_one_core_gives_the_same_bytes(sample: Path, tmp_path: Path) -> None:
    for name in ("config", "sample_images"):
        shutil.copytree(ROOT / name, tmp_path / name)
    run(tmp_path, "--cores", "1")
    run(sample, "--cores", "2")
    assert digests(tmp_path) == digests(sample)


@pytest.mark.slow
def test_tiles_that_arrive_later_move_nothing_and_rerun_only_their_die(tmp_path: Path) -> None:
    for name in ("config", "sample_images"):
        shutil.copytree(ROOT / name, tmp_path / name)
    config = tmp_path / "config" / "config.yaml"
    whole = config.read_text()
    config.write_text(whole.replace("rows: 8, columns: 4", "rows: 7, columns: 4"))
    late = sorted((tmp_path / "sample_images" / "b1").glob("*.jpg"))[28:]
    for tile in late:
        tile.rename(tmp_path / tile.name)
    run(tmp_path, "--cores", "2")
    early = Poses.read(tmp_path / "results/dies/b1/top/tiles.csv")
    untouched = {name: sha for name, sha in digests(tmp_path).items() if "dies/a1/" in name}
    for tile in late:
        (tmp_path / tile.name).rename(tile)
    config.write_text(whole)
    output = run(tmp_path, "--cores", "2")
    assert "Survey of b1" in output
    assert "Survey of a1" not in output
    assert "Layers of a1" not in output
    after = digests(tmp_path)
    assert {name: after[name] for name in untouched} == untouched
    poses = Poses.read(tmp_path / "results/dies/b1/top/tiles.csv")
    assert len(poses.placed) == 32
    assert len(early.placed) == 28
    for old in early.placed:
        new = poses.find(old.file)
        assert new is not None
        assert (new.centre_x_px, new.centre_y_px) == (old.centre_x_px, old.centre_y_px)
        assert (new.angle_deg, new.scale) == (old.angle_deg, old.scale)
    shutil.copytree(ROOT / "tests" / "truth" / "sample", tmp_path / "truth")
    figures = score_study(tmp_path)
    assert figures["placement_rms_px"] <= 0.5
    assert figures["missed"] == []
