"""The page of a comparison, and the card that stands for it on the overview."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from shapely.geometry.base import BaseGeometry

from maskdelta.report._change_cards import UNITS, make_cards
from maskdelta.report._comparable import REASONS, LayerCoverage, map_comparable
from maskdelta.report._overview import Overview, draw_overview
from maskdelta.report._results import Compared, Folders
from maskdelta.report._templates import write_page
from maskdelta.report._words import area, listing, percent, plain_name

__all__ = ["ComparisonCard", "write_comparison_page"]


@dataclass(frozen=True)
class ComparisonCard:
    """What the overview says of a comparison."""

    compared: Compared
    overview: Overview
    coverage: list[LayerCoverage]
    sentences: list[str]


def write_comparison_page(
    compared: Compared,
    folders: Folders,
    outlines: dict[str, BaseGeometry],
    *,
    threads: int = 1,
    **common: object,
) -> ComparisonCard:
    """Write `<before>--<after>.html` with its pictures.

    Parameters
    ----------
    compared : Compared
    folders : Folders
    outlines : dict
        Geometry of the landmarks by label, study frame.
    threads : int
        For the crops.
    **common
        What all pages need: title and links.

    Returns
    -------
    ComparisonCard
    """
    card = ComparisonCard(
        compared,
        draw_overview(compared, folders, outlines),
        coverage := map_comparable(compared, folders),
        _sentences(compared, coverage),
    )
    write_page(
        folders.report / f"{compared.name}.html",
        "comparison.html",
        c=compared,
        card=card,
        cards=make_cards(compared, folders, threads=threads),
        landmarks=_landmark_tables(compared),
        coverage=card.coverage,
        reasons=REASONS[1:],
        planted=sum(row["planted"] for row in compared.sensitivity),
        units=UNITS,
        verdicts_file=folders.study.verdicts,
        has_arrays=bool(folders.study.arrays),
        page=f"{compared.name}.html",
        **common,
    )
    return card


def _landmark_tables(compared: Compared) -> list[dict[str, Any]]:
    """Rows of landmarks.csv, a table a landmark, with the ranks of the changes nearest to it."""
    labels = list(dict.fromkeys(row["landmark"] for row in compared.landmarks))
    return [
        {
            "label": label,
            "rows": [row for row in compared.landmarks if row["landmark"] == label],
            "ranks": [row["rank"] for row in compared.changes if row["landmark"] == label],
        }
        for label in labels
    ]


def _sentences(compared: Compared, coverage: Sequence[LayerCoverage]) -> list[str]:
    """The headline figures in words."""
    if compared.refused:
        return []
    return [
        *_how_judged(compared),
        *_what_odds(compared),
        *_which_kinds(compared),
        *_where_changed(compared),
        *_how_much_compared(coverage),
        *_how_small(compared),
    ]


def _how_judged(compared: Compared) -> list[str]:
    parts = [
        f"{compared.summary[ruling]} {ruling}"
        for ruling in ("accepted", "rejected")
        if compared.summary[ruling]
    ]
    altered = sum(bool(row["since_verdict"]) for row in compared.changes)
    if altered:
        parts.append(f"{altered} no longer as it was when judged")
    if not parts:
        return []
    return [f"Verdicts: {listing(parts)}. Areas here leave rejected changes out."]


def _what_odds(compared: Compared) -> list[str]:
    """How many false changes there may be, or why nobody knows."""
    if compared.revisions[0] == compared.revisions[1]:
        return [
            "Both dies are of one revision: what is listed is dirt, a slip or a specimen's fault."
        ]
    facts = compared.summary
    if facts["null_why_empty"]:
        return [f"How many of these are false is not known: {facts['null_why_empty']}."]
    words = (
        f"About {facts['expected_false']:.1f} regions would be listed if nothing had changed (at "
        f"most {facts['expected_false_p95']:.1f} at 95 %), counted on "
    )
    return [f"{words}{listing(facts['null_pairs'])}."]


def _which_kinds(compared: Compared) -> list[str]:
    kinds = sorted(compared.summary["kinds"].items(), key=lambda kind: (-kind[1], kind[0]))
    return [f"Kinds: {listing([f'{count} {kind}' for kind, count in kinds])}."] if kinds else []


def _where_changed(compared: Compared) -> list[str]:
    if not compared.changes:
        return ["No change was found in what could be compared."]
    totals: dict[str, float] = {}
    for row in compared.changes:
        if row["verdict"] == "rejected":
            continue
        changed = row["added_um2"] + row["removed_um2"]
        totals[row["landmark"]] = totals.get(row["landmark"], 0.0) + changed
    near = sorted((label for label in totals if label), key=lambda label: -totals[label])
    if not near:
        return ["No change lies near a landmark."]
    unit = f"{compared.unit}\N{SUPERSCRIPT TWO}"
    parts = [f"{label} ({area(totals[label])} {unit})" for label in near[:4]]
    more = f" and {len(near) - 4} more landmarks" if len(near) > 4 else ""
    lead = listing(parts) if not more else ", ".join(parts) + more
    return [f"Changed area near landmarks: {lead}."]


def _how_much_compared(coverage: Sequence[LayerCoverage]) -> list[str]:
    if not coverage:
        return []
    ordered = sorted(coverage, key=lambda c: -c.compared)
    parts = [f"{percent(c.compared)} in {plain_name(c.layer)}" for c in ordered]
    return [f"Of the photographed area, this much could be compared: {listing(parts)}."]


def _how_small(compared: Compared) -> list[str]:
    seen = [row["smallest_seen_um"] for row in compared.sensitivity if row["smallest_seen_um"]]
    if not seen:
        return []
    span = (
        f"{min(seen):.1f}"
        if max(seen) - min(seen) < 0.05
        else f"{min(seen):.1f} to {max(seen):.1f}"
    )
    words = (
        f"Of squares of {span} {compared.unit} a side, by layer, 95 % are found where they could "
        "be compared: planted ones were, with corners as round as those of the die's own shapes."
    )
    return [words]
