"""What could not be compared, where, and why: for each layer a map and the shares of the area."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.difference import ADDED, NOT_COMPARABLE, REMOVED
from maskdelta.images import Box, Raster
from maskdelta.report._picture_files import save_png
from maskdelta.report._results import Compared, Folders, covered_box
from maskdelta.report._view import View, sample
from maskdelta.segment import NOT_PHOTOGRAPHED, SPOILED, UNKNOWN
from maskdelta.study import LayerStack, read_json

__all__ = ["REASONS", "LayerCoverage", "Reason", "map_comparable"]

Labels = NDArray[np.uint8]


@dataclass(frozen=True)
class Reason:
    """What became of a place: a key for styles, words for people, the colour on the map."""

    key: str
    words: str
    rgb: tuple[int, int, int]


REASONS = (
    Reason("nothing", "photographed in neither die", (255, 255, 255)),
    Reason("compared", "compared", (226, 231, 222)),
    Reason("hidden", "hidden under another layer", (150, 169, 186)),
    Reason("one", "photographed in one die only", (84, 90, 104)),
    Reason("spoiled", "debris, damage, wires, or a colour no swatch has", (120, 84, 62)),
    Reason("aside", "too small or too doubtful to call a change", (214, 178, 60)),
    Reason("added", "added", (0, 103, 166)),
    Reason("removed", "removed", (194, 80, 10)),
)
_INDEX = {reason.key: number for number, reason in enumerate(REASONS)}
_PALETTE = np.array([reason.rgb for reason in REASONS], np.uint8)


@dataclass(frozen=True)
class LayerCoverage:
    """How much of a layer could be compared.

    Parameters
    ----------
    layer : str
    file : str
        Its map, relative to the page.
    width, height : int
        Of the map.
    shares : dict
        Share of the area photographed in either die, by key of `REASONS`.
    areas : dict
        The same as areas, in square units of the study.
    """

    layer: str
    file: str
    width: int
    height: int
    shares: dict[str, float]
    areas: dict[str, float]

    @property
    def compared(self) -> float:
        """Share that was compared, changed or not."""
        return sum(self.shares[key] for key in ("compared", "added", "removed"))


def map_comparable(
    compared: Compared, folders: Folders, *, longest_px: int = 1400, map_px: int = 700
) -> list[LayerCoverage]:
    """Write a map for each layer and measure the shares on the reduced pictures.

    Every `longest_px`-th part of the longer side is looked at once, so that shares have a
    sampling error well below a tenth of a percent; areas follow from the shares.
    """
    if compared.refused:
        return []
    view = _whole_view(compared, folders, longest_px)
    sides = _sides(compared, folders, view)
    found = []
    for layer in compared.layers:
        with Raster.open(compared.folder / "differences" / f"{layer}.tif") as mask:
            state = sample(mask, view, nearest=True)
        reasons = _reasons(state, *[(s.labels, s.hides(layer, folders)) for s in sides])
        file = f"{compared.name}/comparable_{layer}.png"
        shape = _save_map(folders.report / file, reasons, map_px)
        unit = (view.scale * compared.um_per_px) ** 2
        found.append(_measured(layer, file, shape, reasons, unit))
    return found


@dataclass(frozen=True)
class _Side:
    """What one die shows in the view: labels, and the stacks they stand for."""

    labels: Labels
    stacks: tuple[str, ...]

    def hides(self, layer: str, folders: Folders) -> NDArray[np.bool_]:
        """Where a stack hides the layer."""
        meaning = folders.study.stacks
        table = np.zeros(256, bool)
        for number, name in enumerate(self.stacks):
            table[number] = name in meaning and layer in meaning[name].hides
        return table[self.labels]


def _sides(compared: Compared, folders: Folders, view: View) -> list[_Side]:
    """The labels of both dies in the frame of the die before."""
    sides = []
    moves = (None, compared.registration.before_to_after)
    for die, move in zip((compared.before, compared.after), moves, strict=True):
        stack = LayerStack(folders.die(die))
        with Raster.open(stack.labels) as raster, Raster.open(folders.coverage(die)) as coverage:
            labels: Labels = sample(raster, view, frame_to_raster=move, nearest=True)
            seen = sample(coverage, view, frame_to_raster=move, nearest=True) > 0
        labels = np.where(seen, labels, np.uint8(NOT_PHOTOGRAPHED))
        sides.append(_Side(labels, tuple(read_json(stack.summary)["stacks"])))
    return sides


def _measured(
    layer: str, file: str, shape: tuple[int, int], reasons: Labels, unit: float
) -> LayerCoverage:
    counts = np.bincount(reasons.ravel(), minlength=len(REASONS))
    total = max(int(counts[1:].sum()), 1)
    return LayerCoverage(
        layer,
        file,
        shape[1],
        shape[0],
        {r.key: float(counts[k] / total) for k, r in enumerate(REASONS) if k},
        {r.key: float(counts[k] * unit) for k, r in enumerate(REASONS) if k},
    )


def _whole_view(compared: Compared, folders: Folders, longest_px: int) -> View:
    """A view of what was photographed in either die, as far as the masks reach."""
    with Raster.open(folders.coverage(compared.before)) as coverage:
        first, limit = covered_box(coverage), coverage.box
    with Raster.open(folders.coverage(compared.after)) as coverage:
        x0, y0, x1, y1 = covered_box(coverage)
    corners = compared.registration.after_to_before([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
    low, high = np.floor(corners.min(0)).astype(int), np.ceil(corners.max(0)).astype(int)
    whole = Box(
        min(first.x0, int(low[0])),
        min(first.y0, int(low[1])),
        max(first.x1, int(high[0])),
        max(first.y1, int(high[1])),
    )
    return View.of_box(whole.clipped(limit), longest_px=longest_px)


def _reasons(
    state: Labels,
    before: tuple[Labels, NDArray[np.bool_]],
    after: tuple[Labels, NDArray[np.bool_]],
) -> Labels:
    """Index of `REASONS` at each px; the first reason that applies counts.

    Parameters
    ----------
    state : (h, w) uint8
        Of the comparison.
    before, after : ((h, w) uint8, (h, w) bool)
        Labels, and where their stack hides the layer.
    """
    none = [labels == NOT_PHOTOGRAPHED for labels, _ in (before, after)]
    bad = [(labels == SPOILED) | (labels == UNKNOWN) for labels, _ in (before, after)]
    cases = {
        "added": state == ADDED,
        "removed": state == REMOVED,
        "compared": state != NOT_COMPARABLE,
        "nothing": none[0] & none[1],
        "one": none[0] | none[1],
        "spoiled": bad[0] | bad[1],
        "hidden": before[1] | after[1],
    }
    numbers = [_INDEX[key] for key in cases]
    return np.select(list(cases.values()), numbers, default=_INDEX["aside"]).astype(np.uint8)


def _save_map(path: Path, reasons: Labels, map_px: int) -> tuple[int, int]:
    """Write a smaller map in which changed places are thick enough to be seen."""
    step = -(-max(reasons.shape) // map_px)
    small: Labels = reasons[::step, ::step].copy()
    for key in ("added", "removed"):
        thick: Any = cv2.dilate(
            (reasons == _INDEX[key]).astype(np.uint8), np.ones((7, 7), np.uint8)
        )
        small[thick[::step, ::step] > 0] = _INDEX[key]
    save_png(path, small, _PALETTE)
    return small.shape[0], small.shape[1]
