"""A capacitor and a resistor between an input line and ground, as a button or a tone needs them."""

from __future__ import annotations

from maskdelta.phantom._canvas import Canvas

MIN_WIDTH, MIN_HEIGHT = 44, 22
"""Least room for a filter, lambda."""
_LEG = 6


def draw_filter(
    canvas: Canvas,
    box: tuple[int, int, int, int],
    *,
    column: int,
    line: int,
    ground: int,
    bus_y: int,
) -> None:
    """Draw the filter of one line.

    The capacitor is a plate of polysilicon over diffusion, hence a transistor whose two ends are
    ground; the resistor is a meander of diffusion.

    Parameters
    ----------
    box
        Room for both, lambda, at least `MIN_WIDTH` x `MIN_HEIGHT`.
    column
        Centre of the vertical polysilicon line, right of the box by 6 or more.
    line, ground
        Nets.
    bus_y
        Upper edge of the ground bus below.
    """
    x0, y0, x1, y1 = box
    middle = x0 + 4 + (x1 - x0) * 6 // 10
    _draw_capacitor(canvas, (x0, y0, middle, y1), line, ground, bus_y)
    legs = max(2, (x1 - middle - 4) // _LEG)
    left = middle + 7
    centre = (y0 + y1) // 2
    canvas.box("metal", middle - 10, centre - 2, left, centre + 2, line)
    canvas.metal_contact(left - 2, centre - 2, "diffusion", line)
    x = left - 2
    canvas.box("diffusion", x, y0 if legs > 1 else centre, x + 3, centre + 2, line)
    for leg in range(1, legs):
        x = left - 2 + leg * _LEG
        top = leg % 2 == 1
        y = y0 if top else y1 - 3
        canvas.box("diffusion", x - _LEG, y, x + 3, y + 3, line)
        canvas.box("diffusion", x, y0, x + 3, y1, line)
    end = y1 - 4 if legs % 2 == 0 else y0
    canvas.metal_contact(x, end, "diffusion", line)
    canvas.box("metal", x, end, column + 2, end + 4, line)
    canvas.metal_contact(column - 2, end, "polysilicon", line)


def _draw_capacitor(
    canvas: Canvas, box: tuple[int, int, int, int], line: int, ground: int, bus_y: int
) -> None:
    x0, y0, x1, y1 = box
    plate = (x0 + 7, y0 + 4, x1 - 4, y1 - 4)
    canvas.box("diffusion", x0, y0, plate[0], y1, ground)
    canvas.box("diffusion", plate[2], y0, x1, y1, ground)
    canvas.box("diffusion", plate[0], y0, plate[2], plate[1], ground)
    canvas.box("diffusion", plate[0], plate[3], plate[2], y1, ground)
    canvas.transistor(plate, gate=line, ends=(ground, ground), along_y=False)
    canvas.box("polysilicon", *plate, line)
    canvas.box("metal", x0 + 1, y0, x0 + 5, bus_y + 2, ground)
    for y in range(y0 + 1, y1 - 4, 7):
        canvas.metal_contact(x0 + 1, y, "diffusion", ground)
    centre = (y0 + y1) // 2
    canvas.metal_contact(plate[2] - 6, centre - 2, "polysilicon", line)
