"""Which changes are planted where: squares of one layer, alone or on the edge of a shape.

A planted change is a square that gains one layer, in one of the two dies: planted after it was
added, planted before it was removed. Its stack follows from the stack it lies on: polysilicon on
field oxide is polysilicon, on diffusion it is a gate. So a contact, a bit of a contact ROM, a bump
of diffusion, the stub of a line and the gate of a transistor are all squares of some layer on some
stack, and their size is one number.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.images import Box
from maskdelta.segment import Labeller
from maskdelta.study import Stack

__all__ = ["Plant", "PlantRules", "Room", "choose_plants"]

Mask = NDArray[np.bool_]
_SIDES = ((0, 1), (0, -1), (1, 0), (-1, 0))  # x, y of the side that lies on a shape; none: alone


@dataclass(frozen=True)
class Plant:
    """One planted change.

    Parameters
    ----------
    layer : int
        Number among the compared layers.
    stack, ground : int
        What it looks like and what it lies on, numbers of the die it is planted in.
    x, y : float
        Centre in the mosaic before.
    side_px : float
        px of the mosaic before.
    grown_on : (int, int)
        Direction of the shape of its layer on whose edge it lies; (0, 0) when it lies alone.
    """

    layer: int
    stack: int
    ground: int
    x: float
    y: float
    side_px: float
    grown_on: tuple[int, int]

    def touched_by(self, box: Box) -> bool:
        """Whether a box, of the same frame, reaches into the square."""
        half = self.side_px / 2
        across = box.x0 - 0.5 < self.x + half and box.x1 - 0.5 > self.x - half
        return across and box.y0 - 0.5 < self.y + half and box.y1 - 0.5 > self.y - half


@dataclass(frozen=True)
class PlantRules:
    """What a layer looks like on which stack, and in which sizes it is planted.

    Parameters
    ----------
    looks : dict of int to dict of int to int
        By layer: the stack that it makes of another stack.
    carries : (K, L) bool
        Which stack shows which layer.
    sides_px : (L, 2) float64
        Smallest and largest square by layer.
    dots : (L,) bool
        Layers that only occur as dots: these are planted alone.
    """

    looks: dict[int, dict[int, int]]
    carries: Mask
    sides_px: NDArray[np.float64]
    dots: Mask

    @classmethod
    def of(
        cls,
        labeller: Labeller,
        layers: tuple[str, ...],
        stacks: Mapping[str, Stack],
        *,
        least_px: float,
        px_per_host_px: float,
    ) -> PlantRules:
        """Rules of one die.

        Parameters
        ----------
        labeller : Labeller
        layers : tuple of str
            Those compared.
        stacks : mapping of str to Stack
        least_px : float
            Side of the smallest square that the settings let through, px of the mosaic before.
        px_per_host_px : float
            Size of a px of this die in px of the mosaic before.
        """
        known = labeller.rules.stacks
        looks = {k: _stacks_with(layer, known, stacks) for k, layer in enumerate(layers)}
        carries = np.array([[layer in stacks[s].layers for layer in layers] for s in known], bool)
        sides = np.tile([1.2 * least_px, 6.0 * least_px], (len(layers), 1))
        dots = np.zeros(len(layers), bool)
        for k, found in looks.items():
            area_px = [labeller.dots.usual[s] for s in found.values() if stacks[known[s]].dot]
            if area_px and np.isfinite(area_px).all():
                dots[k] = True
                sides[k, 1] = max(1.3 * np.sqrt(max(area_px)) * px_per_host_px, least_px)
        return cls(looks, carries, sides, dots)


def _stacks_with(layer: str, known: tuple[str, ...], stacks: Mapping[str, Stack]) -> dict[int, int]:
    """By the stack that is there, the stack it becomes with one layer more."""
    found = {}
    for g, ground in enumerate(known):
        for s, name in enumerate(known):
            stack = stacks[name]
            if stack.spoils or stacks[ground].spoils or layer in stacks[ground].layers:
                continue
            left = set(stacks[ground].layers) - set(stack.hides)
            if layer in stack.layers and set(stack.layers) - {layer} == left:
                found[g] = s
    return found


@dataclass(frozen=True)
class Room:
    """Where changes may be planted, in one box of the mosaic before.

    Parameters
    ----------
    box : Box
    labels : (h, w) uint8
        Of the die they are planted in.
    unchanged : (L, h, w) bool
        Compared and found the same; no change of any layer near.
    """

    box: Box
    labels: NDArray[np.uint8]
    unchanged: Mask


def choose_plants(
    room: Room, rules: PlantRules, rng: np.random.Generator, *, gap_px: int, first: int
) -> list[Plant]:
    """Changes for one box, `gap_px` and more apart and from its rim.

    Layers take turns, beginning with number `first`; where a layer has no place, the next one is
    tried. Sizes are drawn evenly in their logarithm, places evenly among all that fit.
    """
    count = len(rules.looks)
    found = []
    for n, (y0, x0, size) in enumerate(_slots(room.box.shape, rules, gap_px)):
        cut = (..., slice(y0, y0 + size), slice(x0, x0 + size))
        labels, unchanged = room.labels[cut], room.unchanged[cut]
        for layer in ((first + n + k) % count for k in range(count)):
            low, high = rules.sides_px[layer]
            side_px = float(low * (high / low) ** rng.random())
            first_alone = bool(rng.random() < 0.5)
            for alone in (True,) if rules.dots[layer] else (first_alone, not first_alone):
                places = list(_places(labels, unchanged[layer], rules, layer, side_px, alone))
                total = sum(len(where) for *_, where in places)
                if total:
                    break
            else:
                continue
            ground, (dx, dy), (y, x) = _pick(places, int(rng.integers(total)))
            # a square is put against the shape, though its size is no whole number of px
            slack = (_foot(side_px) - side_px) / 2
            found.append(
                Plant(
                    layer,
                    rules.looks[layer][ground],
                    ground,
                    float(x + x0 + room.box.x0 + dx * slack),
                    float(y + y0 + room.box.y0 + dy * slack),
                    side_px,
                    (dx, dy),
                )
            )
            break
    return found


def _pick(
    places: list[tuple[int, tuple[int, int], NDArray[np.intp]]], number: int
) -> tuple[int, tuple[int, int], tuple[int, int]]:
    """Ground, direction and place y, x of one of all places."""
    for ground, grown_on, where in places:
        if number < len(where):
            y, x = where[number]
            return ground, grown_on, (int(y), int(x))
        number -= len(where)
    raise IndexError(number)


def _slots(
    shape: tuple[int, int], rules: PlantRules, gap_px: int
) -> Iterator[tuple[int, int, int]]:
    """Top, left and size of the squares in which a change may lie, with the gap between them."""
    size = int(np.ceil(rules.sides_px.max())) + 8
    for y in range(gap_px // 2, shape[0] - size - gap_px // 2 + 1, size + gap_px):
        for x in range(gap_px // 2, shape[1] - size - gap_px // 2 + 1, size + gap_px):
            yield y, x, size


def _places(
    labels: NDArray[np.uint8],
    unchanged: Mask,
    rules: PlantRules,
    layer: int,
    side_px: float,
    alone: bool,
) -> Iterator[tuple[int, tuple[int, int], NDArray[np.intp]]]:
    """Grounds, directions and (n, 2) places y, x where a square fits."""
    foot = _foot(side_px)
    carried = np.isin(labels, np.flatnonzero(rules.carries[:, layer]))
    for ground in rules.looks[layer]:
        free = (labels == ground) & unchanged
        # a dot fills most of the line it sits in; other shapes stay off what is around
        fits = _eroded(free, foot + (2 if rules.dots[layer] else 4) if alone else foot)
        if alone:
            yield ground, (0, 0), np.argwhere(fits)
            continue
        for dx, dy in _SIDES:
            edge = _eroded(carried, *((foot, 1) if dx else (1, foot)))
            edge[[0, -1]] = edge[:, [0, -1]] = False  # or it would come back at the other border
            step = foot // 2 + 1
            beside = np.roll(edge, (-dy * step, -dx * step), (0, 1))
            yield ground, (dx, dy), np.argwhere(fits & beside)


def _foot(side_px: float) -> int:
    """Odd number of px that hold a square."""
    return int(np.ceil(side_px)) | 1


def _eroded(mask: Mask, height: int, width: int | None = None) -> Mask:
    """Where a box fits into a mask, at the box's centre; nothing fits beyond the border."""
    kernel = np.ones((height, height if width is None else width), np.uint8)
    shape = mask.astype(np.uint8)
    return cv2.erode(shape, kernel, borderType=cv2.BORDER_CONSTANT, borderValue=0) > 0
