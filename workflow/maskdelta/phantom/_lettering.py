"""Lettering in metal, as on a real die: a small font of 5 x 7 squares."""

from __future__ import annotations

from maskdelta.phantom._canvas import Canvas

_FONT = {
    "A": "01110100011000111111100011000110001",
    "B": "11110100011000111110100011000111110",
    "C": "01111100001000010000100001000001111",
    "D": "11110100011000110001100011000111110",
    "E": "11111100001000011110100001000011111",
    "G": "01111100001000010011100011000101111",
    "H": "10001100011000111111100011000110001",
    "I": "11111001000010000100001000010011111",
    "L": "10000100001000010000100001000011111",
    "M": "10001110111010110101100011000110001",
    "N": "10001110011010110011100011000110001",
    "O": "01110100011000110001100011000101110",
    "R": "11110100011000111110101001001010001",
    "V": "10001100011000110001100010101000100",
    "Y": "10001100010101000100001000010000100",
    "0": "01110100011001110101110011000101110",
    "1": "00100011000010000100001000010001110",
    "2": "01110100010000100110010001000011111",
    "3": "11110000010000101110000010000111110",
    "4": "00010001100101010010111110001000010",
    "7": "11111000010001000100010000100001000",
    "9": "01110100011000101111000010000101110",
    "-": "00000000000000011111000000000000000",
    " ": "0" * 35,
}
LETTER_WIDTH = 6


def draw_lettering(canvas: Canvas, x: int, y: int, text: str, *, size: int = 3) -> int:
    """Write text with its left upper corner at (x, y) lambda; return the group of its shapes.

    Squares are `size` lambda. Squares of one row that touch become one box.
    """
    group = canvas.begin_group()
    for index, letter in enumerate(text):
        rows = [_FONT[letter][5 * r : 5 * r + 5] for r in range(7)]
        left = x + index * LETTER_WIDTH * size
        for r, row in enumerate(rows):
            start = -1
            for c in range(6):
                on = c < 5 and row[c] == "1"
                if on and start < 0:
                    start = c
                elif not on and start >= 0:
                    top = y + r * size
                    canvas.box("metal", left + start * size, top, left + c * size, top + size)
                    start = -1
    canvas.end_group()
    return group
