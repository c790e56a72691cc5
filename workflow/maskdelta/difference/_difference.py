"""Layer stacks, registration and overlay -> masks and regions of change."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.difference._edges import learn_edges
from maskdelta.difference._joint import learn_joint_colours
from maskdelta.difference._masks import (
    ADDED,
    NOT_COMPARABLE,
    REMOVED,
    SAME,
    Reach,
    compare_layer,
)
from maskdelta.difference._pairs import patch_pairs
from maskdelta.difference._regions import (
    BlockRegions,
    Region,
    join_regions,
    label_mask,
    measure_block,
)
from maskdelta.difference._second_look import SecondLook
from maskdelta.difference._sharpness import inner_outline, learn_outlines, slopes
from maskdelta.difference._spacing import measure_spacing_px
from maskdelta.images import (
    Box,
    Output,
    Raster,
    blocks_of,
    eight_bits,
    map_block,
    write_rasters,
)
from maskdelta.overlay import LayerOverlay, Overlay
from maskdelta.register import ErrorMap
from maskdelta.segment import SPOILED
from maskdelta.study import DifferenceSettings, LayerStack, Registration

__all__ = ["Differences", "find_differences"]

_HALO_PX = 24


@dataclass(frozen=True)
class Differences:
    """Regions that changed, and how much of each layer could be compared.

    Parameters
    ----------
    layers : tuple of str
    regions : list of Region
        Those that pass the tests; masks hold just these.
    doubtful : list of Region
        Those with too little evidence; not comparable in the masks.
    comparable_px, not_comparable_px : dict of str to int
    """

    layers: tuple[str, ...]
    regions: list[Region]
    doubtful: list[Region]
    comparable_px: dict[str, int]
    not_comparable_px: dict[str, int]


class _Inputs:
    """The open rasters of both dies and the map between them."""

    def __init__(
        self,
        stack: ExitStack,
        before: LayerStack,
        after: LayerStack,
        registration: Registration,
        error: ErrorMap,
        overlay: Overlay,
        mosaics: Sequence[Path],
        coverages: Sequence[Path],
        settings: DifferenceSettings,
    ) -> None:
        def opened(path: Path) -> Raster:
            return stack.enter_context(Raster.open(path))

        self.member_b, self.member_a = opened(before.membership), opened(after.membership)
        self.visible_b, self.visible_a = opened(before.visible), opened(after.visible)
        self.labels_b, self.labels_a = opened(before.labels), opened(after.labels)
        wanted = settings.layers or self.member_b.planes
        self.layers = tuple(name for name in self.member_b.planes if name in wanted)
        self.planes = [self.member_b.planes.index(name) for name in self.layers]
        self.mosaics = [opened(path) for path in mosaics]
        covered = (opened(coverages[0]), opened(coverages[1]))
        pairs = list(
            patch_pairs(
                (self.mosaics[0], self.mosaics[1]),
                covered,
                (self.member_b, self.member_a),
                registration,
            )
        )
        self.joint = learn_joint_colours(pairs)
        self.outlines = learn_outlines(pairs, self.planes)
        self.least_sharpness = settings.min_sharpness
        self.registration, self.error, self.overlay = registration, error, overlay
        self.margin_px = settings.margin_px

    def reach(self, box: Box) -> Reach:
        """Tolerance over a box of the mosaic frame."""
        return Reach((self.error.over(box) + self.margin_px).astype(np.float32))


def find_differences(
    before: LayerStack,
    after: LayerStack,
    registration: Registration,
    error: ErrorMap,
    overlay: Overlay,
    *,
    mosaics: Sequence[Path],
    coverages: Sequence[Path],
    folder: str | Path,
    settings: DifferenceSettings,
    least_px: float,
    um_per_px: float,
    block_px: int = 2048,
    threads: int = 1,
) -> Differences:
    """Compare all layers block by block and write `<layer>.tif` masks into `folder`.

    Parameters
    ----------
    before, after : LayerStack
    registration : Registration
        Trusted.
    error : ErrorMap
    overlay : Overlay
    mosaics, coverages : (path, path)
        Of the dies before and after.
    folder : path
        Of the masks: 0 same, 1 added, 2 removed, 255 not comparable; frame of the die before.
    settings : DifferenceSettings
    least_px : float
        Smallest area that is reported, px of the mosaic before.
    um_per_px : float
        Scale of the mosaic before in the study frame.
    block_px, threads : int

    Returns
    -------
    Differences
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    with ExitStack() as stack:
        inputs = _Inputs(
            stack, before, after, registration, error, overlay, mosaics, coverages, settings
        )
        frame = inputs.member_b
        blocks = {box: n for n, box in enumerate(blocks_of(frame.shape, block_px))}
        pieces: list[list[BlockRegions]] = [[] for _ in blocks]
        raw = Path(stack.enter_context(tempfile.TemporaryDirectory(dir=folder))) / "raw.tif"

        def compare(box: Box) -> tuple[NDArray[np.uint8]]:
            states, pieces[blocks[box]] = _compare_block(box, blocks[box], inputs)
            return (states,)

        options: dict[str, Any] = {
            "shape": frame.shape,
            "origin": frame.origin,
            "um_per_px": frame.um_per_px,
            "block_px": block_px,
            "threads": threads,
        }
        write_rasters([Output(raw, np.uint8, inputs.layers, "nearest")], compare, **options)
        regions = join_regions(piece for block in pieces for piece in block)
        kept, doubtful, alike = _judge(regions, settings, least_px)
        kept, more = _look_again(kept, raw, inputs, settings.group_um / um_per_px)
        doubtful += more
        counts = _write_masks(folder, raw, blocks, inputs.layers, doubtful, alike, options)
    return Differences(inputs.layers, kept, doubtful, *counts)


def _compare_block(
    box: Box, number: int, inputs: _Inputs
) -> tuple[NDArray[np.uint8], list[BlockRegions]]:
    ox, oy = inputs.member_b.origin
    wide = Box(box.x0 + ox, box.y0 + oy, box.x1 + ox, box.y1 + oy).grown(_HALO_PX)
    states = np.full((len(inputs.layers), *box.shape), NOT_COMPARABLE, np.uint8)
    seen_b = inputs.visible_b.read_mosaic(wide)
    if not seen_b.any():
        return states, []
    block = map_block(wide, inputs.registration.before_to_after)
    seen_a = block.fetch(inputs.visible_a)
    if not seen_a.any():
        return states, []
    planes_b, planes_a = inputs.member_b.read_mosaic(wide), block.fetch(inputs.member_a)
    reach = inputs.reach(wide)
    picture_b = eight_bits(inputs.mosaics[0].read_mosaic(wide))
    picture_a = block.resample(eight_bits(block.fetch(inputs.mosaics[1])))
    affinity = inputs.joint.look(picture_b, picture_a)
    steep_b, steep_a = slopes(picture_b), slopes(picture_a)
    near = _near_spoiled(
        inputs.labels_b.read_mosaic(wide)[0],
        block.resample(block.fetch(inputs.labels_a)[0], nearest=True),
    )
    cut = (slice(_HALO_PX, -_HALO_PX), slice(_HALO_PX, -_HALO_PX))
    pieces = []
    for k, (name, plane) in enumerate(zip(inputs.layers, inputs.planes, strict=True)):
        facts = inputs.overlay.layers.get(name, LayerOverlay())
        shift = (facts.dx_px, facts.dy_px)
        moved = block.resample(planes_a[plane], shift_px=shift)
        visible = block.resample(seen_a[plane], nearest=True, shift_px=shift) > 0
        found = compare_layer(
            planes_b[plane],
            moved,
            (seen_b[plane] > 0) & visible,
            reach,
            grow_px=facts.grow_px,
        )
        states[k] = found.state[cut]
        soft = inputs.outlines.soft(k, steep_b, steep_a, inputs.least_sharpness)
        for sign in (ADDED, REMOVED):
            outline = inner_outline(found.state == sign)
            pieces.append(
                measure_block(
                    number,
                    box,
                    k,
                    sign,
                    states[k] == sign,
                    found.core[cut],
                    planes_b[plane][cut],
                    moved[cut],
                    affinity[cut],
                    near[cut],
                    outline[cut],
                    (outline & soft)[cut],
                )
            )
    return states, pieces


def _near_spoiled(
    before: NDArray[np.uint8], after: NDArray[np.uint8], *, reach_px: int = 5
) -> NDArray[np.bool_]:
    """(H, W), True within `reach_px` of debris or damage in either label image.

    The rim of debris takes on the colours of other stacks; what differs only there is no change.
    """
    spoiled = ((before == SPOILED) | (after == SPOILED)).astype(np.uint8)
    size = 2 * reach_px + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    return cv2.dilate(spoiled, disc) > 0


def _judge(
    regions: list[Region], settings: DifferenceSettings, least_px: float
) -> tuple[list[Region], list[Region], list[Region]]:
    """Regions to report, doubtful ones, and those where both photographs show the same.

    The last are slips of the segmentation: the layers differ, but the colours are those that
    unchanged places have for each other.
    """
    kept: list[Region] = []
    doubtful: list[Region] = []
    alike: list[Region] = []
    for region in regions:
        if region.affinity > -settings.max_affinity:
            alike.append(region)
            continue
        doubt = _doubt(region, settings, least_px)
        if doubt:
            doubtful.append(replace(region, doubt=doubt))
        else:
            kept.append(region)
    return kept, doubtful, alike


def _doubt(region: Region, settings: DifferenceSettings, least_px: float) -> str:
    """Why a region is not listed; empty when it is."""
    if region.area_px < least_px or region.core_px < 3:
        return "small"
    if region.near_spoiled > 0.5:
        return "near debris"
    if region.soft_outline > settings.max_soft_frac:
        return "soft outline"
    if region.evidence < settings.min_evidence:
        return "weak evidence"
    if region.affinity > settings.max_affinity:
        return "usual colours"
    return ""


def _look_again(
    regions: list[Region], raw: Path, inputs: _Inputs, distance_px: float
) -> tuple[list[Region], list[Region]]:
    before, after = inputs.mosaics
    edges = learn_edges(before, after, inputs.registration.before_to_after)
    spacing_px = {
        plane: measure_spacing_px(inputs.member_b, inputs.visible_b, plane)
        for plane in {inputs.planes[region.layer] for region in regions}
    }
    with Raster.open(raw) as states:
        look = SecondLook(states, inputs.member_b, inputs.planes, spacing_px, edges)
        return look.split(regions, distance_px=distance_px)


def _write_masks(
    folder: Path,
    raw: Path,
    blocks: dict[Box, int],
    layers: Sequence[str],
    doubtful: list[Region],
    alike: list[Region],
    options: dict[str, Any],
) -> tuple[dict[str, int], dict[str, int]]:
    """Final masks: doubtful regions become not comparable, alike ones the same; counts of px."""
    out: dict[tuple[int, int, int], list[tuple[int, int]]] = {}
    for members, state in ((doubtful, NOT_COMPARABLE), (alike, SAME)):
        for region in members:
            for block, label in region.parts:
                out.setdefault((block, region.layer, region.sign), []).append((label, state))
    counts = np.zeros((len(blocks), len(layers), 2), np.int64)
    with Raster.open(raw) as source:

        def finish(box: Box) -> list[NDArray[np.uint8]]:
            number = blocks[box]
            states = source.read(box)
            for k in range(len(layers)):
                for sign in (ADDED, REMOVED):
                    changed = out.get((number, k, sign))
                    if changed:
                        count, labels = label_mask(states[k] == sign)
                        new = np.full(count + 1, sign, np.uint8)
                        for label, state in changed:
                            new[label] = state
                        inside = labels > 0
                        states[k][inside] = new[labels[inside]]
                hidden = int((states[k] == NOT_COMPARABLE).sum())
                counts[number, k] = states[k].size - hidden, hidden
            return [plane[None] for plane in states]

        write_rasters(
            [Output(folder / f"{name}.tif", np.uint8, (name,), "nearest") for name in layers],
            finish,
            **options,
        )
    total = counts.sum(0)
    return (
        {name: int(total[k, 0]) for k, name in enumerate(layers)},
        {name: int(total[k, 1]) for k, name in enumerate(layers)},
    )
