"""Edges lie amid the dark line that a picture shows of them, wherever the colours meet."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from edge_scenes import FINE, METAL, OXIDE, coverage, photographed
from maskdelta.images import srgb_curve, srgb_inverse
from maskdelta.segment._colour_model import ColourModel, luma_of
from maskdelta.segment._dot_profile import DotProfile, explain_dot
from maskdelta.segment._labeller import smoothed
from maskdelta.segment._outlines import Edges, find_edges
from maskdelta.segment._profile import Profiles, fit_edges
from maskdelta.segment._rules import LayerRules
from maskdelta.study import SegmentSettings, Stack
from micrographs import labelled

CONTACT = np.array([150, 125, 85], float)
STACKS = {"field_oxide": Stack(), "metal": Stack(layers=("metal",), hides=("diffusion",))}
RULES = LayerRules.of(tuple(STACKS), ("diffusion", "metal"), STACKS)


def turned_lines(side_px: int, *, pitch_px: float, width_px: float, angle_deg: float) -> np.ndarray:
    """Lines at a small angle, so that edges fall on all places within a px."""
    y, x = np.mgrid[: side_px * FINE, : side_px * FINE] / FINE
    t = np.deg2rad(angle_deg)
    return (x * np.cos(t) + y * np.sin(t)) % pitch_px < width_px


@pytest.mark.parametrize("line", [0.0, 0.85])
def test_metal_is_as_wide_as_drawn_though_its_outline_is_dark(line):
    mask = turned_lines(360, pitch_px=26, width_px=11, angle_deg=4)
    picture = photographed([(mask, METAL)], line=line)
    share = coverage(mask)
    deep = cv2.erode(np.stack([share == 1, share == 0], -1).astype(np.uint8), np.ones((7, 7)))
    swatches = []
    for stack, where in (("metal", deep[..., 0]), ("field_oxide", deep[..., 1])):
        ys, xs = np.nonzero(where[60:300, 60:300])
        for n in (0, len(xs) // 2, -1):
            x, y = xs[n] + 60, ys[n] + 60
            swatches.append((stack, (x - 1.5, y - 1.5, x + 1.5, y + 1.5)))
    label, stacks = labelled(picture, swatches, SegmentSettings())
    inner = (slice(20, -20), slice(20, -20))
    called = label[inner] == stacks.index("metal")
    # a sixth of a px on either side of a line
    assert called.mean() == pytest.approx(share[inner].mean(), rel=0.03)


def test_oblique_light_displaces_no_metal():
    side = 420
    y, x = np.mgrid[: side * FINE, : side * FINE] / FINE
    # a pitch that is no whole number, so that edges fall on all places within a px
    mask = (x % 30.3 > 14) & (y % 30.3 > 14)
    picture = photographed([(mask, METAL)], line=0.7, relief=0.4)
    middles = 22.15 + 30.3 * np.arange(2, 12)
    swatches = [("metal", (m - 4, m - 4, m + 4, m + 4)) for m in middles[::3]]
    swatches += [("field_oxide", (m - 18, m - 18, m - 12, m - 12)) for m in middles[::3]]
    label, stacks = labelled(picture, swatches, SegmentSettings())
    metal = label == stacks.index("metal")
    off = []
    for v in middles:
        for u in middles:
            cut = metal[int(v) - 14 : int(v) + 15, int(u) - 14 : int(u) + 15]
            below, right = np.nonzero(cut)
            off.append((right.mean() + int(u) - 14 - u + 0.4, below.mean() + int(v) - 14 - v + 0.4))
    # 0.22 px to the side where the direction is not asked
    assert np.abs(np.mean(off, 0)).max() < 0.05


def dots_in_lines(radius_px: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A picture of dots in lines of 16 px, the dots, and how far px are from the lines' rims."""
    side = 420 * FINE
    y, x = np.mgrid[:side, :side]
    line = (y % (30 * FINE) > 7 * FINE) & (y % (30 * FINE) < 23 * FINE)
    # at all places within a px
    u, v = (x * 1.007) % (34 * FINE) - 17 * FINE, y % (30 * FINE) - 15 * FINE
    dot = np.hypot(u, v) < radius_px * FINE
    picture = photographed([(line, METAL), (dot, CONTACT)], line=0.6)
    metal = coverage(line) > 0.5
    return picture, coverage(dot) > 0.5, cv2.distanceTransform(metal.astype(np.uint8), 2, 5)


@pytest.mark.parametrize("cut", [False, True])
def test_the_size_of_dots_is_told_beside_rims_and_whatever_part_of_some_is_lost(cut):
    picture, dot, clear = dots_in_lines(4.3)
    if cut:
        _, parts = cv2.connectedComponents(dot.astype(np.uint8))
        columns = np.arange(dot.shape[1])
        for n in range(1, parts.max(), 3):
            there = parts == n
            dot &= ~(there & (columns > np.nonzero(there)[1].mean()))
    profile = DotProfile()
    luma = luma_of(smoothed(picture))
    profile.add(luma, dot, clear > 3)
    assert profile.labelled_px == pytest.approx(4.3, abs=0.1)
    found = explain_dot(profile, 0.8, 0.95)
    assert found is not None
    assert found.radius_px == pytest.approx(4.3, abs=0.1)
    assert found.miss < 0.5


def profile_scene(shift_px: float, line: float) -> tuple[np.ndarray, np.ndarray]:
    """A steep edge, labelled where it is less `shift_px`, with jitter."""
    rng = np.random.default_rng(9)
    fine = np.arange(-40, 40, 0.02)
    sides = np.where(fine[:, None] < 0, srgb_inverse(OXIDE / 255), srgb_inverse(METAL / 255))
    sides *= 1 - line * np.exp(-0.5 * (fine[:, None] / 0.8) ** 2)
    seen = 255 * srgb_curve(gaussian_filter1d(sides, 1.1 / 0.02, axis=0))
    width, x = 60, np.arange(60, dtype=float)
    colour, label = np.empty((240, width, 3), np.float32), np.empty((240, width), np.uint8)
    for row in range(240):
        edge = 28 + row / 60
        drawn = [np.interp(x - edge, fine, channel) for channel in seen.T]
        colour[row] = np.stack(drawn, -1) + rng.normal(0, 2, (width, 3))
        label[row] = x > edge - shift_px + 0.2 * np.sin(row)
    return colour, label


@pytest.mark.parametrize("shift_px", [-0.8, 0.0, 0.6])
def test_how_far_labels_lie_off_is_read_from_their_profile(shift_px):
    colour, label = profile_scene(shift_px, line=0.8)
    profiles = Profiles(2)
    profiles.add(colour, label)
    model = ColourModel(tuple(STACKS), np.array([OXIDE, METAL]), np.tile(9 * np.eye(3), (2, 1, 1)))
    edges = fit_edges(profiles, model, RULES)
    # a fifth of the blur
    assert edges.shift_px[edges.row[0, 1]] == pytest.approx(shift_px, abs=0.2)
    assert edges.row[0, 1] == edges.row[1, 0]
    again = Edges.of(edges.to_json())
    for name in ("row", "weights", "offset_px", "shift_px", "error_px", "rim_luma"):
        np.testing.assert_array_equal(getattr(again, name), getattr(edges, name))
    found = find_edges(
        luma_of(colour),
        label,
        np.ones(label.shape, bool),
        edges,
        dot=np.zeros(len(edges.row), bool),
    )
    x = found.place % label.shape[1]
    moved = label.copy().ravel()
    moved[found.place] = np.where(found.inside_px < 0, found.other, label.ravel()[found.place])
    width = (moved.reshape(label.shape) == 1).sum(1)
    assert np.abs(x - 30).max() < 7
    # edges from 28 to 32, and px to 59; half a px more than from the middle of the last one
    assert width[5:-5].mean() == pytest.approx(59.5 - 30, abs=0.25)


def test_where_nothing_was_measured_nothing_moves():
    colour, label = profile_scene(0.5, line=0.5)
    assert (
        len(
            find_edges(
                luma_of(colour),
                label,
                np.ones(label.shape, bool),
                Edges.none(2),
                dot=np.zeros(2, bool),
            ).place
        )
        == 0
    )
    profiles = Profiles(2)
    profiles.add(colour[:2], label[:2])  # too few px for a profile
    model = ColourModel(tuple(STACKS), np.array([OXIDE, METAL]), np.tile(9 * np.eye(3), (2, 1, 1)))
    edges = fit_edges(profiles, model, RULES)
    assert len(edges.shift_px) == 0
    assert (edges.row == -1).all()


def test_a_contact_with_a_dark_rim_keeps_its_size_and_leaves_the_strip_of_metal_beside_it():
    side = 400 * FINE
    plates, holes = np.zeros((side, side), bool), np.zeros((side, side), bool)
    for n, y in enumerate(range(20, 360, 30)):
        plates[(y + 7) * FINE : (y + 23) * FINE, 10 * FINE : 390 * FINE] = True
        for m, x in enumerate(range(30, 370, 34)):
            # at all places within a px
            top, left = y * FINE + 11 * FINE + n % FINE, x * FINE + m % FINE
            holes[top : top + 8 * FINE, left : left + 8 * FINE] = True
    picture = photographed([(plates, METAL), (holes, CONTACT)], line=0.5)
    swatches = [("field_oxide", (20, y - 4, 380, y - 2)) for y in (80, 200, 320)]
    swatches += [("metal", (x + 16, y + 12, x + 24, y + 18)) for x, y in ((30, 20), (64, 200))]
    swatches += [
        ("contact", (x + 3, y + 14, x + 6, y + 17)) for x, y in ((30, 50), (98, 140), (166, 260))
    ]
    label, stacks = labelled(picture, swatches, SegmentSettings())
    contact = label == stacks.index("contact")
    count = cv2.connectedComponents(contact.astype(np.uint8))[0] - 1
    assert count == cv2.connectedComponents((coverage(holes) > 0.5).astype(np.uint8))[0] - 1
    # a fifth of a px on either side; blur rounds the corners
    assert contact.sum() == pytest.approx(coverage(holes).sum(), rel=0.1)
    beside = cv2.dilate(contact.astype(np.uint8), np.ones((3, 3), np.uint8)) > contact
    assert (label[beside] == stacks.index("metal")).mean() > 0.98
