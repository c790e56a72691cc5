"""What two readings of an array mean, put side by side."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskdelta.arrays._terms import Decoded, codes_as_ranges, decode_plane
from maskdelta.arrays._words import Word, intel_hex, words_of
from maskdelta.study import ArraySettings, BitMatrix, write_table

__all__ = ["changed_terms", "changed_words", "meaning_of", "write_meaning"]

Bits = NDArray[np.int8]


def meaning_of(
    name: str, bits: Mapping[str, Bits], arrays: Mapping[str, ArraySettings]
) -> tuple[list[Word], Decoded | None]:
    """Words and terms of one array; empty where the settings describe none.

    Parameters
    ----------
    name : str
    bits : mapping of str to (rows, columns) int8
        Of all arrays of the die: a decode plane may drive the lines of a ROM.
    arrays : mapping of str to ArraySettings
    """
    settings = arrays[name]
    value = bits[name]
    words: list[Word] = []
    decoded = None
    if settings.words is not None and value.size:
        plane = settings.words.decoded_by
        driven = None
        if plane and bits[plane].size:
            terms = arrays[plane].terms
            assert terms is not None  # the settings were checked
            driven = decode_plane(bits[plane], terms).lines_of()
        if not plane or driven is not None:
            words = words_of(value, settings.words, driven)
    if settings.terms is not None and value.size:
        axis = settings.rows if settings.terms.lines == "rows" else settings.columns
        decoded = decode_plane(value, settings.terms, axis.names)
    return words, decoded


def write_meaning(
    folder: Path, bits: Mapping[str, BitMatrix], arrays: Mapping[str, ArraySettings]
) -> None:
    """Write words, Intel HEX, terms and truth tables of all arrays of a die."""
    values = {name: matrix.value for name, matrix in bits.items()}
    for name, settings in arrays.items():
        words, decoded = meaning_of(name, values, arrays)
        if settings.words is not None:
            write_table(folder / f"{name}.words.csv", "words", (word.row() for word in words))
            (folder / f"{name}.hex").write_text(intel_hex(words), encoding="ascii")
        if settings.terms is not None:
            rows = decoded.term_rows() if decoded else []
            write_table(folder / f"{name}.terms.csv", "terms", rows)
            truth = decoded.truth_rows() if decoded else []
            write_table(folder / f"{name}.truth.csv", "truth", truth)


def changed_words(before: Sequence[Word], after: Sequence[Word]) -> list[dict[str, Any]]:
    """Words that differ, or that an unreadable bit keeps from being compared."""
    others = {word.address: word for word in after}
    found = []
    for word in before:
        other = others.get(word.address)
        if other is None:
            continue
        if word.bits == other.bits and word.readable:
            continue
        sure = any({a, b} == {0, 1} for a, b in zip(word.bits, other.bits, strict=True))
        found.append(
            {
                "address": word.address,
                "before": {"hex": word.hex, "binary": word.binary},
                "after": {"hex": other.hex, "binary": other.binary},
                "differs": sure,
            }
        )
    return found


def changed_terms(before: Decoded, after: Decoded) -> dict[str, Any]:
    """Lines whose term differs, and the codes that gained or lost lines for certain."""
    pairs = list(zip(before.terms, after.terms, strict=False))
    lines = [
        {
            "line": old.line,
            "name": old.name,
            "before": _side(old.pattern, old.expression, before.codes[old.sure], old.state),
            "after": _side(new.pattern, new.expression, after.codes[new.sure], new.state),
        }
        for old, new in pairs
        if old.pattern != new.pattern
    ]
    codes = []
    for k, code in enumerate(before.codes):
        gained = [a.name for a, b in pairs if not a.possible[k] and b.sure[k]]
        lost = [a.name for a, b in pairs if a.sure[k] and not b.possible[k]]
        if gained or lost:
            codes.append({"code": int(code), "gained": gained, "lost": lost})
    return {
        "lines": lines,
        "codes": codes,
        "never": {
            key: [t.name for t in side.terms if t.state == "never"]
            for key, side in (("before", before), ("after", after))
        },
        "equal": {
            key: [
                [t.name, *(side.terms[o].name for o in t.equal_to)]
                for t in side.terms
                if t.equal_to and min(t.equal_to) > t.line
            ]
            for key, side in (("before", before), ("after", after))
        },
    }


def _side(pattern: str, term: str, codes: NDArray[np.int64], state: str) -> dict[str, Any]:
    return {
        "pattern": pattern,
        "term": term,
        "codes_count": len(codes),
        "codes": codes_as_ranges(codes),
        "state": state,
    }
