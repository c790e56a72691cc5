"""The rows of logic below an array, with the lines and filters of the pads below them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from maskdelta.phantom._analog import MIN_HEIGHT, MIN_WIDTH, draw_filter
from maskdelta.phantom._canvas import Canvas
from maskdelta.phantom._cells import CIRCUIT_SLOTS, PIN_UP, SLOT
from maskdelta.phantom._routing import FROM_BELOW
from maskdelta.phantom._row_drawing import draw_logic
from maskdelta.phantom._rows import LogicPlan, RowCell, plan_logic, random_row

BUS = 8


_ATTEMPTS = 4


@dataclass(frozen=True)
class Unit:
    """One self-contained circuit: a register file at the left, a ROM at the right, logic below."""

    canvas: Canvas
    name: str
    box: tuple[int, int, int, int]
    supply: int
    ground: int
    rng: np.random.Generator
    memory_area: int
    bottom_lines: tuple[tuple[int, int], ...]


def draw_logic_below(
    unit: Unit,
    first: list[RowCell],
    origin: int,
    row_y: int,
    rail_x: tuple[int, int],
    name: str,
) -> None:
    """Fill the space below an array with rows; the first row serves the array."""
    canvas = unit.canvas
    bottom = unit.box[3] - BUS - 12
    slots = (rail_x[1] - 5 - origin) // SLOT
    lines = _jog_lines(unit, origin, slots, bottom)
    names = [canvas.names[net] for _, net in lines]
    sources = [line for line, n in zip(lines, names, strict=True) if ".in" in n]
    sinks = [line for line, n in zip(lines, names, strict=True) if ".in" not in n]
    plan = _best_plan(unit, first, (origin, slots), bottom - row_y, name, sources, sinks)
    _draw_plan(unit, plan, origin, row_y, bottom, rail_x, name, slots)


def _best_plan(
    unit: Unit,
    first: list[RowCell],
    place: tuple[int, int],
    height: int,
    name: str,
    sources: list[tuple[int, int]],
    sinks: list[tuple[int, int]],
) -> LogicPlan:
    """Plan as many rows as fit below the first one; how high channels are is known only then."""
    canvas, rng = unit.canvas, unit.rng
    origin, slots = place
    names, parents = list(canvas.names), list(canvas.parents)
    for extra in range(max(0, height // 80), -1, -1):
        for _ in range(_ATTEMPTS if extra else 1):
            canvas.names[:], canvas.parents[:] = list(names), list(parents)
            rows = [[_copy(cell) for cell in first]]
            for index in range(extra):
                gap = CIRCUIT_SLOTS if index == extra // 2 else 0
                rows.append(random_row(canvas, f"{name}.r{index + 1}", slots, rng, gap_slots=gap))
            plan = plan_logic(canvas, rows, sources, x0=origin, rng=rng, external_sinks=sinks)
            if plan.height() <= height or extra == 0:
                return plan
    raise AssertionError("the first row alone always fits")


def _jog_lines(unit: Unit, origin: int, slots: int, bottom: int) -> list[tuple[int, int]]:
    """Lead the lines from the pads below to columns where upward pins may be."""
    lines = []
    for column, net in unit.bottom_lines:
        slot = (column - origin) // SLOT
        if not 0 <= slot < slots or column > origin + slots * SLOT - 6:
            continue
        pin = origin + slot * SLOT + PIN_UP
        low, high = min(pin, column), max(pin, column)
        unit.canvas.box("polysilicon", pin - 1, bottom, pin + 1, bottom + 4, net)
        unit.canvas.box("polysilicon", low - 1, bottom + 2, high + 1, bottom + 4, net)
        lines.append((pin, net))
    return lines


def _draw_plan(
    unit: Unit,
    plan: LogicPlan,
    origin: int,
    row_y: int,
    bottom: int,
    rail_x: tuple[int, int],
    name: str,
    slots: int,
) -> None:
    end = draw_logic(
        unit.canvas,
        plan,
        name=name,
        x0=origin,
        rail_x=(rail_x[0] - 4, rail_x[1] + 4),
        y0=row_y,
        y1=bottom,
        supply=unit.supply,
        ground=unit.ground,
        slots=slots,
    )
    right = origin + slots * SLOT
    unit.canvas.region(f"{name} logic", "logic", (origin, row_y, right, end))
    _draw_filters(unit, plan, (origin, end + 3, right, bottom - 3))


def _draw_filters(unit: Unit, plan: LogicPlan, box: tuple[int, int, int, int]) -> None:
    """Put a filter beside each input line, where the room below the logic allows it."""
    x0, y0, _, y1 = box
    columns = sorted((c, net) for c, side, net in plan.pins[-1] if side == FROM_BELOW)
    left = x0
    for column, net in columns:
        wide = min(column - 8 - left, 96)
        if ".in" in unit.canvas.names[net] and wide >= MIN_WIDTH and y1 - y0 >= MIN_HEIGHT:
            draw_filter(
                unit.canvas,
                (column - 8 - wide, y0, column - 8, min(y1, y0 + 60)),
                column=column,
                line=net,
                ground=unit.ground,
                bus_y=unit.box[3] - BUS,
            )
        left = column + 6


def _copy(cell: RowCell) -> RowCell:
    return RowCell(cell.kind, cell.slot, cell.branches, list(cell.inputs), cell.output, cell.width)
