"""What the comparison of an array means, in sentences made from the data."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from maskdelta.report._words import listing, number, plural

__all__ = ["array_sentences", "lead_sentence"]

_MOST = 40


def lead_sentence(about: Mapping[str, Any]) -> str:
    """How many bits differ, in one sentence."""
    changed, bits = about["changed"], about["bits"]
    if not changed:
        text = f"None of the {number(bits)} bits differs"
    else:
        parts = []
        if about["gained"]:
            parts.append(f"{number(about['gained'])} set only after")
        if about["lost"]:
            parts.append(f"{number(about['lost'])} set only before")
        verb = "differs" if changed == 1 else "differ"
        text = f"{number(changed)} of {plural(bits, 'bit')} {verb}: {listing(parts)}"
    left = []
    if about["doubtful"]:
        left.append(f"{number(about['doubtful'])} may differ by chance of reading")
    if about["not_comparable"]:
        left.append(f"{number(about['not_comparable'])} could not be compared")
    return f"{text}; {listing(left)}." if left else f"{text}."


def array_sentences(about: Mapping[str, Any]) -> list[str]:
    """Arrangement, words, lines and codes that differ."""
    found = []
    if about["arrangement"]:
        share = about["differing_frac"]
        found.append(
            f"The array after lies otherwise than before ({about['arrangement']}): compared as it "
            f"lies, {100 * share['as_it_lies']:.1f} % of the bits differ, so arranged "
            f"{100 * share['in_the_arrangement']:.1f} %."
        )
    if about["lines_moved"]:
        found.append(
            "Words and terms are those of the lines where they lie after, not so arranged."
        )
    words = [word for word in about["words"] if word["differs"]]
    found += [
        f"Word {word['address']} (hex {word['address']:X}): {word['before']['hex']} before, "
        f"{word['after']['hex']} after."
        for word in words[:_MOST]
    ]
    found += _more(len(words), "word")
    if "terms" in about:
        found += _terms(about["terms"])
    return found


def _terms(terms: Mapping[str, Any]) -> list[str]:
    lines = terms["lines"]
    found = [
        f"Line {line['name']}: {_driven(line['before'])} before, {_driven(line['after'])} after."
        for line in lines[:_MOST]
    ]
    found += _more(len(lines), "line")
    for code in terms["codes"][:_MOST]:
        parts = []
        if code["gained"]:
            parts.append(f"gains {_lines(code['gained'])}")
        if code["lost"]:
            parts.append(f"loses {_lines(code['lost'])}")
        found.append(f"Code {code['code']} {listing(parts)}.")
    found += _more(len(terms["codes"]), "code")
    for key in ("before", "after"):
        never = terms["never"][key]
        if never:
            verb = "is" if len(never) == 1 else "are"
            found.append(f"{_lines(never).capitalize()} {verb} driven by no code {key}.")
        for group in terms["equal"][key]:
            found.append(f"{_lines(group).capitalize()} have the same term {key}.")
    return found


def _driven(side: Mapping[str, Any]) -> str:
    if side["state"] == "undecided":
        return "undecided because of unreadable bits"
    if side["state"] == "never":
        return "driven by no code"
    count = side["codes_count"]
    codes = f" ({side['codes']})" if len(side["codes"]) <= 60 else ""
    return f"driven by {plural(count, 'code')}{codes}"


def _lines(names: Sequence[str]) -> str:
    return f"line{'' if len(names) == 1 else 's'} {listing(list(names))}"


def _more(count: int, what: str) -> list[str]:
    return [f"{plural(count - _MOST, what)} more differ; see the tables."] if count > _MOST else []
