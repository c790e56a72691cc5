"""The parts of the placement against slow or exact answers."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
import scipy.ndimage

from maskdelta.stitch._edges import Choice, Edge
from maskdelta.stitch._graph import (
    Links,
    components,
    covariances,
    residuals,
    solve_gnc,
    solve_links,
)
from maskdelta.stitch._hypothesis import Lag, lag_behind
from maskdelta.stitch._join import join_tiles
from maskdelta.stitch._lattice import pitches_of, points_near, steps_around
from maskdelta.stitch._measure import found_unfit, measure_near, measure_pair
from maskdelta.stitch._nominal import stage_reach
from maskdelta.stitch._overlap import Overlap
from maskdelta.stitch._repeats import find_repeats
from maskdelta.stitch._spline import crop, gradient, load_spline, straightening
from maskdelta.survey import FlatField
from tile_scenes import make_die


def make_links(centres, pairs, *, noise=0.0, seed=0):
    a, b = np.array(pairs).T
    rng = np.random.default_rng(seed)
    shift = centres[b] - centres[a] + rng.normal(0, noise, (len(pairs), 2))
    return Links(a, b, shift, np.full(len(pairs), 400.0))


def square_grid(n, step=100.0):
    centres = np.array([(x * step, y * step) for y in range(n) for x in range(n)])
    index = np.arange(n * n).reshape(n, n)
    pairs = [
        *zip(index[:, :-1].ravel(), index[:, 1:].ravel(), strict=True),
        *zip(index[:-1].ravel(), index[1:].ravel(), strict=True),
        *zip(index[:-1, :-1].ravel(), index[1:, 1:].ravel(), strict=True),
        *zip(index[:-1, 1:].ravel(), index[1:, :-1].ravel(), strict=True),
    ]
    return centres, [(int(a), int(b)) for a, b in pairs]


@pytest.fixture(scope="module")
def tile(tmp_path_factory):
    path = tmp_path_factory.mktemp("s") / "t.png"
    cv2.imwrite(str(path), make_die((120, 150)))
    return path


def test_spline_equals_scipy(tile):
    spline = load_spline(tile)
    grey = cv2.imread(str(tile)).astype(np.float32).mean(2)
    smooth = cv2.GaussianBlur(grey, (0, 0), 1.5)
    expected = scipy.ndimage.spline_filter(smooth, 3, mode="mirror")
    np.testing.assert_allclose(spline, expected, atol=2e-3)  # single precision of 0..255
    y, x = np.mgrid[30:70, 20:90].astype(float)
    exact = scipy.ndimage.map_coordinates(smooth.astype(float), [y + 0.37, x + 0.81])
    np.testing.assert_allclose(crop(spline, 20.81, 30.37, 70, 40), exact, atol=5e-3)


def test_samples_are_means_of_the_smoothed_tile_with_or_without_a_lens(tile):
    whole, half = load_spline(tile), load_spline(tile, every=2)
    assert half.shape == (60, 75)
    # the sample at (10, 20) lies amid the px 20, 21 and 40, 41
    amid = crop(whole, 20.5, 40.5, 60, 10)[::2, ::2]
    # the mean of 2 x 2 px blurs a little more, by a quarter px2
    assert np.abs(crop(half, 10, 20, 30, 5) - amid).std() < 0.06 * amid.std()
    unbent = load_spline(tile, straighten=straightening((120, 150), 0.0, every=2), every=2)
    np.testing.assert_allclose(unbent, half, atol=0.01)


def test_gradient_is_the_slope_of_the_spline(tile):
    spline = load_spline(tile)
    gx, gy = gradient(spline, 30, 40, 20, 10)
    step = 0.01
    right, left = (crop(spline, 30 + s, 40, 20, 10) for s in (step, -step))
    np.testing.assert_allclose(gx, (right - left) / (2 * step), atol=0.02)
    down, up = (crop(spline, 30, 40 + s, 20, 10) for s in (step, -step))
    np.testing.assert_allclose(gy, (down - up) / (2 * step), atol=0.02)


def test_even_shading_is_taken_out(tile):
    field = FlatField(1, np.array([[0.3, 0.0]] * 3))
    ratio = load_spline(tile, field) / load_spline(tile)
    assert ratio[:, 10].mean() > 1.1 > 0.9 > ratio[:, -10].mean()


@pytest.mark.parametrize("every", [1, 2])
@pytest.mark.parametrize("shift", [(0.0, 0.0), (0.25, -0.4), (37.5, 12.3)])
def test_a_shift_by_fourier_comes_back(shift, every):
    """The second picture is the first, moved exactly in Fourier space, with noise."""
    rng = np.random.default_rng(3)
    wide = scipy.ndimage.gaussian_filter(rng.normal(0, 1, (256, 256)), 2, mode="wrap") * 400 + 128
    moved = np.fft.ifft2(
        scipy.ndimage.fourier_shift(np.fft.fft2(wide), (-shift[1], -shift[0]))
    ).real

    def spline(values):
        noisy = values + rng.normal(0, 3, values.shape)
        smooth = cv2.GaussianBlur(noisy.astype(np.float32), (0, 0), 1.5)
        smooth = cv2.resize(smooth, None, fx=1 / every, fy=1 / every, interpolation=cv2.INTER_AREA)
        return scipy.ndimage.spline_filter(smooth, 3, output=np.float32, mode="mirror")

    start = [np.rint(np.array(shift))]
    found = measure_pair(spline(wide), spline(moved), start, reach_px=3, every=every)
    assert len(found) == 1
    # b shows at 0 what a shows at `shift`
    np.testing.assert_allclose(found[0].shift, shift, atol=0.02)


def test_repeats_are_found_and_nothing_else():
    rng = np.random.default_rng(0)
    cell = rng.normal(0, 1, (18, 24)).astype(np.float32)
    tiled = np.tile(cell, (8, 8)) + rng.normal(0, 0.1, (144, 192)).astype(np.float32)
    steps = find_repeats(tiled)
    assert sorted(tuple(np.abs(step)) for step in steps) == [(0.0, 18.0), (24.0, 0.0)]
    halved = cv2.resize(tiled, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    same = find_repeats(halved, every=2)
    assert [tuple(step) for step in same] == [tuple(step) for step in steps]
    assert find_repeats(rng.normal(0, 1, (100, 150)).astype(np.float32)) == []


def test_lag_needs_more_than_one_object():
    assert not Lag(net=4, odd=4).is_clear(strict=False)
    assert Lag(net=5, odd=5).is_clear(strict=False)
    assert not Lag(net=5, odd=5).is_clear(strict=True)
    assert not Lag(net=6, odd=40).is_clear(strict=False)  # dust for and against
    # a spoilt fit and something odd that meets itself, each too little alone
    assert Lag(net=2, odd=2, met=2, met_all=2).is_clear(strict=False)
    assert not Lag(net=2, odd=4, met=2, met_all=2).is_clear(strict=False)
    # two odd cells that meet by chance, where nothing misfits at the other shift
    assert not Lag(net=0, odd=0, met=4, met_all=4).is_clear(strict=False)
    assert not Lag(net=4, odd=4, met=2, met_all=4).is_clear(strict=False)


def test_two_choices_are_held_against_each_other_and_not_against_the_best(tile):
    spline = load_spline(tile)
    only = measure_pair(spline, spline, [np.array([40.0, 0.0])], reach_px=3)
    assert not only  # a tile does not fit onto itself elsewhere
    (best,) = measure_pair(spline, spline, [np.zeros(2)], reach_px=3)

    def choice(met):
        lag = Lag(met=10 - met, met_all=10 + met)
        return Choice(np.zeros(2), 0.05, 0.99, lag, seen=replace(best, fit=None, met=met))

    lag = choice(6).before(choice(4))
    assert (lag.met, lag.met_all) == (2, 10)
    assert choice(4).before(choice(6)).met == -2


@pytest.mark.parametrize("every", [1, 2])
def test_a_wide_overlap_that_fits_nowhere_speaks_against_a_shift(tile, every):
    spline = load_spline(tile, every=every)
    overlap = Overlap(spline, spline, every=every)
    wrong = np.array([30.0, 12.0])
    assert measure_near(overlap, wrong) is None
    against = found_unfit(overlap, wrong)
    assert against is not None
    assert against.score < 0.5
    assert not len(against.shifts)
    best = measure_near(overlap, np.zeros(2))
    assert lag_behind(best, against).is_clear(strict=True)
    assert found_unfit(overlap, np.array([135.0, 0.0])) is None  # 15 px wide: too little to tell


def test_a_place_that_a_pair_contradicts_is_not_taken():
    """Both pairs leave a choice of two; at one of them the second pair was asked and fits not."""
    seen = [Choice(np.array([100.0 + step, 0.0]), 0.05, 0.99) for step in (0, 20)]

    def probe(questions):
        return [
            Choice(shift, float("inf"), 0.1, Lag(net=12, odd=12), unfit=True)
            for _, shift in questions
        ]

    first = Edge(0, 1, tuple(seen), sure=False)
    second = Edge(0, 1, (seen[0],), sure=False)
    placed = join(2, [first, second], probe=probe)
    np.testing.assert_allclose(placed.centres[1] - placed.centres[0], [100, 0], atol=1e-3)
    assert not placed.modulo.any()
    assert list(placed.chosen) == [0, 0]


def test_bad_links_do_not_move_the_tiles():
    centres, pairs = square_grid(8)
    links = make_links(centres, pairs, noise=0.1)
    rng = np.random.default_rng(1)
    bad = rng.choice(len(pairs), len(pairs) // 6, replace=False)
    links.shift[bad] += rng.normal(0, 80, (len(bad), 2))
    held = np.zeros(64, bool)
    plain = solve_links(links, centres * 0, held, links.weight)
    robust = solve_gnc(links, centres * 0, held, inlier_px=2.0)

    def worst(found):
        apart = found - centres
        return np.hypot(*(apart - np.median(apart, axis=0)).T).max()

    assert worst(plain) > 5
    assert worst(robust) < 0.4
    good = np.setdiff1d(np.arange(len(pairs)), bad)
    assert (residuals(links, robust)[good] < 1).all()


def test_held_tiles_do_not_move():
    centres, pairs = square_grid(3)
    links = make_links(centres + [5, 5], pairs, noise=0.3)
    held = np.zeros(9, bool)
    held[[0, 4]] = True
    found = solve_gnc(links, centres, held, inlier_px=2.0)
    np.testing.assert_array_equal(found[held], centres[held])


def test_variance_of_a_chain_adds_up():
    centres = np.array([(x * 10.0, 0.0) for x in range(4)])
    links = make_links(centres, [(0, 1), (1, 2), (2, 3)])
    held = np.array([True, False, False, False])
    found = covariances(links, links.weight, held, np.zeros(4, int))
    # 1 / 400 for each step; the faint pull adds one part in 10^4
    np.testing.assert_allclose(found, np.arange(4) / 400, rtol=1e-2)


def test_groups_are_found():
    links = make_links(np.zeros((5, 2)), [(0, 1), (3, 4)])
    assert len(set(components(links, 5))) == 3
    assert len(set(components(links, 5, np.array([1, 3])))) == 2


def lattice_edge(a, b, shift, pitch=20.0, steps=(-1, 0, 1)):
    choices = tuple(Choice(np.array(shift) + [k * pitch, 0.0], 0.05, 0.99) for k in steps)
    return Edge(a, b, choices, sure=False)


def sure_edge(a, b, shift):
    return Edge(a, b, (Choice(np.array(shift, float), 0.05, 0.99),), sure=True)


def join(count, edges, **more):
    options = {
        "held": np.zeros(count, bool),
        "start": np.zeros((count, 2)),
        "nominal": None,
        "probe": lambda questions: [None] * len(questions),
        "inlier_px": 2.0,
        "reach_px": 50.0,
    }
    return join_tiles(count, edges, **{**options, **more})


def test_a_choice_with_a_clear_loser_is_made():
    good = Choice(np.array([100.0, 0.0]), 0.05, 0.99)
    bad = Choice(np.array([120.0, 0.0]), 0.05, 0.99, Lag(net=12, odd=14))
    placed = join(2, [Edge(0, 1, (bad, good), sure=False)])
    np.testing.assert_allclose(placed.centres[1] - placed.centres[0], [100, 0], atol=1e-3)
    assert not placed.modulo.any()


def test_an_open_choice_is_flagged():
    placed = join(3, [sure_edge(0, 1, (100, 0)), lattice_edge(1, 2, (100, 0))])
    assert list(placed.modulo) == [False, False, True]
    assert len(set(placed.group)) == 1


def test_what_hangs_on_an_open_choice_is_open_too():
    """Its own choices lie farther apart than the stage errs, but all move with the open tile."""
    rng = np.random.default_rng(1)
    places = np.array([(100.0 * k, 0.0) for k in range(8)])
    edges = [sure_edge(k, k + 1, (100, 0)) for k in range(5)]
    edges += [lattice_edge(5, 6, (100, 0)), lattice_edge(6, 7, (100, 0), pitch=80.0)]
    placed = join(8, edges, nominal=places + rng.uniform(-8, 8, (8, 2)))
    assert list(np.flatnonzero(placed.modulo)) == [6, 7]


@pytest.mark.parametrize("periodic", [True, False])
def test_a_sure_shift_over_a_pattern_is_doubted_where_the_stage_says_otherwise(periodic):
    """The last tile's only pair is three pitches off what the stage says; others agree with it."""
    rng = np.random.default_rng(4)
    places = np.array([(100.0 * (k % 4), 100.0 * (k // 4)) for k in range(17)])
    edges = [sure_edge(k, k + 1, places[k + 1] - places[k]) for k in range(15)]
    edges += [sure_edge(k, k + 4, (0, 100)) for k in range(12)]
    edges += [replace(sure_edge(12, 16, (60, 100)), periodic=periodic)]
    placed = join(17, edges, nominal=places + rng.uniform(-2, 2, (17, 2)))
    assert list(np.flatnonzero(placed.modulo)) == ([16] if periodic else [])
    assert len(set(placed.group)) == 1


def test_no_tile_lies_twice_as_far_off_as_all_others():
    rng = np.random.default_rng(2)
    places = np.array([(100.0 * (k % 5), 100.0 * (k // 5)) for k in range(25)])
    nominal = places + rng.uniform(-7, 7, (25, 2))
    everyone = np.ones(25, bool)
    reach = stage_reach(places, nominal, everyone)
    assert 14 < reach < 2 * 7 * 1.5 + 4
    few = np.arange(25) < 12
    assert stage_reach(places, nominal, few) == np.inf
    nominal[3] += [60, 0]  # one slip, and another tile may have slipped too
    assert stage_reach(places, nominal, everyone) > 100


def test_points_of_a_lattice_near_a_place():
    pitches = pitches_of([[np.array([3.0, 4.0]), np.array([23.0, 4.0]), np.array([3.0, 34.0])]])
    assert sorted(tuple(np.abs(p)) for p in pitches) == [(0.0, 30.0), (20.0, 0.0)]
    found = points_near(np.array([3.0, 4.0]), pitches, np.array([101.0, -90.0]), within_px=21)
    assert [tuple(p) for p in found[:1]] == [(103.0, -86.0)]
    assert sorted(tuple(p) for p in found) == [(83.0, -86.0), (103.0, -86.0)]
    assert points_near(np.zeros(2), pitches[:1], np.zeros(2), within_px=50) == []
    assert len(steps_around(pitches)) == 8


def test_a_sure_pair_decides_for_the_others():
    edges = [
        sure_edge(0, 1, (100, 0)),
        lattice_edge(1, 2, (120, 0)),
        lattice_edge(0, 2, (180, 0)),
        sure_edge(2, 3, (0, 100)),
        sure_edge(1, 3, (100, 100)),
    ]
    placed = join(4, edges)
    np.testing.assert_allclose(placed.centres[2] - placed.centres[1], [100, 0], atol=0.01)
    assert not placed.modulo.any()
    assert list(placed.chosen) == [0, 0, 2, 0, 0]


def test_an_edge_that_sees_nothing_finds_no_fault():
    """One pair does not reach the place that the other one would choose for nothing at all."""
    cells = 20.0 * np.arange(-1, 2)
    lags = [Lag(net=12, odd=12), Lag(), Lag(net=12, odd=12)]
    seen = tuple(
        Choice(np.array([100.0 + x, 0.0]), 0.05, 0.99, lag)
        for x, lag in zip(cells, lags, strict=True)
    )
    blind = tuple(
        Choice(np.array([100.0 + x, 0.0]), 0.05, 0.99, Lag(noise=-x / 10)) for x in [*cells, 40.0]
    )
    nominal = np.array([[0.0, 0.0], [118.0, 0.0]])
    edges = [Edge(0, 1, seen, sure=False), Edge(0, 1, blind, sure=False)]
    placed = join(2, edges, nominal=nominal)
    np.testing.assert_allclose(placed.centres[1] - placed.centres[0], [100, 0], atol=1e-3)


def test_two_sure_pairs_that_contradict_place_nothing():
    edges = [sure_edge(0, 1, (100, 0)), sure_edge(0, 2, (0, 100)), sure_edge(1, 2, (-160, 100))]
    placed = join(3, edges)
    assert len(set(placed.group)) > 1
    assert placed.conflicts
