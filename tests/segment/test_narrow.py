"""Narrow gaps and lines, and stacks that only their width tells apart."""

from __future__ import annotations

import numpy as np
import pytest

from edge_scenes import FINE, METAL, OXIDE, photographed
from maskdelta.segment._alike import Lookalike, lookalikes, told_by_host, told_by_width
from maskdelta.segment._borders import Colours, bordering_cost
from maskdelta.segment._colour_model import ColourModel
from maskdelta.segment._crossings import crossing_blends
from maskdelta.segment._narrow import mixed_gaps, thin_lines
from maskdelta.segment._rules import LayerRules
from maskdelta.study import SegmentSettings, Stack
from micrographs import labelled

POLY, DIFFUSION = np.array([[101, 70, 106], [150, 111, 77]], float)
SIDE_PX = 240


def upright(x0_px: float, x1_px: float, side_px: int = SIDE_PX) -> np.ndarray:
    """A fine mask of a stripe that leans by 2 px, so that it falls on all places within one."""
    y, x = np.mgrid[: side_px * FINE, : side_px * FINE] / FINE
    x = x - 2 * y / side_px
    return (x >= x0_px) & (x < x1_px)


def level(y0_px: float, y1_px: float) -> np.ndarray:
    return upright(y0_px, y1_px).T


def wide_swatches(stack: str, x_px: float) -> list[tuple[str, tuple[float, float, float, float]]]:
    return [(stack, (x_px, y, x_px + 6, y + 8)) for y in (30, 120, 200)]


@pytest.mark.parametrize("gap_px", [4.0, 5.0])
def test_a_gap_in_which_no_pixel_shows_the_ground_is_kept(gap_px):
    # one wide shape of each for the swatches, then a line beside a diffusion
    shapes = [
        (upright(20, 44), POLY),
        (upright(70, 94), DIFFUSION),
        (upright(130, 138), POLY),
        (upright(138 + gap_px, 160), DIFFUSION),
    ]
    picture = photographed(shapes, line=0.6)
    swatches = [
        *wide_swatches("polysilicon", 30),
        *wide_swatches("diffusion", 80),
        *wide_swatches("field_oxide", 110),
    ]
    label, stacks = labelled(picture, swatches, SegmentSettings())
    rows = label[20:-20]
    middle = 138 + gap_px / 2 + 1  # the stripes lean by 2 px
    amid = rows[:, round(middle) - 2 : round(middle) + 3] == stacks.index("field_oxide")
    assert amid.any(1).mean() > 0.95
    wide = (rows[:, 120:150] == stacks.index("polysilicon")).sum(1).mean()
    assert wide == pytest.approx(8, abs=0.8)


def test_a_gap_as_dark_as_a_crossing_is_none():
    gap_px = 4.5
    shapes = [
        (upright(20, 44), POLY),
        (upright(70, 94), DIFFUSION),
        (upright(130, 138), POLY),
        (upright(138 + gap_px, 160), DIFFUSION),
    ]
    dark = photographed(shapes, line=0.6)[100:140, 141].mean(0)  # amid the gap
    shapes += [(upright(180, 189), dark), (upright(189, 200), POLY), (upright(170, 180), DIFFUSION)]
    picture = photographed(shapes, line=0.6)
    swatches = [
        *wide_swatches("polysilicon", 30),
        *wide_swatches("diffusion", 80),
        *wide_swatches("field_oxide", 110),
        *[("buried_contact", (x, y, x + 4, y + 8)) for x, y in ((182, 30), (183, 120), (184, 200))],
    ]
    label, stacks = labelled(picture, swatches, SegmentSettings())
    rows = label[20:-20] == stacks.index("buried_contact")
    assert rows[:, 130:165].mean() < 0.002
    assert (rows[:, 175:200].sum(1) >= 7).mean() > 0.95
    amid = label[20:-20, 138:145] == stacks.index("field_oxide")
    assert amid.any(1).mean() > 0.9


def test_blends_of_a_crossing_lie_between_its_layers_and_are_slivers():
    stacks = {name: STACKS[name] for name in ("field_oxide", "polysilicon", "diffusion")}
    stacks["gate"] = Stack(layers=("diffusion", "polysilicon"))
    rules = LayerRules.of(tuple(stacks), ("diffusion", "polysilicon"), stacks)
    first = np.zeros((120, 160), np.uint8)
    first[:, 20:30], first[:, 32:50] = 1, 2  # a line, a dark gap of 2 px, a diffusion
    first[:, 30:32] = 3
    first[40:60, 90:150], first[10:90, 100:108] = 2, 1
    first[40:60, 100:108] = 3  # a gate
    first[90:120, 120:150], first[100:102, 110:160], first[100:102, 120:150] = 2, 1, 3  # a thin one
    seeds = first.copy()
    seeds[:, 29], seeds[:, 32] = 255, 255
    blends = crossing_blends(first, seeds, rules)
    expected = np.zeros_like(blends)
    expected[:, 30:32] = True
    np.testing.assert_array_equal(blends, expected)
    # where the diffusion goes under something, and nothing is trusted
    seeds[60:64, 32:50] = 255
    np.testing.assert_array_equal(crossing_blends(first, seeds, rules), expected)


def test_a_line_that_shows_its_colour_in_one_pixel_is_found_between_metal():
    shapes = [
        (upright(20, 50), POLY),
        (upright(70, 94), DIFFUSION),
        (level(100, 105.5), POLY),
        (upright(120, 140), METAL),
        (upright(200, 220), METAL),
    ]
    picture = photographed(shapes, line=0.6)
    swatches = [
        *[("polysilicon", (32.0, y, 40.0, y + 8)) for y in (30, 140, 200)],
        *[("diffusion", (78.0, y, 86.0, y + 8)) for y in (30, 140, 200)],
        *[("metal", (127.0, y, 134.0, y + 8)) for y in (30, 140, 200)],
        *[("field_oxide", (165.0, y, 175.0, y + 8)) for y in (30, 140, 200)],
    ]
    label, stacks = labelled(picture, swatches, SegmentSettings())
    line = (label[95:112, 146:194] == stacks.index("polysilicon")).sum(0)
    assert (line > 0).all()
    assert line.mean() == pytest.approx(5.5, abs=1)


STACKS = {
    "field_oxide": Stack(),
    "polysilicon": Stack(layers=("polysilicon",)),
    "diffusion": Stack(layers=("diffusion",)),
    "metal": Stack(layers=("metal",), hides=("diffusion",)),
    "pad": Stack(layers=("metal", "opening"), hides=("diffusion",)),
}
RULES = LayerRules.of(tuple(STACKS), ("diffusion", "polysilicon", "metal", "opening"), STACKS)
MEAN = np.array([OXIDE, POLY, DIFFUSION, METAL, METAL + 8])


def test_a_plain_edge_has_no_gap_and_dark_ground_no_line():
    colour = np.empty((40, 60, 3), np.float32)
    across = np.clip((np.arange(60) - 28) / 4, 0, 1)[:, None]
    dark = 1 - 0.4 * np.exp(-0.5 * ((np.arange(60) - 30) / 1.5) ** 2)[:, None]
    colour[:] = ((1 - across) * POLY + across * DIFFUSION) * dark
    apart = np.full((5, 40, 60), 255, np.uint8)
    x = np.arange(60)
    apart[1] = np.minimum(8 * np.maximum(x - 26, 0), 255)
    apart[2] = np.minimum(8 * np.maximum(34 - x, 0), 255)
    apart[0] = 8 * 12  # oxide is not far
    far = np.full((40, 60), 60, np.uint8)
    gaps, through = mixed_gaps(colour, far, apart, MEAN, RULES)
    assert (gaps == 255).all()
    assert not through.any()
    # a scratch that only darkens the oxide
    colour[:] = OXIDE
    colour[:, 29:32] *= 0.7
    seeds = np.zeros((40, 60), np.uint8)
    seeds[:, 26:35] = 255
    apart[:] = 255
    apart[0] = np.minimum(8 * np.clip(np.minimum(x - 25, 35 - x), 0, None), 255)
    doubt = np.zeros((5, 40, 60), np.uint8)
    usable = np.ones((40, 60), bool)
    assert (thin_lines(colour, doubt, usable, seeds, apart, MEAN, RULES) == 255).all()
    colour[:, 29:32] = POLY
    doubt[[0, 2, 3, 4]] = 60
    lines = thin_lines(colour, doubt, usable, seeds, apart, MEAN, RULES)
    assert (lines[:, 29:32] == 1).all()
    # the outline of metal: the ground lies on one side only
    seeds[:, 35:] = 2
    assert (thin_lines(colour, doubt, usable, seeds, apart, MEAN, RULES) == 255).all()


def colours_of(first: np.ndarray, colour: np.ndarray, *, mixed: slice) -> Colours:
    """What colours say of a row of stacks, 40 px high, flat but right beside changes."""
    rows = (40, 1)
    doubt = np.where(first == np.arange(5)[:, None], 0, 60).astype(np.uint8)
    far = np.zeros(first.shape, np.uint8)
    far[mixed] = 30
    return Colours(
        np.tile(colour.astype(np.float32), (40, 1, 1)),
        np.tile(doubt[:, None], (1, *rows)),
        np.tile(first.astype(np.uint8), rows),
        np.tile(far, rows),
        np.ones((40, len(first)), bool),
    )


def test_a_gap_somewhere_changes_nothing_about_a_line_elsewhere():
    first = np.zeros(300, int)
    first[40] = 1  # a line of one px
    first[200:224], first[224:244] = 1, 2
    colour = MEAN[first]
    # trusted px of the polysilicon run on into a gap
    colour[220:224] = 0.8 * (POLY + OXIDE) / 2
    costs = []
    for end in (300, 120):
        colours = colours_of(first[:end], colour[:end], mixed=slice(220, 224))
        trusted = np.ones(colours.flat.shape, bool)
        cost, _ = bordering_cost(colours, trusted, trusted, MEAN, RULES, 4)
        costs.append(cost)
    whole, part = costs
    assert (whole[:, 10:-10, 222].argmin(0) == 0).all()
    assert (part[:, 10:-10, 40].argmin(0) == 1).all()
    np.testing.assert_array_equal(whole[:, 10:-10, 20:80], part[:, 10:-10, 20:80])


def test_openings_are_wide_and_told_by_the_mean_around():
    rng = np.random.default_rng(3)
    model = ColourModel(tuple(STACKS), MEAN, np.tile(25 * np.eye(3), (5, 1, 1)))
    pairs = lookalikes(model, RULES, [20, 20, 20, 20, 40])
    assert pairs == (Lookalike(wide=4, usual=3, least_px=33),)
    assert lookalikes(model, RULES, [20, 20, 20, 20, 12])[0].least_px == 9
    apart = ColourModel(tuple(STACKS), MEAN, np.tile(4 * np.eye(3), (5, 1, 1)))
    assert lookalikes(apart, RULES, [20, 20, 20, 20, 40]) == ()
    truth = np.zeros((200, 300), np.uint8)
    truth[40:160, 40:160] = 3
    truth[50:150, 50:150] = 4
    truth[40:160, 200:216] = 3
    colour = MEAN[truth] + rng.normal(0, 5, (*truth.shape, 3))
    table = model.table()
    index = table.index(colour.astype(np.float32))
    doubt, first = table.doubt[:, index], table.likeliest[index]
    wrong = (first != truth)[truth > 2].mean()
    flat = np.ones(truth.shape, bool)
    told_doubt, told = doubt.copy(), first.copy()
    told_by_width(told_doubt, told, flat, ())
    np.testing.assert_array_equal(told, first)
    told_by_width(told_doubt, told, flat, pairs)
    assert wrong > 0.05
    assert (told != truth)[truth > 2].mean() < wrong / 3
    assert (told[:, 190:230] != 4).all()
    assert (told_doubt.min(0) == 0).all()
    assert (np.take_along_axis(told_doubt, told[None].astype(int), 0) == 0).all()


def test_a_contact_that_looks_half_like_a_gate_is_one_amid_metal_only():
    stacks = {
        "gate": Stack(layers=("diffusion", "polysilicon")),
        "metal": Stack(layers=("metal",), hides=("diffusion", "polysilicon")),
        "contact": Stack(layers=("metal", "contact"), hides=("diffusion", "polysilicon"), dot=True),
        "field_oxide": Stack(),
    }
    layers = ("diffusion", "polysilicon", "contact", "metal")
    rules = LayerRules.of(tuple(stacks), layers, stacks)
    first = np.full((60, 120), 3, np.uint8)
    first[10:50, 10:60] = 1
    half = np.indices((8, 8)).sum(0) % 2 * 2  # gate and contact in turn
    first[20:28, 20:28] = half  # in metal
    first[20:28, 80:88] = half  # on bare ground
    first[36:44, 20:50] = 0  # too long for a dot
    first[36:44, 22:24] = 2
    doubt = np.where(first == np.arange(4)[:, None, None], 0, 40).astype(np.uint8)
    before = first.copy()
    told_by_host(doubt, first, rules)
    assert (first[20:28, 20:28] == 2).all()
    assert (doubt[2, 20:28, 20:28] == 0).all()
    assert doubt[[0, 1, 3], 20:28, 20:28].min() >= 40
    before[20:28, 20:28] = 2
    np.testing.assert_array_equal(first, before)
