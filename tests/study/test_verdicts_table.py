"""The table of verdicts: a person's file, read leniently, faults in sentences."""

from __future__ import annotations

from pathlib import Path

import pytest

from maskdelta.errors import ConfigurationError
from maskdelta.study import read_verdicts

HEADER = "comparison,change,verdict,name,note,area_um2,by\n"


def written(folder: Path, *lines: str, header: str = HEADER) -> Path:
    path = folder / "verdicts.csv"
    path.write_text(header + "".join(f"{line}\n" for line in lines), encoding="utf-8")
    return path


def test_rows_are_read_and_columns_of_the_person_s_own_are_left_alone(tmp_path: Path) -> None:
    path = written(
        tmp_path,
        'a1--b1,"contact+metal@120,-85",rejected,,a hair,31.25,me',
        'a1--b1,"metal@7,8",,driver,,,',
    )
    first, second = read_verdicts(path)
    assert (first.layers, first.x_um, first.y_um) == (("contact", "metal"), 120.0, -85.0)
    assert (first.line, first.ruling, first.note, first.area_um2) == (
        2,
        "rejected",
        "a hair",
        31.25,
    )
    assert (second.ruling, second.name, second.area_um2) == ("open", "driver", None)
    assert read_verdicts(tmp_path / "none.csv") == []


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('a1--b1,"metal@1,2",rejcted,,,,', "line 2: the verdict `rejcted` is not known; did you"),
        ("a1--b1,metal,accepted,,,,", "line 2: `change` is `metal`; copy it from the column"),
        ('a1--b1,"metal@1,2",open,,,-3,', "line 2: `area_um2` is `-3`; it must be a number >= 0."),
        ("a1--b1,metal@1,2,open,,,3,me", "put a cell that holds a comma in double quotes."),
    ],
)
def test_every_fault_is_a_sentence(tmp_path: Path, line: str, words: str) -> None:
    with pytest.raises(ConfigurationError) as caught:
        read_verdicts(written(tmp_path, line))
    assert len(caught.value.faults) == 1
    assert words in caught.value.faults[0]


def test_a_missing_column_is_named(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match=r"column\(s\) comparison, verdict are missing"):
        read_verdicts(written(tmp_path, '"metal@1,2"', header="change\n"))
