"""Contacts are known by their own looks, however many are new."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from maskdelta.difference._dots import is_rim, learn_dots
from maskdelta.difference._inputs import Inputs
from maskdelta.difference._joint import learn_joint_colours
from maskdelta.difference._judge import judge
from maskdelta.difference._pairs import PatchPair
from maskdelta.difference._regions import Region
from maskdelta.images import Box
from maskdelta.study import DifferenceSettings

METAL, HOLE, DIRT = (220.0, 210, 170), (150.0, 120, 90), (150.0, 120, 90)
SIZE = 96


def patch(dots: list[tuple[int, int]], rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Metal with round dots of 9 px, blurred and noisy, and where they are."""
    scale = 4
    fine = np.zeros((SIZE * scale, SIZE * scale), np.uint8)
    for x, y in dots:
        between = rng.integers(0, scale, 2)
        centre = (x * scale + int(between[0]), y * scale + int(between[1]))
        cv2.circle(fine, centre, int(4.5 * scale), 1, -1)
    cover = cv2.resize(fine.astype(np.float32), (SIZE, SIZE), interpolation=cv2.INTER_AREA)
    present = (cover > 0.5).astype(np.uint8) * 255
    soft = cv2.GaussianBlur(cover, (0, 0), 1.2)[..., None]
    picture = (
        np.array(METAL) * (1 - soft) + np.array(HOLE) * soft + rng.normal(0, 2, (SIZE, SIZE, 3))
    )
    return np.clip(np.rint(picture), 0, 255).astype(np.uint8), present


def places(rng: np.random.Generator) -> list[tuple[int, int]]:
    grid = [(x, y) for x in range(16, 90, 32) for y in range(16, 90, 32)]
    return [(x + int(rng.integers(-4, 5)), y + int(rng.integers(-4, 5))) for x, y in grid]


def pairs(rng: np.random.Generator, *, new: int, count: int = 20) -> list[PatchPair]:
    """Patches whose first `new` dots of nine are there only after."""
    found = []
    for _ in range(count):
        dots = places(rng)
        before, member_before = patch(dots[new:], rng)
        after, member_after = patch(dots, rng)
        seen = np.ones((SIZE, SIZE), bool)
        found.append(PatchPair(before, after, *map(on_metal, (member_before, member_after)), seen))
    return found


def on_metal(dots: np.ndarray) -> np.ndarray:
    """Planes of the dots and of the metal, which is everywhere."""
    return np.stack([dots, np.full_like(dots, 255)])


def test_a_dot_is_told_from_dirt_of_its_colour_and_from_bare_metal() -> None:
    rng = np.random.default_rng(4)
    before, after = learn_dots(pairs(rng, new=2), [0])[0]
    assert before.area_px == after.area_px
    assert before.area_px[0] < 64 < before.area_px[1]
    picture, present = patch([(40, 50)], rng)
    y, x = np.argwhere(present).mean(0)
    dirty, _ = patch([], rng)
    cv2.line(dirty, (34, 46), (47, 53), DIRT, 5)  # as large, of the same colour
    dirty = cv2.GaussianBlur(dirty, (0, 0), 1.2)
    for look in (before, after):
        assert look.shown(picture, x, y)
        assert look.strangeness(picture, x, y) < 1 < look.strangeness(dirty, 40.5, 49.5)
        assert look.shown(dirty, 40.5, 49.5) is not True
        assert look.shown(picture, 70.0, 20.0) is False


@pytest.mark.parametrize(
    ("area_px", "at", "unlike"),
    [
        (30, 70.0, False),
        (64, 40.0, False),
        (64, 40.6, False),
        (64, 70.0, True),
        (120, 40.0, False),
        (120, 40.6, True),
        (250, 40.0, True),
    ],
)
def test_what_is_no_smaller_than_a_dot_must_have_its_size_and_its_look(
    area_px: int, at: float, unlike: bool
) -> None:
    rng = np.random.default_rng(9)
    looks = learn_dots(pairs(rng, new=2), [0])[0]
    assert looks[1].huge_px < 250
    picture, _ = patch([(40, 50)], rng)
    found = replace(region(-6.0), area_px=area_px)
    inputs = SimpleNamespace(dots={found.layer: looks}, _at=lambda _: [(picture, at, 50.0)] * 2)
    assert Inputs.unlike_dots(inputs, found) == unlike  # type: ignore[arg-type]


def test_bare_ground_is_told_from_dirt_that_hides_a_dot() -> None:
    rng = np.random.default_rng(7)
    (before, after) = learn_dots(pairs(rng, new=2), [0])[0]
    bare, _ = patch([], rng)
    dirty, _ = patch([(40, 50)], rng)
    cv2.circle(dirty, (43, 50), 5, (60, 55, 50), -1)
    dirty = cv2.GaussianBlur(dirty, (0, 0), 1.2)
    shown, _ = patch([(40, 50)], rng)
    for look in (before, after):
        assert look.bare is not None
        assert look.bare.shown(bare, 40.2, 49.7)
        assert not look.bare.shown(dirty, 40.2, 49.7)
        assert not look.bare.shown(shown, 40.2, 49.7)


def test_shapes_of_many_sizes_are_no_dots() -> None:
    rng = np.random.default_rng(5)
    found = []
    for _ in range(20):
        member = np.zeros((1, SIZE, SIZE), np.uint8)
        for x, y in places(rng):
            cv2.circle(member[0], (x, y), int(rng.integers(2, 10)), 255, -1)
        picture = np.full((SIZE, SIZE, 3), 100, np.uint8)
        found.append(PatchPair(picture, picture, member, member, np.ones((SIZE, SIZE), bool)))
    assert learn_dots(found, [0]) == {}


def test_crumbs_of_long_lines_are_no_dots() -> None:
    rng = np.random.default_rng(8)
    crumbs, dots = [], []
    for _ in range(20):
        member = np.zeros((1, SIZE, SIZE), np.uint8)
        for x, y in places(rng):
            cv2.circle(member[0], (x, y), 3, 255, -1)
        picture = np.full((SIZE, SIZE, 3), 100, np.uint8)
        seen = np.ones((SIZE, SIZE), bool)
        dots.append(PatchPair(picture, picture, member, member, seen))
        lines = member.copy()
        lines[0, :, : SIZE // 2] = 255
        crumbs.append(PatchPair(picture, picture, lines, lines, seen))
    assert list(learn_dots(dots, [0])) == [0]
    assert learn_dots(crumbs, [0]) == {}


@pytest.mark.parametrize("new", [1, 3])
def test_many_new_contacts_do_not_make_themselves_usual(new: int) -> None:
    """One in nine, and a third of all contacts, are new: chance alone would call the last usual."""
    rng = np.random.default_rng(6)
    learned = pairs(rng, new=new)
    joint = learn_joint_colours(learned)
    inside = cv2.erode(learned[0].member_after[0], np.ones((5, 5), np.uint8)) > 0
    fresh = inside & (learned[0].member_before[0] == 0)
    look = joint.look(learned[0].before, learned[0].after)
    assert look[fresh].mean() < -1.0
    assert look[inside & ~fresh].mean() > -0.7
    assert look.max() <= 0


def region(affinity: float) -> Region:
    return Region(
        layer=0,
        sign=1,
        parts=((0, 1),),
        area_px=64,
        core_px=40,
        x=40.0,
        y=50.0,
        box=Box(36, 46, 45, 55),
        for_before=-5.0,
        for_after=5.0,
        affinity=affinity,
        near_spoiled=0.0,
        soft_outline=0.0,
    )


def test_a_dot_in_somewhat_usual_colours_is_listed_and_nothing_else() -> None:
    settings = DifferenceSettings()
    for affinity, kept, doubtful, alike in ((-5.0, 1, 0, 0), (-2.0, 0, 1, 0), (-0.5, 0, 0, 1)):
        found = judge([region(affinity)], settings, 1.0)
        assert [len(part) for part in found] == [kept, doubtful, alike]
        found = judge([region(affinity)], settings, 1.0, lambda _: True)
        assert [len(part) for part in found] == [kept + doubtful, 0, alike]


def test_a_dot_beside_debris_is_listed_and_nothing_else() -> None:
    beside = replace(region(-5.0), near_spoiled=0.7)
    (doubtful,) = judge([beside], DifferenceSettings(), 1.0)[1]
    assert doubtful.doubt == "near debris"
    assert judge([beside], DifferenceSettings(), 1.0, lambda _: True)[0] == [beside]


def disc(x: int, y: int, radius: float) -> np.ndarray:
    v, u = np.mgrid[:SIZE, :SIZE]
    return np.hypot(u - x, v - y) <= radius


def test_what_is_left_of_a_dot_that_both_show_is_its_rim() -> None:
    dot, larger = disc(40, 40, 4), disc(42, 40, 5)
    rim = larger & ~dot
    small_px = 40.0
    assert 0 < rim.sum() < small_px
    assert is_rim(rim, dot, small_px)


@pytest.mark.parametrize(
    ("own", "both"),
    [
        (disc(40, 40, 4), disc(48, 40, 4)),  # a whole dot close to another
        (disc(40, 40, 2), disc(52, 40, 4)),  # a small one far from another
        (disc(40, 40, 2), disc(44, 40, 1)),  # beside a speck
        (disc(40, 40, 2), np.zeros((SIZE, SIZE), bool)),
    ],
)
def test_other_small_shapes_are_no_rims(own: np.ndarray, both: np.ndarray) -> None:
    assert not is_rim(own, both, 40.0)
