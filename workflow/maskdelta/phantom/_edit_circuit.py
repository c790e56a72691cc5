"""Add a small circuit to empty slots of a row."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

from maskdelta.phantom._canvas import Channel, Gap, Segment
from maskdelta.phantom._cells import (
    CIRCUIT_SLOTS,
    PIN_DOWN,
    PIN_UP,
    SLOT,
    draw_feed,
    draw_gate,
    draw_pass,
    draw_pin_up,
)
from maskdelta.phantom._draft import Draft
from maskdelta.phantom._layers import LAMBDA_UM
from maskdelta.phantom._layout import Box
from maskdelta.phantom._routing import FROM_ABOVE, FROM_BELOW, draw_leg, draw_segment, free_track

_TAPS = (0, 1, 5, 8)
"""Slots whose inputs are tied to lines that are there already."""


def add_circuit(draft: Draft, gap: Gap, clear: Callable[[Box], bool]) -> Box | None:
    """Draw a circuit of eleven transistors into a gap, wired among itself and to its neighbours.

    A pass transistor samples a line; an inverter, a NOR and a NAND follow, then an inverter that
    drives the result.

    Returns
    -------
    box or None
        Window (um) that holds all changes; None where the gap or its channels have no room.
    """
    if gap.slots < CIRCUIT_SLOTS or gap.above < 0:
        return None
    above, below = draft.channels[gap.above], draft.channels[gap.below]
    x = gap.x

    def up(slot: int) -> int:
        return x + slot * SLOT + PIN_UP

    def down(slot: int) -> int:
        return x + slot * SLOT + PIN_DOWN

    right = x + CIRCUIT_SLOTS * SLOT
    taps = _plan_taps(below, [down(slot) for slot in _TAPS])
    if not taps:
        return None
    left = min(x - 2, *(tap.x0 for tap in taps))
    window = _um(left, above.y0, max(right + 2, *(tap.x1 for tap in taps)), below.y1)
    if not clear(window):
        return None
    if free_track(above, x - 2, right + 2) < 0 or free_track(below, x - 2, right + 2) < 0:
        return None
    canvas = draft.canvas
    canvas.begin_group()
    sampled, first, second, third, last = (canvas.net(f"added.{k}") for k in "abcde")
    nets = [tap.net for tap in taps]
    y = gap.y
    draw_pass(canvas, x, y, data=nets[0], clock=nets[1], output=sampled)
    _gate(draft, gap, 2, (1,), [sampled], first)
    _gate(draft, gap, 4, (1, 1), [sampled, nets[2]], second)
    _gate(draft, gap, 7, (2,), [first, nets[3]], third)
    _gate(draft, gap, 9, (1,), [second], last)
    for slot, net in ((3, sampled), (6, first), (10, second)):
        draw_feed(canvas, x + slot * SLOT, y, net)
    for slot, net in ((0, sampled), (2, first), (4, second)):
        if slot:
            draw_pin_up(canvas, x + slot * SLOT, y, net)
        else:
            canvas.box("polysilicon", x + 6, y, x + 8, y + 13, net)
    for slot, tap in zip(_TAPS, taps, strict=True):
        _draw_tap(draft, below, tap, down(slot))
    canvas.end_group()
    _join(draft, above, sampled, [(up(0), FROM_BELOW), (up(3), FROM_BELOW)])
    _join(draft, above, first, [(up(2), FROM_BELOW), (up(6), FROM_BELOW)])
    _join(draft, above, second, [(up(4), FROM_BELOW), (up(10), FROM_BELOW)])
    _join(draft, below, sampled, [(down(s), FROM_ABOVE) for s in (2, 3, 4)])
    _join(draft, below, first, [(down(s), FROM_ABOVE) for s in (6, 7)])
    _join(draft, below, second, [(down(s), FROM_ABOVE) for s in (9, 10)])
    return window


def _gate(
    draft: Draft, gap: Gap, slot: int, branches: tuple[int, ...], inputs: list[int], output: int
) -> None:
    draw_gate(
        draft.canvas,
        gap.x + slot * SLOT,
        gap.y,
        branches,
        inputs=inputs,
        output=output,
        supply=gap.supply,
        ground=gap.ground,
    )


def _join(draft: Draft, channel: Channel, net: int, pins: list[tuple[int, int]]) -> None:
    """Draw a new line on the first free track, or on a new one below all others."""
    columns = [column for column, _ in pins]
    track = free_track(channel, min(columns) - 2, max(columns) + 2)
    if track < 0:
        raise ValueError(f"channel {channel.name} has no free track for the added circuit")
    draw_segment(draft.canvas, channel, net=net, track=track, pins=pins)


def _plan_taps(channel: Channel, columns: list[int]) -> list[Segment]:
    """Return, for each column, the line nearest to it, lengthened as far as the column.

    Empty when some column cannot be reached.
    """
    lines = list(channel.segments)
    taps: list[Segment] = []
    for column in columns:
        order = sorted(lines, key=lambda s: (_distance(s, column), s.track))
        tap = next((s for s in order if _may_reach(s, column, lines)), None)
        if tap is None:
            return []
        longer = dataclasses.replace(tap, x0=min(tap.x0, column - 2), x1=max(tap.x1, column + 2))
        lines[lines.index(tap)] = longer
        taps.append(longer)
    return taps


def _distance(segment: Segment, column: int) -> int:
    return max(segment.x0 + 2 - column, column - segment.x1 + 2, 0)


def _may_reach(segment: Segment, column: int, lines: list[Segment]) -> bool:
    x0, x1 = min(segment.x0, column - 2), max(segment.x1, column + 2)
    return all(
        other is segment or other.track != segment.track or other.x1 + 3 <= x0 or x1 + 3 <= other.x0
        for other in lines
    )


def _draw_tap(draft: Draft, channel: Channel, tap: Segment, column: int) -> None:
    """Lengthen a line where it does not reach a column yet, and lead it to the row above."""
    y = channel.track_y(tap.track)
    index = next(i for i, s in enumerate(channel.segments) if s.group == tap.group)
    old = channel.segments[index]
    draft.canvas.box("metal", min(tap.x0, old.x0), y, old.x0, y + 4, tap.net)
    draft.canvas.box("metal", old.x1, y, max(tap.x1, old.x1), y + 4, tap.net)
    x0, x1 = min(tap.x0, old.x0), max(tap.x1, old.x1)
    channel.segments[index] = dataclasses.replace(old, x0=x0, x1=x1)
    draw_leg(draft.canvas, channel, net=tap.net, y=y, column=column, side=FROM_ABOVE)


def _um(x0: int, y0: int, x1: int, y1: int) -> Box:
    return x0 * LAMBDA_UM, y0 * LAMBDA_UM, x1 * LAMBDA_UM, y1 * LAMBDA_UM
