"""The border of the die: pads all round, lettering and the process monitor."""

from __future__ import annotations

from maskdelta.phantom._canvas import Canvas
from maskdelta.phantom._lettering import LETTER_WIDTH, draw_lettering
from maskdelta.phantom._logic_block import BUS
from maskdelta.phantom._monitor import MONITOR_SIZE, draw_monitor
from maskdelta.phantom._pads import (
    DRIVER_LINE,
    PAD_PITCH,
    RING,
    Edge,
    draw_driver,
    draw_input,
    draw_pad,
    draw_supply,
)


def draw_ring(
    canvas: Canvas, width: int, height: int, supply: int, ground: int, text: str
) -> list[tuple[int, int]]:
    """Draw pads all round and return (column, net) of the lines that enter from below."""
    lines: list[tuple[int, int]] = []
    for x0, y0, x1, y1 in (
        (1, 1, width - 1, 3),
        (1, height - 3, width - 1, height - 1),
        (1, 3, 3, height - 3),
        (width - 3, 3, width - 1, height - 3),
    ):
        canvas.box("metal", x0, y0, x1, y1, _named(canvas, "seal"))
    for side, length in (("bottom", width), ("top", width), ("left", height), ("right", height)):
        start, count = _pad_places(length)
        for index in range(count):
            u = start + index * PAD_PITCH
            edge = Edge(canvas, side, u, _edge_v(side, width, height))
            name = f"{side} pad {index + 1}"
            if side == "top" and u > width - RING - PAD_PITCH * 2 - _text_width(text):
                continue
            _draw_one_pad(edge, index, count, name, supply, ground, lines)
    x = width - RING - _text_width(text)
    canvas.region("lettering", "lettering", (x, 14, x + _text_width(text), 35))
    draw_lettering(canvas, x, 14, text)
    draw_monitor(canvas, x - MONITOR_SIZE[0] - 16, 8)
    return lines


def _text_width(text: str) -> int:
    return len(text) * LETTER_WIDTH * 3


def _named(canvas: Canvas, name: str) -> int:
    return canvas.names.index(name) if name in canvas.names else canvas.net(name)


def _pad_places(length: int) -> tuple[int, int]:
    count = (length - 2 * RING - 20) // PAD_PITCH
    return RING + 10 + (length - 2 * RING - 20 - count * PAD_PITCH) // 2, count


def _edge_v(side: str, width: int, height: int) -> int:
    return {"bottom": height - RING, "right": width - RING}.get(side, RING)


def _draw_one_pad(
    edge: Edge,
    index: int,
    count: int,
    name: str,
    supply: int,
    ground: int,
    lines: list[tuple[int, int]],
) -> None:
    """Draw a pad of the kind that suits the bus on its side: supply top and left, else ground."""
    canvas, side = edge.canvas, edge.side
    bus = ground if side in ("bottom", "right") else supply
    if index == count // 2 and side in ("left", "right"):
        draw_pad(edge, bus, f"{name} supply")
        draw_supply(edge, bus, bus=4)
        return
    if bus == supply:
        pad = canvas.net(f"{name}.in")
        draw_pad(edge, pad, name)
        draw_input(edge, pad, bus=4, supply=supply)
    elif side == "bottom" and index % 2 == 0:
        pad = canvas.net(f"{name}.in")
        draw_pad(edge, pad, name)
        draw_input(edge, pad, bus=BUS + 8)
        lines.append((edge.u0 + DRIVER_LINE, pad))
    else:
        pad, line = canvas.net(name), canvas.net(f"{name}.gate")
        depth = BUS + 8 if side == "bottom" else BUS + 2
        draw_pad(edge, pad, name)
        draw_driver(edge, pad, ground=ground, line=line, bus=depth, name=f"{name} driver")
        lines.append((edge.u0 + DRIVER_LINE, line)) if side == "bottom" else None
