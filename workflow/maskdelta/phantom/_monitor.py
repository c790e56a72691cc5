"""A process monitor: single transistors and resistors with probe pads, tied to nothing else."""

from __future__ import annotations

from maskdelta.phantom._canvas import Canvas

MONITOR_SIZE = (88, 40)
"""Width and height of the monitor, lambda."""


def draw_monitor(canvas: Canvas, x: int, y: int) -> int:
    """Draw the monitor with its left upper corner at (x, y) lambda; return its group."""
    group = canvas.begin_group()
    for index, (width, length) in enumerate(((4, 2), (8, 2), (4, 8))):
        left = x + 28 * index
        drain, source, gate = (canvas.net(f"monitor.{k}{index}") for k in ("d", "s", "g"))
        top = y + 14
        canvas.box("metal", left, y, left + 10, y + 10, drain)
        canvas.box("metal", left + 14, y, left + 24, y + 10, gate)
        canvas.box("metal", left, y + 30, left + 10, y + 40, source)
        canvas.box("metal", left + 2, y + 10, left + 6, top + 2, drain)
        canvas.metal_contact(left + 2, top, "diffusion", drain)
        canvas.box("diffusion", left + 2, top + 4, left + 2 + width, top + 6, drain)
        canvas.box("diffusion", left + 2, top, left + 2 + width, top + 4, drain)
        canvas.transistor(
            (left + 2, top + 6, left + 2 + width, top + 6 + length),
            gate=gate,
            ends=(drain, source),
            along_y=True,
        )
        end = top + 6 + length
        canvas.box("diffusion", left + 2, end, left + 2 + width, y + 34, source)
        canvas.metal_contact(left + 2, y + 31, "diffusion", source)
        canvas.box("polysilicon", left, top + 6, left + 20, end, gate)
        canvas.box("polysilicon", left + 16, y + 8, left + 20, end, gate)
        canvas.metal_contact(left + 16, y + 5, "polysilicon", gate)
    canvas.end_group()
    canvas.region("process monitor", "monitor", (x, y, x + MONITOR_SIZE[0], y + MONITOR_SIZE[1]))
    return group
