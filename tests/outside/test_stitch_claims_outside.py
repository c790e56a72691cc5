"""What placing claims of its errors, and how sharp the mosaic stays, against published bounds.

Sources
-------
Robinson & Milanfar, "Fundamental performance limits in image registration", IEEE Trans. Image
Process. 13:1185 (2004): the Cramer-Rao bound of a shift between two pictures with white noise of
variance s^2 each is 2 s^2 times the inverse of the sum of g g^T, with g the gradient of the scene.
ISO 12233:2017, annex D (slanted edge): edge spread function of an edge turned by about 5 degrees,
binned to a quarter of a px, differentiated, windowed (Hamming), Fourier-transformed; MTF50 is the
frequency at which half of the contrast is left. Steps written down from memory.
scikit-image's photographs brick and gravel (`skimage/data/README.txt`).
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import scipy.ndimage
from scipy.special import erf
from skimage import data

from maskdelta.images import Raster, linear_to_srgb, srgb_to_linear
from maskdelta.stitch import compose, place
from maskdelta.stitch._measure import measure_pair
from maskdelta.survey import survey
from tile_scenes import STITCH, SURVEY, grid, make_die, take_tiles, write

SHIFT = np.array([3.7, 5.15])
CHI2_95 = 5.991  # of two degrees of freedom


def halves(name):
    """A photograph at half size, so that what lies between its px is known, as a spline."""
    grey = getattr(data, name)().astype(float)
    return scipy.ndimage.spline_filter(grey[:512, :512].reshape(256, 2, 256, 2).mean(axis=(1, 3)))


def crop_of(spline, shift, *, side=200):
    y, x = np.mgrid[:side, :side] + 20.0
    return scipy.ndimage.map_coordinates(spline, [y + shift[1], x + shift[0]], prefilter=False)


def measured(clean, noise, rng):
    splines = [
        scipy.ndimage.spline_filter(
            cv2.GaussianBlur((v + rng.normal(0, noise, v.shape)).astype(np.float32), (0, 0), 1.5),
            3,
            output=np.float32,
            mode="mirror",
        )
        for v in clean
    ]
    return measure_pair(*splines, [np.rint(SHIFT)], reach_px=3)[0]


def bounds_px(scene, noise, places, sides):
    """Cramer-Rao bound of each patch of a picture, the larger of both axes."""
    gy, gx = np.gradient(scene)
    middle = (np.array(scene.shape[::-1]) - 1) / 2
    found = []
    for at, side in zip(places, sides, strict=True):
        (x0, y0), (x1, y1) = (
            np.rint(middle + at + sign * (side - 1) / 2).astype(int) for sign in (-1, 1)
        )
        part = np.s_[y0 : y1 + 1, x0 : x1 + 1]
        g = np.stack([gx[part].ravel(), gy[part].ravel()])
        found.append(np.sqrt(2 * noise**2 * np.linalg.inv(g @ g.T).diagonal().max()))
    return np.array(found)


@pytest.mark.parametrize("noise", [4.0, 12.0])
@pytest.mark.parametrize("name", ["brick", "gravel"])
def test_no_claim_beats_the_bound(name, noise):
    spline = halves(name)
    clean = [crop_of(spline, (0, 0)), crop_of(spline, SHIFT)]
    rng = np.random.default_rng(11)
    errors, claims, least = [], [], []
    for _ in range(8):
        found = measured(clean, noise, rng)
        errors.append(found.shifts - SHIFT)
        claims.append(found.sds)
        least.append(bounds_px(clean[0], noise, found.places_a, found.sides))
    claims, least = np.concatenate(claims), np.concatenate(least)
    # central differences see a little less of the gradient than there is: 5 %
    assert (claims >= 0.95 * least).all()
    # smoothing by 1.5 px costs some of what a picture tells, but not ten times as much
    assert np.median(claims / least) < 10
    # nor are the errors larger than claimed, with the floor that a pair's sd has
    spread = np.sqrt(np.mean(np.concatenate(errors) ** 2))
    assert spread < np.sqrt(np.mean(claims**2) + 0.05**2)


@pytest.mark.slow
def test_true_errors_lie_inside_the_claimed_ellipses(tmp_path):
    """90 to 99 % inside 95 % ellipses: places against the tile that fixes the frame."""
    inside = []
    for seed in range(8):
        cuts = take_tiles(
            make_die((900, 1160), seed=seed), 4, 4, overlap_frac=0.25, seed=seed + 1, noise=3
        )
        files = write(tmp_path / str(seed), cuts)
        placed = place(files, survey(files, view=grid(4, 4), settings=SURVEY), settings=STITCH)
        truth = {cut.name: np.array([cut.centre_x_px, cut.centre_y_px]) for cut in cuts}
        apart = {p.file: [p.centre_x_px, p.centre_y_px] - truth[p.file] for p in placed.poses}
        fixed = next(p.file for p in placed.poses if p.var_x_px2 == 0)
        for pose in placed.poses:
            if pose.file != fixed:
                error = apart[pose.file] - apart[fixed]
                inside.append(error @ error / pose.var_x_px2 <= CHI2_95)
    # tiles of a die share the error of the fixed one, so that 120 count as fewer
    assert 0.90 <= np.mean(inside) <= 0.99


# --- resolution -----------------------------------------------------------------------------------


def mtf50(edge):
    """Frequency of half contrast of a nearly upright edge, cycles a px; (h, w) linear light."""
    steps = np.diff(edge.astype(float), axis=1)
    # noise far from the edge must not draw the line
    weight = np.abs(steps) * (np.abs(steps) > 0.25 * np.abs(steps).max())
    middle = (weight * (np.arange(steps.shape[1]) + 0.5)).sum(1) / weight.sum(1)
    slope, start = np.polyfit(np.arange(len(middle)), middle, 1)
    line = start + slope * np.arange(len(middle))
    away = (np.arange(edge.shape[1]) - line[:, None]) * np.cos(np.arctan(slope))
    bins = np.floor(away * 4).astype(int).ravel()
    bins -= bins.min()
    spread = np.bincount(bins, edge.ravel()) / np.maximum(np.bincount(bins), 1)
    line_spread = np.diff(spread[8:-8])
    top = int(np.argmax(np.abs(line_spread)))
    windowed = line_spread[top - 32 : top + 33] * np.hamming(65)
    contrast = np.abs(np.fft.rfft(windowed, 4096))
    contrast /= contrast[0]
    frequency = np.fft.rfftfreq(4096) * 4
    k = int(np.argmax(contrast < 0.5))
    share = (contrast[k - 1] - 0.5) / (contrast[k - 1] - contrast[k])
    return float(frequency[k - 1] + share * (frequency[k] - frequency[k - 1]))


def slanted(x, y, sigma):
    """Linear light of an upright edge through (0, 0), turned by 5 degrees."""
    t = np.deg2rad(5)
    return 0.25 + 0.25 * (1 + erf((x * np.cos(t) - y * np.sin(t)) / (np.sqrt(2) * sigma)))


@pytest.mark.parametrize("sigma", [0.9, 1.2])
def test_the_slanted_edge_itself(sigma):
    """A Gaussian's contrast falls to a half at sqrt(ln 2 / 2) / (pi sigma)."""
    y, x = np.mgrid[-40:40, -36:36].astype(float)
    # quarter-px bins widen the edge by 0.07 px
    expected = np.sqrt(np.log(2) / 2) / (np.pi * sigma)
    assert mtf50(slanted(x, y, sigma)) == pytest.approx(expected, rel=0.05)


def test_the_mosaic_is_nearly_as_sharp_as_its_tiles(tmp_path):
    """MTF50 at least 0.9 of the tiles', over edges at nine fractions of a px.

    Tiles are resampled once, bilinearly: half a px between samples costs most, 0.90 here.
    """
    die = make_die((900, 1160), seed=3)
    plain = take_tiles(die, 3, 3, noise=0, seed=5)
    height, width = plain[0].pixels.shape[:2]
    y, x = np.mgrid[-44:44, -40:40].astype(float)
    edge = linear_to_srgb(np.repeat(slanted(x, y, 1.0)[..., None], 3, 2), np.dtype(np.uint8))
    middles = [np.rint([cut.centre_x_px, cut.centre_y_px]).astype(int) for cut in plain]
    for mx, my in middles:
        die[my - 44 : my + 44, mx - 40 : mx + 40] = edge
    cuts = take_tiles(die, 3, 3, noise=1, seed=5)
    files = write(tmp_path / "t", cuts)
    found = survey(files, view=grid(), settings=SURVEY)
    placed = place(files, found, settings=STITCH)
    compose(
        files,
        placed.poses,
        found.flat_field,
        mosaic_path=tmp_path / "m.tif",
        tiles_path=tmp_path / "o.tif",
        um_per_px=None,
    )
    with Raster.open(tmp_path / "m.tif") as mosaic:
        pixels = srgb_to_linear(mosaic.read_level(0))[..., 1]
    shares = []
    for cut, middle in zip(cuts, middles, strict=True):
        there = middle - [cut.centre_x_px, cut.centre_y_px] + [(width - 1) / 2, (height - 1) / 2]
        pose = placed.poses.find(cut.name)
        tile = srgb_to_linear(cut.pixels)[..., 1]
        at = [np.rint(p).astype(int) for p in (there, pose.to_mosaic([there])[0])]
        parts = [
            v[q[1] - 38 : q[1] + 38, q[0] - 34 : q[0] + 34]
            for v, q in zip((tile, pixels), at, strict=True)
        ]
        shares.append(mtf50(parts[1]) / mtf50(parts[0]))
    assert min(shares) >= 0.9
