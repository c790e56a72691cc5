"""The whole pipeline on the sample study: the figures promised, and reruns that do nothing."""

from __future__ import annotations

import csv
import hashlib
import html.parser
import shutil
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest

from maskdelta.study import TABLES, read_table
from scoring import score_study

ROOT = Path(__file__).parents[2]


def run(folder: Path, *arguments: str) -> str:
    command = [sys.executable, "-m", "maskdelta.cli", "run", *arguments]
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


def test_tables_follow_their_schemas(sample: Path) -> None:
    for name, table in TABLES.items():
        if name == "null":
            continue  # the sample holds no two dies of one revision; see tests/difference
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
    pages = list((sample / "results").rglob("*.html"))
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


@pytest.mark.slow
def test_a_fresh_run_on_one_core_gives_the_same_bytes(sample: Path, tmp_path: Path) -> None:
    for name in ("config", "sample_images"):
        shutil.copytree(ROOT / name, tmp_path / name)
    run(tmp_path, "--cores", "1")
    run(sample, "--cores", "2")
    assert digests(tmp_path) == digests(sample)
