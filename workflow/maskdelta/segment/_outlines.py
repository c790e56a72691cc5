"""Where the edge lies within the outline that a picture shows of it.

Light falls less steeply on the flank of a step, so that an edge appears as a line darker than
either side, blurred by the lens. A label goes over from one stack to the other wherever the colours
meet, which may be a px off: the darker of the two takes the line. How far off, is the same all over
a die for two given stacks. So their mean profile across labelled outlines is measured on the die,
and explained as a blurred step that is darkened by a line amid it (`_profile.py`). The picture
around each px of an outline is then held against that profile.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Edges", "Moved", "find_edges"]

Array = NDArray[np.float64]
SAMPLES_PX = np.arange(-2.0, 2.5)
"""Where the picture is looked at, across the edge."""
REACH_PX = 3
"""How far from a labelled edge px are looked at."""


@dataclass(frozen=True)
class Edges:
    """How far a px lies from the edge between two stacks, as a linear function of the picture.

    Parameters
    ----------
    row : (K, K) int16
        Row of the tables below for each pair of stacks; -1 where nothing is known.
    weights : (P, 6) float32
        For the luma at the five places across the edge, from the stack of the lower number to the
        other, and for the distance from the labelled edge.
    offset_px : (P,) float32
        The constant.
    shift_px : (P,) float32
        How far the true edge lies beyond the labelled one, towards the higher number.
    error_px : (P,) float32
        Standard deviation of the result.
    """

    row: NDArray[np.int16]
    weights: NDArray[np.float32]
    offset_px: NDArray[np.float32]
    shift_px: NDArray[np.float32]
    error_px: NDArray[np.float32]

    @classmethod
    def none(cls, stacks: int) -> Edges:
        """Nothing known: all edges stay where the labels are."""
        empty = np.zeros(0, np.float32)
        return cls(
            np.full((stacks, stacks), -1, np.int16),
            np.zeros((0, len(SAMPLES_PX) + 1), np.float32),
            empty,
            empty,
            empty,
        )

    def told(
        self,
        pair: tuple[int, int],
        weights: Array,
        offset_px: float,
        shift_px: float,
        error_px: float,
    ) -> Edges:
        """With what is known of a pair of stacks, in place of what was."""
        a, b = pair
        row = self.row.copy()
        at = int(row[a, b])
        if at < 0:
            at = row[a, b] = row[b, a] = len(self.shift_px)
        values = (weights, offset_px, shift_px, error_px)
        tables = []
        for name, value in zip(_FIELDS[1:], values, strict=True):
            table = getattr(self, name)
            more = np.zeros((max(len(table), at + 1), *table.shape[1:]), np.float32)
            more[: len(table)] = table
            more[at] = value
            tables.append(more)
        return Edges(row, *tables)

    def to_json(self) -> dict[str, Any]:
        """All of it, to full precision."""
        return {name: getattr(self, name).tolist() for name in _FIELDS}

    @classmethod
    def of(cls, data: dict[str, Any]) -> Edges:
        """What `to_json` gave."""
        none = cls.none(len(data["row"]))
        kinds = {name: getattr(none, name) for name in _FIELDS}
        found = {name: np.array(data[name], kind.dtype) for name, kind in kinds.items()}
        found["weights"] = found["weights"].reshape(-1, none.weights.shape[1])
        return cls(**found)


_FIELDS = ("row", "weights", "offset_px", "shift_px", "error_px")


@dataclass(frozen=True)
class Moved:
    """Px near an outline, with the label beside them.

    Parameters
    ----------
    place : (n,) int
        Flat indices.
    other : (n,) uint8
        The stack beyond the edge.
    inside_px : (n,) float32
        How far the px lies inside its own stack; negative where it belongs to the other.
    error_px : (n,) float32
    """

    place: NDArray[np.intp]
    other: NDArray[np.uint8]
    inside_px: NDArray[np.float32]
    error_px: NDArray[np.float32]

    @classmethod
    def none(cls) -> Moved:
        """No px at all."""
        empty = np.zeros(0, np.float32)
        return cls(np.zeros(0, np.intp), np.zeros(0, np.uint8), empty, empty)


def find_edges(
    luma: NDArray[np.float32],
    label: NDArray[np.uint8],
    known: NDArray[np.bool_],
    edges: Edges,
    *,
    most_px: float = 1.0,
    jitter_px: float = 0.45,
) -> Moved:
    """Where the px along outlines lie against the true edges.

    Parameters
    ----------
    luma : (H, W) float32
    label : (H, W) uint8
    known : (H, W) bool
        Labels that can be relied on.
    edges : Edges
    most_px : float
        How far the picture may move an edge from where it usually lies beside its label.
    jitter_px : float
        Error, where a third stack is near, so that the picture is not asked.

    Returns
    -------
    Moved
    """
    if not len(edges.shift_px):
        return Moved.none()
    masked = np.where(known, label, np.uint8(255))
    place, other, distance = _beside(masked)
    kept = edges.row[masked.ravel()[place], other] >= 0
    place, other, distance = place[kept], other[kept], distance[kept]
    own = masked.ravel()[place]
    row = edges.row[own, other]
    # the axis runs from the lower number to the higher
    side = np.where(own < other, np.float32(-1), np.float32(1))
    signed = side * distance
    at = signed - edges.shift_px[row]
    # what lies deeper inside is not in question
    kept = side * at < most_px
    place, other, row, side, signed, at = (
        place[kept],
        other[kept],
        row[kept],
        side[kept],
        signed[kept],
        at[kept],
    )
    outwards, alone = _direction(masked, place, other)
    axis = (outwards * -side[:, None])[alone]
    found = _from_picture(luma, place[alone], axis, signed[alone], row[alone], edges)
    at[alone] += np.clip(found - at[alone], -most_px, most_px)
    error = np.where(alone, edges.error_px[row], np.float32(jitter_px))
    return Moved(place, other, side * at, error)


def _from_picture(
    luma: NDArray[np.float32],
    place: NDArray[np.intp],
    axis: NDArray[np.float32],
    signed: NDArray[np.float32],
    row: NDArray[np.int16],
    edges: Edges,
) -> NDArray[np.float32]:
    """(n,) place of each px on the axis across its edge, px."""
    out = edges.offset_px[row] + edges.weights[row, -1] * signed
    if not len(out):
        return np.asarray(out, np.float32)
    for k, step in enumerate(SAMPLES_PX.astype(np.float32)):
        out += _sampled(luma, place, step * axis) * edges.weights[row, k]
    return np.asarray(out, np.float32)


def _sampled(
    luma: NDArray[np.float32], place: NDArray[np.intp], away: NDArray[np.float32]
) -> NDArray[np.float32]:
    """(n,) luma at places (n, 2) x, y less than `REACH_PX` away from px, linearly between px.

    Only the distance from the px is a fraction, so that a block's origin does not matter to the
    bit, as it would to `cv2.remap`.
    """
    whole = np.floor(away)
    right, down = (away - whole).T
    width = luma.shape[1]
    corner = place + whole[:, 1].astype(np.intp) * width + whole[:, 0].astype(np.intp)
    flat = luma.ravel()
    above, below = (flat[at] + right * (flat[at + 1] - flat[at]) for at in (corner, corner + width))
    return np.asarray(above + down * (below - above))


def _disc(reach: int) -> NDArray[np.int64]:
    """(n, 2) offsets dx, dy within a disc, the nearest first."""
    v, u = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    offsets = np.column_stack([u.ravel(), v.ravel()])
    far = np.hypot(offsets[:, 0], offsets[:, 1])
    order = np.argsort(far, kind="stable")
    return np.asarray(offsets[order][1 : int((far <= reach).sum())])


def _beside(
    label: NDArray[np.uint8],
) -> tuple[NDArray[np.intp], NDArray[np.uint8], NDArray[np.float32]]:
    """Px near another label: flat index, the nearest other label, distance of the edge, px."""
    square = np.ones((2 * REACH_PX + 1, 2 * REACH_PX + 1), np.uint8)
    near = (label < 255) & (cv2.erode(label, square) != cv2.dilate(label, square))
    # nobody looks at the rim of the picture
    near[:REACH_PX], near[-REACH_PX:], near[:, :REACH_PX], near[:, -REACH_PX:] = (False,) * 4
    place, flat = np.flatnonzero(near), label.ravel()
    own = flat[place]
    other, distance = np.full(len(place), 255, np.uint8), np.zeros(len(place), np.float32)
    for dx, dy in _disc(REACH_PX)[::-1]:
        seen = flat[place + dy * label.shape[1] + dx]
        differs = (seen != own) & (seen != 255)
        np.copyto(other, seen, where=differs)
        distance[differs] = np.hypot(dx, dy) - 0.5
    kept = other < 255
    return place[kept], other[kept], distance[kept]


def _direction(
    label: NDArray[np.uint8], place: NDArray[np.intp], other: NDArray[np.uint8]
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Towards the middle of all px of the other label nearby, (n, 2) x, y of length 1; alone.

    Alone is a px with no third label right beside it, and with the other on one side only.
    """
    flat = label.ravel()
    own = flat[place]
    sums = np.zeros((3, len(place)), np.float32)
    third = np.zeros(len(place), bool)
    for dx, dy in _disc(REACH_PX):
        seen = flat[place + dy * label.shape[1] + dx]
        there = seen == other
        for total, part in zip(sums, (dx, dy, 1), strict=True):
            if part:
                np.add(total, part, out=total, where=there)
        if abs(dx) + abs(dy) == 1:
            third |= ~there & (seen != own)
    length = np.hypot(sums[0], sums[1])
    outwards = np.stack([sums[0], sums[1]], 1) / np.maximum(length, 1e-6)[:, None]
    return outwards, ~third & (length > 0.8 * sums[2])
