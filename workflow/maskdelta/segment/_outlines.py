"""Where the edge lies within the outline that a picture shows of it.

Light falls less steeply on the flank of a step, so that an edge appears as a line darker than
either side, blurred by the lens. A label goes over from one stack to the other wherever the colours
meet, which may be a px off: the darker of the two takes the line. How far off, is the same all over
a die for two given stacks. So their mean profile across labelled outlines is measured on the die,
and explained as a blurred step that is darkened by a line amid it (`_profile.py`). The picture
around each px of an outline is then held against that profile.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.segment._compiled import compiled

__all__ = ["Edges", "Moved", "find_edges", "sampled"]

Array = NDArray[np.float64]
SAMPLES_PX = np.arange(-2.0, 2.5)
"""Where the picture is looked at, across the edge."""
REACH_PX = 3
"""How far from a labelled edge px are looked at."""
RIM_PX = 2.0
"""Where the rim of what hides others is looked at: what lies beside it is darkened by the outline,
and can still be told."""
IN_QUESTION_PX = 1.0
"""How far from the true edge the picture has a say in which side a px lies on, and how far it may
move an edge from where it usually lies beside its label."""
JITTER_PX = 0.45
"""Standard deviation of labelled edges about the true one, and so the error where the picture is
not asked: a third stack is near, or the px too deep inside its stack to be in question."""
TOLD_PX = IN_QUESTION_PX + 1.0
"""How far px are told their side: the line amid an edge may have the colour of the other one."""


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
    tilt_px, swing_px : (P, 2) float32
        What the direction across the edge, from the lower number to the higher, adds to the
        constant and to the shift: oblique light brightens one flank and darkens the other.
    rim_luma : (K, K) float32
        Luma of the second stack `RIM_PX` outside the first, where this hides others and what its
        outline looks like is known; else 0.
    """

    row: NDArray[np.int16]
    weights: NDArray[np.float32]
    offset_px: NDArray[np.float32]
    shift_px: NDArray[np.float32]
    error_px: NDArray[np.float32]
    tilt_px: NDArray[np.float32]
    swing_px: NDArray[np.float32]
    rim_luma: NDArray[np.float32]

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
            np.zeros((0, 2), np.float32),
            np.zeros((0, 2), np.float32),
            np.zeros((stacks, stacks), np.float32),
        )

    def told(
        self,
        pair: tuple[int, int],
        weights: Array,
        offset_px: float,
        shift_px: float,
        error_px: float,
        tilt_px: Array,
        swing_px: Array,
    ) -> Edges:
        """With what is known of a pair of stacks, in place of what was."""
        a, b = pair
        row = self.row.copy()
        at = int(row[a, b])
        if at < 0:
            at = row[a, b] = row[b, a] = len(self.shift_px)
        values = {
            "weights": weights,
            "offset_px": offset_px,
            "shift_px": shift_px,
            "error_px": error_px,
            "tilt_px": tilt_px,
            "swing_px": swing_px,
        }
        tables = {}
        for name, value in values.items():
            table = getattr(self, name)
            more = np.zeros((max(len(table), at + 1), *table.shape[1:]), np.float32)
            more[: len(table)] = table
            more[at] = value
            tables[name] = more
        return replace(self, row=row, **tables)

    def to_json(self) -> dict[str, Any]:
        """All of it, to full precision."""
        return {name: getattr(self, name).tolist() for name in _FIELDS}

    @classmethod
    def of(cls, data: dict[str, Any]) -> Edges:
        """What `to_json` gave."""
        none = cls.none(len(data["row"]))
        kinds = {name: getattr(none, name) for name in _FIELDS}
        found = {name: np.array(data[name], kind.dtype) for name, kind in kinds.items()}
        for name in ("weights", "tilt_px", "swing_px"):
            found[name] = found[name].reshape(-1, *getattr(none, name).shape[1:])
        return cls(**found)


_FIELDS = ("row", "weights", "offset_px", "shift_px", "error_px", "tilt_px", "swing_px", "rim_luma")


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
    asked : (n,) bool
        Whether the picture was asked where the edge lies.
    """

    place: NDArray[np.intp]
    other: NDArray[np.uint8]
    inside_px: NDArray[np.float32]
    error_px: NDArray[np.float32]
    asked: NDArray[np.bool_]

    @classmethod
    def none(cls) -> Moved:
        """No px at all."""
        empty = np.zeros(0, np.float32)
        return cls(np.zeros(0, np.intp), np.zeros(0, np.uint8), empty, empty, np.zeros(0, np.bool_))

    def only(self, chosen: NDArray[np.bool_]) -> Moved:
        """Some of the px."""
        return Moved(
            self.place[chosen],
            self.other[chosen],
            self.inside_px[chosen],
            self.error_px[chosen],
            self.asked[chosen],
        )

    def replaced(
        self,
        place: NDArray[np.intp],
        other: NDArray[np.uint8],
        inside_px: NDArray[np.float32],
        error_px: float,
    ) -> Moved:
        """With some px told without the picture, in place of what was known of them."""
        kept = self.only(~np.isin(self.place, place))
        count = len(place)
        return Moved(
            np.concatenate([kept.place, place]),
            np.concatenate([kept.other, other]),
            np.concatenate([kept.inside_px, inside_px]),
            np.concatenate([kept.error_px, np.full(count, error_px, np.float32)]),
            np.concatenate([kept.asked, np.zeros(count, np.bool_)]),
        )


def find_edges(
    luma: NDArray[np.float32],
    label: NDArray[np.uint8],
    known: NDArray[np.bool_],
    edges: Edges,
    *,
    dot: NDArray[np.bool_],
) -> Moved:
    """Where the px along outlines lie against the true edges.

    Parameters
    ----------
    luma : (H, W) float32
    label : (H, W) uint8
    known : (H, W) bool
        Labels that can be relied on.
    edges : Edges
    dot : (K,) bool
        Stacks that are dots: of their edges the picture is asked where no third stack is near.

    Returns
    -------
    Moved
    """
    if not len(edges.shift_px):
        return Moved.none()
    masked = np.where(known, label, np.uint8(255))
    places = _near_another(masked)
    place = np.empty(len(places), np.intp)
    other = np.empty(len(places), np.uint8)
    inside, error = (np.empty(len(places), np.float32) for _ in range(2))
    asked = np.empty(len(places), np.bool_)
    count = _place_all(
        np.ascontiguousarray(luma),
        masked,
        places,
        _disc(REACH_PX),
        edges.row,
        edges.weights,
        edges.offset_px,
        edges.shift_px,
        edges.error_px,
        edges.tilt_px,
        edges.swing_px,
        dot,
        place,
        other,
        inside,
        error,
        asked,
    )
    return Moved(place[:count], other[:count], inside[:count], error[:count], asked[:count])


def _disc(reach: int) -> NDArray[np.int64]:
    """(n, 2) offsets dx, dy within a disc, the nearest first."""
    v, u = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    offsets = np.column_stack([u.ravel(), v.ravel()])
    far = np.hypot(offsets[:, 0], offsets[:, 1])
    order = np.argsort(far, kind="stable")
    return np.asarray(offsets[order][1 : int((far <= reach).sum())])


def _near_another(label: NDArray[np.uint8]) -> NDArray[np.intp]:
    """Flat indices of px with another label in the square around."""
    square = np.ones((2 * REACH_PX + 1, 2 * REACH_PX + 1), np.uint8)
    near = (label < 255) & (cv2.erode(label, square) != cv2.dilate(label, square))
    # nobody looks at the rim of the picture
    near[:REACH_PX], near[-REACH_PX:], near[:, :REACH_PX], near[:, -REACH_PX:] = (False,) * 4
    return np.flatnonzero(near)


@compiled
def _place_all(
    luma: NDArray[np.float32],
    label: NDArray[np.uint8],
    places: NDArray[np.intp],
    disc: NDArray[np.int64],
    rows: NDArray[np.int16],
    weights: NDArray[np.float32],
    offset_px: NDArray[np.float32],
    shift_px: NDArray[np.float32],
    error_px: NDArray[np.float32],
    tilt_px: NDArray[np.float32],
    swing_px: NDArray[np.float32],
    round_ones: NDArray[np.bool_],
    out_place: NDArray[np.intp],
    out_other: NDArray[np.uint8],
    out_inside: NDArray[np.float32],
    out_error: NDArray[np.float32],
    out_asked: NDArray[np.bool_],
) -> int:
    """Fill in what `Moved` holds for px `places` of (H, W) labels; how many it is for.

    Px by px, since each asks for 28 others, of which the nearest mostly settle it.
    """
    width = label.shape[1]
    flat, light = label.ravel(), luma.ravel()
    steps = disc[:, 1] * width + disc[:, 0]
    reaches = np.sqrt((disc[:, 0] ** 2 + disc[:, 1] ** 2).astype(np.float64)) - 0.5
    # how far an edge may be for a px of each stack to be in question
    deepest = np.zeros(256)
    for own in range(len(rows)):
        for other in range(len(rows)):
            if rows[own, other] >= 0:
                shift = shift_px[rows[own, other]]
                inwards = -shift if own < other else shift
                deepest[own] = max(deepest[own], TOLD_PX + inwards)
    count = 0
    for place in places:
        own = flat[place]
        # the nearest other label, and how far its edge is
        other, distance = own, 0.0
        for n in range(len(steps)):
            if reaches[n] >= deepest[own]:
                break
            seen = flat[place + steps[n]]
            if seen != own and seen != 255:
                other, distance = seen, reaches[n]
                break
        if other == own:
            continue
        row = rows[own, other]
        if row < 0:
            continue
        # the axis runs from the lower number to the higher
        side = -1.0 if own < other else 1.0
        signed = side * distance
        at = signed - shift_px[row]
        if side * at >= TOLD_PX:
            continue
        # towards the middle of all px of the other label nearby
        x, y, px, third = 0, 0, 0, 0
        for n in range(len(steps)):
            third += (flat[place + steps[n]] != other) & (flat[place + steps[n]] != own)
            if flat[place + steps[n]] == other:
                x += disc[n, 0]
                y += disc[n, 1]
                px += 1
        length = np.sqrt(float(x * x + y * y))
        # alone with the other label, which lies on one side only, and not too deep inside
        alone = length > 0.8 * px and side * at < IN_QUESTION_PX
        for n in range(4):
            seen = flat[place + steps[n]]
            alone &= seen in (own, other)
        # discs tell better than what is darkened by two outlines at once
        alone &= third == 0 or not (round_ones[own] or round_ones[other])
        error = JITTER_PX
        if alone:
            error = error_px[row]
            u, v = -side * x / length, -side * y / length
            at -= swing_px[row, 0] * u + swing_px[row, 1] * v
            found = offset_px[row] + weights[row, 5] * signed
            found += tilt_px[row, 0] * u + tilt_px[row, 1] * v
            for n in range(5):
                found += weights[row, n] * sampled(light, place, width, (n - 2) * u, (n - 2) * v)
            at += min(max(found - at, -IN_QUESTION_PX), IN_QUESTION_PX)
        out_place[count] = place
        out_other[count] = other
        out_inside[count] = side * at
        out_error[count] = error
        out_asked[count] = alone
        count += 1
    return count


@compiled
def sampled(light: NDArray[np.float32], place: int, width: int, dx: float, dy: float) -> float:
    """Luma less than `REACH_PX` away from a px, linearly between px.

    Only the distance from the px is a fraction, so that a block's origin does not matter to the
    bit.
    """
    left, top = np.floor(dx), np.floor(dy)
    right, down = dx - left, dy - top
    corner = place + int(top) * width + int(left)
    below = corner + width
    first = light[corner] + right * (light[corner + 1] - light[corner])
    second = light[below] + right * (light[below + 1] - light[below])
    return float(first + down * (second - first))
