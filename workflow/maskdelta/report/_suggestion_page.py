"""The page that shows proposed swatches and landmarks, so that a person can name them."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from maskdelta.films import likely_films
from maskdelta.images import Raster, eight_bits
from maskdelta.landmarks import Proposal
from maskdelta.report._picture_files import save_jpeg
from maskdelta.report._templates import write_page
from maskdelta.report._view import View, sample
from maskdelta.segment import Cluster, Clusters

__all__ = ["write_suggestion_page"]

_MAP_PX = 560
_LANDMARKS_PX = 1100
_CROP_PX = 168
_AROUND_PX = 28
_COLUMNS = 3
_RING = (255, 40, 200)


def write_suggestion_page(
    path: str | Path,
    clusters: Clusters,
    landmarks: Sequence[Proposal],
    mosaic: Raster,
    *,
    die: str,
    marks: str,
    landmark_marks: str,
) -> None:
    """Write a page with a map and close-ups for each cluster, and a map of proposed landmarks.

    Parameters
    ----------
    path : path
        Of the page; its pictures go into the folder `pictures` beside it.
    clusters : Clusters
    landmarks : sequence of Proposal
    mosaic : Raster
    die : str
    marks, landmark_marks : str
        Names of the files beside the page that hold the proposed swatches and landmarks.
    """
    path = Path(path)
    shutil.rmtree(path.parent / "pictures", ignore_errors=True)
    view = View.of_box(mosaic.box, longest_px=_MAP_PX)
    picture = eight_bits(sample(mosaic, view))
    numbers = clusters.look(cv2.GaussianBlur(picture, (0, 0), 0.8))
    # metal is usually the brightest of what has no name yet
    metal = max(clusters.found, key=lambda c: (c.stack == "metal", sum(c.colour)), default=None)
    rows = []
    for cluster in clusters.found:
        name = f"pictures/cluster-{cluster.number}"
        save_jpeg(path.parent / f"{name}-map.jpg", _map(picture, numbers, view, cluster))
        save_jpeg(path.parent / f"{name}-near.jpg", _near(mosaic, cluster), quality=90)
        films = (
            [] if metal is cluster or metal is None else likely_films(cluster.colour, metal.colour)
        )
        rows.append(
            {
                "cluster": cluster,
                "map": f"{name}-map.jpg",
                "near": f"{name}-near.jpg",
                "films": [film for film in films if film.plausible],
            }
        )
    wide = View.of_box(mosaic.box, longest_px=_LANDMARKS_PX)
    if landmarks:
        save_jpeg(path.parent / "pictures/landmarks.jpg", _landmarks(mosaic, wide, landmarks))
    write_page(
        path,
        "suggestions.html",
        die=die,
        marks=marks,
        rows=rows,
        size=(view.width, view.height),
        unnamed=[c for c in clusters.found if not c.stack],
        metal=metal,
        landmarks=landmarks,
        landmark_marks=landmark_marks,
        landmarks_size=(wide.width, wide.height),
    )


def _landmarks(mosaic: Raster, view: View, landmarks: Sequence[Proposal]) -> NDArray[np.uint8]:
    """The die in grey with the outlines of the proposals and the number in each one's label."""
    grey = cv2.cvtColor(eight_bits(sample(mosaic, view)), cv2.COLOR_RGB2GRAY)
    out = cv2.cvtColor((120 + grey // 2).astype(np.uint8), cv2.COLOR_GRAY2RGB)
    for proposal in landmarks:
        corners = view.place(shapely.get_coordinates(proposal.outline))
        cv2.polylines(out, [np.rint(corners).astype(np.int32)], True, _RING, 2, cv2.LINE_AA)
    for proposal in landmarks:
        (x, y), *_ = view.place(shapely.get_coordinates(proposal.outline.centroid))
        kind, number = proposal.label.split()
        words = number if kind == "pad" else proposal.label
        size, _ = cv2.getTextSize(words, cv2.FONT_HERSHEY_SIMPLEX, 0.5, 1)
        at = (round(x - size[0] / 2), round(y + size[1] / 2))
        for colour, thick in (((255, 255, 255), 4), ((30, 30, 30), 1)):
            cv2.putText(out, words, at, cv2.FONT_HERSHEY_SIMPLEX, 0.5, colour, thick, cv2.LINE_AA)
    return out


def _map(
    picture: NDArray[np.uint8], numbers: NDArray[np.uint8], view: View, cluster: Cluster
) -> NDArray[np.uint8]:
    """The die in faint grey, the cluster in its own colours, rings around its swatches."""
    grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
    faint = cv2.cvtColor((190 + grey // 4).astype(np.uint8), cv2.COLOR_GRAY2RGB)
    out = np.where((numbers == cluster.number)[..., None], picture, faint)
    for box in cluster.boxes:
        (x, y), *_ = view.place([[(box.x0 + box.x1) / 2, (box.y0 + box.y1) / 2]])
        cv2.circle(out, (round(x), round(y)), 9, _RING, 2, cv2.LINE_AA)
    return out


def _near(mosaic: Raster, cluster: Cluster) -> NDArray[np.uint8]:
    """Close-ups of the swatches in rows, each with its square."""
    crops = []
    for box in cluster.boxes:
        middle = ((box.x0 + box.x1) / 2, (box.y0 + box.y1) / 2)
        view = View.square(
            middle, max(2 * _AROUND_PX, 2 * box.width), least_px=_CROP_PX, most_px=_CROP_PX
        )
        crop = np.ascontiguousarray(eight_bits(sample(mosaic, view)))
        corners = view.place([[box.x0 - 0.5, box.y0 - 0.5], [box.x1 - 0.5, box.y1 - 0.5]])
        (x0, y0), (x1, y1) = np.rint(corners).astype(int).tolist()
        cv2.rectangle(crop, (x0 - 1, y0 - 1), (x1, y1), _RING, 2)
        crops.append(cv2.copyMakeBorder(crop, 0, 6, 0, 6, cv2.BORDER_CONSTANT, value=(255,) * 3))
    crops += [np.full_like(crops[0], 255)] * (-len(crops) % _COLUMNS)
    rows = [np.hstack(crops[k : k + _COLUMNS]) for k in range(0, len(crops), _COLUMNS)]
    return np.vstack(rows)[:-6, :-6]
