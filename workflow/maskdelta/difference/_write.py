"""Rows and figures of a comparison's list of changes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from maskdelta.difference._changes import Change
from maskdelta.study import DifferenceSettings, Poses, Registration, ToStudy

__all__ = ["change_row", "summary_of"]


def change_row(
    rank: int,
    change: Change,
    registration: Registration,
    to_study: ToStudy,
    poses: tuple[Poses, Poses],
    settings: DifferenceSettings,
) -> dict[str, Any]:
    """A row of changes.csv."""
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
        "p_value": None,
        "q_value": None,
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
