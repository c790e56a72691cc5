"""Design or defect: what further specimens say of a change."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import numpy as np
import pytest
import shapely

from maskdelta.difference import ADDED, NOT_COMPARABLE, REMOVED
from maskdelta.difference._specimens import OtherPair, Seen, Witness, seen_in
from maskdelta.images import write_raster
from maskdelta.study import ToStudy

CHANGE = [("metal", ADDED, shapely.box(10, 20, 20, 30))]  # um at 0.5 um a px: px 20..40, 40..60
COMPARED = ("a1", "b1")


@pytest.fixture
def witness(tmp_path: Path) -> Iterator[Callable[..., Witness]]:
    with ExitStack() as stack:

        def made(pair: tuple[str, str], state: int, revised: bool) -> Witness:
            write_mask(tmp_path / f"{pair[0]}--{pair[1]}" / "differences" / "metal.tif", state)
            folder = tmp_path / f"{pair[0]}--{pair[1]}"
            other = OtherPair(*pair, revised, folder, ToStudy(pair[0], "a1", 0.5))
            return other.witness(COMPARED, ["metal"], stack)

        yield made


def write_mask(path: Path, state: int) -> None:
    plane = np.zeros((1, 120, 120), np.uint8)
    plane[:, 41:61, 21:40] = state  # a px off, as registrations are
    write_raster(
        path,
        lambda b: plane[:, b.y0 : b.y1, b.x0 : b.x1],
        shape=(120, 120),
        dtype=np.uint8,
        planes=("metal",),
        reduce="nearest",
    )


@pytest.mark.parametrize(
    ("pair", "state", "new"),
    [
        (("a1", "d"), ADDED, True),
        (("a1", "d"), 0, False),
        (("a1", "d"), REMOVED, None),  # something else changed there
        (("d", "a1"), REMOVED, True),
        (("d", "a1"), 0, False),
        (("d", "b1"), ADDED, False),
        (("d", "b1"), 0, True),
        (("b1", "d"), REMOVED, False),
        (("b1", "d"), 0, True),
        (("b1", "d"), NOT_COMPARABLE, None),
    ],
)
def test_a_third_die_agrees_where_nothing_differs(witness, pair, state, new) -> None:
    found = witness(pair, state, True)
    assert found.die == "d"
    assert found.shows_new(CHANGE) is new


def test_specimens_are_counted_and_tell_the_cause(witness) -> None:
    old_a2 = witness(("a2", "b1"), ADDED, False)
    new_b2 = witness(("a1", "b2"), ADDED, True)
    old_b2 = witness(("b1", "b2"), REMOVED, True)
    assert seen_in(CHANGE, []) == Seen(0, 1, 1, 1)
    assert seen_in(CHANGE, []).cause == ""
    assert seen_in(CHANGE, [old_a2, new_b2]) == Seen(0, 2, 2, 2)
    assert seen_in(CHANGE, [old_a2, new_b2]).cause == "mask change"
    assert seen_in(CHANGE, [new_b2]).cause == "undecided"  # a1 alone may be at fault
    assert seen_in(CHANGE, [old_a2, old_b2]) == Seen(0, 2, 1, 2)
    assert seen_in(CHANGE, [old_a2, old_b2]).cause == "specimen fault"
    assert seen_in(CHANGE, [new_b2, old_b2]) == Seen(0, 1, 1, 1)  # they contradict each other


@pytest.mark.parametrize(
    ("seen", "cause"),
    [
        (Seen(1, 2, 2, 2), "specimen fault"),  # a1 alone lacks what all others have
        (Seen(1, 3, 2, 3), "undecided"),
        (Seen(0, 3, 3, 3), "mask change"),
        (Seen(0, 3, 2, 3), "undecided"),
        (Seen(0, 2, 1, 1), "undecided"),
        (Seen(0, 1, 1, 2), "specimen fault"),
    ],
)
def test_causes(seen: Seen, cause: str) -> None:
    assert seen.cause == cause
