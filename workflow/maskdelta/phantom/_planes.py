"""NOR planes: transistors at the crossings of polysilicon and metal, programmed one by one.

A decode plane has vertical polysilicon inputs and horizontal metal terms; a mask ROM has
horizontal polysilicon words and vertical metal bit lines. In the decode plane a crossing is
programmed by a tongue of diffusion (with its contact); in the ROM every crossing has its
transistor, and the contact to the bit line is there or not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from maskdelta.phantom._canvas import Canvas

PAIR = 24
"""Pitch of two polysilicon lines that share one ground line, lambda."""
FIRST, SECOND = 6, 14
"""Centres of the two polysilicon lines within a pair, lambda."""
LOAD = 26
"""Length of a depletion load from the supply line to the term, lambda."""


@dataclass(frozen=True)
class _Turned:
    """Draw as if x and y were swapped, so that one routine serves both planes."""

    canvas: Canvas
    turned: bool

    def box(self, layer: str, x0: int, y0: int, x1: int, y1: int, net: int = -1) -> None:
        if self.turned:
            x0, y0, x1, y1 = y0, x0, y1, x1
        self.canvas.box(layer, x0, y0, x1, y1, net)

    def contact(self, x: int, y: int, layer: str, net: int) -> None:
        if self.turned:
            x, y = y, x
        self.canvas.metal_contact(x, y, layer, net)

    def transistor(
        self, box: tuple[int, int, int, int], gate: int, ends: tuple[int, int], *, depletion: bool
    ) -> None:
        """Record a transistor whose current flows along the drawn y."""
        if self.turned:
            box = (box[1], box[0], box[3], box[2])
        self.canvas.transistor(
            box, gate=gate, ends=ends, along_y=not self.turned, depletion=depletion
        )


def draw_decode_plane(
    canvas: Canvas,
    x: int,
    term_y: Sequence[int],
    *,
    program: NDArray[np.bool_],
    inputs: Sequence[int],
    terms: Sequence[int],
    supply_x: int,
    supply: int,
    ground: int,
    y1: int,
) -> None:
    """Draw a plane of vertical inputs and horizontal terms.

    Parameters
    ----------
    x
        Left edge of the first input pair, lambda.
    term_y
        Centres of the terms, lambda, ascending, at least 8 apart.
    program
        (terms, inputs) bool: where a transistor pulls the term down.
    inputs, terms
        Nets.
    supply_x
        Left edge of the vertical supply line the loads hang on; ``x - supply_x`` >= LOAD + 4.
    y1
        Upper edge of the ground rail below the plane, lambda.
    """
    right = x + PAIR * ((len(inputs) + 1) // 2)
    for row, (centre, net) in enumerate(zip(term_y, terms, strict=True)):
        top = centre - 2
        canvas.box("metal", supply_x + LOAD - 4, top, right, top + 4, net)
        _draw_load(_Turned(canvas, True), top, supply_x, supply=supply, term=net)
        for column, gate in enumerate(inputs):
            if program[row, column]:
                _draw_tongue(
                    _Turned(canvas, True),
                    top,
                    x,
                    column,
                    gate=gate,
                    drain=net,
                    ground=ground,
                    contact=True,
                )
    bottom = y1
    for column, gate in enumerate(inputs):
        centre = x + PAIR * (column // 2) + (FIRST, SECOND)[column % 2]
        canvas.box("polysilicon", centre - 1, term_y[0] - 4, centre + 1, bottom + 4, gate)
    for pair in range((len(inputs) + 1) // 2):
        left = x + PAIR * pair + 8
        canvas.box("diffusion", left, term_y[0] - 2, left + 4, bottom + 4, ground)
        canvas.metal_contact(left, bottom, "diffusion", ground)


def draw_rom(
    canvas: Canvas,
    columns: Sequence[int],
    word_y: Sequence[int],
    *,
    bits: NDArray[np.bool_],
    words: Sequence[int],
    outputs: Sequence[int],
    straps: Sequence[int],
    left: int,
    load_y: int,
    supply: int,
    ground: int,
    y1: int,
    name: str,
) -> None:
    """Draw a contact-programmed mask ROM.

    Parameters
    ----------
    columns
        Left edges of the 4-lambda bit lines.
    word_y
        Centres of the words: FIRST and SECOND of pairs 24 lambda apart.
    bits
        (words, columns) bool: True where a contact joins the drain to the bit line.
    straps
        Left edges of the metal lines that bring ground to the ground diffusions.
    left
        Where the words begin.
    load_y
        Upper edge of the supply rail above, on which the loads of the bit lines hang.
    y1
        Upper edge of the ground rail below.
    """
    right = max([*columns, *straps]) + 6
    plain = _Turned(canvas, False)
    origin = word_y[0] - FIRST
    for pair in range((len(word_y) + 1) // 2):
        top = origin + PAIR * pair + 8
        canvas.box("diffusion", left + 6, top, right, top + 4, ground)
        for strap in straps:
            canvas.metal_contact(strap, top, "diffusion", ground)
    for strap in straps:
        canvas.box("metal", strap, origin + 8, strap + 4, y1 + 4, ground)
    for column, output in zip(columns, outputs, strict=True):
        end = y1 - 7
        canvas.box("metal", column, load_y + LOAD - 4, column + 4, end + 4, output)
        canvas.metal_contact(column, end, "polysilicon", output)
        _draw_load(plain, column, load_y, supply=supply, term=output)
    for row, (centre, word) in enumerate(zip(word_y, words, strict=True)):
        canvas.box("polysilicon", left, centre - 1, right, centre + 1, word)
        for column, (edge, output) in enumerate(zip(columns, outputs, strict=True)):
            value = bool(bits[row, column])
            drain = output if value else canvas.net(f"{name}.open{row}_{column}")
            _draw_tongue(
                plain,
                edge,
                origin,
                row,
                gate=word,
                drain=drain,
                ground=ground,
                contact=value,
            )
            side = 0 if row % 2 == 0 else 16
            y = origin + PAIR * (row // 2) + side
            box = (edge + 1, y + 1, edge + 3, y + 3)
            canvas.bits.append((name, row, column, int(value), *box))


def _draw_tongue(
    pen: _Turned,
    edge: int,
    origin: int,
    index: int,
    *,
    gate: int,
    drain: int,
    ground: int,
    contact: bool,
) -> None:
    """Draw the drain, channel and source of one crossing; lines run along x of the pen."""
    base = origin + PAIR * (index // 2)
    if index % 2 == 0:
        island, channel, source, ends = base, (5, 7), (7, 8), (drain, ground)
        neck = (4, 5)
    else:
        island, channel, source, ends = base + 16, (13, 15), (12, 13), (ground, drain)
        neck = (15, 16)
    if contact:
        pen.contact(edge, island, "diffusion", drain)
    else:
        pen.box("diffusion", edge, island, edge + 4, island + 4, drain)
    pen.box("diffusion", edge, base + neck[0], edge + 4, base + neck[1], drain)
    pen.transistor(
        (edge, base + channel[0], edge + 4, base + channel[1]), gate, ends, depletion=False
    )
    pen.box("diffusion", edge, base + source[0], edge + 4, base + source[1], ground)


def _draw_load(pen: _Turned, edge: int, start: int, *, supply: int, term: int) -> None:
    """Draw a depletion load along y of the pen, from the supply line at `start` to the term."""
    pen.contact(edge, start, "diffusion", supply)
    pen.box("diffusion", edge + 1, start + 4, edge + 3, start + 6, supply)
    pen.transistor(
        (edge + 1, start + 6, edge + 3, start + 14), term, (supply, term), depletion=True
    )
    pen.box("polysilicon", edge - 1, start + 6, edge + 5, start + 18, term)
    pen.box("diffusion", edge + 1, start + 14, edge + 3, start + 22, term)
    pen.box("buried_contact", edge - 1, start + 14, edge + 5, start + 19, term)
    pen.contact(edge, start + LOAD - 4, "diffusion", term)


def draw_word_joint(canvas: Canvas, x0: int, x1: int, centre: int, net: int) -> None:
    """Join a metal term that ends at x0 to a polysilicon word that begins at x1 (lambda)."""
    canvas.box("metal", x0, centre - 2, x0 + 4, centre + 2, net)
    canvas.metal_contact(x0, centre - 2, "polysilicon", net)
    canvas.box("polysilicon", x0 + 4, centre - 1, x1, centre + 1, net)
