"""Numbers as people read them, and scale bars of round lengths."""

from __future__ import annotations

import math

import numpy as np
import pytest

from maskdelta.report._scale_bar import round_length, scale_bar
from maskdelta.report._words import (
    area,
    balance,
    direction,
    listing,
    number,
    odds,
    percent,
    significant,
    unit_sign,
)

GAP, MINUS, DASH = "\u202f", "\u2212", "\u2013"


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [
        (1234567, 0, f"1{GAP}234{GAP}567"),
        (-2.5, 1, f"{MINUS}2.5"),
        (-0.001, 1, "0.0"),
        (None, 0, DASH),
        ("", 0, DASH),
    ],
)
def test_numbers(value, decimals, text):
    assert number(value, decimals) == text


def test_areas_have_a_decimal_only_where_it_matters():
    assert area(17.53) == "17.5"
    assert area(1753.4) == f"1{GAP}753"
    assert area(0) == "0"


@pytest.mark.parametrize(
    ("share", "text"),
    [(1.0, "100"), (0.9999, "99"), (0.0, "0"), (0.0004, "below 1"), (0.456, "46")],
)
def test_percent_is_never_whole_by_rounding(share, text):
    assert percent(share) == f"{text}{GAP}%"


def test_odds_are_capped():
    assert odds(4.6) == "99"
    assert odds(-3.0) == "20"
    assert odds(50) == "more than a million"


def test_words():
    assert listing(["a", "b", "c"]) == "a, b and c"
    assert listing(["a"]) == "a"
    assert listing([]) == ""
    assert significant(0.01234) == "0.012"
    assert significant(3.0) == "3"
    assert significant(-1.5) == f"{MINUS}1.5"
    assert significant(1234) == f"1{GAP}200"
    assert unit_sign("um") == "\u00b5m"
    assert unit_sign("px") == "px"


def test_round_lengths_are_round_and_as_long_as_they_can_be(rng):
    for longest in 10 ** rng.uniform(-6, 6, 500):
        length = round_length(longest)
        lead = length / 10 ** math.floor(math.log10(length) + 1e-9)
        assert min(abs(lead - step) for step in (1, 2, 5)) < 1e-9
        assert length <= longest * (1 + 1e-9)
        assert longest < 2.5 * length * (1 + 1e-9)  # the next one up is 2 or 2.5 times longer


@pytest.mark.parametrize("longest", [1.0, 2.0, 5.0, 10.0, 0.5, 0.2, 1000.0])
def test_a_round_length_is_its_own_round_length(longest):
    assert round_length(longest) == longest


def test_a_bar_is_as_long_as_it_says():
    bar = scale_bar(240.0, "um", most_frac=0.3)
    assert (bar.length, bar.label) == (50.0, "50 um")
    np.testing.assert_allclose(bar.share, 100 * 50 / 240, atol=5e-4)  # written with 3 decimals
    assert scale_bar(1.0, "px").label == "0.2 px"


def test_directions_and_balance():
    assert [direction(d) for d in (0, 44, 90, 181, 337, 359)] == [
        "above",
        "above right of",
        "right of",
        "below",
        "above left of",
        "above",
    ]
    rows = [{"added_um2": a, "removed_um2": r} for a, r in ((10.0, 0.5), (0.5, 10.0), (3.0, 4.0))]
    assert [balance(row) for row in rows] == ["added", "removed", "altered"]
