"""Sentences on arrays, made from the data of a comparison."""

from __future__ import annotations

import numpy as np

from maskdelta.arrays import compare_arrays
from maskdelta.report._array_words import array_sentences, lead_sentence
from maskdelta.study import ArraySettings, BitMatrix, ToStudy, read_json, read_table


def reading(value: np.ndarray) -> BitMatrix:
    return BitMatrix(
        value=value,
        read=value,
        llr=np.where(value == 1, 9.0, -9.0),
        score=value.astype(float),
        oddness=np.zeros(value.shape),
        rank=np.arange(1, value.size + 1, dtype=np.int32).reshape(value.shape),
        flags=np.full(value.shape, "", object),
        centre_px=np.zeros((*value.shape, 2)),
    )


def test_a_line_that_loses_its_codes_is_told(tmp_path) -> None:
    settings = ArraySettings.model_validate(
        {
            "rows": {"count": 3, "names": ["35", "36", "37"]},
            "columns": {"count": 6},
            "terms": {"inputs": ["a", "!a", "b", "!b", "c", "!c"]},
        }
    )
    before = np.zeros((3, 6), np.int8)
    before[0, 1] = before[1, [0, 2]] = before[2, 0] = 1
    after = before.copy()
    after[2, 1] = 1  # a and its complement: no code drives line 37 any more
    compare_arrays(
        {"plane": reading(before)},
        {"plane": reading(after)},
        {"plane": settings},
        ToStudy("a1", "a1", 0.5),
        folder=tmp_path,
    )
    about = read_json(tmp_path / "arrays.json")["plane"]
    assert lead_sentence(about) == "1 of 18 bits differs: 1 set only after."
    sentences = array_sentences(about)
    assert sentences[0] == "Line 37: driven by 4 codes (0 2 4 6) before, driven by no code after."
    assert sentences[1:5] == [f"Code {code} loses line 37." for code in (0, 2, 4, 6)]
    assert sentences[5] == "Line 37 is driven by no code after."
    rows = read_table(tmp_path / "arrays.csv", "arrays")
    assert [(row["row"], row["column"], row["state"]) for row in rows] == [(2, 1, "changed")]


def test_a_word_that_changed_is_told(tmp_path) -> None:
    settings = ArraySettings.model_validate(
        {"rows": {"count": 2}, "columns": {"count": 8}, "words": {"first_bit": "low", "start": 16}}
    )
    before = np.array([[1, 0, 1, 0, 0, 0, 0, 1], [0] * 8], np.int8)
    after = before.copy()
    after[0, 0] = 0
    compare_arrays(
        {"rom": reading(before)},
        {"rom": reading(after)},
        {"rom": settings},
        ToStudy("a1", "a1", 0.5),
        folder=tmp_path,
    )
    about = read_json(tmp_path / "arrays.json")["rom"]
    assert array_sentences(about) == ["Word 16 (hex 10): 85 before, 84 after."]


def test_exchanged_lines_are_told_and_the_words_stay_at_their_addresses(tmp_path) -> None:
    settings = ArraySettings.model_validate(
        {"rows": {"count": 12}, "columns": {"count": 16}, "words": {}}
    )
    rng = np.random.default_rng(4)
    before = rng.integers(0, 2, (12, 16)).astype(np.int8)
    after = before.copy()
    after[[2, 9]] = after[[9, 2]]
    compare_arrays(
        {"rom": reading(before)},
        {"rom": reading(after)},
        {"rom": settings},
        ToStudy("a1", "a1", 0.5),
        folder=tmp_path,
    )
    about = read_json(tmp_path / "arrays.json")["rom"]
    assert lead_sentence(about) == "None of the 192 bits differs."
    sentences = array_sentences(about)
    assert "otherwise than before (rows 2 and 9 exchanged)" in sentences[0]
    assert [s.split(" (")[0] for s in sentences[2:]] == ["Word 2", "Word 9"]
