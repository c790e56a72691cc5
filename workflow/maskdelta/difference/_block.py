"""One block of two dies compared, layer by layer."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.difference._inputs import Inputs
from maskdelta.difference._masks import ADDED, NOT_COMPARABLE, REMOVED, compare_layer
from maskdelta.difference._regions import BlockRegions, measure_block
from maskdelta.difference._sharpness import inner_outline, slopes
from maskdelta.images import Box, eight_bits, map_block
from maskdelta.overlay import LayerOverlay
from maskdelta.segment import SPOILED

__all__ = ["HALO_PX", "compare_block"]

HALO_PX = 24


def compare_block(
    box: Box, number: int, inputs: Inputs
) -> tuple[NDArray[np.uint8], list[BlockRegions]]:
    """Compare all layers in one block.

    Parameters
    ----------
    box : Box
        Of the raster before, 0-based.
    number : int
        Of the block.
    inputs : Inputs

    Returns
    -------
    states : (L, h, w) uint8
    pieces : list of BlockRegions
    """
    before, after = inputs.before, inputs.after
    wide = box.moved(*before.membership.origin).grown(HALO_PX)
    states = np.full((len(inputs.layers), *box.shape), NOT_COMPARABLE, np.uint8)
    seen_b = before.visible.read_mosaic(wide)
    if not seen_b.any():
        return states, []
    block = map_block(wide, inputs.registration.before_to_after)
    seen_a = block.fetch(after.visible)
    if not seen_a.any():
        return states, []
    planes_b, planes_a = before.membership.read_mosaic(wide), block.fetch(after.membership)
    reach = inputs.reach(wide)
    picture_b = eight_bits(before.mosaic.read_mosaic(wide))
    picture_a = block.resample(eight_bits(block.fetch(after.mosaic)))
    affinity = inputs.joint.look(picture_b, picture_a)
    steep_b, steep_a = slopes(picture_b), slopes(picture_a)
    near = _near_spoiled(
        before.labels.read_mosaic(wide)[0],
        block.resample(block.fetch(after.labels)[0], nearest=True),
    )
    cut = (slice(HALO_PX, -HALO_PX), slice(HALO_PX, -HALO_PX))
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
        deep = cv2.erode(found.core.view(np.uint8), np.ones((3, 3), np.uint8)) > 0
        soft = inputs.outlines.soft(k, steep_b, steep_a, inputs.settings.min_sharpness)
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
                    deep[cut],
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
