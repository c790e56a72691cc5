"""Which layer of a die comes from which of its views, in words and numbers for its page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from maskdelta.report._words import number, percent, plain_name
from maskdelta.study import StudySettings

__all__ = ["LayerOrigin", "MergedViews", "merged_views"]


@dataclass(frozen=True)
class LayerOrigin:
    """Shares of the photographed area of one layer."""

    layer: str
    shares: tuple[float, ...]
    hidden: float
    at_odds: float
    seen_twice: float


@dataclass(frozen=True)
class MergedViews:
    """What the page of a die says of its views.

    Parameters
    ----------
    warnings, sentences : tuple of str
    views : tuple of str
        Those that layers were taken from, the main one first.
    rows : tuple of LayerOrigin
    """

    warnings: tuple[str, ...]
    sentences: tuple[str, ...]
    views: tuple[str, ...]
    rows: tuple[LayerOrigin, ...]


def merged_views(data: Mapping[str, Any], study: StudySettings, die: str) -> MergedViews:
    """Sentences and shares; all empty for a die with one view.

    Parameters
    ----------
    data : mapping
        What layers.json holds.
    study : StudySettings
    die : str
    """
    merged = data.get("merged", {"views": [], "layers": {}})
    main = study.main_view(die)
    records = {record["view"]: record for record in merged["views"]}
    warnings, sentences = [], []
    for view in study.further_views(die):
        record = records.get(view)
        if record is None:
            warnings.append(_unused(view, merge=study.segment.merge_views))
        elif record["why"]:
            warnings.append(record["why"])
        else:
            sentences.append(_fit(view, main, record))
            warnings += [
                f"The views {main} and {view} contradict each other on {plain_name(layer)} over "
                f"{percent(share)} of what either shows of it, so nothing of it was taken from "
                f"{view}: look at the swatches of both."
                for layer, share in record["distrusted"].items()
            ]
    views = tuple(record["view"] for record in merged["views"] if not record["why"])
    rows = tuple(
        _origin(layer, merged["layers"][layer], views)
        for layer in data["layers"]
        if layer in merged["layers"]
    )
    return MergedViews(tuple(warnings), tuple(sentences), views, rows)


def _origin(layer: str, row: Mapping[str, Any], views: Sequence[str]) -> LayerOrigin:
    return LayerOrigin(
        layer,
        tuple(row["from"][view] for view in views),
        row["hidden_frac"],
        row["at_odds_frac"],
        row["seen_twice_frac"],
    )


def _unused(view: str, *, merge: bool) -> str:
    if not merge:
        return f"Nothing was taken from the view {view}, since segment.merge_views is false."
    return (
        f"The view {view} adds nothing to the layers, since no swatch was drawn in it: draw 3 to 6 "
        "for each stack that it shows."
    )


def _fit(view: str, main: str, record: Mapping[str, Any]) -> str:
    return (
        f"The view {view} lies over the view {main} by {number(record['patches_agree'])} of "
        f"{number(record['patches_tried'])} patches; patches left out of the fit miss by "
        f"{record['left_out_rms_px']:.2f} px (root mean square), 95 % of them by less than "
        f"{record['left_out_p95_px']:.2f} px."
    )
