"""Odds of a change, counted on pairs of dies that were made with the same masks.

Whatever is found between two dies of one revision is false: dirt, slips of the segmentation, faults
of a specimen. Their candidates are an empirical null (Efron 2004) that holds dirt too, which
overlaps of tiles do not, since both tiles show the same dirt. No tail is modelled: of a die's
hundreds of candidates all but a few score nothing, and a curve through these few would be invented.
So a p-value is a count, and never below 1 / (n + 1) (Phipson & Smyth 2010). It rests on the pairs
being alike in dirt and quality.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import scipy.stats
from numpy.typing import NDArray

from maskdelta.study import read_table

__all__ = ["NullPair", "Odds", "candidate_scores", "find_odds"]

Array = NDArray[np.float64]
_LEAST = 100


@dataclass(frozen=True)
class NullPair:
    """Candidates between two dies of the same revision.

    Parameters
    ----------
    comparison : str
    regions : list of dict
        Rows of its regions.csv.
    comparable_um2 : float
        Area compared, summed over the layers.
    """

    comparison: str
    regions: list[dict[str, Any]]
    comparable_um2: float

    @classmethod
    def read(cls, folder: str | Path) -> NullPair:
        """Read what the block-wise comparison left in its folder."""
        folder = Path(folder)
        sensitivity = read_table(folder / "sensitivity.csv", "sensitivity")
        return cls(
            folder.name,
            read_table(folder / "regions.csv", "regions"),
            sum(row["comparable_um2"] for row in sensitivity),
        )


@dataclass(frozen=True)
class Odds:
    """What the null pairs say about a comparison.

    Parameters
    ----------
    scores, p, q : (n,) float64
        Of the candidates, by descending score; `p` and `q` are empty where nothing can be said.
    null_pairs : tuple of str
    expected_false, expected_false_p95 : float or None
        Regions that would be listed here if nothing had changed: mean, and upper limit (95 %) from
        the counting of the null pairs.
    why_empty : str
        A sentence where nothing can be said.
    """

    scores: Array
    p: Array
    q: Array
    null_pairs: tuple[str, ...] = ()
    expected_false: float | None = None
    expected_false_p95: float | None = None
    why_empty: str = ""

    def of(self, score: float) -> tuple[float | None, float | None]:
        """p and q of a candidate by its score."""
        if not len(self.p):
            return None, None
        place = int(np.abs(self.scores - score).argmin())
        return float(self.p[place]), float(self.q[place])


def candidate_scores(regions: Sequence[dict[str, Any]]) -> Array:
    """Scores of the regions large enough to be judged, by descending score."""
    scores = np.array([row["score"] for row in regions if row["doubt"] != "small"], float)
    return np.asarray(np.sort(scores)[::-1])


def find_odds(
    regions: Sequence[dict[str, Any]], comparable_um2: float, null: Sequence[NullPair]
) -> Odds:
    """p- and q-values of all candidates of a comparison.

    p = (1 + null candidates that score at least as much) / (1 + null candidates); q after Benjamini
    & Hochberg (1995) over all candidates.

    Parameters
    ----------
    regions : sequence of dict
        Rows of regions.csv.
    comparable_um2 : float
        Area compared, summed over the layers.
    null : sequence of NullPair
    """
    scores = candidate_scores(regions)
    none = np.zeros(0)
    names = tuple(pair.comparison for pair in null)
    if not null:
        why = "no other comparison of two dies of one revision is named, so nothing to count on"
        return Odds(scores, none, none, why_empty=why)
    reference = np.sort(np.concatenate([candidate_scores(pair.regions) for pair in null]))
    if len(reference) < _LEAST:
        why = (
            f"{', '.join(names)} gave {len(reference)} candidates; {_LEAST} are needed to count on"
        )
        return Odds(scores, none, none, names, why_empty=why)
    above = len(reference) - np.searchsorted(reference, scores, side="left")
    p = (1 + above) / (1 + len(reference))
    q = scipy.stats.false_discovery_control(p) if len(p) else none
    false = sum(row["listed"] for pair in null for row in pair.regions)
    per_area = comparable_um2 / sum(pair.comparable_um2 for pair in null)
    upper = float(scipy.stats.chi2.ppf(0.95, 2 * (false + 1))) / 2
    return Odds(scores, p, q, names, false * per_area, upper * per_area)
