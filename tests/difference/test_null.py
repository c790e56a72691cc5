"""Odds counted on pairs of one revision: uniform on held-out nulls, empty where none is known."""

from __future__ import annotations

from typing import Any

import jsonschema
import numpy as np
import pytest
import scipy.stats

from maskdelta.difference._null import NullPair, find_odds
from maskdelta.difference._write import null_rows
from maskdelta.study import TABLES


def rows(scores: np.ndarray, *, listed: int = 0) -> list[dict[str, Any]]:
    """Rows of regions.csv; the `listed` best count as changes."""
    best = set(np.argsort(-scores)[:listed].tolist())
    return [
        {
            "layer": "metal",
            "score": float(score),
            "listed": k in best,
            "doubt": "" if k in best else "weak evidence",
        }
        for k, score in enumerate(scores)
    ]


def heavy(rng: np.random.Generator, count: int) -> np.ndarray:
    """Scores as dies give them: nine in ten nothing, the rest with a long tail."""
    return np.where(rng.random(count) < 0.9, 0.0, rng.pareto(2.0, count))


def test_p_values_of_held_out_nulls_are_uniform(rng) -> None:
    found, above = [], []
    for _ in range(40):
        null = NullPair("a1--a2", rows(heavy(rng, 900)), 1.0)
        odds = find_odds(rows(heavy(rng, 900)), 1.0, [null])
        above.append((odds.p <= 0.01).mean())
        found.append(odds.p[odds.scores > 0])
    # ties at score 0 have p = 1; the tenth above it is uniform below 0.1
    p = np.concatenate(found) / 0.1
    assert scipy.stats.kstest(np.minimum(p, 1), "uniform").statistic < 0.06
    # of 900 nulls 9 lie beyond this level, give or take a third; mean of 40: 0.01 +- 0.0008
    assert np.mean(above) == pytest.approx(0.01, abs=0.003)


def test_p_counts_and_never_is_zero() -> None:
    null = NullPair("a1--a2", rows(np.arange(199.0)), 1.0)
    odds = find_odds(rows(np.array([1000.0, 197.5, -1.0])), 1.0, [null])
    np.testing.assert_allclose(odds.p, [1 / 200, 2 / 200, 1.0], rtol=1e-12)
    assert odds.of(197.5)[0] == pytest.approx(2 / 200)


def test_false_discovery_rates_as_published() -> None:
    # Benjamini & Hochberg (1995), section 3.2, fifteen p values (from memory): four are
    # rejected at a false discovery rate of 0.05
    p = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459]
    p += [0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0]
    null = NullPair("a1--a2", rows(np.arange(9999.0)), 1.0)
    scores = np.array([9999.0 - (10000 * v - 1) for v in p])
    odds = find_odds(rows(scores), 1.0, [null])
    np.testing.assert_allclose(odds.p, p, rtol=1e-9)
    assert int((odds.q <= 0.05).sum()) == 4


def test_the_expected_number_scales_with_the_area() -> None:
    null = NullPair("a1--a2", rows(np.arange(300.0), listed=3), 2.0)
    odds = find_odds(rows(np.arange(10.0)), 4.0, [null])
    assert odds.expected_false == pytest.approx(6.0)
    # upper limit of a Poisson mean after 3 events: 7.75 (tables of confidence limits, from memory)
    assert odds.expected_false_p95 == pytest.approx(2 * 7.754, abs=0.01)


def test_rows_of_the_table_are_those_of_the_candidates() -> None:
    pairs = [NullPair("a1--a2", [*rows(np.arange(4.0)), {"doubt": "small"}], 1.0)]
    table = null_rows(pairs)
    assert [row["score"] for row in table] == [3.0, 2.0, 1.0, 0.0]
    for row in table:
        jsonschema.validate(row, TABLES["null"].schema())


def test_without_enough_nulls_nothing_is_said() -> None:
    odds = find_odds(rows(np.arange(10.0)), 1.0, [])
    assert "no other comparison of two dies of one revision" in odds.why_empty
    assert odds.of(3.0) == (None, None)
    few = find_odds(rows(np.arange(10.0)), 1.0, [NullPair("a1--a2", rows(np.arange(5.0)), 1.0)])
    assert few.why_empty == "a1--a2 gave 5 candidates; 100 are needed to count on"
    assert few.expected_false is None
