"""Planted changes: where they lie, how they look, and what is concluded from those found."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy.special import ndtr

from maskdelta.difference._corners import missing_at_corners, radius_px
from maskdelta.difference._ink import Outline, OutlineSamples, draw_plant, stack_colours
from maskdelta.difference._plants import Plant, PlantRules, Room, choose_plants
from maskdelta.difference._seen import fit_sizes, sizes_near
from maskdelta.images import Box, Raster, write_raster

FIELD, LINE = 0, 1
COLOURS = np.array([[100.0, 140, 90], [220, 200, 150]])
RULES = PlantRules(
    looks={0: {FIELD: LINE}},
    carries=np.array([[False], [True]]),
    sides_px=np.array([[4.0, 16.0]]),
    dots=np.array([False]),
)


def stripes(size: int = 400) -> np.ndarray:
    """Lines of 12 px, 100 px apart."""
    labels = np.zeros((size, size), np.uint8)
    for x in range(40, size, 100):
        labels[:, x : x + 12] = LINE
    return labels


def photographed(labels: np.ndarray, sigma: float, dark: float = 0.0) -> np.ndarray:
    """Flat colours, blurred, with a line as soft along the edges and a little noise."""
    sharp = COLOURS[labels].astype(np.float32)
    picture = cv2.GaussianBlur(sharp, (0, 0), sigma)
    inside = cv2.distanceTransform(labels, cv2.DIST_L2, 5) - 0.5
    outside = cv2.distanceTransform(1 - labels, cv2.DIST_L2, 5) - 0.5
    away = np.where(labels == LINE, inside, outside)
    picture -= dark * np.exp(-((away / sigma) ** 2) / 2)[..., None]
    noise = np.random.default_rng(1).normal(0, 2, picture.shape)
    return np.clip(np.rint(picture + noise), 0, 255).astype(np.uint8)


def test_squares_lie_on_their_ground_and_apart() -> None:
    labels = stripes()
    room = Room(Box(1000, 2000, 1400, 2400), labels, np.ones((1, 400, 400), bool))
    room.unchanged[0, :200] = False
    plants = choose_plants(room, RULES, np.random.default_rng(5), gap_px=30, first=0)
    assert plants == choose_plants(room, RULES, np.random.default_rng(5), gap_px=30, first=0)
    assert len(plants) > 8
    assert {plant.grown_on for plant in plants} == {(0, 0), (1, 0), (-1, 0)}
    for plant in plants:
        x, y, half = plant.x - 1000, plant.y - 2000, plant.side_px / 2
        assert y - half > 199
        covered = labels[int(y - half + 1) : int(y + half), int(x - half + 1) : int(x + half)]
        assert not covered.any()
        dx = plant.grown_on[0]
        if dx:  # its side lies on the line's edge
            side = x + dx * half + 0.5
            assert min(abs(side - edge) for edge in (40, 140, 240, 340, 52, 152, 252, 352)) <= 0.51
    for k, plant in enumerate(plants):
        for other in plants[:k]:
            apart = max(abs(plant.x - other.x), abs(plant.y - other.y))
            assert apart - (plant.side_px + other.side_px) / 2 >= 29


@pytest.mark.parametrize("dark", [0.0, 30.0])
def test_a_planted_square_looks_like_a_real_one(dark: float) -> None:
    """One drawn into the picture against the same square photographed with the rest."""
    labels = stripes()
    real = labels.copy()
    real[190:204, 84:98] = LINE
    picture = photographed(labels, 1.3, dark)
    samples = OutlineSamples([(LINE, FIELD)])
    samples.add(picture, labels)
    outline = samples.outlines()[LINE, FIELD]
    assert outline.sigma_px == pytest.approx(1.3, abs=0.35)
    colours = stack_colours(picture, labels, np.zeros((2, 3)))
    np.testing.assert_allclose(colours, COLOURS, atol=1.5)
    drawn = picture.astype(np.float32)
    x, y = np.meshgrid(np.arange(400, dtype=np.float32), np.arange(400, dtype=np.float32))
    draw_plant(
        drawn,
        picture,
        labels,
        x,
        y,
        Plant(0, LINE, FIELD, 90.5, 196.5, 14.0, (0, 0)),
        outline,
        px_per_host_px=1.0,
        colour=colours[LINE],
        carried=labels == LINE,
        rng=np.random.default_rng(2),
    )
    cut = (slice(180, 214), slice(74, 108))
    off = drawn[cut] - photographed(real, 1.3, dark)[cut].astype(float)
    # the step is 120 levels, the noise of both 2: rounded corners differ by more
    assert np.abs(off).mean() < 4
    assert np.percentile(np.abs(off), 98) < 20
    outside = np.ones(picture.shape[:2], bool)
    outside[cut] = False
    np.testing.assert_array_equal(drawn[outside], picture[outside])


@pytest.mark.parametrize("angle_deg", [3.0, 17.0])
@pytest.mark.parametrize("radius", [2.0, 4.0])
def test_corners_are_measured_through_blur_noise_and_turn(radius: float, angle_deg: float) -> None:
    fine = 4
    y, x = np.mgrid[: 500 * fine, : 500 * fine] / fine
    turn = np.exp(1j * np.deg2rad(angle_deg))
    place = (x + 1j * y) * turn + 1000.2 + 1000.7j
    across, down = (np.abs(part % 60 - 30) - 15.3 + radius for part in (place.real, place.imag))
    away = np.hypot(np.maximum(across, 0), np.maximum(down, 0))
    inside = away + np.minimum(np.maximum(across, down), 0) < radius
    blurred = cv2.GaussianBlur(inside.astype(np.float32), (0, 0), 1.3 * fine)
    picture = cv2.resize(blurred, (500, 500), interpolation=cv2.INTER_AREA)
    mask = picture + np.random.default_rng(5).normal(0, 0.05, picture.shape) > 0.5
    where, missing = missing_at_corners(mask)
    assert 200 < len(where) < 300  # 4 at each of some 64 squares; those with jogs are left out
    assert radius_px(missing, 1.3, 0.0) == pytest.approx(radius, abs=1.0)
    assert radius_px(missing[:5], 1.3, 9.0) == 9.0


def test_planted_corners_are_round() -> None:
    labels = np.zeros((60, 60), np.uint8)
    picture = np.full((60, 60, 3), 100, np.uint8)
    y, x = np.mgrid[:60, :60].astype(np.float32)
    seen = []
    for corner_px in (0.0, 4.0):
        drawn = picture.astype(np.float32)
        draw_plant(
            drawn,
            picture,
            labels,
            x,
            y,
            Plant(0, LINE, FIELD, 30.0, 30.0, 16.0, (0, 0)),
            Outline(1.0, np.zeros((25, 3)), corner_px),
            px_per_host_px=1.0,
            colour=np.full(3, 200.0),
            carried=labels == LINE,
            rng=np.random.default_rng(2),
        )
        cover = (drawn[..., 0] - 100) / 100
        seen.append(cover.sum())
        np.testing.assert_allclose(cover[30, 18:43].sum(), 16, atol=0.1)  # its side is its side
    assert seen[0] == pytest.approx(16**2, abs=1.2)
    assert seen[1] == pytest.approx(16**2 - (4 - np.pi) * 4**2, abs=1.2)


def test_a_square_on_the_edge_of_a_shape_leaves_no_seam() -> None:
    labels = stripes()
    picture = photographed(labels, 1.0)
    drawn = picture.astype(np.float32)
    x, y = np.meshgrid(np.arange(400, dtype=np.float32), np.arange(400, dtype=np.float32))
    draw_plant(
        drawn,
        picture,
        labels,
        x,
        y,
        Plant(0, LINE, FIELD, 57.0, 200.0, 10.0, (-1, 0)),
        Outline(1.0, np.full((25, 3), -20.0)),
        px_per_host_px=1.0,
        colour=COLOURS[LINE],
        carried=labels == LINE,
        rng=np.random.default_rng(2),
    )
    middle = drawn[198:203, 44:56].mean((0, 2))
    assert np.ptp(middle) < 25  # the line's colour throughout; the ground's is 80 darker


def curve(size: np.ndarray, lapse: float = 0.0) -> np.ndarray:
    return (1 - lapse) * ndtr((np.log(size) - np.log(4.0)) / 0.12)


def test_claims_of_95_percent_hold() -> None:
    """The claimed size is found in 95 to 99 % of fresh trials on average, seldom in far less."""
    rng = np.random.default_rng(8)
    claims = []
    for _ in range(40):
        size = 2 * 5 ** rng.random(120)
        claims.append(fit_sizes(size, rng.random(120) < curve(size, 0.01)).size())
    held = curve(np.array(claims), 0.01)
    assert 0.94 < held.mean() < 0.99
    assert (held > 0.85).mean() >= 0.9


def test_nothing_is_claimed_where_too_much_is_lost_or_little_was_planted() -> None:
    rng = np.random.default_rng(9)
    size = 2 * 5 ** rng.random(200)
    found = rng.random(200) < curve(size, 0.2)
    assert fit_sizes(size, found).size() == np.inf
    assert fit_sizes(size, found).lapse == pytest.approx(0.2, abs=0.1)
    assert fit_sizes(size[:10], np.ones(10, bool)).size() == np.inf
    assert np.isinf(sizes_near(np.zeros((3, 2)), size[:3], found[:3], np.zeros((2, 2)))).all()


def test_a_blurred_half_of_the_die_asks_for_larger_changes() -> None:
    rng = np.random.default_rng(10)
    places = rng.random((600, 2)) * 1000
    size = 2 * 6 ** rng.random(600)
    blurred = np.where(places[:, 0] > 500, 1.6, 1.0)
    found = rng.random(600) < curve(size / blurred)
    sharp, soft = sizes_near(places, size, found, np.array([[150.0, 500], [850, 500]]))
    # either claim holds, and lies on the safe side by no more than a few dozen changes tell
    assert curve(sharp) > 0.94
    assert curve(soft / 1.6) > 0.94
    assert sharp < 0.85 * soft
    assert sharp < 4.9 * 1.35
    assert soft < 1.6 * 4.9 * 1.35


def test_a_patched_raster_shows_the_patch_and_leaves_the_file(tmp_path: Path) -> None:
    plane = np.random.default_rng(1).integers(0, 200, (1, 90, 110)).astype(np.uint8)
    write_raster(
        tmp_path / "r.tif",
        lambda b: plane[:, b.y0 : b.y1, b.x0 : b.x1],
        shape=(90, 110),
        dtype=np.uint8,
        planes=("a",),
        origin=(-7, 5),
    )
    patch = np.full((1, 30, 40), 255, np.uint8)
    with Raster.open(tmp_path / "r.tif") as raster:
        patched = raster.patched(Box(-17, 20, 23, 50), patch)  # reaches over the left border
        wanted = plane.copy()
        wanted[:, 15:45, :30] = 255
        np.testing.assert_array_equal(patched.read(Box(0, 0, 110, 90)), wanted)
        np.testing.assert_array_equal(
            patched.read_mosaic(Box(10, 30, 60, 80)), wanted[:, 25:75, 17:67]
        )
        np.testing.assert_array_equal(raster.read(Box(0, 0, 110, 90)), plane)
