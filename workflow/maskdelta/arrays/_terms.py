"""What the lines of a decode plane stand for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskdelta.study import UNREADABLE, ArrayTerms

__all__ = ["Decoded", "Term", "codes_as_ranges", "decode_plane"]


@dataclass(frozen=True)
class Term:
    """One output line.

    Parameters
    ----------
    line : int
    name : str
    expression : str
        Of the input signals; `~` is not, `&` is and; `True` where nothing is asked for.
    pattern : str
        What each code bit must be, highest first: 0, 1, `-` (either), `?` (unreadable), `x`
        (both at once, which never happens).
    sure, possible : (codes,) bool
        Whether each input code that can occur drives the line for certain; perhaps.
    equal_to : tuple of int
        Other lines with the same term.
    """

    line: int
    name: str
    expression: str
    pattern: str
    sure: NDArray[np.bool_]
    possible: NDArray[np.bool_]
    equal_to: tuple[int, ...]

    @property
    def state(self) -> str:
        """driven, never, always or undecided."""
        if not self.possible.any():
            return "never"
        if self.sure.all():
            return "always"
        return "driven" if self.sure.any() else "undecided"


@dataclass(frozen=True)
class Decoded:
    """All lines of a decode plane.

    Parameters
    ----------
    signals : tuple of str
        Lowest code bit first.
    codes : (n,) int
        Input codes that can occur.
    terms : tuple of Term
    """

    signals: tuple[str, ...]
    codes: NDArray[np.int64]
    terms: tuple[Term, ...]

    def lines_of(self) -> dict[int, tuple[int, ...]]:
        """Lines that each code surely drives."""
        sure = np.array([term.sure for term in self.terms]).reshape(len(self.terms), -1)
        return {
            int(code): tuple(int(line) for line in np.flatnonzero(sure[:, k]))
            for k, code in enumerate(self.codes)
        }

    def term_rows(self) -> list[dict[str, Any]]:
        """Rows of the table `terms`."""
        return [
            {
                "line": term.line,
                "name": term.name,
                "term": term.expression,
                "pattern": term.pattern,
                "codes_count": int(term.sure.sum()),
                "codes_possible": int(term.possible.sum()),
                "codes": codes_as_ranges(self.codes[term.sure]),
                "state": term.state,
                "equal_to": " ".join(str(line) for line in term.equal_to),
            }
            for term in self.terms
        ]

    def truth_rows(self) -> list[dict[str, Any]]:
        """Rows of the table `truth`."""
        sure = np.array([term.sure for term in self.terms])
        possible = np.array([term.possible for term in self.terms])
        rows = []
        for k, code in enumerate(self.codes):
            signs = np.where(sure[:, k], "1", np.where(possible[:, k], "?", "0"))
            rows.append(
                {
                    "code": int(code),
                    "inputs": f"{int(code):0{len(self.signals)}b}",
                    "outputs": "".join(signs),
                    "lines": " ".join(str(line) for line in np.flatnonzero(sure[:, k])),
                }
            )
        return rows


def decode_plane(
    value: NDArray[np.int8], settings: ArrayTerms, names: Sequence[str] = ()
) -> Decoded:
    """Product terms of the output lines, and the input codes that drive each.

    Parameters
    ----------
    value : (rows, columns) int8
        1, 0 or `UNREADABLE`.
    settings : ArrayTerms
    names : sequence of str
        Of the lines; empty means numbers.

    Returns
    -------
    Decoded
    """
    lines = value if settings.lines == "rows" else value.T
    plain = [name.lstrip("!") for name in settings.inputs]
    signals = settings.code_bits or tuple(dict.fromkeys(plain))
    every = np.arange(2 ** len(signals))
    codes = np.array(settings.codes, np.int64) if settings.codes else every
    code_bit = (codes[:, None] >> np.arange(len(signals))) & 1
    bit_of = np.array([signals.index(name) for name in plain])
    inverse = np.array([name.startswith("!") for name in settings.inputs])
    wanted = (inverse == (settings.plane == "nor")).astype(int)
    asked = code_bit[:, bit_of] == wanted
    terms = []
    for number, line in enumerate(lines):
        possible = asked[:, line == 1].all(1)
        sure = possible & asked[:, line == UNREADABLE].all(1)
        demands = [
            {int(w) for w in wanted[(bit_of == k) & (line == 1)]} for k in range(len(signals))
        ]
        open_ = [bool((line[bit_of == k] == UNREADABLE).any()) for k in range(len(signals))]
        twins = [
            other
            for other in range(len(lines))
            if other != number and (lines[other] == line).all() and UNREADABLE not in line
        ]
        terms.append(
            Term(
                line=number,
                name=names[number] if names else str(number),
                expression=_expression(signals, demands, open_),
                pattern=_pattern(demands, open_),
                sure=sure,
                possible=possible,
                equal_to=tuple(twins),
            )
        )
    return Decoded(tuple(signals), codes, tuple(terms))


def _expression(signals: Sequence[str], demands: Sequence[set[int]], open_: Sequence[bool]) -> str:
    parts = []
    for signal, demand, unknown in zip(signals, demands, open_, strict=True):
        parts += [signal if bit else f"~{signal}" for bit in sorted(demand, reverse=True)]
        parts += [f"?{signal}"] if unknown else []
    return " & ".join(parts) or "True"


def _pattern(demands: Sequence[set[int]], open_: Sequence[bool]) -> str:
    signs = [
        "x" if len(demand) == 2 else "?" if unknown else str(*demand) if demand else "-"
        for demand, unknown in zip(demands, open_, strict=True)
    ]
    return "".join(reversed(signs))


def codes_as_ranges(codes: NDArray[np.int64]) -> str:
    """Sorted codes as text: `0-3 8 10-11`."""
    ordered = np.sort(codes)
    if len(ordered) == 0:
        return ""
    parts = np.split(ordered, np.flatnonzero(np.diff(ordered) > 1) + 1)
    return " ".join(f"{p[0]}-{p[-1]}" if len(p) > 1 else f"{p[0]}" for p in parts)
