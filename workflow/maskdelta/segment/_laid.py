"""The photograph of a further view in the frame of the main one."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from maskdelta.images import Box, Output, Raster, eight_bits, map_block, write_rasters
from maskdelta.segment._merger import MOST_BLOCK_PX
from maskdelta.segment._rules import NOT_PHOTOGRAPHED, SPOILED
from maskdelta.segment._views import SegmentedView
from maskdelta.study import LaidPhotograph, SegmentSettings

__all__ = ["lay_view"]


def lay_view(
    main: SegmentedView,
    view: SegmentedView,
    *,
    mosaics: tuple[str | Path, str | Path],
    coverage: str | Path,
    laid: LaidPhotograph,
    settings: SegmentSettings,
    block_px: int = 2048,
    threads: int = 1,
) -> None:
    """Write the photograph in which a layer that the main view hides can be looked at again.

    Px that the further view did not photograph, or where it may lie too far off, are those of the
    main view; so the picture shows each px by which layers are told there.

    Parameters
    ----------
    main, view : SegmentedView
    mosaics : (path, path)
        Of the main view and the further one.
    coverage : path
        Of the further view: 0 where nothing was photographed.
    laid : LaidPhotograph
        Files to write: RGB of 8 bits, and labels, SPOILED where the px shown is, else 0.
    settings : SegmentSettings
    block_px, threads : int
    """
    assert view.registration is not None
    assert view.error is not None
    registration, error = view.registration, view.error
    with ExitStack() as stack:
        paths = (*mosaics, coverage, main.layers.labels, view.layers.labels)
        here, there, covered, own, other = (stack.enter_context(Raster.open(p)) for p in paths)

        def render(box: Box) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
            picture = eight_bits(here.read(box))
            label = own.read(box)[0]
            photographed, spoiled = label != NOT_PHOTOGRAPHED, label == SPOILED
            place = box.moved(*here.origin)
            reached = error.over(place) <= settings.merge_error_px
            if registration.trusted and reached.any():
                block = map_block(place, registration.before_to_after)
                seen = block.resample(block.fetch(covered)[0], nearest=True) > 0
                seen &= reached & photographed
                moved = block.resample(eight_bits(block.fetch(there)))
                label = block.resample(block.fetch(other)[0], nearest=True)
                picture[seen] = moved[seen]
                spoiled = np.where(seen, label == SPOILED, spoiled)
            return picture, np.where(spoiled, np.uint8(SPOILED), np.uint8(0))[None]

        write_rasters(
            [
                Output(laid.mosaic, np.uint8),
                Output(laid.labels, np.uint8, ("label",), "nearest"),
            ],
            render,
            shape=here.shape,
            origin=here.origin,
            um_per_px=here.um_per_px,
            block_px=min(block_px, MOST_BLOCK_PX),
            threads=threads,
        )
