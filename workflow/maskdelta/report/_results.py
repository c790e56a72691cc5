"""Where the results lie, and what the report reads of them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from maskdelta.images import Box, Raster
from maskdelta.report._words import unit_sign
from maskdelta.study import (
    Comparison,
    Registration,
    StudySettings,
    ToStudy,
    read_json,
    read_table,
)

__all__ = ["Compared", "Folders", "covered_box", "read_comparison"]


@dataclass(frozen=True)
class Folders:
    """Paths of the results of a study."""

    results: Path
    study: StudySettings

    @property
    def report(self) -> Path:
        """Folder of the pages."""
        return self.results / "report"

    def die(self, die: str) -> Path:
        """Folder of a die."""
        return self.results / "dies" / die

    def main_view(self, die: str) -> Path:
        """Folder of the view that stands for a die."""
        return self.die(die) / self.study.main_view(die)

    def mosaic(self, die: str) -> Path:
        """Mosaic of the main view."""
        return self.main_view(die) / "mosaic.ome.tif"

    def coverage(self, die: str) -> Path:
        """Raster of tile numbers of the main view."""
        return self.main_view(die) / "mosaic_tiles.tif"

    def comparison(self, pair: Comparison) -> Path:
        """Folder of a comparison."""
        return self.results / "comparisons" / pair.name

    def link(self, die: str) -> ToStudy:
        """How a die lies in the study frame."""
        return ToStudy.read(
            self.die(die) / "to_study.json", comparisons=self.results / "comparisons"
        )

    @property
    def pairs(self) -> tuple[Comparison, ...]:
        """The comparisons of the study."""
        return tuple(c for c in self.study.comparisons if isinstance(c, Comparison))


@dataclass(frozen=True)
class Compared:
    """The tables of one comparison.

    Parameters
    ----------
    pair : Comparison
    revisions : (str, str)
        Of the dies before and after.
    folder : path
    registration : Registration
    link : ToStudy
        Of the die before.
    um_per_px : float
        Side of a px of the mosaic before, in the unit of the study.
    unit : str
        As printed.
    summary, overlay : dict
    changes, landmarks, sensitivity, residuals : list of dict
    """

    pair: Comparison
    revisions: tuple[str, str]
    folder: Path
    registration: Registration
    link: ToStudy
    um_per_px: float
    unit: str
    summary: dict[str, Any]
    overlay: dict[str, Any]
    changes: list[dict[str, Any]]
    landmarks: list[dict[str, Any]]
    sensitivity: list[dict[str, Any]]
    residuals: list[dict[str, Any]]

    @property
    def name(self) -> str:
        """Name of the pages and folders of this comparison."""
        return self.pair.name

    @property
    def before(self) -> str:
        """The die before."""
        return self.pair.before

    @property
    def after(self) -> str:
        """The die after."""
        return self.pair.after

    @property
    def refused(self) -> tuple[str, ...]:
        """Why nothing was compared; empty when it was."""
        return self.registration.refused

    @property
    def layers(self) -> list[str]:
        """Layers that were compared."""
        return [row["layer"] for row in self.sensitivity]

    def box_px(self, row: dict[str, Any]) -> tuple[float, float, float, float]:
        """Box of a change in the mosaic before, between px borders."""
        x0, y0, x1, y1 = (row[name] for name in ("x0_um", "y0_um", "x1_um", "y1_um"))
        corners = self.link.to_mosaic([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
        (ax, ay), (bx, by) = corners.min(0), corners.max(0)
        return float(ax), float(ay), float(bx), float(by)


def read_comparison(folders: Folders, pair: Comparison) -> Compared:
    """Read all tables of a comparison."""
    folder = folders.comparison(pair)
    registration = Registration.read(folder / "registration.json")
    link = folders.link(pair.before)
    dies = folders.study.dies
    return Compared(
        pair=pair,
        revisions=(dies[pair.before].revision, dies[pair.after].revision),
        folder=folder,
        registration=registration,
        link=link,
        um_per_px=link.um_per_mosaic_px(),
        unit=unit_sign(link.unit),
        summary=read_json(folder / "summary.json"),
        overlay=read_json(folder / "overlay.json"),
        changes=read_table(folder / "changes.csv", "changes"),
        landmarks=read_table(folder / "landmarks.csv", "landmarks"),
        sensitivity=read_table(folder / "sensitivity.csv", "sensitivity"),
        residuals=read_table(folder / "residuals.csv", "residuals"),
    )


def covered_box(coverage: Raster) -> Box:
    """Extent of what was photographed, to a px of a reduced level; the whole if nothing was."""
    level = coverage.level_for(1024)
    seen = coverage.read_level(level)[0] > 0
    if not seen.any():
        return coverage.box
    x, y = (np.flatnonzero(seen.any(axis)) for axis in (0, 1))
    ox, oy = coverage.origin
    step = 2**level
    found = Box(
        int(ox + x[0] * step),
        int(oy + y[0] * step),
        int(ox + (x[-1] + 1) * step),
        int(oy + (y[-1] + 1) * step),
    )
    return found.clipped(coverage.box)
