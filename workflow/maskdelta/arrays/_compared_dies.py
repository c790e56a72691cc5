"""All arrays of two dies compared: the table and its summary."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskdelta.arrays._compare import ComparedArray, compare_bits
from maskdelta.arrays._meaning import changed_terms, changed_words, meaning_of
from maskdelta.study import ArraySettings, BitMatrix, ToStudy, write_json, write_table

__all__ = ["compare_arrays"]


def compare_arrays(
    before: Mapping[str, BitMatrix],
    after: Mapping[str, BitMatrix],
    arrays: Mapping[str, ArraySettings],
    link: ToStudy,
    *,
    folder: Path,
) -> None:
    """Compare all arrays of two dies; write `arrays.csv` and `arrays.json`.

    Parameters
    ----------
    before, after : mapping of str to BitMatrix
    arrays : mapping of str to ArraySettings
    link : ToStudy
        Of the die before.
    folder : path
        Of the comparison.
    """
    compared: dict[str, ComparedArray] = {}
    rows: list[dict[str, Any]] = []
    for name, settings in arrays.items():
        if before[name].empty or after[name].empty:
            continue
        found = compare_bits(
            before[name],
            after[name],
            false_discovery=settings.false_discovery,
            offset=settings.offset,
        )
        compared[name] = found
        places = link.to_study(before[name].centre_px.reshape(-1, 2))
        rows += found.rows(name, before[name], places.reshape(*before[name].shape, 2))
    values = (
        {name: before[name].value for name in arrays},
        {
            name: compared[name].value_lying if name in compared else after[name].value
            for name in arrays
        },
    )
    write_table(folder / "arrays.csv", "arrays", rows)
    summary = {
        name: _summary(name, compared.get(name), before[name], values, arrays) for name in arrays
    }
    write_json(folder / "arrays.json", summary)


def _summary(
    name: str,
    found: ComparedArray | None,
    before: BitMatrix,
    values: tuple[dict[str, NDArray[np.int8]], dict[str, NDArray[np.int8]]],
    arrays: Mapping[str, ArraySettings],
) -> dict[str, Any]:
    """What arrays.json says of one array."""
    if found is None:
        return {"compared": False}
    changed = np.argwhere(found.state == "changed")
    (words, decoded), (words_after, decoded_after) = (
        meaning_of(name, side, arrays) for side in values
    )
    summary: dict[str, Any] = {
        "compared": True,
        "bits": int(before.value.size),
        "changed": found.count("changed"),
        "doubtful": found.count("doubtful"),
        "not_comparable": found.count("not comparable"),
        "gained": int(((found.state == "changed") & (found.value_after == 1)).sum()),
        "lost": int(((found.state == "changed") & (found.value_after == 0)).sum()),
        "arrangement": found.words(),
        "lines_moved": not (found.row_order.usual and found.column_order.usual),
        "differing_frac": found.differing_frac,
        "by_row": _counts(changed[:, 0]),
        "by_column": _counts(changed[:, 1]),
        "words": changed_words(words, words_after),
        "words_total": len(words),
    }
    if decoded is not None and decoded_after is not None:
        summary["terms"] = changed_terms(decoded, decoded_after)
        summary["lines_total"] = len(decoded.terms)
    return summary


def _counts(lines: NDArray[np.intp]) -> list[list[int]]:
    """Number of changed bits by line: [line, count]."""
    return [[line, count] for line, count in sorted(Counter(int(v) for v in lines).items())]
