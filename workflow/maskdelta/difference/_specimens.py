"""Design or defect: what other specimens of the two revisions show at the place of a change.

Two chips of one mask set tell a change of the masks from a fault of one chip. Nothing is compared
again: a third die that has been compared with either of the two agrees with it where the mask of
that comparison says the same, and disagrees where it says changed, in the right direction.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from maskdelta.difference._masks import ADDED, NOT_COMPARABLE, REMOVED, SAME
from maskdelta.images import Box, Raster
from maskdelta.study import ToStudy

__all__ = ["OtherPair", "Seen", "Witness", "seen_in"]


@dataclass(frozen=True)
class OtherPair:
    """Another comparison that shares one die with this one; its third die is of either revision.

    Parameters
    ----------
    before, after : str
        Its dies.
    revised : bool
        Whether the third die is of the revision after.
    folder : path
        Where its masks lie.
    link : ToStudy
        Of its die before.
    """

    before: str
    after: str
    revised: bool
    folder: Path
    link: ToStudy

    def witness(
        self, compared: tuple[str, str], layers: Sequence[str], stack: ExitStack
    ) -> Witness:
        """What it says of the changes between two dies; its masks stay open with the stack."""
        masks = {
            name: stack.enter_context(Raster.open(self.folder / "differences" / f"{name}.tif"))
            for name in layers
        }
        pair = (self.before, self.after)
        return Witness.of(pair, compared, self.revised, masks, self.link)


@dataclass(frozen=True)
class Witness:
    """Another comparison of one of the two dies with a third of either revision.

    Parameters
    ----------
    die : str
        The third die.
    revised : bool
        Whether it is of the revision after.
    agrees_with_after : bool
        Whether the die it is compared with is the one after: where nothing differs, the third die
        then shows what is new.
    flipped : bool
        Whether what is new appears there with the other sign.
    masks : mapping of str to Raster
    to_study : ToStudy
        Of the die whose frame the masks have.
    """

    die: str
    revised: bool
    agrees_with_after: bool
    flipped: bool
    masks: Mapping[str, Raster]
    to_study: ToStudy

    @classmethod
    def of(
        cls,
        pair: tuple[str, str],
        compared: tuple[str, str],
        revised: bool,
        masks: Mapping[str, Raster],
        to_study: ToStudy,
    ) -> Witness:
        """From the dies (before, after) of the other comparison and of this one.

        The two comparisons share one die. `revised` says of which revision the third die is.
        """
        (shared,) = set(pair) & set(compared)
        (die,) = set(pair) - {shared}
        known_after = shared == compared[1]
        # from the die before to one with the new: as here; likewise from one without to the after
        flipped = (pair[0] == shared) == known_after
        return cls(die, revised, known_after, flipped, masks, to_study)

    def shows_new(self, shapes: Sequence[tuple[str, int, BaseGeometry]]) -> bool | None:
        """Whether the third die shows what is new after; None where that cannot be told.

        Parameters
        ----------
        shapes : sequence of (layer, sign, geometry)
            Regions of the change in the study frame.
        """
        counts = np.zeros(3, np.int64)
        for layer, sign, geometry in shapes:
            states = _inside(
                self.masks[layer], shapely.transform(geometry, self.to_study.to_mosaic)
            )
            expected = (REMOVED if sign == ADDED else ADDED) if self.flipped else sign
            counts += [(states == value).sum() for value in (SAME, expected, NOT_COMPARABLE)]
        same, differs, unseen = counts.tolist()
        if unseen >= same + differs or max(same, differs) < 0.7 * (same + differs):
            return None
        return (same > differs) == self.agrees_with_after


@dataclass(frozen=True)
class Seen:
    """In how many specimens what is new was seen, of those in which its place could be told.

    The two dies compared count as well.
    """

    before: int = 0
    before_known: int = 1
    after: int = 1
    after_known: int = 1

    @property
    def cause(self) -> str:
        """mask change, specimen fault or undecided; empty without a further specimen.

        A change of the masks shows in no die before and in all after, two or more of each: or
        else one chip could be at fault. A fault shows in a single die that stands against another
        of its own revision and all of the other.
        """
        if self.before_known == self.after_known == 1:
            return ""
        clean = self.before == 0, self.after == self.after_known
        if all(clean):
            several = min(self.before_known, self.after_known) >= 2
            return "mask change" if several else "undecided"
        alone_after = clean[0] and self.after == 1
        alone_before = clean[1] and self.before == self.before_known - 1
        return "specimen fault" if alone_after or alone_before else "undecided"


def seen_in(shapes: Sequence[tuple[str, int, BaseGeometry]], witnesses: Sequence[Witness]) -> Seen:
    """Count the specimens that show what is new; a die that contradicts itself does not count."""
    shown: dict[tuple[str, bool], set[bool]] = {}
    for witness in witnesses:
        new = witness.shows_new(shapes)
        if new is not None:
            shown.setdefault((witness.die, witness.revised), set()).add(new)
    counts = {False: [0, 1], True: [1, 1]}  # the two dies themselves
    for (_, revised), answers in shown.items():
        if len(answers) == 1:
            counts[revised][0] += answers.pop()
            counts[revised][1] += 1
    return Seen(*counts[False], *counts[True])


def _inside(mask: Raster, polygon: BaseGeometry) -> NDArray[np.uint8]:
    """States of the px whose centre lies inside a polygon, off its rim where it is wide enough."""
    inner = polygon.buffer(-1.5)
    used = polygon if inner.is_empty else inner
    x0, y0, x1, y1 = used.bounds
    box = Box(int(np.floor(x0)), int(np.floor(y0)), int(np.ceil(x1)) + 1, int(np.ceil(y1)) + 1)
    x, y = np.meshgrid(np.arange(box.x0, box.x1), np.arange(box.y0, box.y1))
    inside = shapely.contains_xy(used, x, y)
    states = mask.read_mosaic(box)[0]
    beyond = (x < mask.box.x0) | (x >= mask.box.x1) | (y < mask.box.y0) | (y >= mask.box.y1)
    states[beyond] = NOT_COMPARABLE
    return np.asarray(states[inside])
