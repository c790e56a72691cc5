"""Put memory, ROM, decode planes, logic, rails and pads together into a die."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from maskdelta.phantom._canvas import CHANNEL, Canvas
from maskdelta.phantom._connectivity import trace_boxes
from maskdelta.phantom._layers import LAMBDA_UM, LAYERS
from maskdelta.phantom._layout import TRANSISTOR_DTYPE, Bit, Layout, Region
from maskdelta.phantom._logic_block import BUS, Unit
from maskdelta.phantom._pads import (
    RING,
)
from maskdelta.phantom._ring import draw_ring
from maskdelta.phantom._unit import UNIT_MIN, draw_unit


def make_layout(
    seed: int,
    *,
    width_um: int = 2400,
    height_um: int = 1500,
    memory_share: float = 0.26,
    text: str = "CHIME-2 REV A",
) -> Layout:
    """Draw a silicon-gate NMOS die with one metal layer, lambda = 2 um.

    The die holds a register file of dynamic cells with its decode plane, a mask ROM with a melody
    and its decode plane, rows of random logic, pads with drivers and inputs, and lettering.
    Dies too large for one such circuit repeat it with other contents.

    Parameters
    ----------
    seed
        Same seed, same layout.
    width_um, height_um
        Size of the die, um; multiples of 2.
    memory_share
        Share of the die that the cells of the register file cover, as far as they fit.
    text
        Lettering, in the letters of the sample's font.

    Returns
    -------
    Layout
    """
    width, height = width_um // LAMBDA_UM, height_um // LAMBDA_UM
    core = (RING, RING, width - RING, height - RING)
    across = max(1, (core[2] - core[0]) // 980)
    down = max(1, (core[3] - core[1]) // 740)
    if (core[2] - core[0]) // across < UNIT_MIN[0] or (core[3] - core[1]) // down < UNIT_MIN[1]:
        raise ValueError(
            f"a die of {width_um} x {height_um} um is too small; "
            f"expected at least {2 * (UNIT_MIN[0] + 2 * RING)} x "
            f"{2 * (UNIT_MIN[1] + 2 * RING)} um"
        )
    canvas = Canvas()
    supply, ground = canvas.net("vdd"), canvas.net("gnd")
    rng = np.random.default_rng([seed, 11])
    lines = draw_ring(canvas, width, height, supply, ground, text)
    unit_width = (core[2] - core[0] - 2 * BUS) // across
    unit_height = (core[3] - core[1]) // down
    _draw_trunks(canvas, core, supply, ground, down, unit_height)
    share = int(memory_share * width * height / (across * down))
    for row in range(down):
        for column in range(across):
            x0 = core[0] + BUS + column * unit_width
            y0 = core[1] + row * unit_height
            # The ground trunk of the last unit is that of the whole die.
            x1 = core[2] + 4 if column == across - 1 else x0 + unit_width
            # Neighbours keep clear of each other's trunks and buses.
            y1 = y0 + unit_height - (0 if row == down - 1 else 4)
            box = (x0 + (12 if column else 0), y0, x1, y1)
            name = "" if across * down == 1 else f"u{row}_{column}."
            last = row == down - 1
            near = tuple(line for line in lines if last and x0 <= line[0] < x0 + unit_width)
            draw_unit(Unit(canvas, name, box, supply, ground, rng, share, near))
    return _close(canvas, width_um, height_um, text)


def _draw_trunks(
    canvas: Canvas,
    core: tuple[int, int, int, int],
    supply: int,
    ground: int,
    down: int,
    unit_height: int,
) -> None:
    """Draw the two combs: supply from the left along the tops, ground from the right."""
    x0, y0, x1, _ = core
    canvas.box("metal", x0, y0, x0 + BUS, y0 + unit_height * down - BUS - 4, supply)
    canvas.box("metal", x1 - BUS, y0 + BUS + 4, x1, y0 + unit_height * down, ground)
    for row in range(down):
        top = y0 + row * unit_height
        bottom = top + unit_height - BUS - (0 if row == down - 1 else 4)
        canvas.box("metal", x0, top, x1 - BUS - 4, top + BUS, supply)
        canvas.box("metal", x0 + BUS + 4, bottom, x1, bottom + BUS, ground)


def _name_lettering(
    boxes: dict[str, NDArray[np.int32]], nets: dict[str, NDArray[np.int32]], canvas: Canvas
) -> None:
    """Give every piece of lettering a net of its own, in place."""
    traced = trace_boxes(boxes, nets)["metal"]
    unnamed = np.flatnonzero(nets["metal"] == CHANNEL)
    for label in np.unique(traced[unnamed]):
        nets["metal"][unnamed[traced[unnamed] == label]] = canvas.net(f"lettering{label}")


def _close(canvas: Canvas, width_um: int, height_um: int, text: str) -> Layout:
    """Turn the drawing into arrays, with joined nets under one number."""
    roots = np.array([canvas.root(net) for net in range(len(canvas.names))] + [CHANNEL])
    boxes, nets, groups = {}, {}, {}
    for name in LAYERS:
        boxes[name] = np.array(canvas.boxes[name], dtype=np.int32).reshape(-1, 4)
        nets[name] = roots[np.array(canvas.nets[name], dtype=np.int64)].astype(np.int32)
        groups[name] = np.array(canvas.groups[name], dtype=np.int32)
    _name_lettering(boxes, nets, canvas)
    rows = [
        (*row[:4], *(int(roots[net]) for net in row[4:7]), *row[7:]) for row in canvas.transistors
    ]
    bits = tuple(
        Bit(array, word, column, value, tuple(LAMBDA_UM * v for v in box))  # type: ignore[arg-type]
        for array, word, column, value, *box in canvas.bits
    )
    return Layout(
        width_um,
        height_um,
        boxes,
        nets,
        groups,
        np.array(rows, dtype=TRANSISTOR_DTYPE),
        tuple(canvas.names),
        bits,
        tuple(Region(*region) for region in canvas.regions),
        tuple(canvas.channels),
        tuple(canvas.gaps),
        text,
    )
