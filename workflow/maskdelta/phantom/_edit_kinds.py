"""How each kind of edit is made: find a place, change the draft, return the window."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from maskdelta.phantom._canvas import Channel, Segment
from maskdelta.phantom._draft import Draft
from maskdelta.phantom._edit_circuit import add_circuit
from maskdelta.phantom._layers import LAMBDA_UM, LAYERS
from maskdelta.phantom._layout import Box, Layout, Region
from maskdelta.phantom._lettering import draw_lettering
from maskdelta.phantom._routing import crossings, draw_segment, free_track

_MARGIN_UM = 16


_GROWTH_UM = 14


@dataclass(frozen=True)
class EditRequest:
    """An edit to make: its kind, what it means, and where if not just anywhere.

    ``place`` is part of a region's name; the edit is made inside that region.
    """

    kind: str
    meaning: str = ""
    place: str = ""


def _clear(window: Box, taken: Sequence[Box]) -> bool:
    x0, y0, x1, y1 = window
    m = _MARGIN_UM
    return all(x1 + m <= a or c + m <= x0 or y1 + m <= b or d + m <= y0 for a, b, c, d in taken)


def _um(*box: int) -> Box:
    x0, y0, x1, y1 = (v * LAMBDA_UM for v in box)
    return x0, y0, x1, y1


def _shuffled(items: Sequence[object], rng: np.random.Generator) -> list[int]:
    return [int(i) for i in rng.permutation(len(items))]


def _nothing_left(request: EditRequest) -> ValueError:
    where = f" in {request.place!r}" if request.place else ""
    return ValueError(f"no free place for an edit of kind {request.kind!r}{where}; ask for fewer")


def _rom_bit(draft: Draft, request: EditRequest, taken: list[Box], rng: np.random.Generator) -> Box:
    for index in _shuffled(draft.bits, rng):
        bit = draft.bits[index]
        if not _clear(bit.box_um, taken) or not _inside(draft, request, bit.box_um):
            continue
        if bit.value:
            for found in draft.find("contact", bit.box_um):
                draft.remove("contact", found)
        else:
            net = _net_below(draft.layout, bit.box_um)
            draft.add_um("contact", tuple(int(v) for v in bit.box_um), net)
        draft.bits[index] = dataclasses.replace(bit, value=1 - bit.value)
        return bit.box_um
    raise _nothing_left(request)


def _inside(draft: Draft, request: EditRequest, box: Box) -> bool:
    if not request.place:
        return True
    return any(
        request.place in region.name
        and region.box_um[0] <= box[0]
        and region.box_um[1] <= box[1]
        and box[2] <= region.box_um[2]
        and box[3] <= region.box_um[3]
        for region in draft.layout.regions
    )


def _net_below(layout: Layout, box: Box) -> int:
    boxes = layout.boxes["metal"]
    x, y = (box[0] + box[2]) / 2, (box[1] + box[3]) / 2
    hit = np.flatnonzero(
        (boxes[:, 0] <= x) & (boxes[:, 2] > x) & (boxes[:, 1] <= y) & (boxes[:, 3] > y)
    )
    return int(layout.nets["metal"][hit[0]])


def _segments(draft: Draft, rng: np.random.Generator) -> list[tuple[Channel, Segment]]:
    """Return all lines of all channels in random order."""
    pairs = [(channel, segment) for channel in draft.channels for segment in channel.segments]
    return [pairs[i] for i in _shuffled(pairs, rng)]


def _contact_gone(
    draft: Draft, request: EditRequest, taken: list[Box], rng: np.random.Generator
) -> Box:
    for channel, segment in _segments(draft, rng):
        column, _ = segment.pins[int(rng.integers(len(segment.pins)))]
        y = channel.track_y(segment.track)
        box = _um(column - 1, y + 1, column + 1, y + 3)
        found = draft.find("contact", box)
        if found and _clear(box, taken):
            draft.remove("contact", found[0])
            return box
    raise _nothing_left(request)


def _contact_new(
    draft: Draft, request: EditRequest, taken: list[Box], rng: np.random.Generator
) -> Box:
    """Tie two lines: by a contact on a pad left for it, else by a contact with its pad."""
    places = [(c, o) for c in draft.channels for o in c.options]
    for index in _shuffled(places, rng):
        channel, (column, y) = places[index]
        box = _um(column - 1, y + 1, column + 1, y + 3)
        if _clear(box, taken):
            draft.canvas.box("contact", column - 1, y + 1, column + 1, y + 3, 0)
            channel.options.remove((column, y))
            return box
    for channel in draft.channels:
        for line, _, column in crossings(channel):
            y = channel.track_y(line.track)
            box = _um(column - 2, y, column + 2, y + 4)
            if _clear(box, taken) and (column, y) not in channel.options:
                draft.canvas.metal_contact(column - 2, y, "polysilicon", line.net)
                return box
    raise _nothing_left(request)


def _line_rerouted(
    draft: Draft, request: EditRequest, taken: list[Box], rng: np.random.Generator
) -> Box:
    for channel, segment in _segments(draft, rng):
        if not 2 <= len(segment.pins) <= 4 or segment.x1 - segment.x0 < 24:
            continue
        track = free_track(channel, segment.x0, segment.x1)
        if track < 0:
            continue
        ys = [channel.track_y(t) for t in (track, segment.track)]
        window = _um(segment.x0, min(ys), segment.x1, max(ys) + 4)
        if not _clear(window, taken) or segment.group > draft.layout.groups["metal"].max():
            continue
        draft.drop_group(segment.group)
        channel.segments.remove(segment)
        draw_segment(draft.canvas, channel, net=segment.net, track=track, pins=segment.pins)
        return window
    raise _nothing_left(request)


def _line_unconnected(
    draft: Draft, request: EditRequest, taken: list[Box], rng: np.random.Generator
) -> Box:
    """Cut 12 um out of a line between two of its pins."""
    for channel, segment in _segments(draft, rng):
        columns = sorted(column for column, _ in segment.pins)
        for left, right in itertools.pairwise(columns):
            if right - left < 16:
                continue
            middle, y = (left + right) // 2, channel.track_y(segment.track)
            window = _um(middle - 3, y, middle + 3, y + 4)
            whole = draft.find("metal", _um(segment.x0, y, segment.x1, y + 4))
            if not whole or not _clear(window, taken):
                continue
            draft.remove("metal", whole[0])
            draft.canvas.box("metal", segment.x0, y, middle - 3, y + 4, segment.net)
            draft.canvas.box("metal", middle + 3, y, segment.x1, y + 4, segment.net)
            return window
    raise _nothing_left(request)


def _transistor_widened(
    draft: Draft, request: EditRequest, taken: list[Box], rng: np.random.Generator
) -> Box:
    """Lengthen both fingers of a pad driver, away from the core."""
    layout = draft.layout
    drivers = [r for r in layout.regions if r.kind == "driver" and request.place in r.name]
    for index in _shuffled(drivers, rng):
        region = drivers[index]
        if not _clear(region.box_um, taken):
            continue
        group = _group_in(layout, region)
        axis = 3 if region.name.startswith("bottom") else 2
        for layer in ("diffusion", "polysilicon"):
            ids = draft.group_boxes(layer, group)
            far = max(int(layout.boxes[layer][i][axis]) for i in ids)
            for i in ids:
                box = layout.boxes[layer][i].copy()
                if box[axis] == far:
                    box[axis] += _GROWTH_UM
                    draft.remove(layer, i)
                    draft.add_um(layer, tuple(box), int(layout.nets[layer][i]), group)
        mine = draft.transistors["group"] == group
        draft.transistors["y1" if axis == 3 else "x1"][mine] += _GROWTH_UM
        draft.transistors["width_um"][mine] += _GROWTH_UM
        x0, y0, x1, y1 = region.box_um
        return (x0, y0, x1, y1 + 8) if axis == 3 else (x0, y0, x1 + 8, y1)
    raise _nothing_left(request)


def _group_in(layout: Layout, region: Region) -> int:
    """Return the group of the transistors inside a region."""
    x0, y0, x1, y1 = region.box_um
    t = layout.transistors
    mine = (t["x0"] >= x0) & (t["x1"] <= x1) & (t["y0"] >= y0) & (t["y1"] <= y1)
    return int(t["group"][np.flatnonzero(mine)[0]])


def _block_moved(
    draft: Draft, request: EditRequest, taken: list[Box], rng: np.random.Generator
) -> Box:
    blocks = [r for r in draft.regions if r.kind == "monitor"]
    steps = [(dx, dy) for dx in (-60, -52, -44, -36, -28, 28, 36, 44) for dy in (-4, 0, 4, 8)]
    for index in _shuffled(blocks, rng):
        region = blocks[index]
        group = _group_in(draft.layout, region)
        for step in _shuffled(steps, rng):
            dx, dy = steps[step]
            x0, y0, x1, y1 = region.box_um
            moved = (x0 + dx, y0 + dy, x1 + dx, y1 + dy)
            window = (min(x0, moved[0]), min(y0, moved[1]), max(x1, moved[2]), max(y1, moved[3]))
            if not _clear(window, taken) or not _free_for(draft.layout, moved, group):
                continue
            draft.move_group(group, dx, dy)
            draft.regions[draft.regions.index(region)] = dataclasses.replace(region, box_um=moved)
            return window
    raise _nothing_left(request)


def _free_for(layout: Layout, box: Box, group: int) -> bool:
    """Tell whether only the group itself lies within 6 um of a box."""
    x0, y0, x1, y1 = box
    for layer in LAYERS:
        b = layout.boxes[layer]
        near = (b[:, 0] < x1 + 6) & (b[:, 2] > x0 - 6) & (b[:, 1] < y1 + 6) & (b[:, 3] > y0 - 6)
        if (near & (layout.groups[layer] != group)).any():
            return False
    return True


def _lettering(
    draft: Draft, request: EditRequest, taken: list[Box], rng: np.random.Generator
) -> Box:
    """Count the last letter on: A becomes B, and so on."""
    region = next(r for r in draft.layout.regions if r.kind == "lettering")
    if not draft.text or not _clear(region.box_um, taken):
        raise _nothing_left(request)
    group = _lettering_group(draft.layout, region)
    last = draft.text[-1]
    order = "ABCDE"
    text = draft.text[:-1] + order[(order.find(last) + 1) % len(order)]
    draft.drop_group(group)
    draw_lettering(
        draft.canvas, int(region.box_um[0]) // LAMBDA_UM, int(region.box_um[1]) // LAMBDA_UM, text
    )
    draft.text = text
    return region.box_um


def _lettering_group(layout: Layout, region: Region) -> int:
    x0, y0, x1, y1 = region.box_um
    b = layout.boxes["metal"]
    mine = (b[:, 0] >= x0) & (b[:, 2] <= x1) & (b[:, 1] >= y0) & (b[:, 3] <= y1)
    return int(layout.groups["metal"][mine].max())


def _circuit_added(
    draft: Draft, request: EditRequest, taken: list[Box], rng: np.random.Generator
) -> Box:
    gaps = list(draft.layout.gaps)
    for index in _shuffled(gaps, rng):
        window = add_circuit(draft, gaps[index], lambda box: _clear(box, taken))
        if window is not None:
            return window
    raise _nothing_left(request)


_Maker = Callable[[Draft, EditRequest, list[Box], np.random.Generator], Box]


MAKERS: dict[str, _Maker] = {
    "circuit_added": _circuit_added,
    "block_moved": _block_moved,
    "lettering": _lettering,
    "transistor_widened": _transistor_widened,
    "line_rerouted": _line_rerouted,
    "line_unconnected": _line_unconnected,
    "contact_new": _contact_new,
    "contact_gone": _contact_gone,
    "rom_bit": _rom_bit,
}
"""Makers by kind; those that need most room first."""
