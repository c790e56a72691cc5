"""Swatches proposed from the picture alone: a person only has to name them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage
from skimage.morphology import h_maxima
from skimage.segmentation import watershed

from maskdelta.errors import SegmentationError
from maskdelta.images import Box, Raster, blocks_of, colour_slope, eight_bits, map_block
from maskdelta.segment._rules import NOT_PHOTOGRAPHED
from maskdelta.study import LayerStack, Registration, read_json, write_json

__all__ = ["Cluster", "Clusters", "NamedDie", "named_dies", "suggest_swatches", "write_suggestions"]

Array = NDArray[np.float64]

_LEVELS = 64
_SMOOTH_PX = 0.8
_HALO_PX = 4
_NONE = 255
_SIDES_PX = (24, 16, 12, 8, 6, 4)


@dataclass(frozen=True)
class Cluster:
    """Places of a die that are alike in colour.

    Parameters
    ----------
    number : int
        From 1, the most frequent first.
    colour : (3,) float64
        Mean, sRGB-encoded, 0..255.
    share : float
        Of the px looked at that lie on no edge.
    boxes : tuple of Box
        Squares in the mosaic frame that show nothing else, far apart.
    stack : str
        Name carried over from another die; empty where none is clear.
    agreement : float
        Share of the cluster that has this name there.
    """

    number: int
    colour: Array
    share: float
    boxes: tuple[Box, ...]
    stack: str = ""
    agreement: float = 0.0


@dataclass(frozen=True)
class Clusters:
    """All clusters of a die, and which one each colour belongs to.

    Parameters
    ----------
    found : tuple of Cluster
    table : (262144,) uint8
        Number of the cluster for each of 64 x 64 x 64 colours; 0 for none.
    """

    found: tuple[Cluster, ...]
    table: NDArray[np.uint8]

    def look(self, image: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """(h, w), number of the cluster at each px of an (h, w, 3) picture; 0 for none."""
        return np.take(self.table, _index(image))


@dataclass(frozen=True)
class NamedDie:
    """A die whose layers are known, and the way there.

    Parameters
    ----------
    stacks : tuple of str
        Names of its labels.
    labels, coverage : Raster
    to_mosaic : callable
        (n, 2) px of the mosaic that wants names -> px of this die's mosaic.
    """

    stacks: tuple[str, ...]
    labels: Raster
    coverage: Raster
    to_mosaic: Callable[[Array], Array]

    def at(self, box: Box) -> NDArray[np.uint8]:
        """Labels over a box of the mosaic that wants names; 255 where nothing was photographed."""
        block = map_block(box, self.to_mosaic)
        label = block.resample(block.fetch(self.labels)[0], nearest=True)
        label[block.resample(block.fetch(self.coverage)[0], nearest=True) == 0] = NOT_PHOTOGRAPHED
        return label


def named_dies(
    die: str,
    folders: Sequence[Path],
    coverages: Sequence[str],
    registrations: Sequence[str],
    stack: ExitStack,
) -> list[NamedDie]:
    """Dies to take names from, each with its registration to or from `die`, if it is trusted.

    Parameters
    ----------
    die : str
    folders : sequence of path
        Of the layers of the named dies.
    coverages, registrations : sequence of str
        In the same order.
    stack : ExitStack
        Closes the rasters.
    """
    found = []
    for folder, coverage, path in zip(folders, coverages, registrations, strict=True):
        registration = Registration.read(path)
        if not registration.trusted:
            continue
        forward = registration.before == die
        found.append(
            NamedDie(
                tuple(read_json(folder / "layers.json")["stacks"]),
                stack.enter_context(Raster.open(LayerStack(folder).labels)),
                stack.enter_context(Raster.open(coverage)),
                registration.before_to_after if forward else registration.after_to_before,
            )
        )
    return found


@dataclass(frozen=True)
class _Look:
    """One block that was looked at.

    Parameters
    ----------
    box : Box
        In the mosaic frame.
    image : (h, w, 3) uint8
        Smoothed against grain.
    flat : (h, w) bool
        Photographed, and on no edge.
    """

    box: Box
    image: NDArray[np.uint8]
    flat: NDArray[np.bool_]


def _index(image: NDArray[np.uint8]) -> NDArray[np.intp]:
    """(h, w), row of a table over all colours."""
    red, green, blue = (p.astype(np.intp) // (256 // _LEVELS) for p in cv2.split(image))
    return (red * _LEVELS + green) * _LEVELS + blue


def suggest_swatches(
    mosaic: Raster,
    coverage: Raster,
    *,
    die: str,
    named: Sequence[NamedDie] = (),
    most: int = 16,
    swatches: int = 5,
    least_share: float = 0.0005,
    least_agreement: float = 0.5,
    least_judged: float = 0.2,
) -> Clusters:
    """Group the colours of a die, and find places that show each group.

    The colours of px that lie on no edge are counted in a histogram of 64 levels a channel. Its
    peaks are the clusters, and each colour belongs to the peak that it climbs to (watershed of the
    density, Vincent & Soille 1991).

    Parameters
    ----------
    mosaic, coverage : Raster
    die : str
        For messages.
    named : sequence of NamedDie
        Dies to take names from.
    most : int
        Clusters at the most.
    swatches : int
        Places for each.
    least_share : float
        Clusters that hold less of the px looked at are left out.
    least_agreement : float
        Share of a cluster, where a named die shows its places, that must have one name there
        for the name to be taken over.
    least_judged : float
        Share of a cluster that the named dies must show for this.

    Returns
    -------
    Clusters
        The most frequent first.

    Raises
    ------
    SegmentationError
        When fewer than two colours stand apart.
    """
    looks = list(_looks(mosaic, coverage))
    table, count = _peaks(looks)
    whole = [np.take(table, _index(look.image)) for look in looks]
    numbers = [
        np.where(look.flat, number, np.uint8(_NONE))
        for look, number in zip(looks, whole, strict=True)
    ]
    total = np.zeros(256) + sum(np.bincount(n.ravel(), minlength=256) for n in numbers)
    share = total[:count] / max(total[:count].sum(), 1)
    votes, judged = _votes(looks, numbers, named)
    found: list[Cluster] = []
    renumbered = np.zeros(256, np.uint8)
    for k in np.argsort(-share, kind="stable"):
        if share[k] < least_share or len(found) == most:
            break
        boxes = _places(looks, numbers, int(k), swatches)
        if len(boxes) < 2:  # shapes so small that hardly a px of them lies on no edge
            boxes = _places(looks, whole, int(k), swatches)
        if len(boxes) < 2:
            continue
        stack, agreement = "", 0.0
        if judged[k] > least_judged * total[k]:
            stack = max(votes, key=lambda name: float(votes[name][k]))
            agreement = float(votes[stack][k] / judged[k])
        renumbered[k] = len(found) + 1
        found.append(
            Cluster(
                len(found) + 1,
                _mean_colour(looks, numbers, int(k)),
                float(share[k]),
                boxes,
                stack if agreement >= least_agreement else "",
                agreement,
            )
        )
    if len(found) < 2:
        raise SegmentationError(
            f"{die}: fewer than two colours stand apart, so no swatch can be proposed; draw them."
        )
    return Clusters(tuple(found), renumbered[table])


def _looks(
    mosaic: Raster, coverage: Raster, *, side_px: int = 512, most: int = 64
) -> Iterator[_Look]:
    """Blocks spread evenly over the die, so that a large die costs no more than a small one."""
    boxes = blocks_of(mosaic.shape, side_px)
    ox, oy = mosaic.origin
    cut = (slice(_HALO_PX, -_HALO_PX), slice(_HALO_PX, -_HALO_PX))
    for box in boxes[:: -(-len(boxes) // most)]:
        seen = coverage.read(box)[0] > 0
        if seen.mean() < 0.2:
            continue
        image = eight_bits(mosaic.read(box.grown(_HALO_PX)))
        smooth = cv2.GaussianBlur(image, (0, 0), _SMOOTH_PX)
        slope = colour_slope(smooth)[cut]
        # most of a picture is grain, not edges
        steep = 2.5 * float(np.median(slope[seen]))
        moved = Box(box.x0 + ox, box.y0 + oy, box.x1 + ox, box.y1 + oy)
        yield _Look(moved, np.ascontiguousarray(smooth[cut]), (slope < max(steep, 2.0)) & seen)


def _peaks(
    looks: Sequence[_Look], *, rise: float = 2.0, least_px: float = 6.0
) -> tuple[NDArray[np.uint8], int]:
    """Cluster of each colour, (262144,), and how many there are.

    A peak counts when its level holds `least_px` and rises by a factor of `rise` above the saddle
    to a higher one. Colours that hardly occur belong to none.
    """
    counts = np.zeros(_LEVELS**3)
    for look in looks:
        counts += np.bincount(_index(look.image)[look.flat], minlength=len(counts))
    density = ndimage.gaussian_filter(counts.reshape(3 * (_LEVELS,)), 0.8)
    height = np.log(np.maximum(density, 1.0))
    peaks = h_maxima(height, np.log(rise), footprint=np.ones((3, 3, 3)))
    markers, count = ndimage.label(peaks & (height > np.log(least_px)), np.ones((3, 3, 3)))
    basins = watershed(-height, markers, mask=height > np.log(2.0))
    table = np.where((basins > 0) & (basins < _NONE), basins - 1, _NONE)
    return table.astype(np.uint8).ravel(), min(count, _NONE - 1)


def _places(
    looks: Sequence[_Look], numbers: Sequence[NDArray[np.uint8]], k: int, wanted: int
) -> tuple[Box, ...]:
    """The largest squares that a cluster fills, one a block, as far apart as can be."""
    best: dict[int, list[Box]] = {}
    for look, number in zip(looks, numbers, strict=True):
        mine = (number == k).astype(np.float32)
        if mine.sum() < min(_SIDES_PX) ** 2:
            continue
        for side in _SIDES_PX:
            # single px may fall to a neighbouring cluster by their grain
            pure = cv2.boxFilter(
                mine, -1, (side, side), anchor=(0, 0), borderType=cv2.BORDER_CONSTANT
            )
            y, x = np.unravel_index(int(pure.argmax()), pure.shape)
            if pure[y, x] > 0.9 and y + side <= mine.shape[0] and x + side <= mine.shape[1]:
                x0, y0 = look.box.x0 + int(x), look.box.y0 + int(y)
                best.setdefault(side, []).append(Box(x0, y0, x0 + side, y0 + side))
                break
    found: list[Box] = []
    for side in _SIDES_PX:
        found += _far_apart(found, best.get(side, []), wanted - len(found))
    return tuple(found)


def _far_apart(chosen: Sequence[Box], boxes: Sequence[Box], wanted: int) -> list[Box]:
    """Boxes to add, each the farthest from all taken before it."""
    found: list[Box] = []
    rest = list(boxes)
    while rest and len(found) < wanted:
        taken = np.array([b[:2] for b in (*chosen, *found)] or [rest[0][:2]], float)
        corners = np.array([b[:2] for b in rest], float)
        distance = np.hypot(*(corners[:, None] - taken[None]).transpose(2, 0, 1)).min(1)
        found.append(rest.pop(int(distance.argmax())))
    return found


def _votes(
    looks: Sequence[_Look], numbers: Sequence[NDArray[np.uint8]], named: Sequence[NamedDie]
) -> tuple[dict[str, Array], Array]:
    """How many px of each cluster carry each name in a named die, and how many are seen there."""
    votes: dict[str, Array] = {}
    judged = np.zeros(256)
    for die in named:
        table = np.zeros((256, 256))
        for look, number in zip(looks, numbers, strict=True):
            pair = number.astype(np.intp) * 256 + die.at(look.box)
            table += np.bincount(pair.ravel(), minlength=65536).reshape(256, 256)
        judged += table[:, :NOT_PHOTOGRAPHED].sum(1)
        for label, stack in enumerate(die.stacks):
            votes[stack] = votes.get(stack, np.zeros(256)) + table[:, label]
    return votes, judged


def _mean_colour(looks: Sequence[_Look], numbers: Sequence[NDArray[np.uint8]], k: int) -> Array:
    px = [look.image[number == k] for look, number in zip(looks, numbers, strict=True)]
    return np.round(np.concatenate(px).mean(0), 1)


def write_suggestions(
    path: str | Path, clusters: Sequence[Cluster], *, die: str, view: str
) -> None:
    """Write clusters as GeoJSON marks: a feature a cluster, with all its squares.

    Names that are not clear are left empty, for a person to fill in.
    """
    features: list[dict[str, Any]] = []
    for cluster in clusters:
        squares = [shapely.box(*(np.array(box) - [0.5, 0.5, 0.5, 0.5])) for box in cluster.boxes]
        features.append(
            {
                "type": "Feature",
                "geometry": dict(shapely.geometry.mapping(shapely.MultiPolygon(squares))),
                "properties": {
                    "role": "swatch",
                    "stack": cluster.stack,
                    "label": f"cluster {cluster.number}",
                    "frame": "mosaic",
                    "die": die,
                    "view": view,
                    "colour": cluster.colour.tolist(),
                    "share": round(cluster.share, 5),
                    "agreement": round(cluster.agreement, 3),
                },
            }
        )
    write_json(path, {"type": "FeatureCollection", "features": features})
