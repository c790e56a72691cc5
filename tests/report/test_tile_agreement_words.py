"""What the page of a die says of tiles that overlap."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from maskdelta.report._tile_agreement import agreement_of
from maskdelta.study import write_json

GAP = "\N{NARROW NO-BREAK SPACE}"


@pytest.fixture
def said(tmp_path: Path):
    def words(share: float | None, worst: float | None, *mixed: str):
        pair = {"file_a": "t1.jpg", "file_b": "t2.jpg", "px": 900, "agree_frac": worst}
        data: dict[str, Any] = {
            "agree_frac": share,
            "px": 50000 if share is not None else 0,
            "patches": 80,
            "worst": None if worst is None else pair,
            "mixed": [{"stacks": list(mixed), "px": 12}] if mixed else [],
            "pairs": [],
        }
        write_json(tmp_path / "tile_agreement.json", data)
        return agreement_of(tmp_path, "top")

    return words


def test_good_agreement_names_the_worst_pair(said) -> None:
    (sentence,) = said(0.9935, 0.981, "metal", "pad_opening")
    assert not sentence.warns
    assert f"99.35{GAP}% of 50{GAP}000 px" in sentence.text
    assert "in 80 patches looked at" in sentence.text
    assert f"Least of all agree t1.jpg and t2.jpg, by 98.1{GAP}%." in sentence.text
    assert sentence.text.endswith("Mixed up most: metal and pad opening.")


def test_little_agreement_warns(said) -> None:
    (sentence,) = said(0.9899, 0.44, "metal", "unknown")
    assert sentence.warns
    assert "That is little: look at focus and exposure of these tiles" in sentence.text


def test_full_agreement_names_nobody(said) -> None:
    (sentence,) = said(1.0, 1.0)
    assert "t1.jpg" not in sentence.text
    assert "Mixed" not in sentence.text


def test_without_overlaps_that_is_said(said, tmp_path: Path) -> None:
    (sentence,) = said(None, None)
    assert sentence.text.startswith("No two tiles of the view top overlap")
    assert not sentence.warns
    assert agreement_of(tmp_path / "nowhere", "top") == []
