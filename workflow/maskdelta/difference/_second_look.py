"""Looks at each candidate that do not rest on the layers alone: spacing, dots and edges."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from maskdelta.difference._changes import group_regions
from maskdelta.difference._dots import is_rim
from maskdelta.difference._edges import EdgeLook
from maskdelta.difference._masks import SAME
from maskdelta.difference._regions import Region, own_px
from maskdelta.difference._spacing import narrow_share
from maskdelta.images import Box, Raster

__all__ = ["SecondLook"]

_MARGIN_PX = 16
_UNLIKE = "unlike a dot"


@dataclass(frozen=True)
class SecondLook:
    """What a candidate is held against.

    Parameters
    ----------
    raw : Raster
        States of all compared layers.
    membership : Raster
        Of the die before, same frame.
    planes : sequence of int
        Plane of the membership for each compared layer.
    spacing_px : mapping of int to int
        Smallest spacing of each plane.
    edges : EdgeLook
    width_px : mapping of int to int
        Smallest width of each plane, where it is known.
    is_dot : callable
        Whether a region is a dot like others of its layer.
    small_dot_px : mapping of int to float
        Area that nearly all dots exceed, for compared layers that come as dots.
    along_seam : callable
        Whether a region lies along a seam of an earlier joining.
    on_odd_ground : callable
        Whether a dot is shown by one photograph, and no ground of dots by the other.
    unlike_dots : callable
        Whether a region is as large as the dots of its layer, and looks like none.
    """

    raw: Raster
    membership: Raster
    planes: Sequence[int]
    spacing_px: Mapping[int, int]
    edges: EdgeLook
    width_px: Mapping[int, int] = field(default_factory=dict)
    is_dot: Callable[[Region], bool] = lambda _: False
    small_dot_px: Mapping[int, float] = field(default_factory=dict)
    along_seam: Callable[[Region], bool] = lambda _: False
    on_odd_ground: Callable[[Region], bool] = lambda _: False
    unlike_dots: Callable[[Region], bool] = lambda _: False

    def doubt(self, region: Region, *, most_narrow: float = 0.8, least_along: float = 0.4) -> str:
        """Why a region is no change of the masks; empty when nothing speaks against it."""
        if self.along_seam(region):
            return "along a seam"
        box = region.box.grown(_MARGIN_PX)
        states = self.raw.read(box, planes=[region.layer])[0]
        inner = slice(_MARGIN_PX, -_MARGIN_PX)
        own = np.pad(own_px(region, states[inner, inner]), _MARGIN_PX)
        plane = self.planes[region.layer]
        before = self.membership.read(box, planes=[plane])[0] > 127
        side_px = self.spacing_px[plane]
        if narrow_share(own, region.sign, states, before, side_px=side_px) > most_narrow:
            return "narrow gap"
        small_px = self.small_dot_px.get(region.layer, 0.0)
        if is_rim(own, (states == SAME) & before, small_px):
            return "rim of a dot"
        if self.unlike_dots(region):
            return _UNLIKE
        x, y = self.raw.origin
        place = Box(box.x0 + x, box.y0 + y, box.x1 + x, box.y1 + y)
        if self.edges.along_axes(own, place) >= least_along or self.is_dot(region):
            return ""
        return "oblique edges"

    def _doubt_of_ground(self, region: Region, regions: Sequence[Region]) -> str:
        """Why a dot is no change, although it looks like one: its ground does not show without it.

        Where the ground changed too, in a way that stands, nothing is expected of it.
        """
        others = (r for r in regions if r.layer != region.layer)
        if any(not r.box.clipped(region.box).empty for r in others):
            return ""
        return "odd ground" if self.on_odd_ground(region) else ""

    def split(
        self, regions: Sequence[Region], *, distance_px: float, most_doubted: float = 0.8
    ) -> tuple[list[Region], list[Region]]:
        """Those that stand, and those in doubt.

        Pieces within `distance_px` of each other make one change. It falls when more than
        `most_doubted` of its area is in doubt; else all its pieces stand.
        """
        kept: list[Region] = []
        doubtful: list[Region] = []
        doubt_of = self._doubts(regions)
        for group in group_regions(regions, distance_px=distance_px):
            doubts = [doubt_of[id(r)] for r in group]
            area_px = np.array([region.area_px for region in group])
            if area_px.sum() < self._least_px(group):
                doubts = [doubt or "smaller than any shape" for doubt in doubts]
            if area_px[[bool(d) for d in doubts]].sum() > most_doubted * area_px.sum():
                main = doubts[int(area_px.argmax())] or next(filter(None, doubts))
                doubtful += [
                    replace(r, doubt=d or main) for r, d in zip(group, doubts, strict=True)
                ]
            else:
                kept += group
        return kept, doubtful

    def _doubts(self, regions: Sequence[Region]) -> dict[int, str]:
        """The doubt of each region, by its identity.

        What lies where another layer shows something unlike its dots is that same thing.
        """
        found = {id(r): self.doubt(r) or self._doubt_of_ground(r, regions) for r in regions}
        unlike = [r.box for r in regions if found[id(r)] == _UNLIKE]
        for region in regions:
            if not found[id(region)] and any(_covers(box, region.box) for box in unlike):
                found[id(region)] = _UNLIKE
        return found

    def _least_px(self, group: Sequence[Region]) -> float:
        """Area of the smallest square that a mask can hold or leave out, px.

        The least over the layers of a change; none for layers of dots, which have looks of their
        own.
        """
        sides = [
            min(self.spacing_px[plane], self.width_px.get(plane, 0))
            for plane in (self.planes[r.layer] for r in group if r.layer not in self.small_dot_px)
        ]
        # a square of so many px fits, and none of one px more
        return (min(sides) + 0.5) ** 2 if len(sides) == len(group) and min(sides) else 0.0


def _covers(box: Box, other: Box) -> bool:
    """Whether a box covers half of another."""
    shared = box.clipped(other)
    return not shared.empty and 2 * shared.width * shared.height >= other.width * other.height
