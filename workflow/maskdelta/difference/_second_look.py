"""Looks at each candidate that do not rest on the layers alone: spacing, dots and edges."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from maskdelta.difference._changes import group_regions
from maskdelta.difference._dots import is_rim
from maskdelta.difference._edges import EdgeLook
from maskdelta.difference._masks import SAME
from maskdelta.difference._regions import Region, own_px
from maskdelta.difference._spacing import narrow_share
from maskdelta.images import Box, Raster

__all__ = ["SecondLook"]

Mask = NDArray[np.bool_]

_MARGIN_PX = 16
_LEAST_OF_DOT = 0.6  # change cut by debris or by the tolerance is smaller than its dot
_UNLIKE = "unlike a dot"
_UNLIKE_SHAPES = "unlike other shapes"
_OVER = "over what hides it"
_DIRT = (_UNLIKE, _UNLIKE_SHAPES, _OVER, "soft outline", "usual colours", "near debris")
_TOGETHER = 1.6  # of obliqueness and softness, each 1 where it speaks against a change alone
_LEAST_OVER = 0.08  # of a candidate's area, over a cover; edges of metal are off by less


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
    unlike_shapes : callable
        Whether a region, given with its own px and their box, has not the look of other shapes.
    over_cover : callable
        Px of a region's surroundings, given with its own px and their box, where it goes on over
        what hides its layer in the other photograph.
    max_soft_frac : float
        Share of an outline that may be sharp in neither photograph.
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
    unlike_shapes: Callable[[Region, Mask, Box], bool] = lambda _, own, __: False
    over_cover: Callable[[Region, Mask, Box], Mask] = lambda _, own, __: np.zeros_like(own)
    max_soft_frac: float = 1.0

    def doubt(self, region: Region, *, most_narrow: float = 0.8) -> str:
        """Why a region is no change of the masks; empty when nothing speaks against it."""
        if self.along_seam(region):
            return "along a seam"
        box, states, own = self._own(region)
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
        if self.unlike_shapes(region, own, box):
            return _UNLIKE_SHAPES
        oblique = self._oblique(own, box)
        softness = region.soft_outline / self.max_soft_frac
        odd = oblique > 1 or oblique + softness > _TOGETHER
        return "oblique edges" if odd and not self.is_dot(region) else ""

    def _own(self, region: Region) -> tuple[Box, NDArray[np.uint8], Mask]:
        """A box around a region, the states of its layer there, and its own px."""
        box = region.box.grown(_MARGIN_PX)
        states = self.raw.read(box, planes=[region.layer])[0]
        inner = slice(_MARGIN_PX, -_MARGIN_PX)
        return box, states, np.pad(own_px(region, states[inner, inner]), _MARGIN_PX)

    def _oblique(self, own: Mask, box: Box, *, least_along: float = 0.4) -> float:
        """How far the new edges run off the axes: 0 not at all, above 1 too far for a mask."""
        along = self.edges.along_axes(own, box.moved(*self.raw.origin))
        return (1 - along) / (1 - least_along)

    def _doubt_of_cover(self, region: Region, standing: Sequence[Region]) -> str:
        """Why a region is no change, if it goes on over what would hide it.

        Where the cover changed too, in a way that stands, all that is seen must run along the axes.
        """
        box, _, own = self._own(region)
        over = self.over_cover(region, own, box)
        if over.sum() <= _LEAST_OVER * region.area_px:
            return ""
        near = region.box.grown(_MARGIN_PX)
        changed = any(r.layer != region.layer and not r.box.clipped(near).empty for r in standing)
        return "" if changed and self._oblique(own | over, box) <= 1 else _OVER

    def _doubt_of_ground(self, region: Region, standing: Sequence[Region]) -> str:
        """Why a dot is no change, although it looks like one: its ground does not show without it.

        Where the ground changed too, in a way that stands, nothing is expected of it.
        """
        others = (r for r in standing if r.layer != region.layer)
        if any(not r.box.clipped(region.box).empty for r in others):
            return ""
        return "odd ground" if self.on_odd_ground(region) else ""

    def split(
        self,
        regions: Sequence[Region],
        *,
        distance_px: float,
        most_doubted: float = 0.6,
        doubted: Sequence[Region] = (),
    ) -> tuple[list[Region], list[Region]]:
        """Those that stand, and those in doubt.

        Pieces within `distance_px` of each other make one change. It falls when more than
        `most_doubted` of its area is in doubt; else all its pieces stand. `doubted` are others
        that were in doubt before, of any layer.
        """
        kept: list[Region] = []
        doubtful: list[Region] = []
        doubt_of = self._doubts(regions, doubted)
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

    def _doubts(self, regions: Sequence[Region], doubted: Sequence[Region]) -> dict[int, str]:
        """The doubt of each region, by its identity.

        Dirt changes several layers at once, and one may give it away: what lies where another
        layer is in doubt, or on the rim of something soft and larger, is that same thing.
        """
        found = {id(r): self.doubt(r) for r in regions}
        standing = [r for r in regions if not found[id(r)]]
        for r in standing:
            doubt = self._doubt_of_ground(r, standing) or self._doubt_of_cover(r, standing)
            found[id(r)] = doubt
        given_away = (_UNLIKE, _OVER)
        own = [replace(r, doubt=found[id(r)]) for r in regions if found[id(r)] in given_away]
        dirt = [r for r in (*doubted, *own) if r.doubt in _DIRT]
        for region in regions:
            for other in dirt if not found[id(region)] else ():
                if other.layer != region.layer and _same_thing(other, region):
                    found[id(region)] = other.doubt
        return found

    def _least_px(self, group: Sequence[Region]) -> float:
        """Area of the smallest shape or gap that the masks have, px; the least over the layers."""
        return min(map(self._least_of_layer, {region.layer for region in group}), default=0.0)

    def _least_of_layer(self, layer: int) -> float:
        if layer in self.small_dot_px:
            return _LEAST_OF_DOT * self.small_dot_px[layer]
        plane = self.planes[layer]
        side = min(self.spacing_px[plane], self.width_px.get(plane, 0))
        # a square of so many px fits, and none of one px more
        return (side + 0.5) ** 2 if side else 0.0


def _same_thing(dirt: Region, region: Region) -> bool:
    """Whether dirt, as another layer shows it, takes up the place of a region or reaches into it.

    The rim of soft dirt counts where the dirt is twice as large.
    """
    shared = dirt.box.clipped(region.box)
    half = 2 * shared.width * shared.height >= region.box.width * region.box.height
    if not shared.empty and half and 2 * dirt.area_px >= region.area_px:
        return True
    touching = not dirt.box.grown(2).clipped(region.box).empty
    if dirt.doubt == _OVER:
        return touching
    return dirt.doubt == "soft outline" and touching and dirt.area_px >= 2 * region.area_px
