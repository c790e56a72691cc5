"""Words, Intel HEX, terms, truth tables, and comparison, on bits that are known."""

from __future__ import annotations

import io

import numpy as np
import pytest
import sympy
from intelhex import IntelHex
from sympy.logic.boolalg import SOPform, simplify_logic

from maskdelta.arrays import (
    Arrangement,
    Word,
    compare_bits,
    decode_plane,
    intel_hex,
    words_of,
)
from maskdelta.study import UNREADABLE, ArrayTerms, ArrayWords, BitMatrix, read_corrections

# BCD to seven segments, bits abcdefg, codes 0..15, from the classic decoder's published data
# sheet: 6 and 9 without tails, and the variant with tails. The values were copied by hand.
PLAIN = [0x7E, 0x30, 0x6D, 0x79, 0x33, 0x5B, 0x1F, 0x70, 0x7F, 0x73, 0x0D, 0x19, 0x23, 0x4B, 0xF, 0]
TAILED = [*PLAIN[:6], 0x5F, *PLAIN[7:9], 0x7B, *PLAIN[10:]]


def bits_of(codes: list[int], width: int = 7) -> np.ndarray:
    return np.array([[(v >> k) & 1 for k in range(width)] for v in codes], np.int8)


def matrix(
    value: np.ndarray, rng: np.random.Generator | None = None, noise: float = 0.05
) -> BitMatrix:
    """A reading of known bits with scores that scatter a little."""
    rng = rng or np.random.default_rng(0)
    score = value.astype(float) + rng.normal(0, noise, value.shape)
    return BitMatrix(
        value=value,
        read=value,
        llr=np.where(value == 1, 9.0, -9.0),
        score=score,
        oddness=np.zeros(value.shape),
        rank=np.arange(1, value.size + 1, dtype=np.int32).reshape(value.shape),
        flags=np.full(value.shape, "", object),
        centre_px=np.zeros((*value.shape, 2)),
    )


def test_seven_segments_differ_in_two_bits_of_the_codes_0_to_9() -> None:
    rng = np.random.default_rng(1)
    found = compare_bits(matrix(bits_of(PLAIN), rng), matrix(bits_of(TAILED), rng))
    changed = {tuple(map(int, cell)) for cell in np.argwhere(found.state == "changed")}
    assert changed == {(6, 6), (9, 3)}  # segment a of the 6, segment d of the 9
    assert found.arrangement.usual
    words = words_of(bits_of(TAILED), ArrayWords())
    assert [int(word.hex, 16) for word in words] == TAILED


def minterm_plane(width: int) -> np.ndarray:
    """A NOR plane of `2**width` lines: line k is driven by code k alone."""
    codes = np.arange(2**width)
    columns = [((codes >> b) & 1) == sign for b in range(width) for sign in (0, 1)]
    return np.column_stack(columns).astype(np.int8)


INPUTS = ("a0", "!a0", "a1", "!a1", "a2", "!a2", "a3", "!a3")


@pytest.mark.parametrize("codes", [PLAIN, TAILED])
def test_seven_segments_through_a_decode_plane_agree_with_sympy(codes: list[int]) -> None:
    decoded = decode_plane(minterm_plane(4), ArrayTerms(inputs=INPUTS))
    words = words_of(bits_of(codes), ArrayWords(), decoded.lines_of())
    assert [int(word.hex, 16) for word in words] == codes
    symbols = sympy.symbols("a0:4")
    names = {str(symbol): symbol for symbol in symbols}
    for segment in range(7):
        lines = np.flatnonzero(bits_of(codes)[:, segment])
        ours = sympy.Or(*(sympy.sympify(decoded.terms[k].expression, locals=names) for k in lines))
        minterms = [[(code >> b) & 1 for b in range(4)] for code in lines]
        simplest = SOPform(symbols, minterms)
        assert simplify_logic(sympy.Xor(ours, simplest)) == sympy.false


@pytest.mark.parametrize("plane", ["nor", "and"])
def test_terms_agree_with_their_expressions(plane: str) -> None:
    rng = np.random.default_rng(2)
    value = (rng.random((12, 8)) < 0.3).astype(np.int8)
    decoded = decode_plane(value, ArrayTerms(inputs=INPUTS, plane=plane))
    symbols = sympy.symbols("a0:4")
    names = {str(symbol): symbol for symbol in symbols}
    for term in decoded.terms:
        expression = sympy.And(sympy.sympify(term.expression, locals=names))
        for code in range(16):
            given = {s: bool((code >> k) & 1) for k, s in enumerate(symbols)}
            assert bool(expression.subs(given)) == term.sure[code]
            # and by hand: a NOR line is high when no set input is, an AND line when all are
            high = [bool((code >> (j // 2)) & 1) != bool(j % 2) for j in range(8)]
            touched = [high[j] for j in range(8) if value[term.line, j]]
            assert term.sure[code] == (not any(touched) if plane == "nor" else all(touched))


def test_lines_that_no_code_drives_and_lines_that_are_equal() -> None:
    value = np.zeros((4, 4), np.int8)
    value[0, :2] = 1  # a0 and its complement: never
    value[1, 0] = value[2, 0] = 1
    decoded = decode_plane(value, ArrayTerms(inputs=INPUTS[:4]))
    assert [term.state for term in decoded.terms] == ["never", "driven", "driven", "always"]
    assert decoded.terms[0].pattern == "-x"
    assert decoded.terms[1].equal_to == (2,)
    assert decoded.term_rows()[1]["codes"] == "0 2"
    only_odd = decode_plane(value, ArrayTerms(inputs=INPUTS[:4], codes=(1, 3)))
    assert only_odd.terms[1].state == "never"


def test_an_unreadable_bit_leaves_a_term_open() -> None:
    value = np.zeros((1, 4), np.int8)
    value[0, 0], value[0, 2] = 1, UNREADABLE
    term = decode_plane(value, ArrayTerms(inputs=INPUTS[:4])).terms[0]
    assert term.pattern == "?0"
    assert term.sure.tolist() == [True, False, False, False]
    assert term.possible.tolist() == [True, False, True, False]


def test_order_of_lines_bits_and_interleaved_words() -> None:
    value = np.array([[1, 0, 0, 1], [0, 1, 1, 1]], np.int8)
    plain = words_of(value, ArrayWords(per_line=2))
    assert [(w.address, w.binary) for w in plain] == [(0, "01"), (1, "10"), (2, "10"), (3, "11")]
    blocks = words_of(value, ArrayWords(per_line=2, interleaved=False))
    assert [w.binary for w in blocks] == ["01", "10", "10", "11"]
    turned = words_of(value, ArrayWords(first_line="highest", first_bit="high", start=16))
    assert [(w.address, w.binary) for w in turned] == [(16, "0111"), (17, "1001")]
    mixed = words_of(value, ArrayWords(bit_order=(2, 0, 1, 3), inverted=True))
    assert [w.binary for w in mixed] == ["0011", "0100"]


def test_intel_hex_is_read_back_by_a_library() -> None:
    rng = np.random.default_rng(3)
    words = [
        Word(address, tuple(int(b) for b in rng.integers(0, 2, 12)), (address,))
        for address in [*range(40), *range(0x8000 - 4, 0x8000 + 4)]
    ]
    words[7] = Word(7, (UNREADABLE, *words[7].bits[1:]), (7,))
    text = intel_hex(words)
    image = IntelHex(io.StringIO(text))
    for word in words:
        places = [2 * word.address, 2 * word.address + 1]
        if word.readable:
            assert image[places[0]] + 256 * image[places[1]] == int(word.hex, 16)
        else:
            assert not set(places) & set(image.addresses())
    assert len(image) == 2 * (len(words) - 1)
    assert words[7].hex.endswith("?")


@pytest.mark.parametrize(
    "arrangement",
    [
        Arrangement(rows_mirrored=True),
        Arrangement(columns_mirrored=True, row_offset=1),
        Arrangement(swapped=True),
        Arrangement(row_offset=-2, column_offset=1),
    ],
)
def test_arrangements_are_found_before_bits_are_called_changed(arrangement: Arrangement) -> None:
    rng = np.random.default_rng(4)
    before = rng.integers(0, 2, (20, 20)).astype(np.int8)
    after = np.full_like(before, 0)
    cells = arrangement.cells_after(before.shape, after.shape)
    inside = cells[..., 0] >= 0
    after[cells[inside][:, 0], cells[inside][:, 1]] = before[inside]
    at = cells[5, 5]
    after[tuple(at)] = 1 - after[tuple(at)]
    found = compare_bits(matrix(before, rng), matrix(after, rng))
    assert found.arrangement == arrangement
    assert [tuple(map(int, c)) for c in np.argwhere(found.state == "changed")] == [(5, 5)]


def test_exchanged_lines_are_found_before_bits_are_called_changed() -> None:
    rng = np.random.default_rng(14)
    before = rng.integers(0, 2, (24, 32)).astype(np.int8)
    after = before.copy()
    after[[3, 17]] = after[[17, 3]]
    after[:, [5, 6]] = after[:, [6, 5]]
    after[9, 9] ^= 1
    found = compare_bits(matrix(before, rng), matrix(after, rng))
    assert found.words() == "rows 3 and 17 exchanged, columns 5 and 6 exchanged"
    assert [tuple(map(int, c)) for c in np.argwhere(found.state != "")] == [(9, 9)]
    assert tuple(found.after[3, 0]) == (17, 0)
    assert (found.value_lying == after).all()  # at each address stands what stands there


def test_lines_that_moved_because_one_was_put_in() -> None:
    rng = np.random.default_rng(15)
    before = rng.integers(0, 2, (30, 40)).astype(np.int8)
    new = rng.integers(0, 2, (1, 40)).astype(np.int8)
    after = np.concatenate([before[:12], new, before[12:-1]])  # the last is pushed out
    found = compare_bits(matrix(before, rng), matrix(after, rng))
    assert found.words() == "rows 12 to 28 moved by +1, row 29 moved by -17"
    assert set(np.argwhere(found.state != "")[:, 0].tolist()) == {29}


@pytest.mark.parametrize("seed", range(5))
def test_real_changes_are_no_exchange_of_lines(seed: int) -> None:
    rng = np.random.default_rng(seed)
    before = (rng.random((32, 10)) < 0.3).astype(np.int8)  # many rows alike, as in a decode plane
    after = before.copy()
    cells = rng.choice(before.size, 12, replace=False)
    after.ravel()[cells] ^= 1
    found = compare_bits(matrix(before, rng), matrix(after, rng))
    assert found.words() == ""
    assert np.flatnonzero(found.state.ravel() == "changed").tolist() == sorted(cells)


def test_swapping_the_dies_swaps_gained_and_lost() -> None:
    rng = np.random.default_rng(5)
    before = rng.integers(0, 2, (16, 16)).astype(np.int8)
    after = before.copy()
    after[3, 3], after[9, 1] = 1 - after[3, 3], 1 - after[9, 1]
    a, b = matrix(before, rng), matrix(after, rng)
    there, back = compare_bits(a, b), compare_bits(b, a)
    assert (there.state == back.state).all()
    assert there.count("changed") == 2
    assert compare_bits(a, a).count("changed") == 0


def test_the_false_discovery_rate_holds_without_any_change() -> None:
    """Same bits, scores that scatter so much that some are misread: at most a few are claimed."""
    claimed = misread = 0
    for seed in range(20):
        rng = np.random.default_rng(seed)
        truth = rng.integers(0, 2, (40, 40)).astype(np.int8)
        sides = []
        for _ in range(2):
            read = matrix(truth, rng, noise=0.16)
            value = (read.score > 0.5).astype(np.int8)
            sides.append(BitMatrix(**{**vars(read), "value": value, "read": value}))
        found = compare_bits(*sides)
        claimed += found.count("changed")
        misread += int((sides[0].value != sides[1].value).sum())
    assert misread > 50  # the test can fail
    assert claimed <= 2


def test_corrections_are_read_and_win(tmp_path) -> None:
    path = tmp_path / "bit_corrections.csv"
    path.write_text("array,die,row,column,value,note\nrom,a1,1,2,1,dust\nrom,b1,0,0,unreadable,\n")
    found = read_corrections(path)
    assert found == {("rom", "a1"): {(1, 2): 1}, ("rom", "b1"): {(0, 0): UNREADABLE}}
    bits = matrix(np.zeros((3, 3), np.int8)).corrected(found["rom", "a1"])
    assert bits.value[1, 2] == 1
    assert bits.read[1, 2] == 0
    assert bits.flags[1, 2] == "corrected"
    bits.write(tmp_path / "rom.bits.csv")
    again = BitMatrix.read_file(tmp_path / "rom.bits.csv")
    assert (again.value == bits.value).all()
    assert (again.flags == bits.flags).all()
    compared = compare_bits(matrix(np.zeros((3, 3), np.int8)), again)
    assert compared.state[1, 2] == "changed"
    assert np.isnan(compared.q_value[1, 2])
    assert read_corrections(tmp_path / "none.csv") == {}


def test_bad_corrections_are_told_line_by_line(tmp_path) -> None:
    path = tmp_path / "bit_corrections.csv"
    path.write_text("array,die,row,column,value\nrom,a1,x,2,1\nrom,a1,1,2,7\n")
    with pytest.raises(Exception, match=r"line 2: .*numbers(.|\n)*line 3: `value` is `7`"):
        read_corrections(path)
