"""Scale bars of a round length."""

from __future__ import annotations

import math
from dataclasses import dataclass

from maskdelta.report._words import number

__all__ = ["ScaleBar", "round_length", "scale_bar"]


@dataclass(frozen=True)
class ScaleBar:
    """A bar to be drawn over a picture.

    Parameters
    ----------
    length : float
        In `unit`; 1, 2 or 5 times a power of ten.
    unit : str
        As printed.
    share : float
        Length as percent of the picture's width.
    """

    length: float
    unit: str
    share: float

    @property
    def label(self) -> str:
        """Length and unit."""
        decimals = max(0, -math.floor(math.log10(self.length)))
        return f"{number(self.length, decimals)} {self.unit}"


def round_length(longest: float) -> float:
    """The largest of 1, 2 or 5 times a power of ten that is not longer than `longest`."""
    exponent = math.floor(math.log10(longest))
    tens = [10.0**e if e >= 0 else 1 / 10.0**-e for e in (exponent, exponent + 1)]
    steps = [factor * ten for ten in tens for factor in (1, 2, 5)]
    return max(step for step in steps if step <= longest * (1 + 1e-9))


def scale_bar(width: float, unit: str, *, most_frac: float = 0.3) -> ScaleBar:
    """A bar for a picture that is `width` units wide, at most `most_frac` of it long."""
    length = round_length(most_frac * width)
    return ScaleBar(length, unit, round(100 * length / width, 3))
