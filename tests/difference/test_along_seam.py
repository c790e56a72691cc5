"""Candidates along a seam that an earlier joining left in one of the pictures."""

from __future__ import annotations

import numpy as np

from maskdelta.difference._along_seam import SeamLines
from maskdelta.images import Box
from maskdelta.study import Registration

SEAM = {"x0_px": 500.0, "y0_px": 0.0, "x1_px": 500.0, "y1_px": 1000.0, "offset_px": 2.0}
ROW = {**SEAM, "doubled_px": 0}
MIRRORED = Registration("a", "b", np.array([[-1.0, 0.0, 1999.0], [0.0, 1.0, 0.0]]), mirror=True)


def test_only_what_lies_along_the_line_as_a_whole() -> None:
    lines = SeamLines.of_rows([ROW], [], MIRRORED)
    assert lines.hold(Box(496, 300, 505, 340))
    assert not lines.hold(Box(496, 300, 520, 340))  # reaches beyond: a change that it crosses
    assert not lines.hold(Box(560, 300, 565, 340))
    assert not lines.hold(Box(496, 1400, 505, 1440))  # beyond its end


def test_a_strip_shown_twice_reaches_further() -> None:
    lines = SeamLines.of_rows([{**ROW, "doubled_px": 15}], [], MIRRORED)
    assert lines.hold(Box(496, 300, 520, 340))


def test_seams_of_the_die_after_are_carried_over() -> None:
    lines = SeamLines.of_rows([], [ROW], MIRRORED)
    assert lines.hold(Box(1496, 300, 1503, 340))
    assert not lines.hold(Box(496, 300, 505, 340))


def test_without_seams_nothing_is_held() -> None:
    assert not SeamLines.none().hold(Box(0, 0, 5, 5))
