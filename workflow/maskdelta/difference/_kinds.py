"""What kind of change it is, from the shapes before and after."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
import scipy.signal
from numpy.typing import NDArray

from maskdelta.difference._changes import Change
from maskdelta.difference._masks import ADDED, NOT_COMPARABLE, REMOVED, SAME
from maskdelta.difference._regions import Region, label_mask
from maskdelta.images import Box, Raster
from maskdelta.study import Stack, ToStudy

__all__ = ["LayerShapes", "Surroundings", "channel_layers", "classify", "contact_layers"]

Mask = NDArray[np.bool_]
_MARGIN_PX = 64
_MOST_PX = 512  # longest side at which a displacement is looked for; larger windows are reduced


@dataclass(frozen=True)
class LayerShapes:
    """One layer in a window around a change: (H, W) masks; unseen is what was not comparable."""

    before: Mask
    added: Mask
    removed: Mask
    unseen: Mask

    @property
    def after(self) -> Mask:
        """Present after."""
        return self.before & ~self.removed | self.added

    @property
    def kept(self) -> Mask:
        """Present before and after."""
        return self.before & ~self.removed

    def altered_shapes(self) -> tuple[Mask, Mask]:
        """Whole shapes before that lost something, and whole shapes after that gained."""
        return _touching(self.before, self.removed), _touching(self.after, self.added)


@dataclass(frozen=True)
class Surroundings:
    """Where the shapes around a change are read.

    Parameters
    ----------
    membership : Raster
        Of the die before.
    masks : mapping of str to Raster
        Final masks by layer.
    contacts : collection of str
        Layers that only occur as dots.
    changed_bits : (n, 2) float64
        Places of bits that differ, um of the study frame.
    channels : collection of set of str
        Pairs of layers that make a transistor where they cross.
    """

    membership: Raster
    masks: Mapping[str, Raster]
    contacts: Collection[str]
    changed_bits: NDArray[np.float64]
    channels: Collection[frozenset[str]] = ()

    def shapes(self, change: Change) -> dict[str, LayerShapes]:
        """The layers of a change in a window around it."""
        box = _window(change.regions)
        mine = np.zeros(box.shape, bool)  # other changes may reach into the window
        for x0, y0, x1, y1 in (region.box for region in change.regions):
            mine[y0 - box.y0 : y1 - box.y0, x0 - box.x0 : x1 - box.x0] = True
        found = {}
        for name in change.layers:
            plane = self.membership.planes.index(name)
            states = self.masks[name].read(box)[0]
            states[np.isin(states, (ADDED, REMOVED)) & ~mine] = SAME
            before = self.membership.read(box, planes=[plane])[0] > 127
            found[name] = LayerShapes(
                (before | (states == REMOVED)) & (states != ADDED),
                states == ADDED,
                states == REMOVED,
                states == NOT_COMPARABLE,
            )
        return found

    def contacted(self, change: Change) -> Mask:
        """Where contacts lie in the same window."""
        box = _window(change.regions)
        planes = [k for k, name in enumerate(self.membership.planes) if name in self.contacts]
        if not planes:
            return np.zeros(box.shape, bool)
        return np.asarray((self.membership.read(box, planes=planes) > 127).any(0))

    def holds_changed_bit(self, change: Change) -> bool:
        """Whether a bit that differs lies inside the change's box."""
        x0, y0, x1, y1 = change.box_um
        inside = (self.changed_bits >= [x0, y0]) & (self.changed_bits <= [x1, y1])
        return bool(inside.all(1).any())


def contact_layers(stacks: Mapping[str, Stack]) -> frozenset[str]:
    """Layers that occur in stacks of dots only: contacts and the like."""
    dots = {layer for stack in stacks.values() if stack.dot for layer in stack.layers}
    return frozenset(dots - {n for s in stacks.values() if not s.dot for n in s.layers})


def channel_layers(stacks: Mapping[str, Stack]) -> frozenset[frozenset[str]]:
    """Pairs of layers that cross in the open, each of which also lies alone: gates."""
    alone = {stack.layers[0] for stack in stacks.values() if len(stack.layers) == 1}
    return frozenset(
        frozenset(stack.layers)
        for stack in stacks.values()
        if len(stack.layers) == 2 and not stack.hides and alone >= set(stack.layers)
    )


def classify(change: Change, around: Surroundings, to_study: ToStudy) -> Change:
    """The change with its kind and, if it moved, its vector.

    The kinds, in the order in which they are tried:

    - array bit, contact new, contact gone: only contacts changed, all in one direction;
    - lettering: shapes of one layer without contacts that touch nothing else and partly stay;
    - moved: the shapes before fit those after when displaced, three quarters at least of what can
      be seen in both, and much better than when left in place;
    - redrawn: twelve pieces or more in three layers or more, in both directions;
    - joined, cut: a gap between two parts was closed or opened;
    - widened, narrowed: what came or went lies along an edge, twice as long as it is deep; or a
      transistor grew or shrank, whatever else of its two layers did;
    - added, removed, altered: all else.
    """
    shapes = around.shapes(change)
    if set(change.layers) <= set(around.contacts) and change.balance != "altered":
        if around.holds_changed_bit(change):
            return replace(change, kind="array bit")
        return replace(change, kind="contact new" if change.balance == "added" else "contact gone")
    if _stands_alone(shapes.values(), around.contacted(change)):
        return replace(change, kind="lettering")
    if change.balance != "altered":
        kind = _resized(change, shapes, around.channels) or _along_edges(change, shapes)
        return replace(change, kind=kind or change.balance)
    moved_px = _displacement_px(list(shapes.values()))
    if moved_px is not None:
        start = to_study.to_mosaic([[change.x_um, change.y_um]])
        (dx, dy), *_ = to_study.to_study(start + moved_px) - to_study.to_study(start)
        return replace(change, kind="moved", moved_um=(float(dx), float(dy)))
    if len(change.layers) >= 3 and len(change.regions) >= 12:
        return replace(change, kind="redrawn")
    return replace(change, kind="altered")


def _window(regions: Sequence[Region]) -> Box:
    corners = np.array([r.box for r in regions])
    (x0, y0), (x1, y1) = corners[:, :2].min(0), corners[:, 2:].max(0)
    return Box(int(x0), int(y0), int(x1), int(y1)).grown(_MARGIN_PX)


def _touching(shapes: Mask, marked: Mask) -> Mask:
    """The connected shapes that hold marked px."""
    count, labels = label_mask(shapes)
    held = np.zeros(count + 1, bool)
    held[labels[marked]] = True
    held[0] = False
    return np.asarray(held[labels])


def _displacement_px(
    shapes: Sequence[LayerShapes], *, least_px: float = 3.0
) -> tuple[float, float] | None:
    """Displacement (x, y) that lays the altered shapes before on those after, if there is one."""
    pairs = [shape.altered_shapes() for shape in shapes]
    areas = [sum(float(pair[k].sum()) for pair in pairs) for k in (0, 1)]
    if min(areas) < 0.6 * max(areas):
        return None
    height, width = pairs[0][0].shape
    reduce = -(-max(height, width) // _MOST_PX)
    size = (-(-width // reduce), -(-height // reduce))

    def reduced(mask: Mask) -> NDArray[np.float32]:
        return cv2.resize(mask.astype(np.float32), size, interpolation=cv2.INTER_AREA)

    shared, lost, gained = np.zeros((3, 2 * size[1] - 1, 2 * size[0] - 1))
    for (before, after), shape in zip(pairs, shapes, strict=True):
        b, a, seen = reduced(before)[::-1, ::-1], reduced(after), reduced(~shape.unseen)
        shared += scipy.signal.fftconvolve(a, b)
        # what would come to lie out of sight, or came from there, tells nothing
        lost += scipy.signal.fftconvolve(seen, b)
        gained += scipy.signal.fftconvolve(a, seen[::-1, ::-1])
    counted = np.maximum(np.maximum(lost, gained), 0.5 * max(areas) / reduce**2)
    total = shared / counted
    dy, dx = np.unravel_index(total.argmax(), total.shape)
    found = ((dx - size[0] + 1) * reduce, (dy - size[1] + 1) * reduce)
    stays = total[size[1] - 1, size[0] - 1]
    if total.max() < max(0.75, stays + 0.2) or np.hypot(*found) < least_px:
        return None
    return float(found[0]), float(found[1])


def _stands_alone(
    shapes: Collection[LayerShapes], contacted: Mask, *, most_unseen: float = 0.03
) -> bool:
    """Whether the altered shapes of one layer end in sight, hold no contact and partly stay."""
    if len(shapes) != 1:
        return False
    (shape,) = shapes
    whole = np.logical_or(*shape.altered_shapes())
    near = cv2.dilate(whole.astype(np.uint8), np.ones((7, 7), np.uint8)) > 0
    cut = near[[0, -1]].any() or near[:, [0, -1]].any()  # goes on beyond the window
    # a few doubtful px at its rim hide no connection
    hidden = float((near & shape.unseen).sum()) > most_unseen * float(near.sum())
    return not (cut or hidden or (whole & contacted).any()) and bool((whole & shape.kept).any())


def _resized(
    change: Change,
    shapes: Mapping[str, LayerShapes],
    channels: Collection[frozenset[str]],
    *,
    least_px: int = 20,
) -> str:
    """widened or narrowed where a transistor that stays gained or lost channel; else empty."""
    pair = frozenset(shapes)
    if pair not in channels:
        return ""
    first, second = shapes.values()
    before, after = first.before & second.before, first.after & second.after
    altered = before ^ after
    touching = _touching(altered | (before & after), before & after) & altered
    if altered.sum() < least_px or touching.sum() < 0.8 * altered.sum():
        return ""
    return "widened" if change.balance == "added" else "narrowed"


def _along_edges(change: Change, shapes: Mapping[str, LayerShapes]) -> str:
    """widened, narrowed, joined or cut where most of the area is; else empty."""
    words = ("widened", "joined") if change.balance == "added" else ("narrowed", "cut")
    areas = dict.fromkeys(words, 0.0)
    total = 0.0
    for shape in shapes.values():
        count, labels = label_mask(shape.added | shape.removed)
        for number in range(1, count + 1):
            piece = labels == number
            area_px = float(piece.sum())
            total += area_px
            along, across = _lies_along(piece, shape.kept)
            areas[words[0]] += area_px * along
            areas[words[1]] += area_px * across
    best = max(words, key=lambda word: areas[word])
    return best if areas[best] > 0.6 * total else ""


def _lies_along(piece: Mask, kept: Mask) -> tuple[bool, bool]:
    """Whether a piece lies along one edge of what stayed, or fills a gap between two."""
    ring = cv2.dilate(piece.astype(np.uint8), np.ones((5, 5), np.uint8)).astype(bool) & ~piece
    touching = ring & kept
    length_px = touching.sum() / 2  # the ring is two px wide
    if length_px < 3:
        return False, False
    depth_px = piece.sum() / length_px
    if _on_opposite_sides(piece, touching):
        # the gap is two depths long and half the contact wide
        return False, bool(2 * depth_px <= 4 * length_px / 2)
    return bool(length_px >= 2 * depth_px), False


def _on_opposite_sides(piece: Mask, touching: Mask, *, least_px: int = 6) -> bool:
    """Whether two stretches of contact lie on opposite sides of a piece."""
    _, _, stats, centres = cv2.connectedComponentsWithStats(touching.astype(np.uint8))
    long = stats[1:, cv2.CC_STAT_AREA] >= least_px
    away = centres[1:][long] - np.argwhere(piece).mean(0)[::-1]
    away /= np.maximum(np.hypot(*away.T), 1e-9)[:, None]
    return bool((away @ away.T < -0.5).any())
