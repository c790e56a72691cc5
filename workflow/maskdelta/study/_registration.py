"""The map between two mosaics and what is known of its error."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from maskdelta.errors import RegistrationRefused
from maskdelta.study._chain import Chain, Fragment, Keystone, Warp
from maskdelta.study._geometry import mean_scale
from maskdelta.study._tables import read_json, write_json

__all__ = ["Registration"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Registration:
    """How the mosaic of the die after lies over that of the die before.

    `after_to_before` applies the affine, then the keystone, then adds the warp read at the place
    so reached.

    Parameters
    ----------
    before, after : str
        Names of the dies.
    affine_after_to_before : (2, 3) float64
    keystone : Keystone
        In px of the mosaic before.
    warp : Warp
        In px of the mosaic before.
    mirror : bool
        Whether the two photographs are mirror images.
    figures : dict
        Counts and residuals, px of the mosaic before.
    groups : tuple of dict
        Contiguous groups of control points that disagree: candidate redrawn or moved blocks.
    fragments : tuple of Fragment
        Where a crack parts the die: its pieces with a map each, the largest first; the map above
        is that of the largest.
    refused : tuple of str
        Reasons for not trusting the result; empty when it is trusted.
    """

    before: str
    after: str
    affine_after_to_before: Array
    keystone: Keystone = field(default_factory=Keystone)
    warp: Warp = field(default_factory=Warp.none)
    mirror: bool = False
    figures: dict[str, Any] = field(default_factory=dict)
    groups: tuple[dict[str, Any], ...] = ()
    fragments: tuple[Fragment, ...] = ()
    refused: tuple[str, ...] = ()

    @property
    def chain(self) -> Chain:
        """The map, that of the largest fragment where there are several."""
        return Chain(self.affine_after_to_before, self.keystone, self.warp)

    @property
    def trusted(self) -> bool:
        """Whether the map may be used."""
        return not self.refused

    @property
    def scale_after_to_before(self) -> float:
        """px of the mosaic before per px of the mosaic after, amid the die."""
        return mean_scale(self.affine_after_to_before)

    def after_to_before(self, points: ArrayLike) -> Array:
        """Map (n, 2) points from px of the mosaic after to px of the mosaic before."""
        self._check()
        if not self.fragments:
            return self.chain.apply(points)
        there = np.asarray(points, float).reshape(-1, 2)
        reached = np.array([f.chain.apply(there) for f in self.fragments])
        chosen = self._choose(reached, np.broadcast_to(there, reached.shape))
        return reached[chosen, np.arange(len(there))]

    def before_to_after(self, points: ArrayLike) -> Array:
        """Map (n, 2) points from px of the mosaic before to px of the mosaic after."""
        self._check()
        if not self.fragments:
            return self.chain.undo(points)
        here = np.asarray(points, float).reshape(-1, 2)
        reached = np.array([f.chain.undo(here) for f in self.fragments])
        chosen = self._choose(np.broadcast_to(here, reached.shape), reached)
        return reached[chosen, np.arange(len(here))]

    def fragment_at(self, before_px: ArrayLike) -> NDArray[np.intp]:
        """Number of the fragment at (n, 2) points of the mosaic before; 0 without cracks."""
        here = np.asarray(before_px, float).reshape(-1, 2)
        if not self.fragments:
            return np.zeros(len(here), np.intp)
        reached = np.array([f.chain.undo(here) for f in self.fragments])
        return self._choose(np.broadcast_to(here, reached.shape), reached)

    def _choose(self, before_px: Array, after_px: Array) -> NDArray[np.intp]:
        """Number of the nearest fragment, (n,), by the places that each one's map gives."""
        places = zip(self.fragments, before_px, after_px, strict=True)
        return np.argmin([f.misses_px(b, a) for f, b, a in places], axis=0)

    def _check(self) -> None:
        if self.refused:
            raise RegistrationRefused(
                f"{self.before}--{self.after}: the registration was refused "
                f"({'; '.join(self.refused)})"
            )

    def write(self, path: str | Path) -> None:
        """Write `registration.json`."""
        write_json(
            path,
            {
                "before": self.before,
                "after": self.after,
                "after_to_before": {**self.chain.record(), "mirror": self.mirror},
                "fragments": [f.record() for f in self.fragments],
                "figures": self.figures,
                "groups": list(self.groups),
                "refused": list(self.refused),
            },
        )

    @classmethod
    def read(cls, path: str | Path) -> Registration:
        """Read `registration.json`."""
        data = read_json(path)
        chain = Chain.of_record(data["after_to_before"])
        return cls(
            before=data["before"],
            after=data["after"],
            affine_after_to_before=chain.affine,
            keystone=chain.keystone,
            warp=chain.warp,
            mirror=data["after_to_before"]["mirror"],
            fragments=tuple(Fragment.of_record(f) for f in data.get("fragments", [])),
            figures=data["figures"],
            groups=tuple(data["groups"]),
            refused=tuple(data["refused"]),
        )
