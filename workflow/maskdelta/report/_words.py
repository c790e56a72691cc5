"""Numbers and names as people read them; filters of the page templates."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

__all__ = [
    "area",
    "balance",
    "direction",
    "listing",
    "number",
    "odds",
    "percent",
    "plain_name",
    "plural",
    "significant",
    "unit_sign",
]

DASH = "\N{EN DASH}"
GAP = "\N{NARROW NO-BREAK SPACE}"
MINUS = "\N{MINUS SIGN}"


def number(value: object, decimals: int = 0) -> str:
    """A number with narrow gaps between thousands; a dash where there is none."""
    if value is None or value == "":
        return DASH
    rounded = round(float(str(value)), decimals) + 0.0
    return f"{rounded:,.{decimals}f}".replace(",", GAP).replace("-", MINUS)


def area(value: object) -> str:
    """An area: a decimal only where it matters."""
    small = value is not None and value != "" and 0 < abs(float(str(value))) < 100
    return number(value, 1 if small else 0)


def balance(row: Mapping[str, object]) -> str:
    """added, removed or altered: which way a row of changes.csv goes, from its areas."""
    added, removed = float(str(row["added_um2"])), float(str(row["removed_um2"]))
    share = added / max(added + removed, 1e-12)
    return "added" if share > 0.9 else "removed" if share < 0.1 else "altered"


def direction(bearing_deg: object) -> str:
    """Where something lies from a place, as a preposition; 0 is up, 90 to the right."""
    return (
        "above",
        "above right of",
        "right of",
        "below right of",
        "below",
        "below left of",
        "left of",
        "above left of",
    )[round(float(str(bearing_deg)) / 45) % 8]


def percent(share: object, decimals: int = 0) -> str:
    """A share as percent; never 100 % or 0 % unless it is."""
    if share is None or share == "":
        return DASH
    hundred = 100 * float(str(share))
    text = f"{hundred:.{decimals}f}"
    step = 10.0**-decimals
    if float(text) >= 100 > hundred:
        text = f"{100 - step:.{decimals}f}"
    if float(text) <= 0 < hundred:
        return f"below {step:.{decimals}f}{GAP}%"
    return f"{text}{GAP}%"


def significant(value: float, digits: int = 2) -> str:
    """A number with so many significant digits, without an exponent; whole ones as whole."""
    if value == 0:
        return "0"
    decimals = digits - 1 - math.floor(math.log10(abs(value)))
    rounded = round(value, decimals)
    return number(rounded, 0 if rounded == int(rounded) else max(decimals, 0))


def odds(log_units: object) -> str:
    """Natural log units as odds, such as `77`; capped, since nobody believes more."""
    ratio = math.exp(min(abs(float(str(log_units))), 14.0))
    return "more than a million" if ratio > 1e6 else significant(ratio)


def plain_name(name: str) -> str:
    """A layer's or stack's name without underscores."""
    return name.replace("_", " ")


def plural(count: int, singular: str, many: str = "") -> str:
    """`1 tile`, `2 tiles`."""
    return f"{number(count)} {singular if count == 1 else many or singular + 's'}"


def listing(words: Sequence[str]) -> str:
    """`a`, `a and b`, `a, b and c`."""
    return " and ".join(part for part in (", ".join(words[:-1]), *words[-1:]) if part)


def unit_sign(unit: str) -> str:
    """The unit of the study as printed."""
    return "\N{MICRO SIGN}m" if unit == "um" else unit
