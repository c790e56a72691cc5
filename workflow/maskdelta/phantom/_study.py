"""A whole phantom study: two revisions by two photographers, with truth and marks."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from maskdelta.phantom._edit_kinds import EditRequest
from maskdelta.phantom._edits import SAMPLE_EDITS, Edit, revise
from maskdelta.phantom._floorplan import make_layout
from maskdelta.phantom._layout import Layout
from maskdelta.phantom._marks import (
    array_features,
    ignore_features,
    landmark_features,
    swatch_features,
    write_marks,
)
from maskdelta.phantom._photograph import photograph
from maskdelta.phantom._presets import Preset
from maskdelta.phantom._specimen import make_specimen
from maskdelta.phantom._truth import Truth, write_layout_truth

BEFORE, AFTER = "a1", "b1"
"""Names of the two dies."""


@dataclass(frozen=True)
class Study:
    """What `make_study` made: layouts, edits and the truth of both dies."""

    before: Layout
    after: Layout
    edits: tuple[Edit, ...]
    truths: dict[str, Truth]


def make_study(
    seed: int,
    *,
    preset: Preset,
    folder: Path,
    truth_folder: Path,
    marks_folder: Path,
    edits: Sequence[EditRequest | str] = SAMPLE_EDITS,
    null: bool = False,
    redraw: Callable[[Layout], Layout] | None = None,
    rasters: bool = True,
    raster_um_per_px: float = 1.0,
    threads: int = 1,
) -> Study:
    """Make tiles, truth and marks of two dies.

    Parameters
    ----------
    seed
        Everything random grows from it.
    preset
        Settings; its first photographer takes die ``a1``, its last one die ``b1``.
    folder
        Tiles go to ``<folder>/a1`` and ``<folder>/b1``.
    truth_folder
        Truth goes to ``<truth_folder>/a1`` and ``<truth_folder>/b1``.
    marks_folder
        ``landmarks.geojson``, ``swatches.geojson``, ``ignore.geojson`` and ``arrays.geojson`` go
        here.
    edits
        What differs between the revisions.
    null
        Photograph the same masks twice: no edits at all.
    redraw
        What else is done to the masks after, once edited.
    rasters, raster_um_per_px, threads
        As in `photograph`.

    Returns
    -------
    Study
    """
    die = preset.die
    before = make_layout(
        seed,
        width_um=die.width_um,
        height_um=die.height_um,
        memory_share=die.memory_share,
        text=die.text,
    )
    after, made = (before, ()) if null else revise(before, edits, seed=seed)
    if redraw is not None:
        after = redraw(after)
    truths, swatches, landmarks, ignored, corners = {}, [], [], [], []
    for index, (name, layout) in enumerate(((BEFORE, before), (AFTER, after))):
        photographer = preset.photographers[0 if index == 0 else -1]
        specimen = make_specimen(layout, preset.specimen, seed=seed * 10 + index)
        truth = photograph(
            specimen,
            folder / name,
            truth_folder / name,
            camera=photographer.camera,
            look=photographer.look,
            seed=seed * 10 + index,
            die=name,
            rasters=rasters,
            raster_um_per_px=raster_um_per_px,
            threads=threads,
        )
        write_layout_truth(truth_folder / name, layout, made if index else ())
        truths[name] = truth
        rng = np.random.default_rng([seed, 61, index])
        swatches += swatch_features(truth, specimen, die=name, rng=rng)
        ignored += ignore_features(truth, specimen, die=name)
        if index == 0:
            near = [edit.box_um for edit in made]
            landmarks = landmark_features(truth, layout.regions, die=name, near=near)
            corners = array_features(truth, layout, die=name, rng=np.random.default_rng([seed, 67]))
    write_marks(marks_folder / "landmarks.geojson", landmarks)
    write_marks(marks_folder / "swatches.geojson", swatches)
    write_marks(marks_folder / "ignore.geojson", ignored)
    write_marks(marks_folder / "arrays.geojson", corners)
    return Study(before, after, made, truths)
