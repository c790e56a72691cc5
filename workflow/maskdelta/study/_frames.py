"""Marks of any frame, carried into the study frame or the mosaic of a die."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from maskdelta.study._marks import Mark, map_mark, mark_in_mosaic
from maskdelta.study._poses import Poses
from maskdelta.study._study_frame import ToStudy

__all__ = ["Frames"]


class Frames:
    """Knows how the tiles of the views and the mosaics of the dies lie.

    Parameters
    ----------
    poses : sequence of str
        Paths `.../<die>/<view>/tiles.csv`.
    links : sequence of str
        Paths `.../<die>/to_study.json`.
    comparisons : str
        Folder of the registrations that the links name.
    """

    def __init__(self, poses: Sequence[str], links: Sequence[str], comparisons: str) -> None:
        self._tiles = {Path(p).parts[-3:-1]: Poses.read(p) for p in poses}
        self._links = {Path(p).parts[-2]: ToStudy.read(p, comparisons=comparisons) for p in links}

    def link(self, die: str) -> ToStudy:
        """How a die whose link was given lies in the study frame."""
        return self._links[die]

    def in_study(self, mark: Mark) -> Mark | None:
        """The mark in um of the study frame; None if no way leads there."""
        if mark.frame == "study":
            return mark
        link = self._links.get(mark.die)
        moved = self._in_its_mosaic(mark)
        if moved is None or link is None or not link.linked:
            return None
        return map_mark(moved, link.to_study, frame="study")

    def in_mosaic(self, mark: Mark, die: str) -> Mark | None:
        """The mark in px of the mosaic of a die; None if no way leads there."""
        if mark.frame != "study" and mark.die == die:
            return self._in_its_mosaic(mark)
        moved, link = self.in_study(mark), self._links[die]
        if moved is None or not link.linked:
            return None
        return map_mark(moved, link.to_mosaic, frame="mosaic", die=die)

    def _in_its_mosaic(self, mark: Mark) -> Mark | None:
        return mark_in_mosaic(mark, self._tiles.get((mark.die, mark.view), Poses()))
