"""Registration held against a published pair of layout revisions, and against published theory.

Sources
-------
The sense amplifier of `openram` 1.2.22 and 1.2.23, see `published_revision.py`.

J. M. Fitzpatrick, J. B. West and C. R. Maurer, "Predicting error in rigid-body point-based
registration", IEEE Trans. Med. Imaging 17 (1998) 694-702, equation 46; and J. M. Fitzpatrick,
"Fiducial registration error and target registration error are uncorrelated", Proc. SPIE 7261
(2009) 726102. Both are cited from memory. The equation is for a rigid map in space; with the same
steps the similarity in the plane gives FLE^2 / N (1 + d^2 / f^2), with d and f the distances
of target and points (root mean square) from the points' centroid.
"""

from __future__ import annotations

from contextlib import ExitStack

import gdstk
import numpy as np
import pytest

from maskdelta.images import Box
from maskdelta.register import register
from maskdelta.register._fit import fit_map
from maskdelta.study import RegisterSettings, apply_affine, fit_similarity
from published_revision import SHIFT_UM, Photographed, fetch_cells


@pytest.fixture(scope="module")
def cells(pytestconfig, tmp_path_factory) -> dict[str, gdstk.Cell]:
    return fetch_cells(pytestconfig.cache.mkdir("wheels"), tmp_path_factory.mktemp("cells"))


@pytest.mark.outside
def test_the_old_cell_is_found_in_the_new_one(cells, tmp_path) -> None:
    # two photographers: the second takes it mirrored, turned by 93 degrees, at another scale
    um_per_px = 0.5
    old = Photographed(cells["1.2.22"], 0, 21, um_per_px)
    new = Photographed(cells["1.2.23"], 1, 22, um_per_px)
    # a strip of 400 x 1120 px wants patches of a quarter of its width
    settings = RegisterSettings(patch_px=64, spacing_px=40)
    with ExitStack() as stack:
        sides = [p.side(tmp_path, name, stack) for p, name in ((old, "old"), (new, "new"))]
        found = register(*sides, names=("old", "new"), settings=settings).registration
    assert found.trusted, found.refused
    polygons = [p for n in (43, 46, 49) for p in cells["1.2.22"].get_polygons(layer=n, datatype=0)]
    corners = np.concatenate([p.points for p in polygons])
    corners = corners[corners[:, 1] > 13.4 - SHIFT_UM[1]]  # below, the new cell was redrawn
    moved = new.to_layout(found.before_to_after(old.to_px(corners))) - corners
    np.testing.assert_allclose(moved.mean(0), SHIFT_UM, atol=0.05)
    # unbent: no corner of its geometry lies off by more either
    assert np.hypot(*(moved - SHIFT_UM).T).max() < 0.05


def trials(rng: np.random.Generator, *, count: int, sigma: float) -> tuple[np.ndarray, ...]:
    """Similarities fitted to 12 noisy points: squared fit residual and error at four targets."""
    points = rng.uniform(-1000, 1000, (12, 2))
    targets = np.array([[0.0, 0.0], [1000, 0], [1000, 1000], [3000, -2000]])
    fitted, missed = [], []
    for _ in range(count):
        noisy = points + rng.normal(0, sigma, points.shape)
        matrix = fit_similarity(points, noisy)
        fitted.append(((apply_affine(matrix, points) - noisy) ** 2).sum(1).mean())
        missed.append(((apply_affine(matrix, targets) - targets) ** 2).sum(1))
    return points, targets, np.array(fitted), np.array(missed)


def test_error_at_a_target_is_as_fitzpatrick_predicts(rng) -> None:
    sigma, count = 0.3, 3000
    points, targets, fitted, missed = trials(rng, count=count, sigma=sigma)
    localisation = 2 * sigma**2
    centre = points.mean(0)
    d2 = ((targets - centre) ** 2).sum(1)
    f2 = ((points - centre) ** 2).sum(1).mean()
    predicted = localisation / len(points) * (1 + d2 / f2)
    # a mean of 3000 squares of two or more Gaussians: 2 % standard error, five of them
    np.testing.assert_allclose(missed.mean(0), predicted, rtol=0.1)
    # and the fit residual is smaller by the four parameters: FLE^2 (1 - 2 / N)
    assert fitted.mean() == pytest.approx(localisation * (1 - 2 / len(points)), rel=0.05)


def test_fit_residual_says_nothing_of_the_error_at_a_target(rng) -> None:
    *_, fitted, missed = trials(rng, count=3000, sigma=0.3)
    for k in range(missed.shape[1]):
        # 1 / sqrt(3000) is the standard deviation of no correlation
        assert abs(np.corrcoef(fitted, missed[:, k])[0, 1]) < 4 / np.sqrt(3000)


def test_left_out_blocks_show_what_the_fit_residual_hides(rng) -> None:
    """With a warp of many coefficients on few points the fit looks better than it is."""
    box = Box(0, 0, 4000, 4000)
    x, y = np.meshgrid(np.arange(300, 4000, 680), np.arange(300, 4000, 680))
    after = np.column_stack([x.ravel(), y.ravel()]).astype(float)
    wave = 3 * np.sin(after / 900.0)[:, ::-1]
    before = after + wave + rng.normal(0, 0.3, after.shape)
    found = fit_map(
        before, after, box=box, spacings_px=[4000.0, 2000.0, 1200.0], max_strain_frac=8e-3
    )
    places = rng.uniform(300, 3700, (500, 2))
    reached = found.plane.apply(places)
    miss = reached + found.warp.at(reached) - (places + 3 * np.sin(places / 900.0)[:, ::-1])
    true_rms = np.sqrt((miss**2).sum(1).mean())
    noise = 0.3 * np.sqrt(2)
    fitted, left_out = (
        np.sqrt((r**2).sum(1).mean()) for r in (found.residual_px, found.left_out_px)
    )
    # what a place measured anew would miss by: the noise of a patch and the error of the map
    anew = np.hypot(noise, true_rms)
    assert fitted < 0.95 * anew
    assert left_out > 0.9 * anew
