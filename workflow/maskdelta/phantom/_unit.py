"""One self-contained circuit: register file, ROM, decode planes and their rails."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from maskdelta.phantom._canvas import Canvas
from maskdelta.phantom._cells import PIN_UP, ROW_HEIGHT, SLOT
from maskdelta.phantom._logic_block import BUS, Unit, draw_logic_below
from maskdelta.phantom._melody import melody_words
from maskdelta.phantom._planes import (
    FIRST,
    LOAD,
    PAIR,
    SECOND,
    draw_decode_plane,
    draw_rom,
    draw_word_joint,
)
from maskdelta.phantom._ram import CELL_HEIGHT, CELL_WIDTH, READ_WORD, WRITE_WORD, draw_ram
from maskdelta.phantom._rows import RowCell

_JOG = 8


UNIT_MIN = (720, 560)


def draw_unit(unit: Unit) -> None:
    """Draw both columns of a unit; between them run a ground and a supply trunk."""
    x0, y0, x1, y1 = unit.box
    rows_space = y1 - y0 - 2 * BUS - LOAD - 34 - _JOG - ROW_HEIGHT - 78
    rows = min(rows_space // CELL_HEIGHT, 32)
    columns = max(6, -(-unit.memory_area // (rows * CELL_HEIGHT * CELL_WIDTH)))
    address = max(1, (rows - 1).bit_length()) + 1
    left_width = LOAD + 3 + PAIR * address + 19
    columns = min(columns, (x1 - x0 - left_width - 16 - 260) // CELL_WIDTH)
    middle = x0 + left_width + columns * CELL_WIDTH + 8
    right = x1 - BUS - 4
    canvas = unit.canvas
    canvas.box("metal", x0 - BUS, y0, x0, y1 - BUS - 4, unit.supply)
    canvas.box("metal", middle, y0 + BUS + 4, middle + BUS, y1, unit.ground)
    canvas.box("metal", middle + BUS + 4, y0, middle + 2 * BUS + 4, y1 - BUS - 4, unit.supply)
    canvas.box("metal", right, y0 + BUS + 4, right + BUS, y1, unit.ground)
    _draw_memory(unit, x0 - 4, middle, rows, columns, address)
    _draw_melody(unit, middle + 2 * BUS, right)


def _draw_memory(
    unit: Unit, supply_x: int, right: int, rows: int, columns: int, address: int
) -> None:
    canvas, name = unit.canvas, unit.name
    y0 = unit.box[1]
    plane_x = supply_x + LOAD + 3
    origin = plane_x - 1
    load_y = y0 + 4
    top = load_y + LOAD + 2
    rail = top + rows * CELL_HEIGHT + 14
    words = [canvas.net(f"{name}ram.{kind}{r}") for r in range(rows) for kind in ("write", "read")]
    term_y = [top + r * CELL_HEIGHT + o for r in range(rows) for o in (WRITE_WORD, READ_WORD)]
    inputs = _input_nets(canvas, f"{name}ram.a", address)
    program = np.array([_decode(2 * r + k, address) for r in range(rows) for k in (0, 1)])
    plane_end = plane_x + PAIR * address
    # The first write line must meet an upward pin of the row below.
    x = plane_end + 12
    x += -(x + 2 - origin - PIN_UP) % SLOT
    _draw_plane(unit, plane_x, term_y, program, inputs, words, supply_x, rail, right)
    for centre, word in zip(term_y, words, strict=True):
        draw_word_joint(canvas, plane_end, x - 4, centre, word)
    write = [canvas.net(f"{name}ram.w{c}") for c in range(columns)]
    read = [canvas.net(f"{name}ram.q{c}") for c in range(columns)]
    draw_ram(
        canvas,
        x,
        top,
        columns=columns,
        rows=rows,
        words=words,
        write_bits=write,
        read_bits=read,
        load_y=load_y,
        supply=unit.supply,
        ground=unit.ground,
        y1=rail,
        name=f"{name}ram",
    )
    end = x + columns * CELL_WIDTH
    canvas.region(f"{name}register file", "memory", (x, top, end, top + rows * CELL_HEIGHT))
    canvas.region(
        f"{name}register decode", "decode", (plane_x, top, plane_end, top + rows * CELL_HEIGHT)
    )
    row_y = rail + 4 + _JOG
    first = _address_cells(inputs)
    for column in range(columns):
        left = x + column * CELL_WIDTH
        slot = (left + 2 - origin - PIN_UP) // SLOT
        first.append(RowCell("gate", slot, (1,), inputs=[-1], output=write[column]))
        first.append(RowCell("feed", slot + 1, output=read[column]))
        canvas.box("polysilicon", left + 1, rail - 8, left + 3, row_y, write[column])
        canvas.box("polysilicon", left + 18, rail - 8, left + 20, rail + 7, read[column])
        canvas.box("polysilicon", left + 13, rail + 6, left + 20, rail + 8, read[column])
        canvas.box("polysilicon", left + 13, rail + 6, left + 15, row_y, read[column])
    draw_logic_below(unit, first, origin, row_y, (supply_x + 4, right), f"{name}left")


def _draw_melody(unit: Unit, supply_x: int, right: int) -> None:
    """Draw the ROM with its decode plane, and the logic below it."""
    canvas, name = unit.canvas, unit.name
    _, y0, _, y1 = unit.box
    plane_x = supply_x + LOAD + 3
    origin = plane_x - 1
    address = 5 if right - plane_x > 5 * PAIR + 12 * SLOT and y1 - y0 > 640 else 4
    words_count = min(1 << address, 2 * max(8, (y1 - y0 - 2 * BUS - LOAD - 340) // PAIR))
    load_y = y0 + 4
    top = load_y + LOAD + 2
    rail = top + PAIR * (words_count // 2) + 10
    word_y = [top + PAIR * (w // 2) + (FIRST, SECOND)[w % 2] for w in range(words_count)]
    words = [canvas.net(f"{name}rom.word{w}") for w in range(words_count)]
    inputs = _input_nets(canvas, f"{name}rom.a", address)
    program = np.array([_decode(w, address) for w in range(words_count)])
    plane_end = plane_x + PAIR * address
    _draw_plane(unit, plane_x, word_y, program, inputs, words, supply_x, rail, right)
    start = plane_end + 4
    slots = [
        slot
        for slot in range(2 * address + 1, (right - origin) // SLOT - 1)
        if origin + slot * SLOT + PIN_UP - 2 > start + 10
    ]
    straps = slots[3::5] if len(slots) > 3 else slots[-1:]
    columns = [slot for slot in slots if slot not in straps]
    bits = melody_words(words_count, len(columns), rng=unit.rng)
    outputs = [canvas.net(f"{name}rom.q{c}") for c in range(len(columns))]
    for centre, word in zip(word_y, words, strict=True):
        draw_word_joint(canvas, plane_end, start + 4, centre, word)
    edges = [origin + slot * SLOT + PIN_UP - 2 for slot in columns]
    draw_rom(
        canvas,
        edges,
        word_y,
        bits=bits,
        words=words,
        outputs=outputs,
        straps=[origin + slot * SLOT + PIN_UP - 2 for slot in straps],
        left=start + 4,
        load_y=load_y,
        supply=unit.supply,
        ground=unit.ground,
        y1=rail,
        name=f"{name}rom",
    )
    canvas.region(f"{name}melody ROM", "rom", (edges[0] - 4, top, edges[-1] + 8, rail - 10))
    canvas.region(f"{name}melody decode", "decode", (plane_x, top, plane_end, rail - 10))
    row_y = rail + 4 + _JOG
    first = _address_cells(inputs)
    for slot, edge, output in zip(columns, edges, outputs, strict=True):
        first.append(RowCell("feed", slot, output=output))
        canvas.box("polysilicon", edge + 1, rail - 7, edge + 3, row_y, output)
    draw_logic_below(unit, first, origin, row_y, (supply_x + 4, right), f"{name}right")


def _draw_plane(
    unit: Unit,
    plane_x: int,
    term_y: list[int],
    program: NDArray[np.bool_],
    inputs: list[int],
    terms: list[int],
    supply_x: int,
    rail: int,
    right: int,
) -> None:
    """Draw a decode plane, the ground rail below it, and the jogs to the row of its inputs."""
    canvas = unit.canvas
    draw_decode_plane(
        canvas,
        plane_x,
        term_y,
        program=program,
        inputs=inputs,
        terms=terms,
        supply_x=supply_x,
        supply=unit.supply,
        ground=unit.ground,
        y1=rail,
    )
    canvas.box("metal", plane_x + 4, rail, right + 4, rail + 4, unit.ground)
    for index, net in enumerate(inputs):
        x = plane_x + PAIR * (index // 2) + (FIRST, SECOND)[index % 2]
        pin = plane_x - 1 + index * SLOT + PIN_UP
        canvas.box("polysilicon", x - 1, rail + 4, x + 1, rail + 8, net)
        canvas.box("polysilicon", min(x, pin) - 1, rail + 6, max(x, pin) + 1, rail + 8, net)
        canvas.box("polysilicon", pin - 1, rail + 6, pin + 1, rail + 4 + _JOG, net)


def _input_nets(canvas: Canvas, name: str, address: int) -> list[int]:
    """Return the nets of the true and the inverted line of each address bit."""
    return [canvas.net(f"{name}{bit}{sign}") for bit in range(address) for sign in ("", "n")]


def _address_cells(inputs: list[int]) -> list[RowCell]:
    """Return a feed-through and an inverter for each address bit."""
    cells = []
    for bit in range(len(inputs) // 2):
        line, inverted = inputs[2 * bit], inputs[2 * bit + 1]
        cells.append(RowCell("feed", 2 * bit, inputs=[line]))
        cells.append(RowCell("gate", 2 * bit + 1, (1,), inputs=[line], output=inverted))
    return cells


def _decode(code: int, address: int) -> list[bool]:
    """Return which lines pull a term down unless the address is `code`."""
    return [bool((code >> bit) & 1) == (sign == 1) for bit in range(address) for sign in (0, 1)]
