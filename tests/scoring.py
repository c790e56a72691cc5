"""Hold the results of a phantom study against its truth; used by tests and benchmarks."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskdelta.images import Raster
from maskdelta.phantom import LAYERS, Specimen, Truth, read_truth
from maskdelta.study import (
    Poses,
    Registration,
    apply_affine,
    fit_similarity,
    mean_scale,
    read_json,
    read_table,
)

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Die:
    """One die of a finished study with its truth."""

    name: str
    truth: Truth
    poses: Poses
    results: Path

    @classmethod
    def read(cls, folder: Path, name: str) -> Die:
        results = folder / "results"
        poses = Poses.read(results / "dies" / name / "top" / "tiles.csv")
        return cls(name, read_truth(folder / "truth" / name), poses, results)

    def centres(self) -> tuple[Array, Array]:
        """Centres of the placed tiles in the mosaic (px) and on the die (um)."""
        mosaic, die = [], []
        for pose in self.poses.placed:
            middle = np.array([[(pose.width_px - 1) / 2, (pose.height_px - 1) / 2]])
            mosaic.append(pose.to_mosaic(middle)[0])
            die.append(self.truth.tile_to_die_um(pose.file, middle)[0])
        return np.array(mosaic), np.array(die)

    def placement_error_px(self) -> Array:
        """Distance of each placed tile from its true place, after the best similarity."""
        mosaic, die = self.centres()
        mirror = np.linalg.det(self.truth.tiles[0].affine[:, :2]) < 0
        fit = fit_similarity(mosaic, die, mirror=bool(mirror))
        return np.hypot(*(apply_affine(fit, mosaic) - die).T) / mean_scale(fit)

    def to_mosaic(self, die_um: Array) -> Array:
        """Where points of the die (um) lie in the mosaic (px); NaN where not photographed.

        Taken through the tile in which the point lies most centrally.
        """
        out = np.full((len(die_um), 2), np.nan)
        margin = np.full(len(die_um), -np.inf)
        for pose in self.poses.placed:
            p = self.truth.die_um_to_tile(pose.file, die_um)
            inside = np.minimum(p, [pose.width_px - 1, pose.height_px - 1] - p).min(1)
            better = (inside > 2) & (inside > margin)
            out[better] = pose.to_mosaic(p[better])
            margin[better] = inside[better]
        return out

    def seen(self, layer: str, die_um: Array) -> NDArray[np.bool_]:
        """Whether the truth lets a layer be seen at points of the die."""
        visible = self.truth.raster("visible")[LAYERS.index(layer)]
        spoiled = self.truth.raster("spoiled")
        row, column = self._raster_places(die_um)
        return (visible[row, column] > 0) & (spoiled[row, column] == 0)

    def present(self, layer: str, die_um: Array) -> NDArray[np.bool_]:
        """Whether a layer is there at points of the die, seen or not."""
        return self.truth.raster("layers")[LAYERS.index(layer)][self._raster_places(die_um)] > 0

    def _raster_places(self, die_um: Array) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Row and column of the truth's rasters at points of the die."""
        step = self.truth.raster_um_per_px
        column, row = np.floor(die_um / step).astype(int).T
        height, width = self.truth.raster("spoiled").shape
        return np.clip(row, 0, height - 1), np.clip(column, 0, width - 1)


def grid_um(die: Die, step_um: float) -> Array:
    """A grid of points over a die, (n, 2) um."""
    width, height = die.truth.size_um
    x, y = np.meshgrid(
        np.arange(step_um / 2, width, step_um), np.arange(step_um / 2, height, step_um)
    )
    return np.column_stack([x.ravel(), y.ravel()])


def score_study(folder: Path, before: str = "a1", after: str = "b1") -> dict[str, Any]:
    """Figures of a finished phantom study with one comparison.

    Parameters
    ----------
    folder : path
        Holds `results` and `truth`.

    Returns
    -------
    dict
        placed_frac, placement_rms_px, placement_max_px, registration_rms_px, edits (visible and
        found), missed (kinds), false_changes, changes, excess_not_comparable (per layer, share of
        the die that is called not comparable beyond what the truth hides).
    """
    dies = [Die.read(folder, name) for name in (before, after)]
    errors = np.concatenate([die.placement_error_px() for die in dies])
    comparison = folder / "results" / "comparisons" / f"{before}--{after}"
    figures: dict[str, Any] = {
        "placed_frac": sum(len(d.poses.placed) for d in dies) / sum(len(d.poses) for d in dies),
        "placement_rms_px": float(np.sqrt((errors**2).mean())),
        "placement_max_px": float(errors.max()),
        "registration_rms_px": _registration_rms(comparison, *dies),
    }
    changes = read_table(comparison / "changes.csv", "changes")
    figures |= _score_changes(changes, folder, *dies)
    figures["excess_not_comparable"] = _excess(comparison, *dies)
    return figures


def _registration_rms(comparison: Path, before: Die, after: Die) -> float:
    registration = Registration.read(comparison / "registration.json")
    if not registration.trusted:
        return float("inf")
    points = grid_um(before, 40.0)
    for edit in after.truth.edits:
        x0, y0, x1, y1 = edit["box_um"]
        inside = ((points > [x0, y0]) & (points < [x1, y1])).all(1)
        points = points[~inside]
    true_before, true_after = before.to_mosaic(points), after.to_mosaic(points)
    good = np.isfinite(true_before).all(1) & np.isfinite(true_after).all(1)
    miss = registration.after_to_before(true_after[good]) - true_before[good]
    unit = max(1.0, registration.scale_after_to_before)  # px of the coarser picture
    return float(np.sqrt((miss**2).sum(1).mean())) / unit


def _score_changes(
    changes: list[dict[str, Any]], folder: Path, before: Die, after: Die
) -> dict[str, Any]:
    scale = read_json(folder / "results" / "dies" / before.name / "to_study.json")["um_per_px"]
    mosaic, die = before.centres()
    to_study = fit_similarity(die, mosaic * scale)
    used: set[int] = set()
    found = visible = 0
    missed: list[str] = []
    for edit in after.truth.edits:
        x0, y0, x1, y1 = edit["box_um"]
        corners = apply_affine(to_study, [[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
        (a, b), (c, d) = corners.min(0) - 3, corners.max(0) + 3
        hits = [
            row["rank"]
            for row in changes
            if row["x0_um"] < c and row["x1_um"] > a and row["y0_um"] < d and row["y1_um"] > b
        ]
        used |= set(hits)
        if visible_edit_share(edit, before, after) >= 0.5:
            visible += 1
            found += bool(hits)
            missed += [] if hits else [edit["kind"]]
    return {
        "edits": visible,
        "edits_found": found,
        "missed": missed,
        "changes": len(changes),
        "false_changes": len([row for row in changes if row["rank"] not in used]),
    }


def visible_edit_share(edit: dict[str, Any], before: Die, after: Die) -> float:
    """Share of an edit's changed area that the truth lets be seen in both dies."""
    seen = total = 0
    for group in (edit["added"], edit["removed"]):
        for layer, boxes in group.items():
            for x0, y0, x1, y1 in boxes:
                x, y = np.meshgrid(np.arange(x0 + 0.5, x1), np.arange(y0 + 0.5, y1))
                points = np.column_stack([x.ravel(), y.ravel()])
                both = before.seen(layer, points) & after.seen(layer, points)
                seen, total = seen + int(both.sum()), total + len(points)
    return seen / max(total, 1)


def made_share(
    specimen: Specimen, layer: str, box_um: tuple[float, float, float, float], *, step_um: float
) -> float:
    """Area of a layer that the process made in a box, over the area drawn."""
    made, drawn = (
        mask(layer, box_um, um_per_px=step_um).sum(dtype=float)
        for mask in (specimen.made_mask, specimen.masks.mask)
    )
    return float(made / drawn)


def _excess(comparison: Path, before: Die, after: Die) -> dict[str, float]:
    """Share of the die called not comparable, less the share that truly is, by layer.

    Masks are drawn in whole um, so that a grid of whole um would lie on their very edges; each
    point is put anywhere in its um instead. Contacts count as hidden under pad openings, as the
    table of stacks says.
    """
    points = grid_um(before, 4.0)
    points = points + np.random.default_rng(0).uniform(0, 1, points.shape)
    place = before.to_mosaic(points)
    good = np.isfinite(place).all(1)
    out = {}
    for path in sorted((comparison / "differences").glob("*.tif")):
        layer = path.stem
        truly = ~(before.seen(layer, points) & after.seen(layer, points)) | ~good
        if layer == "contact":
            truly |= before.present("pad_opening", points) | after.present("pad_opening", points)
        with Raster.open(path) as mask:
            states = mask.read_level(0)[0]
            x, y = np.round(place[good] - mask.origin).astype(int).T
        called = np.ones(len(points), bool)
        inside = (x >= 0) & (y >= 0) & (x < states.shape[1]) & (y < states.shape[0])
        value = np.full(len(x), 255)
        value[inside] = states[y[inside], x[inside]]
        called[good] = value == 255
        out[layer] = round(float(called.mean() - truly.mean()), 4)
    return out
