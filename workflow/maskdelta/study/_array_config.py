"""Settings of the programmed arrays."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, PositiveFloat, model_validator

from maskdelta.study._strict import Strict

__all__ = ["ArrayAxis", "ArrayBit", "ArraySettings", "ArrayTerms", "ArrayWords"]

MAX_CODE_BITS = 16


class ArrayAxis(Strict):
    """The rows or the columns of a programmed array."""

    count: int = Field(ge=1, description="How many there are.")
    steps: tuple[PositiveFloat, ...] = Field(
        (),
        description="Distances from each to the next, in any unit, repeated along the array: "
        "`[2, 1]` where they come in pairs. Roughly is enough. Empty: even.",
    )
    period: int = Field(
        1,
        ge=1,
        le=8,
        description="After how many the steps repeat, where `steps` are not known; they are then "
        "searched for (from 2 on).",
    )
    gaps: tuple[int, ...] = Field(
        (),
        description="Numbers (from 0) of those before which a strap or a gap widens the step.",
    )
    gap_every: int = Field(
        0, ge=0, description="In place of `gaps`: a gap after every so many; 0 means none."
    )
    gap: float | None = Field(
        None,
        gt=0,
        description="Roughly how much a gap adds, in mean steps; searched for where not given.",
    )
    mirrored: bool = Field(
        False, description="Whether every other one is the mirror image of its neighbour."
    )
    names: tuple[str, ...] = Field((), description="Names for the report; empty means numbers.")

    @property
    def gap_places(self) -> tuple[int, ...]:
        """Numbers before which a gap lies."""
        every = range(self.gap_every, self.count, self.gap_every) if self.gap_every else ()
        return tuple(sorted({*self.gaps, *every}))

    @model_validator(mode="after")
    def _fits(self) -> ArrayAxis:
        if any(not 0 < gap < self.count for gap in self.gaps):
            raise ValueError(f"`gaps` must lie between 1 and {self.count - 1}")
        if self.names and len(self.names) != self.count:
            raise ValueError(f"{len(self.names)} names are given for {self.count}")
        if self.steps and self.period not in (1, len(self.steps)):
            raise ValueError("give either `steps` or `period`")
        return self


class ArrayBit(Strict):
    """What makes a bit of a programmed array."""

    layer: str = Field(
        "contact",
        description="Layer whose presence at the marked place of the cell sets the bit. Empty: "
        "only the picture is used, and cells marked with their `value` teach what is 0 and 1.",
    )
    absent: bool = Field(False, description="Whether the bit is set where the layer is absent.")
    size_um: float = Field(
        8.0,
        gt=0,
        description="Side of what tells the bit, e.g. of a contact with its rim (um, or px "
        "unscaled).",
    )
    min_llr: float = Field(
        4.5,
        gt=0,
        description="A bit whose log-likelihood ratio is below this is called unreadable (4.5 is "
        "about 90 to 1).",
    )
    odd_sigma: float = Field(
        5.0,
        gt=3,
        description="A cell that looks like neither kind by so many robust standard deviations "
        "is called unreadable, unless its clean px tell; one less suffices where the segmentation "
        "calls it debris.",
    )


class ArrayWords(Strict):
    """How the bits of a ROM make words."""

    lines: Literal["rows", "columns"] = Field(
        "rows", description="Which of the two are the word lines."
    )
    per_line: int = Field(1, ge=1, description="Words on one line.")
    interleaved: bool = Field(
        True,
        description="Whether the words of a line lie bit by bit beside each other (true) or one "
        "whole word after the other.",
    )
    first_line: Literal["lowest", "highest"] = Field(
        "lowest", description="Whether line 0 holds the lowest or the highest addresses."
    )
    first_bit: Literal["low", "high"] = Field(
        "low", description="Whether the first place of a word is its lowest or highest bit."
    )
    bit_order: tuple[int, ...] = Field(
        (), description="In place of `first_bit`: which bit of the word each place holds."
    )
    line_order: tuple[int, ...] = Field(
        (), description="In place of `first_line`: which number each line has among the lines."
    )
    inverted: bool = Field(False, description="Whether a set bit stands for 0 in the word.")
    start: int = Field(0, ge=0, description="Address of the first word.")
    decoded_by: str = Field(
        "",
        description="Array whose output lines are the word lines of this one: the words are then "
        "listed by its input codes.",
    )


class ArrayTerms(Strict):
    """How the bits of a decode plane make product terms."""

    lines: Literal["rows", "columns"] = Field(
        "rows", description="Which of the two are the output lines; the others are the inputs."
    )
    inputs: tuple[str, ...] = Field(
        description="Name of the signal on each input line; `!name` for its complement."
    )
    code_bits: tuple[str, ...] = Field(
        (), description="Signals of the input code, lowest bit first; empty: as they first appear."
    )
    plane: Literal["nor", "and"] = Field(
        "nor",
        description="`nor`: a set bit pulls its line down when its input is high. `and`: the line "
        "is high when all its inputs are high.",
    )
    codes: tuple[int, ...] = Field((), description="Input codes that can occur; empty means all.")


class ArraySettings(Strict):
    """One programmed array: a mask ROM or a decode plane."""

    rows: ArrayAxis = Field(description="See `array rows or columns` below.")
    columns: ArrayAxis = Field(description="See `array rows or columns` below.")
    bit: ArrayBit = Field(ArrayBit(), description="See `array bit` below.")
    words: ArrayWords | None = Field(
        None, description="For a ROM: how bits make words; see `array words` below."
    )
    terms: ArrayTerms | None = Field(
        None, description="For a decode plane: what its lines stand for; see `array terms` below."
    )
    title: str = Field("", description="Name on the report; empty means the key.")
    bend: bool = Field(True, description="Whether the lattice may be slightly bent.")
    false_discovery: float = Field(
        0.01,
        gt=0,
        lt=0.5,
        description="Share of false alarms allowed among the bits that are said to differ.",
    )
    offset: int = Field(
        2,
        ge=0,
        le=16,
        description="By how many rows and columns the arrays of two dies may lie apart.",
    )

    @model_validator(mode="after")
    def _orders_fit(self) -> ArraySettings:
        sizes = {"rows": self.rows.count, "columns": self.columns.count}
        if self.words is not None:
            lines = sizes[self.words.lines]
            places = sizes["columns" if self.words.lines == "rows" else "rows"]
            bits, rest = divmod(places, self.words.per_line)
            if rest:
                raise ValueError(
                    f"{places} places of a line cannot hold {self.words.per_line} words evenly"
                )
            _check_order("words.bit_order", self.words.bit_order, bits)
            _check_order("words.line_order", self.words.line_order, lines)
        if self.terms is not None:
            crossing = sizes["columns" if self.terms.lines == "rows" else "rows"]
            if len(self.terms.inputs) != crossing:
                raise ValueError(
                    f"`terms.inputs` names {len(self.terms.inputs)} lines, but {crossing} cross "
                    "the output lines"
                )
            names = {name.lstrip("!") for name in self.terms.inputs}
            if self.terms.code_bits and set(self.terms.code_bits) != names:
                raise ValueError("`terms.code_bits` must name each input signal once")
            if len(names) > MAX_CODE_BITS:
                raise ValueError(f"`terms.inputs` has more than {MAX_CODE_BITS} signals")
        return self


def _check_order(key: str, order: tuple[int, ...], count: int) -> None:
    if order and sorted(order) != list(range(count)):
        raise ValueError(f"`{key}` must hold each number from 0 to {count - 1} once")
