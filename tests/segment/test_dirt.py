"""Colours somewhat off: films that vary are believed, dirt is not, wherever a block ends."""

from __future__ import annotations

import numpy as np

from maskdelta.segment._dirt import unknown_colours
from maskdelta.study import SegmentSettings

NO_EDGE = 0  # squared distance from a stack, quarters
SOMEWHAT_OFF = 60


def scene() -> tuple[np.ndarray, np.ndarray]:
    """A strip 300 px long that is somewhat off in colour.

    Its left half goes over into its stack, its right half has an outline. Below lies a small patch
    of either kind. Returns distances and which px are on no edge.
    """
    far = np.full((200, 400), NO_EDGE, np.uint8)
    flat = np.ones(far.shape, bool)
    for rows, columns, outlined in (
        (slice(60, 80), slice(50, 350), slice(200, 350)),
        (slice(130, 145), slice(100, 120), slice(0, 0)),
        (slice(130, 145), slice(200, 220), slice(200, 220)),
    ):
        far[rows, columns] = SOMEWHAT_OFF
        rim = np.zeros(far.shape, bool)
        rim[rows.start - 2 : rows.stop + 2, outlined.start - 2 : outlined.stop + 2] = True
        rim[rows, columns] = False
        if outlined.stop:
            flat[rim] = False
    return far, flat


def unknown(far: np.ndarray, flat: np.ndarray) -> np.ndarray:
    first, dot = np.zeros(far.shape, np.uint8), np.zeros(far.shape, bool)
    return unknown_colours(far, flat, first, dot, SegmentSettings()) > 0


def test_what_goes_over_into_its_stack_is_believed_and_what_has_an_outline_is_not():
    found = unknown(*scene())
    # 50 px from the middle, where a px sees both halves
    assert not found[60:80, 50:150].any()
    assert found[64:76, 250:340].all()
    assert not found[130:145, 100:120].any()
    assert found[134:141, 204:216].all()


def test_a_patch_that_a_block_cuts_is_judged_as_in_one_that_holds_it():
    far, flat = scene()
    whole = unknown(far, flat)
    for x0, x1 in ((0, 250), (150, 400), (230, 400)):
        part = unknown(far[:, x0:x1], flat[:, x0:x1])
        # nearer to the cut less is seen
        left, right = x0 and 56, (400 - x1) and 56
        inner = slice(left, x1 - x0 - right)
        np.testing.assert_array_equal(part[:, inner], whole[:, x0:x1][:, inner])
