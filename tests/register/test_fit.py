"""Fits of planes to scattered points, against OpenCV's homographies."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from maskdelta.images import Box
from maskdelta.register._fit import fit_plane

BOX = Box(0, 0, 5000, 5000)


def homography(fall: tuple[float, float]) -> np.ndarray:
    """Turned, mirrored, scaled by 0.85; the scale falls by `fall` from edge to edge."""
    affine = np.array([[0.05, -0.85, 4900.0], [-0.85, -0.05, 5000.0], [0, 0, 1.0]])
    centre = np.array([[1.0, 0, 2500], [0, 1, 2500], [0, 0, 1]])
    bend = np.array([[1.0, 0, 0], [0, 1, 0], [fall[0] / 5000, fall[1] / 5000, 1]])
    return centre @ bend @ np.linalg.inv(centre) @ affine


def mapped(matrix: np.ndarray, points: np.ndarray) -> np.ndarray:
    return cv2.perspectiveTransform(points[None], matrix)[0]


@pytest.mark.parametrize("fall", [(0.01, 0.0), (-0.004, 0.012), (0.05, 0.05)])
def test_a_homography_is_found_among_outliers(rng, fall: tuple[float, float]) -> None:
    source = rng.uniform(0, 5000, (300, 2))
    true = mapped(homography(fall), source)
    target = true + rng.normal(0, 0.3, true.shape)
    target[:60] += rng.uniform(-40, 40, (60, 2))
    plane, weight = fit_plane(source, target, box=BOX)
    np.testing.assert_allclose(plane.undo(plane.apply(source)), source, atol=1e-6)
    miss = np.hypot(*(plane.apply(source) - true).T)
    assert miss.max() < 0.3  # the noise of one point; 240 points leave 0.1 px at the corners
    assert (weight[60:] > 0).mean() > 0.95
    # second opinion: OpenCV's least squares on the points without outliers
    other, _ = cv2.findHomography(source[60:], target[60:], 0)
    assert np.hypot(*(plane.apply(source) - mapped(other, source)).T).max() < 0.15


def test_no_keystone_is_found_where_there_is_none(rng) -> None:
    source = rng.uniform(0, 5000, (300, 2))
    target = mapped(homography((0.0, 0.0)), source) + rng.normal(0, 0.3, source.shape)
    plane, _ = fit_plane(source, target, box=BOX)
    assert plane.keystone.per_px == (0.0, 0.0)


def test_a_moved_block_brings_no_keystone(rng) -> None:
    source = rng.uniform(0, 5000, (300, 2))
    target = mapped(homography((0.0, 0.0)), source) + rng.normal(0, 0.3, source.shape)
    target[(target > 4000).all(1)] += [8.0, 0.0]
    plane, _ = fit_plane(source, target, box=BOX)
    assert plane.keystone.per_px == (0.0, 0.0)


def test_few_points_are_fitted_without_a_keystone(rng) -> None:
    source = rng.uniform(0, 5000, (12, 2))
    plane, _ = fit_plane(source, mapped(homography((0.05, 0.0)), source), box=BOX)
    assert plane.keystone.per_px == (0.0, 0.0)
