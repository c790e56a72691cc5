"""Nets worked out from boxes alone: what touches what."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

_CONDUCTORS = ("diffusion", "polysilicon", "metal")


def trace_boxes(
    boxes: Mapping[str, NDArray[np.int32]], nets: Mapping[str, NDArray[np.int32]]
) -> dict[str, NDArray[np.int32]]:
    """Number the conductors of a layout by what is joined to what.

    Boxes of one conductor are joined where they share area or a length of edge (corners do not
    conduct); a contact joins metal with the polysilicon and diffusion below it, a buried contact
    joins polysilicon with diffusion. Boxes of diffusion with net -1 are channels and conduct
    nothing.

    Returns
    -------
    dict of layer to (n,) int32
        -1 where a box conducts nothing; numbers count up from 0.
    """
    names = [*_CONDUCTORS, "contact", "buried_contact"]
    kept = {name: np.ones(len(boxes[name]), dtype=bool) for name in names}
    kept["diffusion"] = nets["diffusion"] >= 0
    offset, start = {}, 0
    for name in names:
        offset[name] = start
        start += len(boxes[name])
    pairs = [_touching(boxes[n], boxes[n], kept[n], kept[n]) + offset[n] for n in _CONDUCTORS]
    joints = [("contact", "metal"), ("contact", "diffusion"), ("contact", "polysilicon")]
    joints += [("buried_contact", "diffusion"), ("buried_contact", "polysilicon")]
    for cut, conductor in joints:
        found = _touching(boxes[cut], boxes[conductor], kept[cut], kept[conductor], area=True)
        pairs.append(found + np.array([[offset[cut]], [offset[conductor]]]))
    i, j = np.concatenate(pairs, axis=1)
    graph = coo_array((np.ones(len(i), dtype=np.int8), (i, j)), shape=(start, start))
    _, labels = connected_components(graph, directed=False)
    _, labels = np.unique(labels, return_inverse=True)
    result = {}
    for name in (*_CONDUCTORS, "contact", "buried_contact"):
        part = labels[offset[name] : offset[name] + len(boxes[name])].astype(np.int32)
        part[~kept[name]] = -1
        result[name] = part
    return result


def box_tree(boxes: NDArray[np.int32]) -> shapely.STRtree:
    """Return a search tree over (n, 4) boxes."""
    x0, y0, x1, y1 = boxes.T
    return shapely.STRtree(list(shapely.box(x0, y0, x1, y1)))


def _touching(
    a: NDArray[np.int32],
    b: NDArray[np.int32],
    keep_a: NDArray[np.bool_],
    keep_b: NDArray[np.bool_],
    *,
    area: bool = False,
) -> NDArray[np.int64]:
    """Return (2, k) indices of pairs that share an edge or area (with `area`: only area)."""
    ids_a, ids_b = np.flatnonzero(keep_a), np.flatnonzero(keep_b)
    if not len(ids_a) or not len(ids_b):
        return np.zeros((2, 0), dtype=np.int64)
    x0, y0, x1, y1 = a[ids_a].T
    i, j = box_tree(b[ids_b]).query(shapely.box(x0, y0, x1, y1))
    i, j = ids_a[i], ids_b[j]
    wide = np.minimum(a[i, 2], b[j, 2]) - np.maximum(a[i, 0], b[j, 0])
    high = np.minimum(a[i, 3], b[j, 3]) - np.maximum(a[i, 1], b[j, 1])
    if area:
        keep = (wide > 0) & (high > 0)
    else:
        keep = (wide >= 0) & (high >= 0) & ((wide > 0) | (high > 0))
    return np.array([i[keep], j[keep]], dtype=np.int64)
