"""Second looks: gaps narrower than the layer's spacing, and edges that no mask would have."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from array_scenes import save
from maskdelta.difference import ADDED, REMOVED
from maskdelta.difference._cover import gone_on_over
from maskdelta.difference._edges import EdgeLook, learn_edges
from maskdelta.difference._regions import Region, join_regions, measure_block
from maskdelta.difference._second_look import SecondLook
from maskdelta.difference._spacing import measure_spacing_px, measure_width_px
from maskdelta.images import Box, Raster, write_raster

SIZE = 256
LINES = np.zeros((SIZE, SIZE), bool)
for _top in range(4, SIZE - 12, 25):  # lines of 14 px, 11 px apart
    LINES[_top : _top + 14] = True


def written(path: Path, plane: np.ndarray) -> Raster:
    return save(path.parent, path.stem, plane[None], ("metal",))


def membership(folder: Path, present: np.ndarray) -> Raster:
    return written(folder / "layers.tif", present.astype(np.uint8) * 255)


def candidates(states: np.ndarray) -> list[Region]:
    none = np.zeros(states.shape, np.float32)
    box = Box(0, 0, SIZE, SIZE)
    return join_regions(
        measure_block(0, box, 0, s, *[states == s] * 3, none, none, none, *[none > 0] * 3)
        for s in (ADDED, REMOVED)
    )


def split(
    folder: Path, before: np.ndarray, states: np.ndarray, distance_px: float = 5.0, **more: Any
):
    with membership(folder, before) as member, written(folder / "raw.tif", states) as raw:
        silent = EdgeLook(raw, raw, np.asarray, 0j, (1.0, 1.0))  # axes unknown: says nothing
        look = SecondLook(raw, member, [0], {0: 11}, silent, **more)
        return look.split(candidates(states), distance_px=distance_px)


def test_the_spacing_is_measured_where_the_layer_can_be_seen(tmp_path: Path) -> None:
    seen = np.full((SIZE, SIZE), 255, np.uint8)
    odd = LINES.copy()
    odd[100:104, 100:120] = True  # one place breaks the rule: it is not the majority
    with membership(tmp_path, odd) as member, written(tmp_path / "v.tif", seen) as visible:
        assert measure_spacing_px(member, visible, 0) == 11
    none = np.zeros_like(seen)
    with membership(tmp_path, LINES) as member, written(tmp_path / "v.tif", none) as visible:
        assert measure_spacing_px(member, visible, 0) == 0


def test_the_width_is_measured_where_the_layer_can_be_seen(tmp_path: Path) -> None:
    seen = np.full((SIZE, SIZE), 255, np.uint8)
    thin = LINES.copy()
    thin[18:20, 40:60] = True  # a bulge, and a scratch through one line
    thin[110:112, 100:130] = False
    with membership(tmp_path, thin) as member, written(tmp_path / "v.tif", seen) as visible:
        assert measure_width_px(member, visible, 0) == 13  # lines of 14 px, odd squares
    # what is hidden may be part of the line
    hidden = np.where(np.arange(SIZE)[:, None] % 25 < 11, 0, 255).astype(np.uint8)
    hidden = np.broadcast_to(hidden, (SIZE, SIZE)).copy()
    with membership(tmp_path, LINES) as member, written(tmp_path / "v.tif", hidden) as visible:
        assert measure_width_px(member, visible, 0) == 15
    with membership(tmp_path, LINES) as member, written(tmp_path / "v.tif", 0 * seen) as visible:
        assert measure_width_px(member, visible, 0) == 0


@pytest.mark.parametrize(("side", "kept"), [(6, 0), (9, 1)])
def test_what_is_smaller_than_a_square_of_the_least_width_is_set_aside(
    tmp_path: Path, side: int, kept: int
) -> None:
    states = np.zeros((SIZE, SIZE), np.uint8)
    states[120 : 120 + side, 100 : 100 + side] = ADDED
    states[120:124, 200:203] = ADDED
    present = np.zeros((SIZE, SIZE), bool)
    stand, doubtful = split(tmp_path, present, states, width_px={0: 7})
    assert [r.area_px for r in stand] == [side**2] * kept
    assert [r.doubt for r in doubtful] == ["smaller than any shape"] * (2 - kept)
    # a small piece of a larger change stands with it; of dots it counts how large they are
    stand, _ = split(tmp_path, present, states, distance_px=120.0, width_px={0: 7})
    assert len(stand) == 2 * kept
    stand, _ = split(tmp_path, present, states, width_px={0: 7}, small_dot_px={0: 18.0})
    assert len(stand) == 2


def test_what_lies_where_another_layer_has_something_unlike_its_dots_is_set_aside(
    tmp_path: Path,
) -> None:
    states = np.zeros((SIZE, SIZE), np.uint8)
    states[60:70, 60:70] = ADDED
    states[60:72, 100:112] = ADDED
    dirt, apart = candidates(states)
    same = replace(dirt, layer=1)
    planes = np.stack([states, states])
    with save(tmp_path, "raw", planes, ("contact", "metal")) as raw:
        silent = EdgeLook(raw, raw, np.asarray, 0j, (1.0, 1.0))
        look = SecondLook(raw, raw, [0, 1], {0: 0, 1: 0}, silent, unlike_dots=lambda r: r is dirt)
        kept, doubtful = look.split([dirt, same, apart], distance_px=1.0)
    assert [r.layer for r in kept] == [0]
    assert kept[0].box == apart.box
    assert [(r.layer, r.doubt) for r in doubtful] == [(0, "unlike a dot"), (1, "unlike a dot")]


@pytest.mark.parametrize(
    ("doubt", "grown_px", "kept"),
    [
        ("soft outline", 0, 0),
        ("near debris", 0, 0),
        ("weak evidence", 0, 1),
        ("soft outline", 1, 0),
    ],
)
def test_what_another_layer_shows_to_be_dirt_is_set_aside(
    tmp_path: Path, doubt: str, grown_px: int, kept: int
) -> None:
    states = np.zeros((SIZE, SIZE), np.uint8)
    states[60:70, 60:70] = ADDED
    (piece,) = candidates(states)
    if grown_px:  # dirt beside which the piece is a rim
        box = Box(70 + grown_px, 55, 90, 75)
        dirt = replace(piece, layer=1, doubt=doubt, box=box, area_px=380)
    else:
        dirt = replace(piece, layer=1, doubt=doubt)
    with written(tmp_path / "raw.tif", states) as raw:
        silent = EdgeLook(raw, raw, np.asarray, 0j, (1.0, 1.0))
        look = SecondLook(raw, raw, [0, 0], {0: 0}, silent)
        stand, doubtful = look.split([piece], distance_px=1.0, doubted=[dirt])
        smaller = replace(dirt, area_px=40)
        assert len(look.split([piece], distance_px=1.0, doubted=[smaller])[0]) == 1
    assert len(stand) == kept
    assert [r.doubt for r in doubtful] == [doubt] * (1 - kept)


@pytest.mark.parametrize("sign", [REMOVED, ADDED])
def test_a_speck_inside_a_line_is_set_aside_and_a_cut_is_kept(tmp_path: Path, sign: int) -> None:
    # in the photograph before (added) or in the one after (removed)
    states = np.zeros((SIZE, SIZE), np.uint8)
    states[57:64, 40:48] = sign
    states[104:118, 150:170] = sign
    before = LINES & ~(states == ADDED)
    kept, narrow = split(tmp_path, before, states)
    assert [region.box for region in kept] == [Box(150, 104, 170, 118)]
    assert [region.box for region in narrow] == [Box(40, 57, 48, 64)]


def test_pieces_of_one_change_stand_or_fall_together(tmp_path: Path) -> None:
    states = np.zeros((SIZE, SIZE), np.uint8)
    states[104:118, 150:170] = REMOVED
    states[106:112, 175:181] = REMOVED
    kept, narrow = split(tmp_path, LINES, states, distance_px=10.0)
    assert (len(kept), len(narrow)) == (2, 0)
    kept, narrow = split(tmp_path, LINES, states, distance_px=2.0)
    assert (len(kept), len(narrow)) == (1, 1)
    # a piece that would stand alone falls with the speck around which it lies
    small = np.where(states == REMOVED, 0, states)
    small[104:118, 150:153] = REMOVED
    small[107:115, 156:170] = REMOVED
    kept, narrow = split(tmp_path, LINES, small, distance_px=10.0)
    assert (len(kept), [region.doubt for region in narrow]) == (0, ["narrow gap"] * 2)


def test_corners_too_faint_to_count_as_removed_do_not_bound_a_gap(tmp_path: Path) -> None:
    square = LINES.copy()
    square[:, :] = False
    square[100:112, 100:112] = True
    states = np.where(square, np.uint8(REMOVED), np.uint8(0))
    for y in (100, 111):
        states[y, [100, 111]] = 0
    kept, narrow = split(tmp_path, square, states)
    assert ([region.area_px for region in kept], narrow) == ([140], [])


def photograph(path: Path, present: np.ndarray, turn_deg: float = 0.0) -> Raster:
    """A soft colour picture of shapes, turned about its middle."""
    colours = np.where(present[..., None], (225, 205, 155), (105, 140, 90)).astype(np.float32)
    turned = cv2.getRotationMatrix2D((SIZE / 2, SIZE / 2), turn_deg, 1.0)
    soft = cv2.GaussianBlur(colours, (0, 0), 1.2)
    picture = cv2.warpAffine(soft, turned, (SIZE, SIZE), borderMode=cv2.BORDER_REFLECT)
    picture += np.random.default_rng(3).normal(0, 2.0, picture.shape)
    pixels = np.clip(picture, 1, 255).astype(np.uint8)
    shape = (SIZE, SIZE)
    write_raster(path, lambda b: pixels[b.y0 : b.y1, b.x0 : b.x1], shape=shape, dtype=np.uint8)
    return Raster.open(path)


def drawn(shape: str) -> np.ndarray:
    """A square, or a slanting oval of about the same area."""
    mask = np.zeros((SIZE, SIZE), np.uint8)
    if shape == "square":
        mask[118:132, 58:72] = 1
    else:
        cv2.ellipse(mask, (65, 125), (11, 6), 35, 0, 360, 1, -1)
    return mask.astype(bool)


@pytest.mark.parametrize("turn_deg", [0.0, 20.0])
@pytest.mark.parametrize("swapped", [False, True])
def test_new_edges_of_a_square_run_along_the_axes_and_those_of_an_oval_do_not(
    tmp_path: Path, turn_deg: float, swapped: bool
) -> None:
    lines = LINES.copy()
    lines[96:160, 40:90] = False
    turned = cv2.getRotationMatrix2D((SIZE / 2, SIZE / 2), turn_deg, 1.0)
    along = {}
    for shape in ("square", "oval"):
        mask = drawn(shape)
        pictures = [lines, lines | mask][:: -1 if swapped else 1]
        before, after = (
            photograph(tmp_path / f"{shape}{k}.tif", p, turn_deg) for k, p in enumerate(pictures)
        )
        with before, after:
            look = learn_edges(before, after, np.asarray, patches=9, patch_px=64)
            own = cv2.warpAffine(mask.astype(np.uint8), turned, (SIZE, SIZE)) > 0
            along[shape] = look.along_axes(own, Box(0, 0, SIZE, SIZE))
    assert along["square"] > 0.5
    assert along["oval"] < 0.35


def test_edges_say_nothing_where_both_photographs_show_the_same(tmp_path: Path) -> None:
    oval = LINES | drawn("oval")
    with photograph(tmp_path / "b.tif", oval) as before, photograph(tmp_path / "a.tif", oval) as a:
        look = learn_edges(before, a, np.asarray, patches=9, patch_px=64)
        assert look.along_axes(drawn("oval"), Box(0, 0, SIZE, SIZE)) == 1.0


@pytest.mark.parametrize("torn", [False, True])
def test_what_lies_along_a_seam_is_set_aside(tmp_path: Path, torn: bool) -> None:
    """A line cut off in full width is a change, unless a seam runs there."""
    states = np.zeros((SIZE, SIZE), np.uint8)
    states[4:18, 100:120] = REMOVED
    kept, doubtful = split(tmp_path, LINES, states, along_seam=lambda _: torn)
    assert [region.doubt for region in doubtful] == ["along a seam"] * torn
    assert len(kept) == (not torn)
    assert all(region.score == 0 for region in doubtful)


@pytest.mark.parametrize(("odd", "kept"), [(True, 0), (False, 1)])
def test_a_dot_that_went_without_its_ground_showing_is_set_aside(
    tmp_path: Path, odd: bool, kept: int
) -> None:
    states = np.zeros((SIZE, SIZE), np.uint8)
    states[60:68, 60:68] = REMOVED
    present = np.zeros((SIZE, SIZE), bool)
    present[60:68, 60:68] = True
    stand, doubtful = split(tmp_path, present, states, on_odd_ground=lambda _: odd)
    assert len(stand) == kept
    assert [r.doubt for r in doubtful] == ["odd ground"] * (1 - kept)


def test_odd_ground_does_not_count_where_the_ground_changed_too(tmp_path: Path) -> None:
    states = np.zeros((SIZE, SIZE), np.uint8)
    states[60:68, 60:68] = ADDED
    (dot,) = candidates(states)
    with written(tmp_path / "raw.tif", states) as raw:
        silent = EdgeLook(raw, raw, np.asarray, 0j, (1.0, 1.0))
        look = SecondLook(raw, raw, [0], {0: 11}, silent, on_odd_ground=lambda _: True)
        pad = replace(dot, layer=1, box=dot.box.grown(3))
        apart = replace(pad, box=Box(100, 100, 110, 110))
        assert look._doubt_of_ground(dot, [dot, apart]) == "odd ground"
        assert look._doubt_of_ground(dot, [dot, pad]) == ""


def test_what_goes_on_over_its_cover_is_set_aside_with_what_touches_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    states = np.zeros((SIZE, SIZE), np.uint8)
    states[100:112, 100:112] = ADDED
    states[180:192, 100:112] = ADDED
    blob, apart = candidates(states)
    planes = np.stack([states, np.zeros_like(states)])
    planes[1, 100:112, 112:120] = REMOVED
    bite = replace(candidates(planes[1])[0], layer=1)

    def over(px: int):
        def some(region: Region, own: np.ndarray, box: Box) -> np.ndarray:
            mask = np.zeros_like(own)
            if region is blob:
                mask[20, 30 : 30 + px] = True
            return mask

        return some

    with save(tmp_path, "raw", planes, ("polysilicon", "metal")) as raw:
        silent = EdgeLook(raw, raw, np.asarray, 0j, (1.0, 1.0))
        for px, left in ((0, 2), (11, 2), (12, 1)):  # a twelfth of 144 px is an edge that is off
            look = SecondLook(raw, raw, [0, 1], {0: 0, 1: 0}, silent, over_cover=over(px))
            kept, doubtful = look.split([blob, apart], distance_px=1.0)
            assert len(kept) == left
            assert [r.doubt for r in doubtful] == ["over what hides it"] * (2 - left)
        # with the metal gone as well, and all of it along the axes, it is what was drawn beneath
        kept, _ = look.split([blob, apart, bite], distance_px=1.0)
        assert len(kept) == 3
        monkeypatch.setattr(EdgeLook, "along_axes", lambda _, own, __: 0.5 - (own.sum() > 150))
        kept, doubtful = look.split([blob, apart, bite], distance_px=1.0)
        assert [r.box for r in kept] == [apart.box]
        assert {r.doubt for r in doubtful} == {"over what hides it"}


def test_a_candidate_goes_on_over_a_cover_only_from_where_it_is() -> None:
    own, shown, cover = (np.zeros((60, 80), bool) for _ in range(3))
    own[20:30, 10:20] = True
    shown[20:30, 10:30] = True  # from the gap into the metal, which begins at 20
    cover[:, 22:60] = True  # off its edge
    shown[40:50, 30:40] = True  # something else on the metal
    expected = np.zeros_like(own)
    expected[20:30, 22:30] = True
    np.testing.assert_array_equal(gone_on_over(own, shown, cover, bridge_px=3), expected)
    assert not gone_on_over(own, shown, cover, bridge_px=1).any()  # ended at the edge
    assert not gone_on_over(own, shown & ~cover, cover, bridge_px=3).any()


@pytest.mark.parametrize("doubted", [False, True])
def test_ground_that_changed_in_doubt_does_not_excuse_a_dot(tmp_path: Path, doubted: bool) -> None:
    states = np.zeros((SIZE, SIZE), np.uint8)
    states[60:68, 60:68] = REMOVED
    (dot,) = candidates(states)
    pad = replace(dot, layer=1)
    planes = np.stack([states, states])
    with save(tmp_path, "raw", planes, ("contact", "metal")) as raw:
        silent = EdgeLook(raw, raw, np.asarray, 0j, (1.0, 1.0))
        look = SecondLook(
            raw,
            raw,
            [0, 1],
            {0: 0, 1: 0},
            silent,
            on_odd_ground=lambda r: r is dot,
            along_seam=lambda r: doubted and r is pad,
        )
        kept, doubtful = look.split([dot, pad], distance_px=5.0)
    assert len(kept) == 2 * (not doubted)
    assert [r.doubt for r in doubtful] == ["odd ground", "along a seam"] * doubted


@pytest.mark.parametrize(
    ("along", "soft", "stands"),
    [(0.45, 0.0, True), (0.35, 0.0, False), (0.45, 0.2, False), (0.9, 0.24, True)],
)
def test_what_is_nearly_oblique_and_nearly_soft_is_set_aside(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, along: float, soft: float, stands: bool
) -> None:
    monkeypatch.setattr(EdgeLook, "along_axes", lambda *_: along)
    states = np.zeros((SIZE, SIZE), np.uint8)
    states[60:80, 60:80] = ADDED
    (region,) = candidates(states)
    with written(tmp_path / "raw.tif", states) as raw:
        edges = EdgeLook(raw, raw, np.asarray, 1 + 0j, (1.0, 1.0))
        look = SecondLook(raw, raw, [0], {0: 0}, edges, max_soft_frac=0.25)
        kept, doubtful = look.split([replace(region, soft_outline=soft)], distance_px=5.0)
    assert len(kept) == stands
    assert [r.doubt for r in doubtful] == ["oblique edges"] * (not stands)
