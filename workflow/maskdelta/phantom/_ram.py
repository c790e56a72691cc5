"""A memory of three-transistor dynamic cells: one pattern, repeated."""

from __future__ import annotations

from collections.abc import Sequence

from maskdelta.phantom._canvas import Canvas
from maskdelta.phantom._planes import LOAD

CELL_WIDTH = 24
CELL_HEIGHT = 26
WRITE_WORD, READ_WORD = 3, 19
"""Centres of the two word lines within a cell, lambda."""
_WRITE_BIT, _GROUND, _READ_BIT = 0, 8, 17


def draw_ram(
    canvas: Canvas,
    x: int,
    y: int,
    *,
    columns: int,
    rows: int,
    words: Sequence[int],
    write_bits: Sequence[int],
    read_bits: Sequence[int],
    load_y: int,
    supply: int,
    ground: int,
    y1: int,
    name: str,
) -> None:
    """Draw the array; `words` alternates write and read lines, two a row.

    Parameters
    ----------
    x, y
        Left upper corner of the first cell, lambda.
    load_y
        Upper edge of the supply rail above, on which the loads of the read lines hang.
    y1
        Upper edge of the ground rail below the array.
    """
    right = x + columns * CELL_WIDTH
    for row in range(rows):
        for offset, word in ((WRITE_WORD, words[2 * row]), (READ_WORD, words[2 * row + 1])):
            centre = y + row * CELL_HEIGHT + offset
            canvas.box("polysilicon", x - 4, centre - 1, right, centre + 1, word)
    for column in range(columns):
        left = x + column * CELL_WIDTH
        write, read = write_bits[column], read_bits[column]
        end = y1 - 8
        canvas.box("metal", left + _GROUND, y + 6, left + _GROUND + 4, y1 + 4, ground)
        canvas.box("metal", left + _WRITE_BIT, y - 4, left + _WRITE_BIT + 4, end, write)
        canvas.metal_contact(left + _WRITE_BIT, end - 4, "polysilicon", write)
        canvas.box("metal", left + _READ_BIT, load_y + LOAD - 4, left + _READ_BIT + 4, end, read)
        canvas.metal_contact(left + _READ_BIT, end - 4, "polysilicon", read)
        _draw_read_load(canvas, left + _READ_BIT, load_y, supply=supply, term=read)
        for row in range(rows):
            top = y + row * CELL_HEIGHT
            store = canvas.net(f"{name}.r{row}c{column}")
            _draw_cell(
                canvas,
                left,
                top,
                words=(words[2 * row], words[2 * row + 1]),
                bits=(write, read),
                store=store,
                ground=ground,
            )


def _draw_read_load(canvas: Canvas, x: int, y: int, *, supply: int, term: int) -> None:
    canvas.metal_contact(x, y, "diffusion", supply)
    canvas.box("diffusion", x + 1, y + 4, x + 3, y + 6, supply)
    canvas.transistor(
        (x + 1, y + 6, x + 3, y + 14), gate=term, ends=(supply, term), along_y=True, depletion=True
    )
    canvas.box("polysilicon", x - 1, y + 6, x + 5, y + 18, term)
    canvas.box("diffusion", x + 1, y + 14, x + 3, y + LOAD - 4, term)
    canvas.box("buried_contact", x - 1, y + 14, x + 5, y + 19, term)
    canvas.metal_contact(x, y + LOAD - 4, "diffusion", term)


def _draw_cell(
    canvas: Canvas,
    x: int,
    y: int,
    *,
    words: tuple[int, int],
    bits: tuple[int, int],
    store: int,
    ground: int,
) -> None:
    """Draw one cell: write switch, storage transistor, read switch."""
    write_word, read_word = words
    write, read = bits
    canvas.metal_contact(x, y - 4, "diffusion", write)
    canvas.box("diffusion", x + 1, y, x + 3, y + 2, write)
    canvas.transistor(
        (x + 1, y + 2, x + 3, y + 4), gate=write_word, ends=(write, store), along_y=True
    )
    canvas.box("diffusion", x + 1, y + 4, x + 3, y + 13, store)
    canvas.box("polysilicon", x, y + 9, x + 4, y + 14, store)
    canvas.box("buried_contact", x - 1, y + 8, x + 5, y + 15, store)
    canvas.box("polysilicon", x, y + 12, x + 13, y + 14, store)
    middle = canvas.net(f"{canvas.names[store]}.mid")
    canvas.metal_contact(x + _GROUND, y + 6, "diffusion", ground)
    canvas.box("diffusion", x + 9, y + 10, x + 11, y + 12, ground)
    canvas.transistor(
        (x + 9, y + 12, x + 11, y + 14), gate=store, ends=(ground, middle), along_y=True
    )
    canvas.box("diffusion", x + 9, y + 14, x + 11, y + 18, middle)
    canvas.transistor(
        (x + 9, y + 18, x + 11, y + 20), gate=read_word, ends=(middle, read), along_y=True
    )
    canvas.box("diffusion", x + 9, y + 20, x + 11, y + 25, read)
    canvas.box("diffusion", x + 11, y + 23, x + 17, y + 25, read)
    canvas.metal_contact(x + _READ_BIT, y + 22, "diffusion", read)
