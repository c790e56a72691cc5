"""Seams of an earlier joining on the page of a die."""

from __future__ import annotations

from pathlib import Path

import pytest

from maskdelta.report import write_report
from maskdelta.study import read_table, write_json, write_table
from report_scene import settings, write_scene

SEAM = {
    "seam": 1,
    "direction": "upright",
    "x0_px": 300.5,
    "y0_px": 0.0,
    "x1_px": 300.5,
    "y1_px": 400.0,
    "signs": "offset; doubled strip",
    "offset_px": -1.5,
    "offset_error_px": 0.08,
    "brightness_frac": None,
    "brightness_error_frac": None,
    "doubled_px": 9,
    "strength": 14.2,
    "beside": 2.1,
    "on_grid": False,
}


@pytest.fixture
def results(tmp_path: Path) -> Path:
    return write_scene(tmp_path)


def _write(results: Path, rows: list, **figures: float | None) -> str:
    folder = results / "dies" / "a1" / "top"
    write_table(folder / "seams.csv", "seams", rows)
    seen = {"offset_seen_px": 0.25, "brightness_seen_frac": 0.012, **figures}
    write_json(folder / "seams.json", seen)
    write_report(results, settings())
    return (results / "report" / "die-a1.html").read_text(encoding="utf-8")


def test_seams_are_drawn_and_listed(results: Path) -> None:
    page = _write(results, [SEAM])
    assert "1 seam was found" in page
    assert "offset; doubled strip of 9 px" in page
    assert "1.50 ± 0.08" in page
    assert (results / "report" / "die-a1" / "top_seams_light.png").is_file()
    assert "1 seam of an earlier joining" in (results / "report" / "index.html").read_text("utf-8")


def test_none_found_says_how_small_a_step_would_have_been_seen(results: Path) -> None:
    page = _write(results, [])
    assert "None was found" in page
    assert "0.25 px" in page
    assert "step of brightness of 1.2" in page


def test_a_bare_picture_says_that_nothing_could_be_told(results: Path) -> None:
    page = _write(results, [], offset_seen_px=None, brightness_seen_frac=None)
    assert "Too little crosses most lines of this picture to tell" in page


def test_jumps_stand_on_the_page_of_the_registration(results: Path) -> None:
    row = {"jump": 1, "picture": "after", "x0_px": 300.0, "y0_px": 0.0, "x1_px": 300.0}
    more = {"y1_px": 400.0, "dx_px": 1.25, "dy_px": -0.5, "error_px": 0.06}
    table = results / "comparisons" / "a1--b1" / "jumps.csv"
    write_table(table, "jumps", [{**row, **more, "jump_um": 0.67, "strength": 22.0}])
    write_report(results, settings())
    page = (results / "report" / "a1--b1-fit.html").read_text(encoding="utf-8")
    assert "Jumps along straight lines" in page
    assert "<td>b1</td>" in page
    assert '<td class="n">1.25</td>' in page


@pytest.mark.parametrize("residual_px", [0.4, 2.6])
def test_steps_between_tiles_are_listed(results: Path, residual_px: float) -> None:
    table = results / "dies" / "a1" / "top" / "pairs.csv"
    rows = read_table(table, "pairs")
    write_table(table, "pairs", [{**rows[0], "residual_px": residual_px}])
    write_report(results, settings())
    page = (results / "report" / "die-a1.html").read_text(encoding="utf-8")
    listed = "Steps over 1 px at the seams" in page and '<td class="n">2.60</td>' in page
    assert listed == (residual_px > 1)
    assert ("there are no steps at the seams" in page) == (residual_px < 1)


def test_a_view_of_tiles_says_nothing_of_seams(results: Path) -> None:
    write_report(results, settings())
    page = (results / "report" / "die-a1.html").read_text(encoding="utf-8")
    assert "earlier joining" not in page
