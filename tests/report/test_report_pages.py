"""The pages of a small study: complete, sound, alone, and the same every time."""

from __future__ import annotations

import hashlib
import html.parser
import re
from pathlib import Path
from urllib.parse import unquote

import numpy as np
import pytest

from maskdelta.errors import MaskdeltaError
from maskdelta.images import read_picture
from maskdelta.report import write_report
from maskdelta.report._comparable import map_comparable
from maskdelta.report._results import Folders, read_comparison
from maskdelta.study import read_json, read_table, write_json, write_table
from report_scene import ADDED, HEIGHT, HIDDEN, OUT, REMOVED, SPOILED, WIDTH, settings, write_scene

VOID = {"meta", "img", "br", "input", "source", "link", "hr"}
PAGES = {
    "a1--b1-fit.html",
    "a1--b1.html",
    "die-a1.html",
    "die-b1.html",
    "index.html",
    "quality.html",
    "reading.html",
}


class Page(html.parser.HTMLParser):
    """A page's tags, balanced or not, with what the tests ask about."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self.open: list[str] = []
        self.faults: list[str] = []
        self.ids: list[str] = []
        self.links: list[str] = []
        self.headings: list[int] = []
        self.tables: list[set[str]] = []
        self.words = ""
        self.feed(path.read_text(encoding="utf-8"))
        self.close()
        self.faults += [f"{tag} is not closed" for tag in self.open]

    def handle_starttag(self, tag, attrs):
        data = dict(attrs)
        if tag not in VOID:
            self.open.append(tag)
        if "id" in data:
            self.ids.append(data["id"])
        self.links += [data[k] or "" for k in ("src", "href", "srcset") if k in data]
        if tag == "img" and not data.get("alt"):
            self.faults.append(f"no alt: {data}")
        if re.fullmatch("h[1-6]", tag):
            self.headings.append(int(tag[1]))
        if tag == "table":
            self.tables.append(set())
        if tag in ("caption", "th"):
            self.tables[-1].add(tag)
        if tag == "th" and "scope" not in data:
            self.faults.append("th without scope")

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag):
        if not self.open or self.open.pop() != tag:
            self.faults.append(f"</{tag}> at {self.getpos()}")

    def handle_data(self, data):
        if self.open and self.open[-1] not in ("style", "script"):
            self.words += data


def pages_below(folder: Path) -> list[Path]:
    return sorted(folder.rglob("*.html"))


def digests(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture(scope="module")
def results(tmp_path_factory) -> Path:
    results = write_scene(tmp_path_factory.mktemp("study"))
    write_report(results, settings())
    return results


@pytest.fixture(scope="module")
def refused(tmp_path_factory) -> Path:
    reason = "only 3 of 40 patches agree; mark three point pairs"
    results = write_scene(tmp_path_factory.mktemp("refused"), refused=[reason])
    write_report(results, settings())
    return results


def check_all(results: Path) -> None:
    for path in pages_below(results):
        page = Page(path)
        assert not page.faults, (path, page.faults)
        assert len(page.ids) == len(set(page.ids)), path
        assert page.headings[0] == 1
        assert page.headings.count(1) == 1
        assert max(np.diff(page.headings), default=0) <= 1, path  # no level is left out
        assert all(table == {"caption", "th"} for table in page.tables), path
        assert "content" in page.ids  # where the skip link leads
        for link in page.links:
            assert not re.match("[a-z]+:|/", link), (path, link)
            target, _, anchor = link.partition("#")
            where = path.parent / unquote(target) if target else path
            assert where.is_file(), (path, link)
            if anchor:
                assert anchor in Page(where).ids, (path, link)


def test_pages_are_sound_and_stand_alone(results):
    assert {path.name for path in pages_below(results / "report")} == PAGES
    check_all(results)


def test_pages_name_no_machine_and_no_network(results, tmp_path):
    for path in pages_below(results):
        text = path.read_text(encoding="utf-8")
        assert "http" not in text
        assert str(results.parent) not in text
        assert str(Path.home()) not in text
        assert "Small &lt;study&gt;" in text or path.parent.name == "survey"


def test_headlines(results):
    words = " ".join(Page(results / "report" / "index.html").words.split())
    assert "2 changes: 200 µm² added, 150 µm² removed" in words
    assert "clock (200 µm²)" in words
    assert "What lies under metal" in words
    assert "2 of 3" in words  # tiles placed


def test_uneven_seams_of_the_mosaic_are_told(results):
    words = " ".join(Page(results / "report" / "die-a1.html").words.split())
    assert "7.1 grey levels of 255 along the seams, 9.4 in the overlaps" in words
    assert "Seams along which two tiles differ by more than 6 grey levels" in words


def test_a_registration_is_shown_close_up(results):
    page = Page(results / "report" / "a1--b1-fit.html")
    assert "Worst: x " in page.words
    for name in ("worst", "typical", "best"):
        for way in ("squares", "outlines"):
            assert (results / "report" / "a1--b1" / f"fit_{name}_{way}.jpg").is_file()


def test_a_change_has_its_pictures_and_figures(results):
    page = Page(results / "report" / "a1--b1.html")
    words = " ".join(page.words.split())
    assert {"change-1", "change-2", "added-1", "removed-2"} <= set(page.ids)
    assert "the weaker of the two photographs speaks for it by 67 to 1" in words
    assert "22 times more seldom" in words
    assert "12 µm below right of clock" in words
    assert "no landmark within reach" in words
    assert "tile 1.jpg" in words
    crops = [
        read_picture(results / f"report/a1--b1/change_001_{which}.jpg")
        for which in ("before", "after", "difference")
    ]
    assert {crop.shape for crop in crops} == {(480, 480, 3)}  # 60 um at 0.5 um/px, four times


def test_crops_lie_in_one_frame_though_the_dies_are_mirrored(results):
    before, after = (
        read_picture(results / f"report/a1--b1/change_001_{which}.jpg").astype(float)
        for which in ("before", "after")
    )
    changed = np.abs(before - after).max(-1) > 60
    y, x = np.nonzero(changed)
    # the box of the added area in a crop of 120 px around its middle, four times enlarged
    width, height = 4 * (ADDED[2] - ADDED[0]), 4 * (ADDED[3] - ADDED[1])
    expected = [240 - width / 2, 240 + width / 2, 240 - height / 2, 240 + height / 2]
    # 2 px of the mosaic: the crop's middle is rounded, and cubic edges ring
    np.testing.assert_allclose([x.min(), x.max(), y.min(), y.max()], expected, atol=8)


def test_outlines_lie_over_the_change(results):
    text = (results / "report" / "a1--b1.html").read_text(encoding="utf-8")
    path = re.search(r'<path id="added-1"[^>]* d="M([^"]*)Z"', text)
    assert path
    points = np.array([pair.split(",") for pair in path[1].split()], float)
    size = np.array([ADDED[2] - ADDED[0], ADDED[3] - ADDED[1]]) * 1000 / 120
    np.testing.assert_allclose(np.ptp(points, axis=0), size, atol=0.2)  # one decimal is written
    np.testing.assert_allclose(points.mean(0), [500, 500], atol=1000 / 120)


def test_shares_of_what_could_not_be_compared(results):
    folders = Folders(results, settings())
    coverage = {
        c.layer: c for c in map_comparable(read_comparison(folders, folders.pairs[0]), folders)
    }
    whole = HEIGHT * WIDTH

    def share(box):
        return (box[2] - box[0]) * (box[3] - box[1]) / whole

    metal, poly = coverage["metal"].shares, coverage["polysilicon"].shares
    for shares in (metal, poly):
        np.testing.assert_allclose(sum(shares.values()), 1)
        np.testing.assert_allclose(shares["one"], share(OUT))
        np.testing.assert_allclose(shares["spoiled"], share(SPOILED))
        assert shares["aside"] == 0
    assert metal["hidden"] == 0
    np.testing.assert_allclose(poly["hidden"], share(HIDDEN))
    np.testing.assert_allclose(metal["added"], share(ADDED))
    np.testing.assert_allclose(poly["removed"], share(REMOVED))
    np.testing.assert_allclose(coverage["metal"].areas["added"], 200)
    np.testing.assert_allclose(coverage["metal"].compared, 1 - share(OUT) - share(SPOILED))


def test_the_same_bytes_twice_and_with_more_threads(results, tmp_path):
    before = digests(results / "report")
    (results / "report" / "a1--b1" / "change_099_before.jpg").write_bytes(b"of an earlier run")
    write_report(results, settings(), threads=2)
    assert digests(results / "report") == before


def test_a_refused_registration_is_said_and_nothing_is_compared(refused):
    check_all(refused)
    for name in ("index.html", "a1--b1.html", "a1--b1-fit.html", "quality.html"):
        assert "only 3 of 40 patches agree" in Page(refused / "report" / name).words, name
    page = Page(refused / "report" / "a1--b1.html")
    assert "nothing was compared" in page.words
    assert "changes" not in page.ids
    assert (refused / "report" / "a1--b1" / "candidate_1.jpg").is_file()
    assert "7 of 90" in Page(refused / "report" / "a1--b1-fit.html").words
    assert "keeps its own frame" in Page(refused / "report" / "die-b1.html").words


def test_without_a_scale_everything_is_in_px(tmp_path):
    results = write_scene(tmp_path, um_per_px=None)
    write_report(results, settings())
    check_all(results)
    for path in pages_below(results / "report"):
        words = Page(path).words
        assert "µm" not in words, path
        assert "um²" not in words, path
    assert "800 px² added" in Page(results / "report" / "index.html").words


def test_no_change_is_a_finding_too(tmp_path):
    results = write_scene(tmp_path, changed=False)
    write_report(results, settings(comparisons=[{"before": "a1", "after": "b1"}]))
    check_all(results)
    words = Page(results / "report" / "a1--b1.html").words
    assert "No change was found in what could be compared" in words
    assert "What could not be compared" in words


def test_no_comparison_at_all(tmp_path):
    results = write_scene(tmp_path)
    write_report(results, settings(comparisons=[]))
    assert "No comparison is named" in Page(results / "report" / "index.html").words
    check_all(results)


def test_only_the_first_changes_get_pictures_and_all_get_a_row(tmp_path):
    results = write_scene(tmp_path)
    write_report(results, settings(report={"changes_shown": 1, "title": "Other"}))
    page = Page(results / "report" / "a1--b1.html")
    assert "change-1" in page.ids
    assert "change-2" not in page.ids
    assert "All 2 changes" in page.words
    assert "Other" in Page(results / "report" / "index.html").words
    check_all(results)


def test_verdicts_are_honoured(tmp_path):
    results = write_scene(tmp_path)
    folder = results / "comparisons" / "a1--b1"
    first, second = read_table(folder / "changes.csv", "changes")
    second |= {"verdict": "rejected", "label": "hair <1>", "note": "gone after cleaning"}
    second |= {"since_verdict": "area was 50.0, is 150.0"}
    write_table(folder / "changes.csv", "changes", [first, second])
    summary = read_json(folder / "summary.json") | {"rejected": 1}
    summary["verdicts_unmatched"] = ["line 3: `metal@1,2` (accepted): no change is there now"]
    write_json(folder / "summary.json", summary)
    write_report(results, settings())
    check_all(results)
    words = " ".join(Page(results / "report" / "a1--b1.html").words.split())
    assert "Verdicts: 1 rejected and 1 no longer as it was when judged" in words
    assert "1 verdict of the verdicts file found no change:line 3: `metal@1,2`" in words
    assert "2. hair <1>" in words
    assert "rejected (since then: area was 50.0, is 150.0): gone after cleaning" in words
    assert 'a1--b1,"' + second["change"] + '",rejected,,,' in words


def test_a_missing_result_is_named(tmp_path):
    results = write_scene(tmp_path)
    (results / "comparisons" / "a1--b1" / "changes.csv").unlink()
    with pytest.raises(MaskdeltaError, match=r"changes\.csv"):
        write_report(results, settings())
