"""Verdicts find their change again by layers and place."""

from __future__ import annotations

from dataclasses import replace

from maskdelta.difference import Change, apply_verdicts, rank_changes
from maskdelta.study import Verdict


def change(x: float, y: float, *layers: str, area: float = 20.0, side: float = 8.0) -> Change:
    box = (x - side / 2, y - side / 2, x + side / 2, y + side / 2)
    return Change((), layers, x, y, box, area, 0.0, 0.1, 5.0, -2.0)


def verdict(
    name: str, ruling: str = "rejected", area: float | None = None, line: int = 2
) -> Verdict:
    layers, place = name.split("@")
    x, y = map(float, place.split(","))
    return Verdict(line, "a--b", name, tuple(layers.split("+")), x, y, ruling, area_um2=area)


def test_a_verdict_survives_a_shift_and_goes_to_the_same_layers_first() -> None:
    found = [
        change(100, 50, "metal"),
        change(104, 50, "contact", "metal"),
        change(900, 50, "metal"),
    ]
    judged, unmatched = apply_verdicts(found, [verdict("metal@103,51")], reach_um=10.0)
    # the change with two layers is nearer, but that with the very same layer is meant
    assert [c.rejected for c in judged] == [True, False, False]
    assert unmatched == []


def test_what_fits_no_change_is_told_and_never_dropped() -> None:
    found = [change(100, 50, "metal")]
    verdicts = [
        verdict("metal@100,50", line=2),
        verdict("metal@101,50", line=3),
        verdict("metal@130,50", line=4),
        verdict("contact@100,50", line=5),
    ]
    judged, unmatched = apply_verdicts(found, verdicts, reach_um=10.0)
    assert judged[0].verdict == verdicts[0]
    assert [sentence.split(":")[0] for sentence in unmatched] == ["line 3", "line 4", "line 5"]
    assert "another verdict fits the same change better" in unmatched[0]
    assert "no change is there now" in unmatched[1]


def test_large_changes_may_lie_farther_from_where_they_were_judged() -> None:
    large = change(1000, 1000, "metal", side=400.0)
    judged, _ = apply_verdicts([large], [verdict("metal@1040,1000")], reach_um=10.0)
    assert judged[0].rejected
    small = change(1000, 1000, "metal")
    judged, unmatched = apply_verdicts([small], [verdict("metal@1040,1000")], reach_um=10.0)
    assert not judged[0].rejected
    assert len(unmatched) == 1


def test_what_altered_since_the_verdict_is_flagged() -> None:
    now = change(0, 0, "contact", "metal", area=50.0)
    assert now.since_verdict(4.0) == ""
    judged = replace(now, verdict=verdict("metal@0,0", "accepted", area=31.2))
    assert judged.since_verdict(4.0) == "area was 31.2, is 50.0; layers were metal"
    # within the least area that is reported, and within a tenth: the same
    assert replace(now, verdict=verdict("contact+metal@0,0", area=47.0)).since_verdict(4.0) == ""
    big = change(0, 0, "metal", area=1050.0)
    assert replace(big, verdict=verdict("metal@0,0", area=1000.0)).since_verdict(4.0) == ""


def test_rejected_changes_come_last() -> None:
    large, small = change(0, 0, "metal", area=900.0), change(50, 0, "metal", area=5.0)
    judged, _ = apply_verdicts([large, small], [verdict("metal@0,0")], reach_um=10.0)
    assert [c.added_um2 for c in rank_changes(judged, [])] == [5.0, 900.0]
