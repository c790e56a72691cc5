"""Injection and recovery: changes planted into the real pictures, looked for by the same steps.

Pictures of many places are altered, labelled by what the segmentation had fitted to the die, and
compared, judged and looked at again as the dies themselves were. All that was learned about the two
dies (colours, outlines, spacing) stays as it was. Nothing but the pictures is touched, so that
whatever can hide a change hides a planted one too: a contact whose colour is lost in noise, dirt,
a tolerance that swallows it, a second look that mistakes it for dirt.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.difference._block import compare_block
from maskdelta.difference._ink import Outline, OutlineSamples, draw_plant, stack_colours
from maskdelta.difference._inputs import DieRasters, Inputs
from maskdelta.difference._judge import SecondLooks, judge
from maskdelta.difference._masks import ADDED, NOT_COMPARABLE, REMOVED, SAME
from maskdelta.difference._plants import Plant, PlantRules, Room, choose_plants
from maskdelta.difference._regions import Region, join_regions
from maskdelta.images import Box, Raster, blocks_of, eight_bits, map_block, map_ordered
from maskdelta.segment import SPOILED, Labeller
from maskdelta.study import Stack

__all__ = ["Host", "Planted", "plant_changes"]

_PATCH_PX = 576
_HALO_PX = 40  # what a comparison and its second looks read beyond a patch
_APART_PX = 32  # as far as the segmentation lets one piece of dirt reach


@dataclass(frozen=True)
class Planted:
    """A planted change and whether it was listed.

    Parameters
    ----------
    plant : Plant
    sign : int
        ADDED when it was planted after, REMOVED when it was planted before.
    found : bool
    """

    plant: Plant
    sign: int
    found: bool


@dataclass(frozen=True)
class Host:
    """A die into whose picture changes are planted.

    Parameters
    ----------
    sign : int
        What a planted change will be: ADDED for the die after, REMOVED for the one before.
    labeller : Labeller
    rules : PlantRules
    outlines : dict
        Outline by stack and ground.
    px_per_host_px : float
        Size of a px of this die in px of the mosaic before.
    """

    sign: int
    labeller: Labeller
    rules: PlantRules
    outlines: dict[tuple[int, int], Outline]
    px_per_host_px: float

    @classmethod
    def learn(
        cls,
        inputs: Inputs,
        sign: int,
        labeller: Labeller,
        stacks: Mapping[str, Stack],
        least: float,
    ) -> Host:
        """Measure the outlines of one die; `least` is the side of the smallest change in px."""
        scale = inputs.registration.scale_after_to_before if sign == ADDED else 1.0
        rules = PlantRules.of(labeller, inputs.layers, stacks, least_px=least, px_per_host_px=scale)
        pairs = {(s, g) for looks in rules.looks.values() for g, s in looks.items()}
        samples = OutlineSamples(sorted(pairs))
        die = inputs.after if sign == ADDED else inputs.before
        for box in _spread(die.mosaic.shape, side_px=min(256, *die.mosaic.shape), most=48):
            picture = eight_bits(die.mosaic.read(box))
            samples.add(picture, die.labels.read(box)[0])
        return cls(sign, labeller, rules, samples.outlines(), scale)


def plant_changes(
    inputs: Inputs,
    looks: SecondLooks,
    masks: Sequence[Raster],
    hosts: Sequence[Host],
    *,
    um_per_px: float,
    area_frac: float,
    seed: int,
    threads: int = 1,
) -> list[Planted]:
    """Plant changes all over the dies and look for them.

    Parameters
    ----------
    inputs : Inputs
    looks : SecondLooks
        For all layers.
    masks : sequence of Raster
        Final masks of the compared layers.
    hosts : sequence of Host
        Patches take turns among them.
    um_per_px : float
        Scale of the mosaic before in the study frame.
    area_frac : float
        Share of the die that is looked at.
    seed, threads : int

    Returns
    -------
    list of Planted
        The same for any number of threads.
    """
    shape = inputs.before.membership.shape
    side_px = min(_PATCH_PX, *shape)
    most = max(1, round(area_frac * shape[0] * shape[1] / side_px**2))
    gap_px = int(max(np.ceil(inputs.settings.group_um / um_per_px) + 4, _APART_PX))

    def one(item: tuple[int, Box]) -> list[Planted]:
        number, box = item
        rng = np.random.default_rng([seed, number])
        host = hosts[number % len(hosts)]
        room = _room(box, inputs, masks, host, gap_px)
        plants = choose_plants(room, host.rules, rng, gap_px=gap_px, first=number)
        if not plants:
            return []
        planted = _planted(box, plants, inputs, host, rng)
        listed = _listed(box, planted, looks, um_per_px)
        origin = inputs.before.membership.origin
        return [Planted(p, host.sign, _found(p, host.sign, listed, origin)) for p in plants]

    boxes = enumerate(_spread(shape, side_px=side_px, most=most))
    return [p for found in map_ordered(one, boxes, threads=threads) for p in found]


def _spread(shape: tuple[int, int], *, side_px: int, most: int) -> list[Box]:
    """Whole boxes of a raster, spread evenly over it."""
    boxes = [b for b in blocks_of(shape, side_px) if b.shape == (side_px, side_px)]
    at = np.unique(np.linspace(0, len(boxes) - 1, min(most, len(boxes))).round().astype(int))
    return [boxes[k] for k in at]


def _room(box: Box, inputs: Inputs, masks: Sequence[Raster], host: Host, gap_px: int) -> Room:
    place = box.moved(*inputs.before.membership.origin)
    states = np.stack([mask.read(box)[0] for mask in masks])
    changed = np.isin(states, (ADDED, REMOVED)).any(0).astype(np.uint8)
    near = cv2.dilate(changed, np.ones((2 * gap_px + 1,) * 2, np.uint8)) > 0
    if host.sign == ADDED:
        block = map_block(place, inputs.registration.before_to_after)
        labels = block.resample(block.fetch(inputs.after.labels)[0], nearest=True)
    else:
        labels = inputs.before.labels.read(box)[0]
    return Room(place, labels, (states == SAME) & ~near)


def _planted(
    box: Box, plants: Sequence[Plant], inputs: Inputs, host: Host, rng: np.random.Generator
) -> Inputs:
    """The inputs with one die's picture altered around a box, and labelled anew."""
    wide = box.moved(*inputs.before.membership.origin).grown(_HALO_PX)
    if host.sign == ADDED:
        wide = map_block(wide, inputs.registration.before_to_after).source
        die = _altered(inputs.after, wide, plants, inputs, host, rng)
        return replace(inputs, after=die)
    return replace(inputs, before=_altered(inputs.before, wide, plants, inputs, host, rng))


def _altered(
    die: DieRasters,
    box: Box,
    plants: Sequence[Plant],
    inputs: Inputs,
    host: Host,
    rng: np.random.Generator,
) -> DieRasters:
    """The rasters of a die after planting; `box` is what is labelled anew, in its own mosaic."""
    around = box.grown(Labeller.MARGIN_PX)
    source = eight_bits(die.mosaic.read_mosaic(around))
    picture = source.astype(np.float32)
    labels = die.labels.read_mosaic(around)[0]
    x, y = _places_before(around, inputs, host.sign)
    model = host.labeller.model
    middle = np.array([[(box.x0 + box.x1) / 2, (box.y0 + box.y1) / 2]])
    colours = stack_colours(source, labels, model.mean * host.labeller.drift.at(middle))
    for plant in plants:
        draw_plant(
            picture,
            source,
            labels,
            x,
            y,
            plant,
            host.outlines[plant.stack, plant.ground],
            px_per_host_px=host.px_per_host_px,
            colour=colours[plant.stack],
            carried=np.isin(labels, np.flatnonzero(host.rules.carries[:, plant.layer])),
            rng=rng,
        )
    altered = np.clip(np.rint(picture), 0, 255).astype(np.uint8)
    covered = die.coverage.read_mosaic(around)[0] > 0
    found = host.labeller.label(altered, covered, labels == SPOILED, box)
    shown = altered if die.mosaic.dtype == np.uint8 else altered.astype(np.uint16) * 257
    return replace(
        die,
        mosaic=die.mosaic.patched(around, shown),
        membership=die.membership.patched(box, found.membership),
        visible=die.visible.patched(box, found.visible),
        labels=die.labels.patched(box, found.label[None]),
    )


def _places_before(
    box: Box, inputs: Inputs, sign: int
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Where the px of a box of either mosaic lie in the mosaic before."""
    if sign == REMOVED:
        x, y = np.meshgrid(np.arange(box.x0, box.x1), np.arange(box.y0, box.y1))
        return x.astype(np.float32), y.astype(np.float32)
    block = map_block(box, inputs.registration.after_to_before)
    return block.x + np.float32(block.source.x0), block.y + np.float32(block.source.y0)


def _listed(box: Box, planted: Inputs, looks: SecondLooks, um_per_px: float) -> list[Region]:
    """What the steps of the comparison list in a box of the raster before."""
    states, pieces = compare_block(box, 0, planted)
    least_px = planted.least_px(um_per_px)
    kept, doubtful, _ = judge(join_regions(pieces), planted.settings, least_px, planted.is_dot)
    frame = replace(planted.before.membership, planes=planted.layers)
    margin = ((0, 0), (_HALO_PX,) * 2, (_HALO_PX,) * 2)
    around = np.pad(states, margin, constant_values=NOT_COMPARABLE)
    raw = frame.patched(box.moved(*frame.origin).grown(_HALO_PX), around)
    distance_px = planted.settings.group_um / um_per_px
    return looks.split(kept, doubtful, raw, planted, distance_px=distance_px)[0]


def _found(plant: Plant, sign: int, listed: Sequence[Region], origin: tuple[int, int]) -> bool:
    return any(
        region.layer == plant.layer
        and region.sign == sign
        and plant.touched_by(region.box.moved(*origin))
        for region in listed
    )
