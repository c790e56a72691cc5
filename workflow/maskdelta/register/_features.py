"""First guess of the map between two mosaics: features on reduced pictures."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull, QhullError

from maskdelta.study import apply_affine, fit_affine

__all__ = ["FeatureMatch", "match_features", "structure"]

Grey = NDArray[np.float32]
Array = NDArray[np.float64]


@dataclass(frozen=True)
class FeatureMatch:
    """One hypothesis of how two pictures lie over one another.

    Parameters
    ----------
    affine_after_to_before : (2, 3) float64
        In px of the two reduced pictures.
    mirror : bool
    inliers, matches : int
        Matches that agree with the map, and matches in all.
    spread_frac : float
        Area of the inliers' convex hull as a share of the smaller picture.
    kind : str
        What was looked at: `brightness` or `structure`.
    """

    affine_after_to_before: Array
    mirror: bool
    inliers: int
    matches: int
    spread_frac: float
    kind: str


def structure(image: NDArray[np.uint8] | NDArray[np.uint16], *, blur_px: float = 1.0) -> Grey:
    """Strength of outlines, whatever the colours: root of the summed squared gradients.

    Parameters
    ----------
    image : (H, W, 3) uint8 or uint16
    blur_px : float
        Standard deviation of the smoothing before the gradient.

    Returns
    -------
    (H, W) float32
        Square root of the gradient's length, so that one bright edge does not outweigh the rest.
    """
    smooth = cv2.GaussianBlur(image.astype(np.float32), (0, 0), blur_px)
    gx = cv2.Scharr(smooth, cv2.CV_32F, 1, 0)
    gy = cv2.Scharr(smooth, cv2.CV_32F, 0, 1)
    # the channels are summed by OpenCV: numpy's sum over a short last axis takes most of the time
    squares = cv2.transform(gx * gx + gy * gy, np.ones((1, 3), np.float32))
    return np.asarray(cv2.sqrt(cv2.sqrt(squares)))


def match_features(
    before: NDArray[np.uint8],
    after: NDArray[np.uint8],
    *,
    mask_before: NDArray[np.uint8],
    mask_after: NDArray[np.uint8],
    tolerance_px: float = 3.0,
) -> list[FeatureMatch]:
    """Try both mirror states and two kinds of picture; the best hypothesis comes first.

    SIFT (Lowe 2004) with root scaling (Arandjelovic & Zisserman 2012), mutual ratio matches, then
    an affine map by RANSAC. Outlines are tried only when brightness gives no clear answer, since
    contrast may be inverted between photographers.

    Parameters
    ----------
    before, after : (H, W, 3) uint8
        Reduced mosaics.
    mask_before, mask_after : (H, W) uint8
        Non-zero where something was photographed.
    tolerance_px : float
        Distance within which a match agrees, px of the reduced picture before.

    Returns
    -------
    list of FeatureMatch
        Four at the most; hypotheses with fewer than six inliers are left out.
    """
    found: list[FeatureMatch] = []
    for kind in ("brightness", "structure"):
        reference = _describe(_picture(before, kind), mask_before)
        for mirror in (False, True):
            moving = _picture(after, kind)
            mask = mask_after
            if mirror:
                moving, mask = moving[:, ::-1], mask[:, ::-1]
            match = _match(
                reference,
                _describe(np.ascontiguousarray(moving), np.ascontiguousarray(mask)),
                mirror_width=after.shape[1] if mirror else 0,
                area=min(before.shape[0] * before.shape[1], after.shape[0] * after.shape[1]),
                tolerance_px=tolerance_px,
                kind=kind,
            )
            found += [match] if match is not None else []
        found.sort(key=lambda m: -m.inliers)
        rivals = [m.inliers for m in found if m.mirror != found[0].mirror] if found else []
        if found and found[0].inliers >= 60 and found[0].inliers >= 3 * max([*rivals, 0]):
            break
    return found


def _picture(image: NDArray[np.uint8], kind: str) -> NDArray[np.uint8]:
    plane = image.mean(-1, dtype=np.float32) if kind == "brightness" else structure(image)
    low, high = np.percentile(plane, [1, 99.5])
    scaled = (plane - low) * (255 / max(high - low, 1e-6))
    return np.clip(scaled, 0, 255).astype(np.uint8)


def _describe(
    picture: NDArray[np.uint8], mask: NDArray[np.uint8]
) -> tuple[Array, NDArray[np.float32]]:
    inner = cv2.erode(mask, np.ones((9, 9), np.uint8), borderType=cv2.BORDER_CONSTANT)
    sift = cv2.SIFT.create(nfeatures=5000, contrastThreshold=0.02)
    keys, descriptors = sift.detectAndCompute(picture, inner)
    if descriptors is None or len(keys) < 8:
        return np.zeros((0, 2)), np.zeros((0, 128), np.float32)
    rooted = np.sqrt(descriptors / np.maximum(descriptors.sum(1, keepdims=True), 1e-6))
    return np.array([k.pt for k in keys], float), rooted.astype(np.float32)


def _match(
    before: tuple[Array, NDArray[np.float32]],
    after: tuple[Array, NDArray[np.float32]],
    *,
    mirror_width: int,
    area: int,
    tolerance_px: float,
    kind: str,
) -> FeatureMatch | None:
    (points_b, desc_b), (points_a, desc_a) = before, after
    if len(points_a) < 8 or len(points_b) < 8:
        return None
    pairs = _mutual_ratio_matches(desc_a, desc_b)
    if len(pairs) < 6:
        return None
    source, target = points_a[pairs[:, 0]], points_b[pairs[:, 1]]
    if mirror_width:
        source = np.column_stack([mirror_width - 1 - source[:, 0], source[:, 1]])
    matrix, chosen = cv2.estimateAffine2D(
        source,
        target,
        method=cv2.RANSAC,
        ransacReprojThreshold=tolerance_px,
        maxIters=20000,
        confidence=0.9999,
    )
    if matrix is None or chosen.sum() < 6:
        return None
    inside = chosen.ravel().astype(bool)
    for _ in range(3):
        matrix = fit_affine(source[inside], target[inside])
        inside = np.hypot(*(apply_affine(matrix, source) - target).T) < tolerance_px
        if inside.sum() < 6:
            return None
    # one place may hold several features; count places, not features
    places = np.unique(np.round(target[inside] / 4), axis=0)
    return FeatureMatch(
        affine_after_to_before=matrix,
        mirror=bool(np.linalg.det(matrix[:, :2]) < 0),
        inliers=len(places),
        matches=len(pairs),
        spread_frac=_hull_area(target[inside]) / area,
        kind=kind,
    )


def _mutual_ratio_matches(
    a: NDArray[np.float32], b: NDArray[np.float32], *, ratio: float = 0.85
) -> NDArray[np.int64]:
    """Pairs (index in a, index in b) that prefer each other and pass Lowe's ratio one way."""
    matcher = cv2.BFMatcher(cv2.NORM_L2)
    forward = matcher.knnMatch(a, b, k=2)
    backward = {m[0].queryIdx: m[0].trainIdx for m in matcher.knnMatch(b, a, k=1) if m}
    pairs = [
        (m.queryIdx, m.trainIdx)
        for m, n in (two for two in forward if len(two) == 2)
        if m.distance < ratio * n.distance and backward.get(m.trainIdx) == m.queryIdx
    ]
    return np.array(pairs, np.int64).reshape(-1, 2)


def _hull_area(points: Array) -> float:
    try:
        return float(ConvexHull(points).volume)  # in the plane, the volume is the area
    except QhullError:
        return 0.0
