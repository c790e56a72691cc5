"""Tables that a person writes: read leniently, faults told in sentences, never rewritten."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path

from maskdelta.errors import ConfigurationError

__all__ = ["read_person_table"]


def read_person_table(
    path: str | Path, columns: Sequence[str], optional: Sequence[str] = ()
) -> list[tuple[int, dict[str, str]]]:
    """Read a CSV table that a person keeps.

    Parameters
    ----------
    path : path
        A file that is not there holds no rows.
    columns : sequence of str
        Those that must be there; other columns than these and the optional ones are the person's.
    optional : sequence of str

    Returns
    -------
    list of (int, dict)
        Line number, and the stripped cells of all named columns; empty where a cell is missing.

    Raises
    ------
    ConfigurationError
    """
    try:
        with open(path, encoding="utf-8-sig", newline="") as file:
            reader = csv.DictReader(file)
            rows = [(reader.line_num, row) for row in reader]
            header = reader.fieldnames or []
    except FileNotFoundError:
        return []
    except (OSError, UnicodeDecodeError, csv.Error) as exc:
        raise ConfigurationError([f"{path}: this is not a CSV table ({exc}); mend it."]) from None
    missing = [name for name in columns if name not in header]
    if missing and rows:
        raise ConfigurationError(
            [f"{path}: the column(s) {', '.join(missing)} are missing; add them to the first line."]
        )
    faults = [
        f"{path}: line {number}: there are more cells than in the first line; put a cell that "
        "holds a comma in double quotes."
        for number, row in rows
        if None in row
    ]
    if faults:
        raise ConfigurationError(faults)
    return [
        (number, {name: (row.get(name) or "").strip() for name in (*columns, *optional)})
        for number, row in rows
    ]
