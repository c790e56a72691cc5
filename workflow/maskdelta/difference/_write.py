"""Rows and figures of a comparison's list of changes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from maskdelta.difference._changes import Change
from maskdelta.difference._null import NullPair, Odds
from maskdelta.study import DifferenceSettings, Poses, Registration, ToStudy

__all__ = ["change_row", "null_rows", "odds_of", "odds_summary", "summary_of"]


def change_row(
    rank: int,
    change: Change,
    registration: Registration,
    to_study: ToStudy,
    poses: tuple[Poses, Poses],
    settings: DifferenceSettings,
) -> dict[str, Any]:
    """A row of changes.csv without its odds."""
    there = to_study.to_mosaic([[change.x_um, change.y_um]])
    in_after = registration.before_to_after(there)
    x0, y0, x1, y1 = change.box_um
    verdict = change.verdict
    return {
        "rank": rank,
        "change": change.name,
        "kind": change.kind,
        "moved_x_um": change.moved_um[0] if change.moved_um else None,
        "moved_y_um": change.moved_um[1] if change.moved_um else None,
        "layers": " ".join(change.layers),
        "x_um": change.x_um,
        "y_um": change.y_um,
        "x0_um": x0,
        "y0_um": y0,
        "x1_um": x1,
        "y1_um": y1,
        "added_um2": change.added_um2,
        "removed_um2": change.removed_um2,
        "error_um": change.error_um,
        "evidence": change.evidence,
        "affinity": change.affinity,
        "seen_before": f"{change.seen.before} of {change.seen.before_known}",
        "seen_after": f"{change.seen.after} of {change.seen.after_known}",
        "cause": change.seen.cause,
        "landmark": change.landmark,
        "landmark_distance_um": change.landmark_distance_um,
        "landmark_bearing_deg": change.landmark_bearing_deg,
        "verdict": verdict.ruling if verdict else "",
        "label": verdict.name if verdict else "",
        "note": verdict.note if verdict else "",
        "since_verdict": change.since_verdict(settings.min_area_um2),
        "tiles_before": " ".join(poses[0].showing(*there[0])),
        "tiles_after": " ".join(poses[1].showing(*in_after[0])),
    }


def summary_of(
    changes: Sequence[Change],
    registration: Registration,
    unit: str,
    doubtful: int,
    shares: Mapping[str, float],
    unmatched: Sequence[str],
) -> dict[str, Any]:
    """What summary.json holds; kinds and areas are of the changes that were not rejected."""
    counted = [c for c in changes if not c.rejected]
    rulings = [c.verdict.ruling for c in changes if c.verdict]
    return {
        "before": registration.before,
        "after": registration.after,
        "unit": unit,
        "refused": list(registration.refused),
        "changes": len(changes),
        "kinds": dict(Counter(c.kind for c in counted)),
        "causes": dict(Counter(c.seen.cause for c in counted if c.seen.cause)),
        "accepted": rulings.count("accepted"),
        "rejected": rulings.count("rejected"),
        "verdicts_unmatched": list(unmatched),
        "added_um2": round(sum(c.added_um2 for c in counted), 2),
        "removed_um2": round(sum(c.removed_um2 for c in counted), 2),
        "doubtful_regions": doubtful,
        "comparable_frac": dict(shares),
        "ranking": "changed area / (1 + distance to the nearest landmark / its reach), "
        "rejected changes last",
    }


def odds_of(change: Change, odds: Odds, um_per_px: float) -> dict[str, float | None]:
    """The odds in a row of changes.csv: those of the strongest region."""
    p, q = odds.of(max(region.score for region in change.regions) * um_per_px)
    return {"p_value": p, "q_value": q}


def null_rows(pairs: Sequence[NullPair]) -> list[dict[str, Any]]:
    """Rows of null.csv, best score first."""
    rows = [
        {"comparison": pair.comparison}
        | {name: row[name] for name in ("layer", "score", "listed", "doubt")}
        for pair in pairs
        for row in pair.regions
        if row["doubt"] != "small"
    ]
    return sorted(rows, key=lambda row: -row["score"])


def odds_summary(odds: Odds) -> dict[str, Any]:
    """What summary.json says of the odds."""

    def rounded(value: float | None) -> float | None:
        return None if value is None else round(value, 2)

    return {
        "null_pairs": list(odds.null_pairs),
        "null_why_empty": odds.why_empty,
        "expected_false": rounded(odds.expected_false),
        "expected_false_p95": rounded(odds.expected_false_p95),
    }
