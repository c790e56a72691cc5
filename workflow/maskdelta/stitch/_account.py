"""Tables, figures and sentences about a placement."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskdelta.stitch._join import Placed
from maskdelta.stitch._pairs import Measured
from maskdelta.stitch._tiles import Tiles
from maskdelta.study import Poses

__all__ = ["figures_of", "notes_of", "pair_rows", "strain_of"]

Array = NDArray[np.float64]


def pair_rows(
    tiles: Tiles,
    measured: Measured,
    placed: Placed,
    centres: Array,
    group: NDArray[np.int_],
    earlier: Sequence[Mapping[str, Any]],
) -> list[dict[str, Any]]:
    rows = []
    for k, (a, b) in enumerate(measured.pairs):
        if not measured.hypotheses[k]:
            continue
        pick = max(int(placed.chosen[k]), 0)
        best = measured.hypotheses[k][pick]
        residual = None
        if group[a] == group[b] and group[a] >= 0:
            apart = best.shift - (centres[b] - centres[a])
            residual = round(float(np.hypot(*apart)), 3)
        rows.append(
            {
                "file_a": tiles.names[a],
                "file_b": tiles.names[b],
                "dx_px": round(float(best.shift[0]), 3),
                "dy_px": round(float(best.shift[1]), 3),
                "sd_px": round(best.sd_px, 4),
                "score": round(best.score, 4),
                "candidates": len(measured.hypotheses[k]),
                "residual_px": residual,
                "used": bool(placed.chosen[k] >= 0),
            }
        )
    fresh = {(row["file_a"], row["file_b"]) for row in rows}
    names = set(tiles.names)
    rows += [
        dict(row)
        for row in earlier
        if (row["file_a"], row["file_b"]) not in fresh and {row["file_a"], row["file_b"]} <= names
    ]
    return sorted(rows, key=lambda row: (row["file_a"], row["file_b"]))


def strain_of(
    tiles: Tiles, measured: Measured, placed: Placed, centres: Array
) -> dict[str, Any] | None:
    """How well pairs of new tiles fit the tiles that were held; None without held tiles."""
    if not tiles.held.any():
        return None
    used, against = [], 0
    for k, (a, b) in enumerate(measured.pairs):
        if not (tiles.held[a] or tiles.held[b]) or not measured.trusted[k]:
            continue
        if placed.chosen[k] >= 0:
            shift = measured.hypotheses[k][placed.chosen[k]].shift
            used.append(float(np.hypot(*(shift - (centres[b] - centres[a])))))
        elif placed.group[a] == placed.group[b]:
            against += 1
    return {
        "held_tiles": int(tiles.held.sum()),
        "pairs": len(used),
        "rms_px": round(float(np.sqrt(np.mean(np.square(used)))), 3) if used else 0.0,
        "max_px": round(max(used, default=0.0), 3),
        "pairs_against": against,
    }


def figures_of(
    poses: Poses,
    measured: Measured,
    kept: NDArray[np.int_],
    distance: Array,
    strain: dict[str, Any] | None,
) -> dict[str, Any]:
    placed = poses.placed
    return {
        "tiles": len(poses),
        "placed": len(placed),
        "unplaced": sum(pose.status == "unplaced" for pose in poses),
        "rejected": sum(pose.status == "rejected" for pose in poses),
        "modulo_pitch": sum(pose.modulo_pitch for pose in placed),
        "islands": len({pose.island for pose in placed}),
        "pairs": len(measured.pairs),
        "pairs_trusted": int(measured.trusted.sum()),
        "pairs_with_a_choice": sum(len(found) > 1 for found in measured.hypotheses),
        "pairs_used": len(kept),
        "typical_score": round(measured.typical, 3),
        "residual_rms_px": (
            round(float(np.sqrt(np.mean(distance**2))), 3) if len(distance) else 0.0
        ),
        "residual_max_px": round(float(distance.max(initial=0.0)), 3),
        "lens": measured.lens.term,
        "lens_sd": round(measured.lens.sd, 7),
        "strain": strain,
    }


def notes_of(poses: Poses, strain: dict[str, Any] | None, measured: Measured) -> tuple[str, ...]:
    notes = []
    for pose in poses:
        if not pose.placed:
            notes.append(f"{pose.file}: {pose.status}, {pose.why}.")
    flagged = [pose.file for pose in poses.placed if pose.modulo_pitch]
    if flagged:
        notes.append(
            f"{len(flagged)} tile(s) are known only up to whole pitches of an array: "
            + ", ".join(flagged)
            + "; an overlap that shows the array's border, or exact stage positions, would decide."
        )
    islands = {pose.island for pose in poses.placed} - {0}
    if islands:
        notes.append(f"{len(islands)} group(s) of tiles are not tied to the largest one.")
    if strain and (strain["max_px"] > 1 or strain["pairs_against"]):
        notes.append(
            f"the earlier placement fits the new tiles badly (RMS {strain['rms_px']} px, at most "
            f"{strain['max_px']} px, {strain['pairs_against']} pair(s) against it); "
            "`stitch.refit: true` solves all poses afresh, and marks may then move."
        )
    return tuple(notes)
