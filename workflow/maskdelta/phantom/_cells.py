"""Static gates, pass transistors and feed-throughs of the logic rows.

A row is 40 lambda high: the supply rail runs along its top, ground along its bottom. A cell is
cut into slots of 12 lambda; each slot may have one polysilicon pin that leaves downwards (an
input, centre at 1) and one that leaves upwards (an output, centre at 7). Upward and downward
pins therefore never share a column of the channel between two rows.
"""

from __future__ import annotations

from maskdelta.phantom._canvas import Canvas

SLOT = 12
ROW_HEIGHT = 40
PIN_DOWN = 1
PIN_UP = 7
CIRCUIT_SLOTS = 11
"""Room that rows leave for a circuit of a later revision, and what such a circuit takes."""


def draw_gate(
    canvas: Canvas,
    x: int,
    y: int,
    branches: tuple[int, ...],
    *,
    inputs: list[int],
    output: int,
    supply: int,
    ground: int,
    width: int = 4,
) -> None:
    """Draw a gate with one depletion load and parallel branches of one or two transistors.

    ``(1,)`` is an inverter, ``(1, 1)`` a NOR, ``(2,)`` a NAND, ``(2, 1)`` an and-or-invert gate.

    Parameters
    ----------
    x, y
        Left upper corner of the cell, lambda.
    branches
        Number of transistors in series in each branch to ground (1 or 2).
    inputs
        Net of each input, left to right: one a slot.
    output, supply, ground
        Nets.
    width
        Channel width of the pull-downs, lambda (at most 4).
    """
    _draw_load(canvas, x, y, output=output, supply=supply)
    slot, right = 0, x + 3
    for branch in branches:
        left = x + slot * SLOT
        nets = inputs[slot : slot + branch]
        right = _draw_branch(canvas, left, y, nets, output, ground, width)
        slot += branch
    canvas.box("diffusion", x + 1, y + 20, right, y + 24, output)


def gate_slots(branches: tuple[int, ...]) -> int:
    """Return how many slots a gate takes: one for each input."""
    return sum(branches)


def _draw_load(canvas: Canvas, x: int, y: int, *, output: int, supply: int) -> None:
    canvas.metal_contact(x, y, "diffusion", supply)
    canvas.box("diffusion", x + 1, y + 4, x + 3, y + 6, supply)
    canvas.transistor(
        (x + 1, y + 6, x + 3, y + 14),
        gate=output,
        ends=(supply, output),
        along_y=True,
        depletion=True,
    )
    canvas.box("polysilicon", x - 1, y + 6, x + 5, y + 18, output)
    canvas.box("diffusion", x + 1, y + 14, x + 3, y + 20, output)
    canvas.box("buried_contact", x - 1, y + 14, x + 5, y + 19, output)
    canvas.box("polysilicon", x + 5, y + 10, x + 8, y + 13, output)


def draw_pin_up(canvas: Canvas, x: int, y: int, net: int) -> None:
    """Lead the output of the cell at (x, y) to the upper edge of its row."""
    canvas.box("polysilicon", x + 6, y, x + 8, y + 13, net)


def _draw_branch(
    canvas: Canvas, x: int, y: int, nets: list[int], output: int, ground: int, width: int
) -> int:
    """Draw one branch to ground and return its right edge."""
    left = x + 4 if len(nets) == 1 else x + 6
    right = left + width
    canvas.box("polysilicon", x, y + 26, x + 2, y + ROW_HEIGHT, nets[0])
    canvas.box("polysilicon", x, y + 26, right + 2, y + 28, nets[0])
    canvas.box("diffusion", left, y + 24, right, y + 26, output)
    below = ground
    if len(nets) == 2:
        below = canvas.net(f"{canvas.names[output]}.mid")
    canvas.transistor(
        (left, y + 26, right, y + 28), gate=nets[0], ends=(output, below), along_y=True
    )
    top = y + 28
    if len(nets) == 2:
        canvas.box("diffusion", left, top, right, y + 30, below)
        canvas.box("polysilicon", x + SLOT, y + 30, x + SLOT + 2, y + ROW_HEIGHT, nets[1])
        canvas.box("polysilicon", left - 2, y + 30, x + SLOT + 2, y + 32, nets[1])
        canvas.transistor(
            (left, y + 30, right, y + 32), gate=nets[1], ends=(below, ground), along_y=True
        )
        top = y + 32
    canvas.box("diffusion", left, top, right, y + 36, ground)
    canvas.metal_contact(left, y + 36, "diffusion", ground)
    return right


def draw_pass(
    canvas: Canvas, x: int, y: int, *, data: int, clock: int, output: int, width: int = 4
) -> None:
    """Draw a pass transistor: data enters slot 0 from below, the clock slot 1, output goes up."""
    left, right = x + 4, x + 4 + width
    canvas.box("polysilicon", x, y + 30, x + 2, y + ROW_HEIGHT, data)
    canvas.box("polysilicon", x, y + 30, right + 1, y + 34, data)
    canvas.box("buried_contact", left - 1, y + 29, right + 1, y + 35, data)
    canvas.box("diffusion", left, y + 26, right, y + 34, data)
    canvas.transistor((left, y + 24, right, y + 26), gate=clock, ends=(output, data), along_y=True)
    canvas.box("polysilicon", left - 2, y + 24, x + SLOT + 2, y + 26, clock)
    canvas.box("polysilicon", x + SLOT, y + 24, x + SLOT + 2, y + ROW_HEIGHT, clock)
    canvas.box("diffusion", left, y + 10, right, y + 24, output)
    canvas.box("polysilicon", left - 1, y + 10, right + 1, y + 14, output)
    canvas.box("buried_contact", left - 1, y + 9, right + 1, y + 15, output)


def draw_feed(canvas: Canvas, x: int, y: int, net: int) -> None:
    """Lead a line through the row from its lower to its upper edge."""
    canvas.box("polysilicon", x, y + 18, x + 2, y + ROW_HEIGHT, net)
    canvas.box("polysilicon", x, y + 18, x + 8, y + 20, net)
    canvas.box("polysilicon", x + 6, y, x + 8, y + 20, net)
