"""What a person has decided about the changes found: `config/verdicts.csv`."""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass
from pathlib import Path

from maskdelta.errors import ConfigurationError
from maskdelta.study._person_table import read_person_table

__all__ = ["RULINGS", "Verdict", "read_verdicts"]

RULINGS = ("accepted", "rejected", "open")
_COLUMNS = ("comparison", "change", "verdict")
_OPTIONAL = ("name", "note", "area_um2")
_CHANGE = re.compile(r"([^@\s]+)@(-?\d+(?:\.\d+)?),\s*(-?\d+(?:\.\d+)?)")


@dataclass(frozen=True)
class Verdict:
    """One row of the table.

    Parameters
    ----------
    line : int
        Of the file.
    comparison : str
        `<before>--<after>`.
    change : str
        Lasting name of the change as it was when judged: layers and place.
    layers : tuple of str
    x_um, y_um : float
        Place, study frame.
    ruling : str
        One of `RULINGS`; open is a change that only has a name or a note.
    name, note : str
        The person's words.
    area_um2 : float or None
        Changed area when judged, added and removed together.
    """

    line: int
    comparison: str
    change: str
    layers: tuple[str, ...]
    x_um: float
    y_um: float
    ruling: str
    name: str = ""
    note: str = ""
    area_um2: float | None = None


def read_verdicts(path: str | Path) -> list[Verdict]:
    """Read the verdicts of all comparisons.

    Parameters
    ----------
    path : path
        CSV with the columns comparison, change, verdict and, if wanted, name, note and area_um2;
        other columns are the person's own. A file that is not there holds no verdicts.

    Raises
    ------
    ConfigurationError
        With one sentence for every row that is wrong.
    """
    faults: list[str] = []
    found: list[Verdict] = []
    for line, cells in read_person_table(path, _COLUMNS, _OPTIONAL):
        change = _CHANGE.fullmatch(cells["change"])
        ruling = cells["verdict"] or "open"
        area_um2 = _area(cells["area_um2"])
        where = f"{path}: line {line}:"
        if not change:
            faults.append(
                f"{where} `change` is `{cells['change']}`; copy it from the column `change` of "
                "changes.csv, such as `contact+metal@120,85`."
            )
        elif ruling not in RULINGS:
            near = difflib.get_close_matches(ruling.lower(), RULINGS, n=1, cutoff=0.4)
            hint = f"did you mean `{near[0]}`?" if near else f"use one of {', '.join(RULINGS)}."
            faults.append(f"{where} the verdict `{ruling}` is not known; {hint}")
        elif area_um2 is None and cells["area_um2"]:
            faults.append(f"{where} `area_um2` is `{cells['area_um2']}`; it must be a number >= 0.")
        else:
            found.append(
                Verdict(
                    line,
                    cells["comparison"],
                    cells["change"],
                    tuple(change[1].split("+")),
                    float(change[2]),
                    float(change[3]),
                    ruling,
                    cells["name"],
                    cells["note"],
                    area_um2,
                )
            )
    if faults:
        raise ConfigurationError(faults)
    return found


def _area(cell: str) -> float | None:
    return float(cell) if re.fullmatch(r"\d+(\.\d*)?", cell) else None
