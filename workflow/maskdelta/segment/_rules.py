"""What stacks mean, and the codes of labels and costs that the parts of labelling share."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from maskdelta.study import Stack

__all__ = [
    "EIGHTHS",
    "HALO_PX",
    "MOST_COST",
    "NOT_PHOTOGRAPHED",
    "NO_BORDER",
    "SPOILED",
    "UNKNOWN",
    "DotSizes",
    "LayerRules",
    "strips_of",
]

NOT_PHOTOGRAPHED, SPOILED, UNKNOWN = 255, 254, 253
# the longest chain: a distance of 32 px, then closings over 31 and 15 px
HALO_PX = 96
EIGHTHS = 8
"""Distances are kept in eighths of a px."""
NO_BORDER = 255
"""Cost of a stack that does not border."""
MOST_COST = 60
"""Largest cost, tenths of a log unit: an outline's odd colour must not veto both sides."""


@dataclass(frozen=True)
class LayerRules:
    """Which stack shows and hides which layer.

    Parameters
    ----------
    stacks : tuple of str
    layers : tuple of str
    present : (K, L) bool
    hidden : (K, L) bool
    spoils : (K,) bool
    dot : (K,) bool
    """

    stacks: tuple[str, ...]
    layers: tuple[str, ...]
    present: NDArray[np.bool_]
    hidden: NDArray[np.bool_]
    spoils: NDArray[np.bool_]
    dot: NDArray[np.bool_]

    @classmethod
    def of(
        cls, stacks: Sequence[str], layers: Sequence[str], meaning: Mapping[str, Stack]
    ) -> LayerRules:
        """Rules for the stacks that have swatches."""

        def table(attribute: str) -> NDArray[np.bool_]:
            rows = [
                [layer in getattr(meaning[stack], attribute) for layer in layers]
                for stack in stacks
            ]
            return np.array(rows, bool).reshape(len(stacks), len(layers))

        spoils = np.array([meaning[stack].spoils for stack in stacks], bool)
        dot = np.array([meaning[stack].dot for stack in stacks], bool)
        return cls(tuple(stacks), tuple(layers), table("layers"), table("hides"), spoils, dot)

    @property
    def hiding(self) -> NDArray[np.bool_]:
        """(K,) stacks that hide some layer."""
        return np.asarray(self.hidden.any(1))

    def drawn(self) -> NDArray[np.intp]:
        """Stacks that are told by distance: no dots, no dirt, nothing that hides others."""
        return np.flatnonzero(~self.dot & ~self.spoils & ~self.hiding)

    def fewer(self) -> NDArray[np.bool_]:
        """(256, 256), whether the second of two drawn stacks has but some layers of the first."""
        drawn, out = self.drawn(), np.zeros((256, 256), bool)
        one, other = self.present[drawn][:, None], self.present[drawn][None]
        out[np.ix_(drawn, drawn)] = (other <= one).all(2) & (other < one).any(2)
        return out

    def carries(self, k: int) -> NDArray[np.bool_]:
        """(L,) layers in which a dot is seated.

        Those it shares with other stacks, such as metal around a contact; a bare hole shares none,
        and sits in what it hides.
        """
        shared = self.present[k] & self.present[~self.dot].any(0)
        return shared if shared.any() else self.hidden[k]

    def hosts(self, k: int) -> NDArray[np.intp]:
        """The stacks that a dot may sit in."""
        inside = self.present & ~self.carries(k)
        return np.flatnonzero(self.present.any(1) & ~inside.any(1) & ~self.dot)

    def seats(self) -> list[tuple[int, int]]:
        """Each dot with each of the stacks that it may sit in."""
        dots = np.flatnonzero(self.dot).tolist()
        return [(k, host) for k in dots for host in self.hosts(k).tolist()]


@dataclass(frozen=True)
class DotSizes:
    """How large dots are on one die, px.

    Parameters
    ----------
    usual : (K,) float64
        The median area, as `dot_areas` finds it; infinite where it is not known.
    least : (K,) float64
        Smaller shapes are no dots: half the smallest swatch, since swatches lie inside dots.
    """

    usual: NDArray[np.float64]
    least: NDArray[np.float64]

    @classmethod
    def unknown(cls, least: NDArray[np.float64]) -> DotSizes:
        """Sizes before any dot was measured."""
        return cls(np.full(len(least), np.inf), least)


def strips_of(height: int, *, strip_px: int = 64) -> Iterator[slice]:
    """Rows that are worked on at a time, so that what is between two steps stays in the cache."""
    for y in range(0, height, strip_px):
        yield slice(y, min(y + strip_px, height))
