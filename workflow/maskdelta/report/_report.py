"""The report: static pages that open from disk."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from pathlib import Path

from shapely.geometry.base import BaseGeometry

from maskdelta.difference import landmarks_in_study
from maskdelta.report._arrays_page import write_arrays_page
from maskdelta.report._comparison_page import write_comparison_page
from maskdelta.report._die_page import write_die_page
from maskdelta.report._fit_page import write_fit_page
from maskdelta.report._results import Compared, Folders, read_comparison
from maskdelta.report._templates import write_page
from maskdelta.study import StudySettings, read_marks

__all__ = ["write_report"]

_MOST_IN_MENU = 6


def write_report(results: Path, study: StudySettings, *, threads: int = 1) -> None:
    """Write `report/index.html` and all pages and pictures it leads to.

    Parameters
    ----------
    results : path
        Folder of the results.
    study : StudySettings
        Expanded: dies and comparisons named one by one.
    threads : int
        For the crops; the pages do not depend on it.

    Raises
    ------
    MaskdeltaError
        When a result is missing.
    """
    folders = Folders(Path(results), study)
    shutil.rmtree(folders.report, ignore_errors=True)  # no pictures of changes that are no more
    comparisons = [read_comparison(folders, pair) for pair in folders.pairs]
    common: dict[str, object] = {
        "title": study.report.title or study.title,
        "shown": study.report.changes_shown,
        "menu": [(c.before, c.after, f"{c.name}.html") for c in comparisons[:_MOST_IN_MENU]],
    }
    outlines = _landmark_outlines(folders)
    cards = [
        write_comparison_page(c, folders, outlines, threads=threads, **common) for c in comparisons
    ]
    arrays = {
        c.name: write_arrays_page(c, folders, corrections=study.bit_corrections, **common)
        for c in comparisons
    }
    fits = [write_fit_page(c, folders, **common) for c in comparisons]
    dies = [write_die_page(folders, die, **common) for die in study.dies]
    for page in ("quality.html", "reading.html"):
        write_page(
            folders.report / page, page, dies=dies, fits=fits, study=study, page=page, **common
        )
    write_page(
        folders.report / "index.html",
        "index.html",
        dies=dies,
        cards=cards,
        arrays=arrays,
        unlinked=_unlinked(comparisons),
        page="index.html",
        **common,
    )


def _landmark_outlines(folders: Folders) -> dict[str, BaseGeometry]:
    """Landmarks of the study by label, study frame; only to be drawn, never to be measured."""
    study = folders.study
    marks = [mark for mark in read_marks(study.marks) if mark.role == "landmark"]
    views = sorted({(mark.die, mark.view) for mark in marks if mark.frame == "tile"})
    dies = sorted({mark.die for mark in marks if mark.frame != "study"} & set(study.dies))
    found = landmarks_in_study(
        [mark for mark in marks if mark.frame == "study" or mark.die in study.dies],
        poses=[
            str(folders.die(die) / view / "tiles.csv") for die, view in views if die in study.dies
        ],
        links=[str(folders.die(die) / "to_study.json") for die in dies],
        comparisons=str(folders.results / "comparisons"),
        reach_um=study.difference.landmark_reach_um,
    )
    return {mark.label: mark.geometry for mark in found}


def _unlinked(comparisons: Sequence[Compared]) -> list[str]:
    """Reasons why a die before does not share the study frame."""
    return [c.link.why for c in comparisons if c.link.why]
