"""First guesses where features fail: rotation and scale from spectra, then the shift."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from maskdelta.images import eight_bits
from maskdelta.register._control import Side
from maskdelta.register._features import FeatureMatch, structure
from maskdelta.register._guess import in_mosaic_px
from maskdelta.register._pair import Pair

__all__ = ["SPECTRUM", "match_spectra"]

Array = NDArray[np.float64]
Plane = NDArray[np.float32]

SPECTRUM = "spectrum"
"""Kind of a hypothesis that comes from spectra."""
_SIDE = 1024
_LONGEST = 640  # of a picture on the square: a turned one has room
_ANGLES, _RADII = 720, 512


@dataclass(frozen=True)
class _Sheet:
    """The outlines of one picture amid an empty square, and the way there from its level.

    Parameters
    ----------
    side : Side
        At the level that was read.
    outlines : (n, n) float32
        Zero mean where photographed, faded out towards its rim; 0 elsewhere.
    to_square : (2, 3) float64
        px of the level's array -> px of the square.
    """

    side: Side
    outlines: Plane
    to_square: Array


def match_spectra(pair: Pair, *, most: int = 6) -> list[FeatureMatch]:
    """Hypotheses from the outlines as a whole, both mirror states, the best first.

    The magnitude of a spectrum does not depend on the shift of a picture; in log-polar coordinates
    a turn and a scale become shifts (Reddy & Chatterji 1996). Layouts run along two axes, so their
    spectra agree at several turns: each good peak is tried, and its opposite, and the shift is
    found by correlation of the outlines. It needs no places that look alike, only many that have
    some outlines in common: two views of one die, one stripped of its metal.

    Parameters
    ----------
    pair : Pair
    most : int
        Hypotheses handed on.

    Returns
    -------
    list of FeatureMatch
        `inliers` and `matches` are 0: nothing was counted.
    """
    before, after = _sheet(pair.before), _sheet(pair.after)
    reference = fft.rfft2(before.outlines)
    polar_before = _log_polar(before.outlines)
    found: list[tuple[float, FeatureMatch]] = []
    for mirror in (False, True):
        flipped = _mirrored(after) if mirror else after
        for angle, scale in _turns(polar_before, _log_polar(flipped.outlines)):
            matrix = _about_middle(angle, scale)
            merit, shift = _best_shift(reference, flipped.outlines, matrix)
            matrix[:, 2] += shift
            affine = _between_levels(matrix, before, flipped)
            match = FeatureMatch(
                in_mosaic_px(affine, before.side, after.side), mirror, 0, 0, 1.0, SPECTRUM
            )
            found.append((merit, match))
    found.sort(key=lambda pair: -pair[0])
    return [match for _, match in found[:most]]


def _sheet(side: Side) -> _Sheet:
    side = replace(side, level=side.mosaic.level_for(2 * _LONGEST))
    box = side.box
    seen = side.covered(box).astype(np.float32)
    # the rim of what was photographed is an outline that says nothing
    inner = cv2.erode(seen, np.ones((9, 9), np.uint8), borderType=cv2.BORDER_CONSTANT)
    edges = structure(eight_bits(side.picture(box)))
    edges = (edges - edges[inner > 0].mean() if inner.any() else edges) * inner
    scale = _LONGEST / max(box.width, box.height)
    to_square = np.array([[scale, 0, 0], [0, scale, 0]])
    to_square[:, 2] = (_SIDE - 1) / 2 - scale * (np.array([box.width, box.height]) - 1) / 2
    blur = max(0.5 / scale - 0.5, 0.01)  # else the reduction would alias
    smooth, weight = (cv2.GaussianBlur(p, (0, 0), blur) for p in (edges, inner))
    square, rim = (
        cv2.warpAffine(p, to_square, (_SIDE, _SIDE), flags=cv2.INTER_LINEAR)
        for p in (smooth, weight)
    )
    fade = cv2.GaussianBlur(rim, (0, 0), 12.0) * rim
    return _Sheet(side, square * fade, to_square)


def _mirrored(sheet: _Sheet) -> _Sheet:
    """Left and right exchanged about the middle of the square."""
    flip = np.array([[-1.0, 0, _SIDE - 1], [0, 1.0, 0]])
    matrix = flip[:, :2] @ sheet.to_square + np.column_stack([np.zeros((2, 2)), flip[:, 2]])
    return replace(sheet, outlines=np.ascontiguousarray(sheet.outlines[:, ::-1]), to_square=matrix)


def _log_polar(plane: Plane) -> Plane:
    """Spectrum's magnitude over angle (rows) and logarithm of the frequency (columns)."""
    spectrum = np.log1p(np.abs(fft.fftshift(fft.fft2(plane)))).astype(np.float32)
    spectrum -= cv2.GaussianBlur(spectrum, (0, 0), 24.0)  # its fall with frequency is no feature
    middle = (_SIDE / 2, _SIDE / 2)
    flags = cv2.INTER_LINEAR | cv2.WARP_POLAR_LOG
    polar = cv2.warpPolar(spectrum, (_RADII, _ANGLES), middle, _SIDE / 2, flags)
    # below a tenth of the highest frequency few px stand for many values
    polar[:, : _RADII * 5 // 8] = 0
    return polar - polar.mean()


def _turns(before: Plane, after: Plane, *, most: int = 6) -> list[tuple[float, float]]:
    """(angle in degrees, scale) from after to before, with the opposite angles."""
    surface = fft.irfft2(fft.rfft2(before) * np.conj(fft.rfft2(after)), s=before.shape)
    peaks = (surface == ndimage.maximum_filter(surface, (9, 9), mode="wrap")) & (surface > 0)
    rows, columns = np.nonzero(peaks[: _ANGLES // 2])  # the spectrum repeats after half a turn
    order = np.argsort(-surface[rows, columns])
    per_column = np.log(_SIDE / 2) / _RADII
    found: list[tuple[float, float]] = []
    for row, column in zip(rows[order], columns[order], strict=True):
        shift = (column + _RADII // 2) % _RADII - _RADII // 2
        # a picture magnified has lower frequencies
        scale = float(np.exp(-shift * per_column))
        if 0.25 < scale < 4:
            angle = row * 360.0 / _ANGLES
            found += [(angle, scale), (angle + 180, scale)]
        if len(found) >= 2 * most:
            break
    return found


def _about_middle(angle_deg: float, scale: float) -> Array:
    """(2, 3) turn and scale about the middle of the square, y down, from x towards y."""
    turn = np.deg2rad(angle_deg)
    linear = scale * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    middle = np.full(2, (_SIDE - 1) / 2)
    return np.column_stack([linear, middle - linear @ middle])


def _best_shift(
    reference: NDArray[np.complex64], plane: Plane, matrix: Array
) -> tuple[float, Array]:
    """How far the correlation's peak stands out, in standard deviations, and the shift there."""
    moved = cv2.warpAffine(plane, matrix, (_SIDE, _SIDE), flags=cv2.INTER_LINEAR)
    spectrum = fft.rfft2(moved)
    surface = fft.irfft2(reference * np.conj(spectrum), s=moved.shape)
    # what is broad, the density of outlines, fits almost anywhere
    surface = surface - cv2.GaussianBlur(surface, (0, 0), 8.0)
    row, column = divmod(int(surface.argmax()), _SIDE)
    shift = [(v + _SIDE // 2) % _SIDE - _SIDE // 2 for v in (column, row)]
    return float(surface[row, column] / surface.std()), np.array(shift, float)


def _between_levels(matrix: Array, before: _Sheet, after: _Sheet) -> Array:
    """A map between squares as one between the arrays of the levels, after -> before."""
    full = [np.vstack([m, [0, 0, 1]]) for m in (before.to_square, matrix, after.to_square)]
    return np.asarray((np.linalg.inv(full[0]) @ full[1] @ full[2])[:2])
