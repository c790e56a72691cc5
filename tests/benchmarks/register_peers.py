"""Maps between two pictures by general-purpose libraries, as a peer would use them."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
import SimpleITK
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Peer:
    """What another library found.

    Parameters
    ----------
    name : str
    to_before : callable or None
        (n, 2) px of the picture after -> px of the picture before; None where it failed.
    cpu_s : float
        What it took, without the start that it was given.
    """

    name: str
    to_before: Callable[[Array], Array] | None
    cpu_s: float


def peers(before: NDArray[np.uint8], after: NDArray[np.uint8], *, longest_px: int) -> list[Peer]:
    """Maps after -> before by SIFT with RANSAC, and ECC and SimpleITK from that start.

    SimpleITK's B-spline goes on from its similarity, or from the start where that failed.

    Parameters
    ----------
    before, after : (H, W, 3) uint8
    longest_px : int
        Pictures are reduced to it: SIFT on a whole mosaic takes gigabytes.
    """
    scale = min(1.0, longest_px / max(*before.shape, *after.shape))
    small = [
        cv2.cvtColor(
            cv2.resize(p, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA),
            cv2.COLOR_RGB2GRAY,
        )
        for p in (before, after)
    ]

    def full(reduced_map: Callable[[Array], Array]) -> Callable[[Array], Array]:
        return lambda points: (reduced_map((points + 0.5) * scale - 0.5) + 0.5) / scale - 0.5

    def timed(
        name: str, refine: Callable[..., Array | None], start: Array | None
    ) -> tuple[Array | None, Peer]:
        started = time.process_time()
        matrix = refine(*small, start) if start is not None else refine(*small)
        cpu_s = time.process_time() - started
        found = None if matrix is None else full(lambda p: _perspective(p, matrix))
        return matrix, Peer(name, found, cpu_s)

    sift, by_sift = timed("SIFT + RANSAC", _sift, None)
    if sift is None:
        return [by_sift]
    # these refine a start; alone they find no turn of 92 degrees
    _, by_ecc = timed("ECC", _ecc, sift)
    similar, by_similarity = timed("SimpleITK similarity", _similarity, sift)
    started = time.process_time()
    warp = _b_spline(*small, sift if similar is None else similar)
    by_warp = Peer(
        "SimpleITK B-spline", None if warp is None else full(warp), time.process_time() - started
    )
    return [by_sift, by_ecc, by_similarity, by_warp]


def _perspective(points: Array, matrix: Array) -> Array:
    return cv2.perspectiveTransform(points[None].astype(float), matrix)[0]


def _sift(before: NDArray[np.uint8], after: NDArray[np.uint8]) -> Array | None:
    """The better of the picture after and its mirror image: SIFT knows no mirror."""
    width = after.shape[1]
    flip = np.array([[-1.0, 0, width - 1], [0, 1, 0], [0, 0, 1]])
    tries = [_sift_once(before, after), _sift_once(before, after[:, ::-1].copy())]
    (plain, agree), (mirrored, agree_mirrored) = tries
    if agree_mirrored > agree and mirrored is not None:
        return mirrored @ flip
    return plain


def _sift_once(before: NDArray[np.uint8], after: NDArray[np.uint8]) -> tuple[Array | None, int]:
    """Homography after -> before and how many matches agree with it."""
    detector = cv2.SIFT_create(8000)
    (kb, db), (ka, da) = (detector.detectAndCompute(p, None) for p in (before, after))
    pairs = cv2.BFMatcher().knnMatch(da, db, k=2)
    good = [m for m, n in pairs if m.distance < 0.75 * n.distance]
    if len(good) < 8:
        return None, 0
    source = np.array([ka[m.queryIdx].pt for m in good])
    target = np.array([kb[m.trainIdx].pt for m in good])
    matrix, agree = cv2.findHomography(source, target, cv2.RANSAC, 3.0)
    return matrix, 0 if agree is None else int(agree.sum())


def _ecc(before: NDArray[np.uint8], after: NDArray[np.uint8], start: Array) -> Array | None:
    warp = np.linalg.inv(start)
    warp = (warp / warp[2, 2]).astype(np.float32)
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 50, 1e-6)
    try:
        _, warp = cv2.findTransformECC(before, after, warp, cv2.MOTION_HOMOGRAPHY, stop, None, 5)
    except cv2.error:
        return None
    return np.linalg.inv(warp.astype(float))


def _similarity(before: NDArray[np.uint8], after: NDArray[np.uint8], start: Array) -> Array | None:
    size = (before.shape[1], before.shape[0])
    moved = cv2.warpPerspective(after, start, size)
    fixed, moving = (SimpleITK.GetImageFromArray(p.astype(np.float32)) for p in (before, moved))
    method = SimpleITK.ImageRegistrationMethod()
    method.SetMetricAsMattesMutualInformation(32)
    method.SetMetricSamplingStrategy(method.RANDOM)
    method.SetMetricSamplingPercentage(0.05, 1)
    method.SetInterpolator(SimpleITK.sitkLinear)
    method.SetOptimizerAsRegularStepGradientDescent(1.0, 1e-4, 100)
    method.SetOptimizerScalesFromPhysicalShift()
    middle = SimpleITK.Similarity2DTransform()
    middle.SetCenter((size[0] / 2, size[1] / 2))
    method.SetInitialTransform(middle, inPlace=True)
    try:
        method.Execute(fixed, moving)
    except RuntimeError:
        return None
    corners = np.array([[0, 0], [size[0], 0], [0, size[1]], size], float)
    there = np.array([middle.TransformPoint(c) for c in corners.tolist()])
    back = cv2.getPerspectiveTransform(there.astype(np.float32), corners.astype(np.float32))
    return back @ start


def _b_spline(
    before: NDArray[np.uint8], after: NDArray[np.uint8], start: Array
) -> Callable[[Array], Array] | None:
    """A mesh of 8 x 8 cubic splines over the picture before, by the settings of its examples."""
    size = (before.shape[1], before.shape[0])
    moved = cv2.warpPerspective(after, start, size)
    fixed, moving = (SimpleITK.GetImageFromArray(p.astype(np.float32)) for p in (before, moved))
    warp = SimpleITK.BSplineTransformInitializer(fixed, [8, 8], 3)
    method = SimpleITK.ImageRegistrationMethod()
    method.SetMetricAsMattesMutualInformation(32)
    method.SetMetricSamplingStrategy(method.RANDOM)
    method.SetMetricSamplingPercentage(0.05, 1)
    method.SetInterpolator(SimpleITK.sitkLinear)
    method.SetOptimizerAsLBFGSB(1e-5, 50)
    method.SetInitialTransform(warp, inPlace=True)
    try:
        method.Execute(fixed, moving)
    except RuntimeError:
        return None

    def to_before(points: Array) -> Array:
        there = _perspective(points, start)
        at = there.copy()
        for _ in range(20):  # the warp leads from before to after; strains are far below one
            at += there - np.array([warp.TransformPoint(p) for p in at.tolist()])
        return at

    return to_before
