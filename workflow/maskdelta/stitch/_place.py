"""Placing the tiles of a view to a fraction of a px."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskdelta.stitch._edges import Choice, Edge, links_of, settle
from maskdelta.stitch._graph import residuals
from maskdelta.stitch._join import Placed, join_tiles
from maskdelta.stitch._judge import choice_of, is_sure, leave_out_stains, measure_all
from maskdelta.stitch._lens import without_lens
from maskdelta.stitch._outcome import outcome
from maskdelta.stitch._pairs import Measured, Measurer, parse_candidates
from maskdelta.stitch._tiles import Tiles, match_tiles
from maskdelta.stitch._verify import take_out_misfits
from maskdelta.study import Poses, StitchSettings, write_json, write_table
from maskdelta.survey import Survey

__all__ = ["Placement", "place"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Placement:
    """Where the tiles lie.

    Attributes
    ----------
    poses : Poses
    pairs : list of dict
        Rows of the table `pairs`.
    figures : dict
        Counts and figures of the whole view.
    notes : tuple of str
        Sentences for people.
    """

    poses: Poses
    pairs: list[dict[str, Any]] = field(default_factory=list)
    figures: dict[str, Any] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    def write(self, folder: str | Path) -> None:
        """Write tiles.csv, pairs.csv and stitch.json."""
        folder = Path(folder)
        self.poses.write(folder / "tiles.csv")
        write_table(folder / "pairs.csv", "pairs", self.pairs)
        write_json(folder / "stitch.json", {"figures": self.figures, "notes": list(self.notes)})


def place(
    files: Sequence[str | Path],
    survey: Survey,
    *,
    settings: StitchSettings,
    anchor: Poses | None = None,
    earlier_pairs: Sequence[Mapping[str, Any]] = (),
    threads: int = 1,
) -> Placement:
    """Place the tiles of a view.

    Parameters
    ----------
    files : sequence of path
        In any order; the same files that the survey saw.
    survey : Survey
    settings : StitchSettings
        With `refit` the anchor is not used.
    anchor : Poses, optional
        Poses of an earlier run. Tiles placed there (known by their bytes) keep their poses
        exactly, and only pairs with a new tile are measured.
    earlier_pairs : sequence of mapping
        Rows of the earlier table `pairs`, carried over for pairs that are not measured again.
    threads : int
        The result does not depend on it.

    Returns
    -------
    Placement

    Raises
    ------
    StitchError
        When files and survey do not belong together.
    """
    tiles = match_tiles(files, survey, None if settings.refit else anchor)
    jobs = _jobs(tiles, survey)
    measurer, measured = measure_all(tiles, jobs, survey, settings, threads)
    leave_out_stains(tiles, measured, measurer)
    placed = _join(tiles, measured, measurer, settings)
    _measure_again(tiles, measured, placed, measurer, settings)
    take_out_misfits(tiles, measured, placed, measurer)
    return Placement(*outcome(tiles, measured, placed, earlier_pairs))


def _jobs(tiles: Tiles, survey: Survey) -> list[tuple[int, int, list[Array]]]:
    """Pairs with at least one tile that is not held; copies of a file are left out."""
    number = {name: k for k, name in enumerate(tiles.names)}
    jobs = []
    for row in survey.neighbours:
        a, b = number[row["file_a"]], number[row["file_b"]]
        if (tiles.held[a] and tiles.held[b]) or tiles.copy_of[a] >= 0 or tiles.copy_of[b] >= 0:
            continue
        jobs.append((a, b, parse_candidates(row)))
    return jobs


def _join(tiles: Tiles, measured: Measured, measurer: Measurer, settings: StitchSettings) -> Placed:
    use = np.flatnonzero(measured.trusted)
    edges = [
        Edge(
            *measured.pairs[k],
            tuple(choice_of(h, measured.typical) for h in measured.hypotheses[k]),
            is_sure(measured.hypotheses[k], measured.typical),
            measured.hypotheses[k][0].is_small(),
            measured.hypotheses[k][0].periodic,
        )
        for k in use
    ]

    half = tiles.half_diagonal_px

    def probe(questions: Sequence[tuple[int, Array]]) -> list[Choice | None]:
        asked = [
            (*measured.pairs[use[k]], shift, measured.hypotheses[use[k]][0])
            for k, shift in questions
        ]
        answers: list[Choice | None] = []
        for (k, _), found in zip(questions, measurer.probe(asked), strict=True):
            if found is None:
                answers.append(None)
                continue
            found = without_lens(found, measured.bend, half)
            measured.hypotheses[use[k]] = [*measured.hypotheses[use[k]], found]
            answers.append(choice_of(found, measured.typical))
        return answers

    placed = join_tiles(
        len(tiles.names),
        edges,
        held=tiles.held,
        start=tiles.start,
        nominal=tiles.nominal,
        probe=probe,
        inlier_px=settings.inlier_px,
        reach_px=tiles.reach_px,
    )
    chosen = np.full(len(measured.pairs), -1)
    chosen[use] = placed.chosen
    placed.chosen = chosen
    return placed


def _measure_again(
    tiles: Tiles,
    measured: Measured,
    placed: Placed,
    measurer: Measurer,
    settings: StitchSettings,
) -> None:
    """Measure more where the placement tells what to expect, and settle once more.

    Shifts chosen among several were measured on a few patches: they get all. Pairs that were not
    believed are tried once more at the shift that the placement expects.
    """
    half, term = tiles.half_diagonal_px, measured.bend
    rough = [
        k
        for k, chosen in enumerate(placed.chosen)
        if chosen >= 0 and len(measured.hypotheses[k]) > 1
    ]
    wanted = [(*measured.pairs[k], measured.hypotheses[k][placed.chosen[k]]) for k in rough]
    for k, best in zip(rough, measurer.finish(wanted), strict=True):
        others = [h for i, h in enumerate(measured.hypotheses[k]) if i != placed.chosen[k]]
        measured.hypotheses[k] = [without_lens(best, term, half), *others]
        placed.chosen[k] = 0
    doubted = [
        k
        for k, (a, b) in enumerate(measured.pairs)
        if placed.chosen[k] < 0 and placed.group[a] == placed.group[b]
    ]
    expected = [
        placed.centres[b] - placed.centres[a] for a, b in (measured.pairs[k] for k in doubted)
    ]
    questions = [
        (*measured.pairs[k], shift, None) for k, shift in zip(doubted, expected, strict=True)
    ]
    for k, shift, found in zip(doubted, expected, measurer.probe(questions), strict=True):
        if found is None or found.score < measured.least:
            continue
        found = without_lens(found, term, half)
        if np.hypot(*(found.shift - shift)) > settings.inlier_px:
            continue
        known = measured.hypotheses[k] if measured.trusted[k] else []
        measured.hypotheses[k] = [found, *known]
        measured.trusted[k] = True
        placed.chosen[k] = 0
    kept = [k for k, chosen in enumerate(placed.chosen) if chosen >= 0]
    picked = [measured.hypotheses[k][placed.chosen[k]] for k in kept]
    links = links_of(
        [
            (Edge(*measured.pairs[k], (), True), choice_of(h, measured.typical))
            for k, h in zip(kept, picked, strict=True)
        ]
    )
    for _ in range(3):
        placed.centres = settle(links, placed.centres, tiles.held, inlier_px=settings.inlier_px)
    far = residuals(links, placed.centres) > settings.inlier_px
    placed.chosen[np.array(kept, int)[far]] = -1
