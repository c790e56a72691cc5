"""The words of a ROM, and the Intel HEX file of them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskdelta.study import UNREADABLE, ArrayWords

__all__ = ["Word", "intel_hex", "words_of"]

_RECORD_BYTES = 16


@dataclass(frozen=True)
class Word:
    """One word.

    Parameters
    ----------
    address : int
        Or the input code, where a decode plane drives the lines.
    bits : tuple of int
        Lowest first; `UNREADABLE` for those that could not be read.
    lines : tuple of int
        Word lines it was read from.
    """

    address: int
    bits: tuple[int, ...]
    lines: tuple[int, ...]

    @property
    def readable(self) -> bool:
        """Whether every bit is known."""
        return UNREADABLE not in self.bits

    @property
    def binary(self) -> str:
        """Highest bit first; `?` for an unreadable one."""
        return "".join("?" if bit == UNREADABLE else str(bit) for bit in reversed(self.bits))

    @property
    def hex(self) -> str:
        """Four bits a digit; `?` where one of them is unreadable."""
        text = self.binary
        text = "0" * (-len(text) % 4) + text
        digits = [text[k : k + 4] for k in range(0, len(text), 4)]
        return "".join("?" if "?" in digit else f"{int(digit, 2):X}" for digit in digits)

    def row(self) -> dict[str, Any]:
        """A row of the table `words`."""
        return {
            "address": self.address,
            "address_hex": f"{self.address:X}",
            "hex": self.hex,
            "binary": self.binary,
            "line": " ".join(str(line) for line in self.lines),
        }


def words_of(
    value: NDArray[np.int8],
    settings: ArrayWords,
    driven: Mapping[int, Sequence[int]] | None = None,
) -> list[Word]:
    """The words of a ROM in the order of their addresses.

    Parameters
    ----------
    value : (rows, columns) int8
        1, 0 or `UNREADABLE`.
    settings : ArrayWords
    driven : mapping of int to sequence of int, optional
        Lines that each input code drives, where a decode plane drives the word lines. Of several
        lines driven at once a bit is set if it is set in any; with none, no bit is set.

    Returns
    -------
    list of Word
    """
    lines = value if settings.lines == "rows" else value.T
    count, per_line = len(lines), settings.per_line
    width = lines.shape[1] // per_line
    words = (
        lines.reshape(count, width, per_line).transpose(0, 2, 1)
        if settings.interleaved
        else lines.reshape(count, per_line, width)
    )
    weight = np.array(settings.bit_order or range(width))
    if not settings.bit_order and settings.first_bit == "high":
        weight = weight[::-1]
    ordered = np.empty_like(words)
    ordered[..., weight] = words
    number = np.array(settings.line_order or range(count))
    if not settings.line_order and settings.first_line == "highest":
        number = number[::-1]
    sources: list[tuple[int, tuple[int, ...]]] = [(int(number[k]), (k,)) for k in range(count)]
    if driven is not None:
        sources = [(code, tuple(found)) for code, found in driven.items()]
    made = [
        Word(settings.start + place * per_line + k, _joined(ordered, at, k, settings.inverted), at)
        for place, at in sources
        for k in range(per_line)
    ]
    return sorted(made, key=lambda word: word.address)


def _joined(
    words: NDArray[np.int8], lines: tuple[int, ...], sub: int, inverted: bool
) -> tuple[int, ...]:
    """Bits of one word read from some lines at once."""
    stack = words[list(lines), sub] if lines else np.zeros((1, words.shape[2]), np.int8)
    bits = np.where((stack == 1).any(0), 1, np.where((stack == UNREADABLE).any(0), UNREADABLE, 0))
    if inverted:
        bits = np.where(bits == UNREADABLE, UNREADABLE, 1 - bits)
    return tuple(int(bit) for bit in bits)


def intel_hex(words: Sequence[Word]) -> str:
    """Words as an Intel HEX file.

    After the Hexadecimal Object File Format Specification, revision A (Intel, 1988): data
    records of up to 16 bytes, extended linear addresses, end of file. A word takes whole bytes,
    the lowest first, at its address times their number. Words with an unreadable bit are left
    out, since the format cannot say "unknown".
    """
    image: dict[int, int] = {}
    for word in words:
        if word.readable:
            number = sum(bit << k for k, bit in enumerate(word.bits))
            size = -(-len(word.bits) // 8)
            for k, byte in enumerate(number.to_bytes(size, "little")):
                image[word.address * size + k] = byte
    lines, upper = [], 0
    for start, data in _runs(image):
        if start >> 16 != upper:
            upper = start >> 16
            lines.append(_record(0, 4, upper.to_bytes(2, "big")))
        lines.append(_record(start & 0xFFFF, 0, data))
    return "\n".join([*lines, _record(0, 1, b""), ""])


def _runs(image: Mapping[int, int]) -> Iterator[tuple[int, bytes]]:
    """Consecutive bytes, cut at every multiple of the length of a record."""
    start, data = 0, bytearray()
    for address in sorted(image):
        if data and (address != start + len(data) or address % _RECORD_BYTES == 0):
            yield start, bytes(data)
            data = bytearray()
        start = start if data else address
        data.append(image[address])
    if data:
        yield start, bytes(data)


def _record(offset: int, kind: int, data: bytes) -> str:
    body = bytes([len(data)]) + offset.to_bytes(2, "big") + bytes([kind]) + data
    return ":" + (body + bytes([-sum(body) & 0xFF])).hex().upper()
