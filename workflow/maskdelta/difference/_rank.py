"""Regions -> the ranked list of changes with its tables: what names and verdicts can alter."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

import numpy as np

from maskdelta.difference._changes import Landmark, group_regions, make_change, rank_changes
from maskdelta.difference._kinds import Surroundings, channel_layers, classify, contact_layers
from maskdelta.difference._landmarks import landmark_rows
from maskdelta.difference._null import NullPair, find_odds
from maskdelta.difference._outlines import outline_features, shapes_of
from maskdelta.difference._region_table import read_regions
from maskdelta.difference._sensitivity import read_sizes
from maskdelta.difference._specimens import OtherPair, seen_in
from maskdelta.difference._verdicts import apply_verdicts
from maskdelta.difference._write import change_row, null_rows, odds_of, odds_summary, summary_of
from maskdelta.images import Raster
from maskdelta.register import ErrorMap
from maskdelta.study import (
    DifferenceSettings,
    Poses,
    Registration,
    Stack,
    ToStudy,
    Verdict,
    read_table,
    write_json,
    write_table,
)

__all__ = ["rank_comparison"]


def rank_comparison(
    folder: str | Path,
    *,
    registration: Registration,
    error: ErrorMap,
    to_study: ToStudy,
    poses: tuple[Poses, Poses],
    landmarks: Sequence[Landmark],
    verdicts: Sequence[Verdict],
    settings: DifferenceSettings,
    membership: str | Path,
    stacks: Mapping[str, Stack],
    changed_bits: Sequence[tuple[float, float]] = (),
    null_pairs: Sequence[NullPair] = (),
    other_pairs: Sequence[OtherPair] = (),
) -> None:
    """Group, judge and rank the regions of a comparison.

    Reads what `compare_dies` and `measure_sensitivity` wrote into `folder`, and writes changes.csv,
    changes.geojson, landmarks.csv, null.csv and summary.json beside it.

    Parameters
    ----------
    folder : path
    registration : Registration
    error : ErrorMap
    to_study : ToStudy
        Of the die before.
    poses : (Poses, Poses)
        Before and after.
    landmarks : sequence of Landmark
    verdicts : sequence of Verdict
        Those of this comparison.
    settings : DifferenceSettings
    membership : path
        Layers of the die before.
    stacks : mapping of str to Stack
        Of the study: they tell which layers are contacts.
    changed_bits : sequence of (x, y)
        Places of bits of programmed arrays that differ, um of the study frame.
    null_pairs : sequence of NullPair
        Other comparisons of two dies of one revision.
    other_pairs : sequence of OtherPair
        Comparisons of either die with further specimens of the two revisions.
    """
    folder = Path(folder)
    scale = to_study.um_per_mosaic_px()
    sensitivity = read_table(folder / "sensitivity.csv", "sensitivity")
    layers = [row["layer"] for row in sensitivity]
    with ExitStack() as stack:
        masks = {
            name: stack.enter_context(Raster.open(folder / "differences" / f"{name}.tif"))
            for name in layers
        }
        sizes = read_sizes(folder / "sensitivity.tif", error)
        origin = masks[layers[0]].origin
        regions, doubtful = read_regions(folder / "regions.csv", layers, origin)
        found = [
            make_change(group, layers, origin, to_study, error)
            for group in group_regions(regions, distance_px=settings.group_um / scale)
        ]
        judged, unmatched = apply_verdicts(found, verdicts, reach_um=settings.verdict_reach_um)
        around = Surroundings(
            stack.enter_context(Raster.open(membership)),
            masks,
            contact_layers(stacks),
            np.asarray(changed_bits, float).reshape(-1, 2),
            channel_layers(stacks),
        )
        witnesses = [
            pair.witness((registration.before, registration.after), layers, stack)
            for pair in other_pairs
            if to_study.linked and pair.link.linked
        ]
        changes = [
            replace(change, seen=seen_in(shapes_of(change, layers, masks, to_study), witnesses))
            for change in rank_changes([classify(c, around, to_study) for c in judged], landmarks)
        ]
        odds = find_odds(
            read_table(folder / "regions.csv", "regions"),
            sum(row["comparable_um2"] for row in sensitivity),
            null_pairs,
        )
        write_table(
            folder / "changes.csv",
            "changes",
            [
                change_row(rank, change, registration, to_study, poses, settings)
                | odds_of(change, odds, scale)
                for rank, change in enumerate(changes, start=1)
            ],
        )
        write_json(folder / "changes.geojson", outline_features(changes, layers, masks, to_study))
        write_table(
            folder / "landmarks.csv",
            "landmarks",
            [
                row
                for mark in landmarks
                for row in landmark_rows(
                    mark,
                    changes,
                    masks,
                    sizes,
                    to_study,
                    unit=scale**2,
                )
            ],
        )
    write_table(folder / "null.csv", "null", null_rows(null_pairs))
    shares = {row["layer"]: row["comparable_frac"] for row in sensitivity}
    write_json(
        folder / "summary.json",
        summary_of(changes, registration, to_study.unit, len(doubtful), shares, unmatched)
        | odds_summary(odds),
    )
