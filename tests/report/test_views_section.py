"""The page of a die says which layer comes from which view, or why nothing was taken from one."""

from __future__ import annotations

import html
import re
import shutil
from pathlib import Path
from typing import Any

import pytest

from maskdelta.report import write_report
from maskdelta.report._views_section import merged_views
from maskdelta.study import read_json, write_json
from report_scene import settings, write_scene

BARE = {
    "view": "bare",
    "told": ["polysilicon"],
    "distrusted": {"metal": 0.425},
    "why": "",
    "patches_tried": 154,
    "patches_agree": 112,
    "left_out_rms_px": 0.2736,
    "left_out_p95_px": 0.4537,
}


def merged(further: dict[str, Any]) -> dict[str, Any]:
    share = {"hidden_frac": 0.03, "at_odds_frac": 0.0012, "seen_twice_frac": 0.52}
    views = ["top", *([] if further["why"] else ["bare"])]
    return {
        "views": [{"view": "top", "told": ["metal"], "distrusted": {}, "why": ""}, further],
        "layers": {
            "polysilicon": {"from": dict(zip(views, (0.61, 0.3588), strict=False)), **share},
            "metal": {"from": dict.fromkeys(views, 0.0) | {"top": 0.97}, **share},
        },
    }


def two_views(**more: Any) -> Any:
    top = {"tiles": "tiles/a1/*.jpg", "um_per_px": 0.5}
    dies = {
        "a1": {"revision": "A", "views": {"top": top, "bare": {"tiles": "tiles/a1/*.jpg"}}},
        "b1": {"revision": "B", "tiles": "tiles/b1/*.jpg"},
    }
    return settings(dies=dies, **more)


def words_of(page: Path) -> str:
    """The text of a page without its tags, with single blanks."""
    text = re.sub("<[^>]*>", " ", page.read_text(encoding="utf-8"))
    return re.sub(r"[ \n]+", " ", html.unescape(text))


def test_the_page_tells_which_layer_comes_from_which_view(tmp_path: Path) -> None:
    results = write_scene(tmp_path)
    shutil.copytree(results / "dies/a1/top", results / "dies/a1/bare")
    path = results / "dies/a1/layers.json"
    write_json(path, read_json(path) | {"merged": merged(BARE)})
    write_report(results, two_views())
    words = words_of(results / "report/die-a1.html")
    assert "The view bare lies over the view top by 112 of 154 patches" in words
    assert "miss by 0.27 px (root mean square), 95 % of them by less than 0.45 px" in words
    gap = "\N{NARROW NO-BREAK SPACE}"
    odd = f"contradict each other on metal over 42{gap}% of what either shows"
    assert odd in words
    assert f"61.0{gap}% 35.9{gap}% 3.0{gap}% 0.12{gap}% 52.0{gap}%" in words
    assert odd in words_of(results / "report/index.html")
    assert "bare" not in words_of(results / "report/die-b1.html")


def test_rows_come_in_the_order_of_the_layers() -> None:
    data = {"layers": ["polysilicon", "metal"], "merged": merged(BARE)}
    found = merged_views(data, two_views(), "a1")
    assert [(row.layer, row.shares) for row in found.rows] == [
        ("polysilicon", (0.61, 0.3588)),
        ("metal", (0.97, 0.0)),
    ]


def test_a_view_that_could_not_be_laid_over_has_no_column() -> None:
    why = "a1: the view bare could not be laid over the view top (too few), so nothing was taken."
    refused = {"view": "bare", "told": [], "distrusted": {}, "why": why}
    data = {"layers": ["polysilicon", "metal"], "merged": merged(refused)}
    found = merged_views(data, two_views(), "a1")
    assert (found.warnings, found.sentences, found.views) == ((why,), (), ("top",))


@pytest.mark.parametrize(
    ("merge", "sentence"),
    [(True, "since no swatch was drawn in it"), (False, "since segment.merge_views is false")],
)
def test_a_view_that_adds_nothing_is_said_so(merge: bool, sentence: str) -> None:
    data = {"layers": ["polysilicon", "metal"]}
    found = merged_views(data, two_views(segment={"merge_views": merge}), "a1")
    assert len(found.warnings) == 1
    assert sentence in found.warnings[0]
    assert found.rows == ()
    assert merged_views(data, two_views(), "b1").warnings == ()
