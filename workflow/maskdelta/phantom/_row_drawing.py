"""Draw planned rows of logic: rails, cells, routed channels."""

from __future__ import annotations

import numpy as np

from maskdelta.phantom._canvas import Canvas, Channel, Gap
from maskdelta.phantom._cells import (
    ROW_HEIGHT,
    SLOT,
    draw_feed,
    draw_gate,
    draw_pass,
    draw_pin_up,
)
from maskdelta.phantom._routing import (
    assign_tracks,
    draw_options,
    draw_segment,
    track_count,
)
from maskdelta.phantom._rows import SPARE_TRACKS, LogicPlan, RowCell, channel_height


def draw_logic(
    canvas: Canvas,
    plan: LogicPlan,
    *,
    name: str,
    x0: int,
    rail_x: tuple[int, int],
    y0: int,
    y1: int,
    supply: int,
    ground: int,
    slots: int,
) -> int:
    """Draw planned rows between y0 and y1.

    The height that is left over lies below the last channel; lines from below pass through it.

    Parameters
    ----------
    rail_x
        Where the supply rail begins (its trunk) and the ground rail ends, lambda.

    Returns
    -------
    int
        Lower edge of what the last channel may use, lambda.
    """
    left, right = rail_x
    y, above = y0, -1
    for index, (row, pins) in enumerate(zip(plan.rows, plan.pins, strict=True)):
        inner = (x0 - 1, x0 + slots * SLOT)
        canvas.box("metal", left, y, inner[1], y + 4, supply)
        canvas.box("metal", inner[0], y + 36, right, y + ROW_HEIGHT, ground)
        for cell in row:
            _draw_cell(canvas, cell, x0 + cell.slot * SLOT, y, supply, ground, top=index == 0)
        routed = assign_tracks(pins)
        last = index == len(plan.rows) - 1
        height = channel_height(track_count(routed) + SPARE_TRACKS)
        top = y + ROW_HEIGHT
        channel = Channel(
            f"{name}.ch{index}", *inner, top, y1 if last else top + height, (height - 6) // 7
        )
        canvas.channels.append(channel)
        for net, track, ends in routed:
            draw_segment(canvas, channel, net=net, track=track, pins=ends)
        draw_options(canvas, channel)
        number = len(canvas.channels) - 1
        canvas.gaps += _gaps(row, x0, y, slots, supply, ground, above, number)
        above = number
        y = top + height
    return y


def _draw_cell(
    canvas: Canvas, cell: RowCell, x: int, y: int, supply: int, ground: int, *, top: bool
) -> None:
    if cell.kind == "gate":
        draw_gate(
            canvas,
            x,
            y,
            cell.branches,
            inputs=cell.inputs,
            output=cell.output,
            supply=supply,
            ground=ground,
            width=cell.width,
        )
        if cell.used or top:
            draw_pin_up(canvas, x, y, cell.output)
    elif cell.kind == "pass":
        data, clock = cell.inputs
        draw_pass(canvas, x, y, data=data, clock=clock, output=cell.output, width=cell.width)
        if cell.used or top:
            draw_pin_up(canvas, x, y, cell.output)
    elif cell.output >= 0 or cell.inputs:
        draw_feed(canvas, x, y, cell.inputs[0] if cell.inputs else cell.output)


def _gaps(
    row: list[RowCell],
    x0: int,
    y: int,
    slots: int,
    supply: int,
    ground: int,
    above: int,
    below: int,
) -> list[Gap]:
    """Return the stretches of a row that hold nothing."""
    taken = np.zeros(slots, dtype=bool)
    for cell in row:
        taken[cell.slot : cell.slot + cell.slots] = True
    found, start = [], -1
    for slot in range(slots + 1):
        empty = slot < slots and not taken[slot]
        if empty and start < 0:
            start = slot
        elif not empty and start >= 0:
            found.append(Gap(x0 + start * SLOT, y, slot - start, supply, ground, above, below))
            start = -1
    return found
