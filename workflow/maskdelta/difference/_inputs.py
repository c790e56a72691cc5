"""What a block-wise comparison reads, and what it has learned about the two dies beforehand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.difference._along_seam import SeamLines
from maskdelta.difference._cover import gone_on_over
from maskdelta.difference._dots import DotLook, learn_dots
from maskdelta.difference._joint import JointColours, learn_joint_colours
from maskdelta.difference._look import ShapeLook, learn_shapes
from maskdelta.difference._masks import ADDED, REMOVED, Reach
from maskdelta.difference._pairs import PatchPair, both_pictures, patch_pairs
from maskdelta.difference._regions import Region
from maskdelta.difference._sharpness import OutlineSharpness, learn_outlines
from maskdelta.images import Box, Raster, map_block
from maskdelta.overlay import Overlay
from maskdelta.register import ErrorMap
from maskdelta.segment import UNKNOWN
from maskdelta.study import DifferenceSettings, LayerStack, Registration

__all__ = ["DiePair", "DieRasters", "Inputs"]


@dataclass(frozen=True)
class DiePair:
    """Two dies on disk and what the stages before found about them.

    Parameters
    ----------
    before, after : LayerStack
    mosaics, coverages : sequence of path
        Before and after.
    registration : Registration
    error : ErrorMap
    overlay : Overlay
    um_per_px : float
        Scale of the mosaic before in the study frame.
    layers : sequence of str
        Those that get a mask.
    settings : DifferenceSettings
    labels : sequence of path, optional
        Labels of the mosaics, where these are not of the views that the stacks' own labels are of.
    seams : (sequence of dict, sequence of dict)
        Rows of `seams.csv` before and after, of those that are finished pictures.
    """

    before: LayerStack
    after: LayerStack
    mosaics: Sequence[str | Path]
    coverages: Sequence[str | Path]
    registration: Registration
    error: ErrorMap
    overlay: Overlay
    um_per_px: float
    layers: Sequence[str]
    settings: DifferenceSettings
    labels: Sequence[str | Path] = ()
    seams: tuple[Sequence[Mapping[str, Any]], Sequence[Mapping[str, Any]]] = ((), ())


@dataclass(frozen=True)
class DieRasters:
    """The open rasters of one die."""

    mosaic: Raster
    coverage: Raster
    membership: Raster
    visible: Raster
    labels: Raster

    @classmethod
    def open(
        cls, stack: ExitStack, layers: LayerStack, mosaic: Path, coverage: Path, labels: Path
    ) -> DieRasters:
        """Open them until the stack closes."""
        paths = (mosaic, coverage, layers.membership, layers.visible, labels)
        return cls(*(stack.enter_context(Raster.open(path)) for path in paths))


@dataclass(frozen=True)
class Inputs:
    """Both dies and the map between them.

    Parameters
    ----------
    before, after : DieRasters
    layers : tuple of str
        Those compared.
    planes : tuple of int
        Their planes in the membership.
    joint : JointColours
    outlines : OutlineSharpness
    dots : dict of int to (DotLook, DotLook)
        Before and after, by number of the compared layer; those that come as dots.
    registration : Registration
    error : ErrorMap
    overlay : Overlay
    settings : DifferenceSettings
    seams : SeamLines
    """

    before: DieRasters
    after: DieRasters
    layers: tuple[str, ...]
    planes: tuple[int, ...]
    joint: JointColours
    outlines: OutlineSharpness
    dots: dict[int, tuple[DotLook, DotLook]]
    registration: Registration
    error: ErrorMap
    overlay: Overlay
    settings: DifferenceSettings
    seams: SeamLines = field(default_factory=SeamLines.none)

    @classmethod
    def open(cls, stack: ExitStack, pair: DiePair) -> Inputs:
        """Open the rasters until the stack closes, and learn from patches spread over both."""
        stacks = (pair.before, pair.after)
        labels = pair.labels or [layers.labels for layers in stacks]
        before, after = (
            DieRasters.open(stack, layers, *map(Path, paths))
            for layers, *paths in zip(stacks, pair.mosaics, pair.coverages, labels, strict=True)
        )
        planes = before.membership.planes
        wanted = pair.settings.layers or planes
        names = tuple(name for name in planes if name in wanted)
        numbers = tuple(planes.index(name) for name in names)
        patches = _patches(before, after, pair.registration)
        return cls(
            before,
            after,
            names,
            numbers,
            joint=learn_joint_colours(patches),
            outlines=learn_outlines(patches, numbers),
            dots=learn_dots(patches, numbers),
            registration=pair.registration,
            error=pair.error,
            overlay=pair.overlay,
            settings=pair.settings,
            seams=SeamLines.of_rows(*pair.seams, pair.registration),
        )

    def along_seam(self, region: Region) -> bool:
        """Whether a region lies along a seam that an earlier joining left in either picture."""
        return self.seams.hold(region.box.moved(*self.before.mosaic.origin))

    def is_dot(self, region: Region) -> bool:
        """Whether one photograph shows a dot of the region's layer and the other surely none."""
        looks = self.dots.get(region.layer)
        if looks is None or not looks[0].area_px[0] <= region.area_px <= looks[0].area_px[1]:
            return False
        shown = [look.shown(*place) for look, place in zip(looks, self._at(region), strict=True)]
        return shown == [region.sign == REMOVED, region.sign == ADDED]

    def unlike_dots(self, region: Region, *, most: float = 1.2, most_of_large: float = 0.6) -> bool:
        """Whether a region of a layer of dots, no smaller than one, is none: by size or by look.

        What is larger than nearly all dots must surely look like one.
        """
        looks = self.dots.get(region.layer)
        if looks is None or region.area_px < looks[0].area_px[0]:
            return False
        if region.area_px > looks[0].huge_px:
            return True
        there = int(region.sign == ADDED)
        large = region.area_px > looks[0].area_px[1]
        strange = looks[there].strangeness(*self._at(region)[there])
        return strange > (most_of_large if large else most)

    def shapes(self) -> tuple[ShapeLook, ShapeLook] | None:
        """What the shapes of both dies look like, from patches spread over them; None where these
        are too few."""
        patches = _patches(self.before, self.after, self.registration, most=120)
        before = learn_shapes((p.before, p.member_before, p.seen) for p in patches)
        after = learn_shapes((p.after, p.member_after, p.seen) for p in patches)
        return (before, after) if before and after else None

    def unlike_shapes(
        self,
        region: Region,
        own: NDArray[np.bool_],
        box: Box,
        looks: tuple[ShapeLook, ShapeLook],
        *,
        most: float = 1.0,
        around_px: int = 32,
        most_px: int = 4000,
    ) -> bool:
        """Whether either photograph shows, in place of a region, what looks like no shape of a die.

        Dots have a look of their own. Of 170 pieces of edits none was above 0.74, a stain between
        two lines 1.28. What is larger than `most_px` is no stain that looks like a layer all over.

        Parameters
        ----------
        region : Region
        own : (H, W) bool
            Its px.
        box : Box
            Where they lie in the raster before.
        looks : (ShapeLook, ShapeLook)
        most : float
            Strangeness up to which it is a shape like others.
        around_px : int
            How much farther it is asked what colours are like there.
        most_px : int
        """
        if region.layer in self.dots or region.area_px > most_px:
            return False
        place = box.grown(around_px).moved(*self.before.mosaic.origin)
        block = map_block(place, self.registration.before_to_after)
        members = (
            self.before.membership.read_mosaic(place),
            np.stack([block.resample(plane) for plane in block.fetch(self.after.membership)]),
        )
        mosaics = (self.before.mosaic, self.after.mosaic)
        pictures = both_pictures(*mosaics, self.registration.before_to_after, place)
        wide = np.pad(own, around_px)
        return any(
            look.strangeness(picture, member, wide) > most
            for look, picture, member in zip(looks, pictures, members, strict=True)
        )

    def on_odd_ground(self, region: Region) -> bool:
        """Whether a dot is gone, or was not there yet, and the ground does not show instead.

        Dirt that hides a dot does not look like what dots sit in.
        """
        looks = self.dots.get(region.layer)
        if looks is None or region.area_px > looks[0].area_px[1]:
            return False
        without = int(region.sign == REMOVED)
        bare = looks[without].bare
        return bare is not None and not bare.shown(*self._at(region)[without])

    def over_cover(self, region: Region, own: NDArray[np.bool_], box: Box) -> NDArray[np.bool_]:
        """Px where a region goes on over what hides its layer in the other photograph.

        Parameters
        ----------
        region : Region
        own : (H, W) bool
            Its px.
        box : Box
            Where they lie in the raster before.
        """
        place = box.moved(*self.before.mosaic.origin)
        block = map_block(place, self.registration.before_to_after)
        plane = self.planes[region.layer]

        def of_die(die: DieRasters, *names: str) -> list[NDArray[np.uint8]]:
            rasters = [getattr(die, name) for name in names]
            if die is self.before:
                return [r.read_mosaic(place) for r in rasters]
            return [
                np.stack([block.resample(p, nearest=True) for p in block.fetch(r)]) for r in rasters
            ]

        there, other = (self.after, self.before)[:: 1 if region.sign == ADDED else -1]
        present, seen = of_die(there, "membership", "visible")
        hidden, label = of_die(other, "visible", "labels")
        cover = (hidden[plane] == 0) & (label[0] < UNKNOWN)
        reach_px = float(self.error.over(place).max()) + self.settings.margin_px
        inner_px = int(np.ceil(reach_px))
        square = np.ones((2 * inner_px + 1,) * 2, np.uint8)
        cover = cv2.erode(cover.view(np.uint8), square) > 0
        shown = (present[plane] > 127) & (seen[plane] > 0)
        return gone_on_over(own, shown, cover, bridge_px=inner_px + 1)

    def _at(self, region: Region) -> list[tuple[NDArray[np.uint8], float, float]]:
        """Pictures around a small region before and after, and its middle in them."""
        x, y = region.x + self.before.mosaic.origin[0], region.y + self.before.mosaic.origin[1]
        reach = len(self.dots[region.layer][0].mean)
        box = Box(int(x), int(y), int(x) + 1, int(y) + 1).grown(reach)
        pictures = both_pictures(
            self.before.mosaic, self.after.mosaic, self.registration.before_to_after, box
        )
        return [(picture, x - box.x0, y - box.y0) for picture in pictures]

    def reach(self, box: Box) -> Reach:
        """Tolerance over a box of the mosaic frame."""
        return Reach((self.error.over(box) + self.settings.margin_px).astype(np.float32))

    def least_px(self, um_per_px: float) -> float:
        """Smallest area that is reported, px of the mosaic before."""
        return self.settings.min_area_um2 / um_per_px**2


def _patches(
    before: DieRasters, after: DieRasters, registration: Registration, *, most: int = 400
) -> list[PatchPair]:
    """Patches spread over both dies."""
    pairs = patch_pairs(
        (before.mosaic, after.mosaic),
        (before.coverage, after.coverage),
        (before.membership, after.membership),
        registration,
        most=most,
    )
    return list(pairs)
