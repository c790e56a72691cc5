"""Verdicts of a person, laid on the changes of this run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from maskdelta.difference._changes import Change
from maskdelta.study import Verdict

__all__ = ["apply_verdicts"]


def apply_verdicts(
    changes: Sequence[Change], verdicts: Sequence[Verdict], *, reach_um: float
) -> tuple[list[Change], list[str]]:
    """Give each change the verdict that was passed on it.

    A change is known again by its layers and place, not by its rank: a verdict fits a change whose
    centre lies within `reach_um` of the place judged (for large changes a tenth of the diagonal of
    their box) and which shares at least half of the layers. Verdicts go to changes one to one:
    those with the very same layers first, then the nearest.

    Parameters
    ----------
    changes : sequence of Change
    verdicts : sequence of Verdict
        Those of this comparison.
    reach_um : float

    Returns
    -------
    changes : list of Change
        In the same order.
    unmatched : list of str
        A sentence for every verdict that no change was given.
    """
    offers = []
    for v, verdict in enumerate(verdicts):
        for c, change in enumerate(changes):
            apart_um = float(np.hypot(change.x_um - verdict.x_um, change.y_um - verdict.y_um))
            shared = _shared_layers(change.layers, verdict.layers)
            if shared >= 0.5 and apart_um <= max(reach_um, 0.1 * _diagonal_um(change)):
                offers.append((-shared, apart_um, v, c))
    given: dict[int, int] = {}
    for _, _, v, c in sorted(offers):
        if v not in given.values() and c not in given:
            given[c] = v
    judged = [
        replace(change, verdict=verdicts[given[c]]) if c in given else change
        for c, change in enumerate(changes)
    ]
    unmatched = [
        _unmatched(verdict, any(offer[2] == v for offer in offers))
        for v, verdict in enumerate(verdicts)
        if v not in given.values()
    ]
    return judged, unmatched


def _shared_layers(here: Sequence[str], there: Sequence[str]) -> float:
    """Layers in common as a share of all layers of either."""
    return len(set(here) & set(there)) / len(set(here) | set(there))


def _diagonal_um(change: Change) -> float:
    x0, y0, x1, y1 = change.box_um
    return float(np.hypot(x1 - x0, y1 - y0))


def _unmatched(verdict: Verdict, taken: bool) -> str:
    why = "another verdict fits the same change better" if taken else "no change is there now"
    return f"line {verdict.line}: `{verdict.change}` ({verdict.ruling}): {why}"
