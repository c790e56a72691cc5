"""The whole of a comparison, from open files to written results."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from maskdelta.difference._changes import Landmark, landmark_of
from maskdelta.difference._difference import Differences, find_differences
from maskdelta.difference._masks import NOT_COMPARABLE
from maskdelta.difference._write import make_changes, write_comparison
from maskdelta.images import Box, Output, Raster, write_rasters
from maskdelta.overlay import Overlay
from maskdelta.register import ErrorMap
from maskdelta.study import (
    DifferenceSettings,
    Frames,
    LayerStack,
    Mark,
    Poses,
    Registration,
    ToStudy,
)

__all__ = ["compare_dies", "landmarks_in_study"]


def landmarks_in_study(
    marks: Sequence[Mark],
    *,
    poses: Sequence[str],
    links: Sequence[str],
    comparisons: str,
    reach_um: float,
) -> list[Landmark]:
    """Landmarks of all dies, carried into the study frame.

    Parameters
    ----------
    marks : sequence of Mark
    poses : sequence of str
        Paths `.../<die>/<view>/tiles.csv` of the dies in whose tiles landmarks were drawn.
    links : sequence of str
        Paths `.../<die>/to_study.json`.
    comparisons : str
        Folder of the registrations that the links name.
    reach_um : float
        For landmarks without a reach of their own.

    Returns
    -------
    list of Landmark
        Without those on tiles that were not placed or on dies that are not linked.
    """
    frames = Frames(poses, links, comparisons)
    found = []
    for mark in marks:
        if mark.role != "landmark":
            continue
        moved = frames.in_study(mark)
        if moved is None:
            print(f"landmark `{mark.label}` ({mark.source}) could not be carried over")
            continue
        found.append(landmark_of(moved, reach_um))
    return found


def compare_dies(
    before: LayerStack,
    after: LayerStack,
    *,
    mosaics: Sequence[str | Path],
    coverages: Sequence[str | Path],
    registration: Registration,
    error: ErrorMap,
    overlay: Overlay,
    to_study: ToStudy,
    poses: tuple[Poses, Poses],
    landmarks: Sequence[Landmark],
    layers: Sequence[str],
    folder: str | Path,
    settings: DifferenceSettings,
    block_px: int = 2048,
    threads: int = 1,
) -> None:
    """Find, group, rank and write the changes of a comparison into `folder`.

    A refused registration gives masks that are not comparable everywhere and no change.
    """
    folder = Path(folder)
    scale = to_study.um_per_mosaic_px()
    if registration.trusted:
        differences = find_differences(
            before,
            after,
            registration,
            error,
            overlay,
            mosaics=[Path(path) for path in mosaics],
            coverages=[Path(path) for path in coverages],
            folder=folder / "differences",
            settings=settings,
            least_px=settings.min_area_um2 / scale**2,
            block_px=block_px,
            threads=threads,
        )
    else:
        differences = _nothing_compared(before, folder / "differences", layers, block_px)
    with Raster.open(before.membership) as frame:
        origin = frame.origin
    changes = make_changes(
        differences,
        to_study,
        error,
        landmarks,
        origin=origin,
        um_per_px=scale,
        settings=settings,
    )
    write_comparison(
        folder,
        changes,
        differences,
        landmarks,
        registration=registration,
        to_study=to_study,
        error=error,
        poses=poses,
        um_per_px=scale,
        settings=settings,
    )


def _nothing_compared(
    before: LayerStack, folder: Path, layers: Sequence[str], block_px: int
) -> Differences:
    with Raster.open(before.membership) as frame:
        names = tuple(name for name in frame.planes if name in layers)

        def unknown(box: Box) -> list[np.ndarray]:
            return [np.full((1, *box.shape), NOT_COMPARABLE, np.uint8) for _ in names]

        write_rasters(
            [Output(folder / f"{name}.tif", np.uint8, (name,), "nearest") for name in names],
            unknown,
            shape=frame.shape,
            origin=frame.origin,
            um_per_px=frame.um_per_px,
            block_px=block_px,
        )
        area = frame.shape[0] * frame.shape[1]
    return Differences(names, [], [], dict.fromkeys(names, 0), dict.fromkeys(names, area))
