"""Close looks at a registration: where it is worst, typical and best."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from functools import partial
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from maskdelta.images import Raster, eight_bits
from maskdelta.report._picture_files import save_jpeg
from maskdelta.report._results import Compared, Folders
from maskdelta.report._scale_bar import ScaleBar, scale_bar
from maskdelta.report._view import View, sample
from maskdelta.study import apply_affine, invert_affine

__all__ = ["Candidate", "Look", "choose_places", "write_candidates", "write_looks"]

Array = NDArray[np.float64]

BLUE, ORANGE = np.array([0, 100, 255], np.float32), np.array([255, 155, 0], np.float32)
"""Outlines before and after: together white. Told apart with any colour vision."""
_NEAR = 6
"""Control points whose mean decides how good a place is: one alone is a matter of luck."""


@dataclass(frozen=True)
class Look:
    """One place, seen in two ways.

    Parameters
    ----------
    name : str
        worst, typical or best.
    x, y : float
        In the unit of the study.
    miss_px : float
        Root mean square of the left-out residuals around, px of the mosaic before.
    checkerboard, outlines : str
        Files, relative to the page.
    size : int
        Side of both pictures, px.
    bar : ScaleBar
    """

    name: str
    x: float
    y: float
    miss_px: float
    checkerboard: str
    outlines: str
    size: int
    bar: ScaleBar


def choose_places(rows: Sequence[dict[str, Any]]) -> list[tuple[str, Array, float]]:
    """Name, place and miss of the worst, the typical and the best place.

    Parameters
    ----------
    rows : sequence of dict
        Of `residuals.csv`; those in use count.

    Returns
    -------
    list of (str, (2,) float64, float)
        px of the mosaic before; empty with fewer than three points in use.
    """
    used = [row for row in rows if row["weight"] > 0]
    if len(used) < 3:
        return []
    points = np.array([[row["x_px"], row["y_px"]] for row in used])
    squares = np.array([row["left_out_dx_px"] ** 2 + row["left_out_dy_px"] ** 2 for row in used])
    _, near = cKDTree(points).query(points, k=min(_NEAR, len(points)))
    miss = np.sqrt(squares[near].mean(1))
    order = np.argsort(miss, kind="stable")
    chosen = (("worst", order[-1]), ("typical", order[len(order) // 2]), ("best", order[0]))
    return [(name, points[k], float(miss[k])) for name, k in chosen]


def write_looks(compared: Compared, folders: Folders, *, side_px: float = 240) -> list[Look]:
    """Write a checkerboard and the outlines of both photographs at each place.

    Parameters
    ----------
    compared : Compared
    folders : Folders
    side_px : float
        Side of what is shown, px of the mosaic before.
    """
    looks = []
    with ExitStack() as stack:
        mosaics = [
            stack.enter_context(Raster.open(folders.mosaic(die)))
            for die in (compared.before, compared.after)
        ]
        for name, place, miss in choose_places(compared.residuals):
            middle = (float(place[0]), float(place[1]))
            view = View.square(middle, side_px, least_px=480, most_px=480)
            before = eight_bits(sample(mosaics[0], view))
            there = compared.registration.before_to_after
            after = eight_bits(sample(mosaics[1], view, frame_to_raster=there))
            files = [f"{compared.name}/fit_{name}_{way}.jpg" for way in ("squares", "outlines")]
            save_jpeg(folders.report / files[0], checkerboard(before, after))
            save_jpeg(folders.report / files[1], outlines(before, after), quality=92)
            ((x, y),) = compared.link.to_study([middle])
            width = view.width * view.scale * compared.um_per_px
            bar = scale_bar(width, compared.unit)
            looks.append(Look(name, x, y, miss, files[0], files[1], view.width, bar))
    return looks


@dataclass(frozen=True)
class Candidate:
    """A way of laying one die over the other that was tried and refused.

    Parameters
    ----------
    number : int
        In the list of hypotheses, from 1.
    file : str
        Outlines of both mosaics, relative to the page.
    width, height : int
        Of the picture, px.
    """

    number: int
    file: str
    width: int
    height: int


def write_candidates(
    compared: Compared, folders: Folders, *, most: int = 3, longest_px: int = 720
) -> list[Candidate]:
    """Write the outlines of both mosaics under the best of the refused hypotheses.

    Parameters
    ----------
    compared : Compared
    folders : Folders
    most : int
        Hypotheses shown.
    longest_px : int
        Of a picture.
    """
    hypotheses = compared.registration.figures.get("hypotheses", [])
    found = []
    with ExitStack() as stack:
        mosaics = [
            stack.enter_context(Raster.open(folders.mosaic(die)))
            for die in (compared.before, compared.after)
        ]
        view = View.of_box(mosaics[0].box, longest_px=longest_px)
        before = eight_bits(sample(mosaics[0], view))
        for number, hypothesis in enumerate(hypotheses[:most], start=1):
            matrix = hypothesis.get("affine_after_to_before")
            if matrix is None:  # files of earlier versions have none
                continue
            there = partial(apply_affine, invert_affine(np.array(matrix)))
            after = sample(mosaics[1], view, frame_to_raster=there)
            file = f"{compared.name}/candidate_{number}.jpg"
            save_jpeg(folders.report / file, outlines(before, eight_bits(after)), quality=92)
            found.append(Candidate(number, file, view.width, view.height))
    return found


def checkerboard(
    before: NDArray[np.uint8], after: NDArray[np.uint8], *, across: int = 6
) -> NDArray[np.uint8]:
    """Squares of both pictures in turn, (H, W, 3): lines run on over their borders, or step."""
    height, width = before.shape[:2]
    y, x = np.arange(height) * across // height, np.arange(width) * across // width
    odd = ((y[:, None] + x[None]) % 2).astype(bool)
    return np.where(odd[..., None], after, before)


def outlines(before: NDArray[np.uint8], after: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Outlines before in blue and after in orange, (H, W, 3): white where they meet."""
    total = _strength(before)[..., None] * BLUE + _strength(after)[..., None] * ORANGE
    return np.clip(total, 0, 255).astype(np.uint8)


def _strength(image: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Length of the gradient over the channels, 0..1; 1 for all but the weakest outlines."""
    smooth = cv2.GaussianBlur(image.astype(np.float32), (0, 0), 1.5)
    gx, gy = (cv2.Scharr(smooth, cv2.CV_32F, *d) for d in ((1, 0), (0, 1)))
    length = np.sqrt((gx * gx + gy * gy).sum(-1))
    floor, top = np.percentile(length, [50, 97])
    return np.clip((length - floor) / max(float(top - floor), 1e-6), 0, 1).astype(np.float32)
