"""The survey: what the tiles are like, before hours are spent on them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskdelta.errors import MaskdeltaError
from maskdelta.study import (
    SurveySettings,
    ViewSettings,
    read_json,
    read_table,
    write_json,
    write_table,
)
from maskdelta.survey._coarse import coarse_centres
from maskdelta.survey._dust import Speck, find_dust
from maskdelta.survey._flat_field import FlatField
from maskdelta.survey._focus import relative_focus
from maskdelta.survey._gaps import find_gaps
from maskdelta.survey._haze import relative_haze
from maskdelta.survey._lateral import LateralColour, estimate_lateral
from maskdelta.survey._look import Look, base_names, look_at_all
from maskdelta.survey._neighbours import Neighbour, pair_up
from maskdelta.survey._order import check_order
from maskdelta.survey._overview import locate_in_overview
from maskdelta.survey._places import Places, nominal_places, sorted_naturally
from maskdelta.survey._ratios import Overlap, estimate_flat_field
from maskdelta.survey._small import SmallPictures

__all__ = ["Survey", "survey"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Survey:
    """What the survey found.

    Attributes
    ----------
    quality : list of dict
        Rows of the table `quality`, in natural order of the file names.
    neighbours : list of dict
        Rows of the table `neighbours`.
    flat_field : FlatField
    gaps : list of dict
        Places that need another tile: x_px, y_px, area_px2, why, take.
    figures : dict
        Counts and figures of the whole view.
    small : SmallPictures
    """

    quality: list[dict[str, Any]]
    neighbours: list[dict[str, Any]]
    flat_field: FlatField = field(default_factory=FlatField)
    gaps: list[dict[str, Any]] = field(default_factory=list)
    figures: dict[str, Any] = field(default_factory=dict)
    small: SmallPictures = field(default_factory=SmallPictures)

    def write(self, folder: str | Path) -> None:
        """Write quality.csv, neighbours.csv, flat_field.json, survey.json and small.npz."""
        folder = Path(folder)
        write_table(folder / "quality.csv", "quality", self.quality)
        write_table(folder / "neighbours.csv", "neighbours", self.neighbours)
        self.flat_field.write(folder / "flat_field.json")
        write_json(folder / "survey.json", {"gaps": self.gaps, "figures": self.figures})
        self.small.write(folder / "small.npz")

    @classmethod
    def read(cls, folder: str | Path) -> Survey:
        """Read what `write` wrote, but for the small pictures.

        Raises
        ------
        MaskdeltaError
            When a file is missing or is not what it should be.
        """
        folder = Path(folder)
        data = read_json(folder / "survey.json")
        if not isinstance(data, dict) or not {"gaps", "figures"} <= set(data):
            raise MaskdeltaError(
                f"{folder / 'survey.json'}: this is not a survey; delete it and run it again."
            )
        return cls(
            read_table(folder / "quality.csv", "quality"),
            read_table(folder / "neighbours.csv", "neighbours"),
            FlatField.read(folder / "flat_field.json"),
            data["gaps"],
            data["figures"],
        )


def survey(
    files: Sequence[str | Path],
    *,
    view: ViewSettings,
    settings: SurveySettings,
    threads: int = 1,
) -> Survey:
    """Judge the tiles of a view and find out which of them overlap.

    Parameters
    ----------
    files : sequence of path
        The tiles, or the one finished picture, in any order; natural order of the names counts.
    view : ViewSettings
    settings : SurveySettings
    threads : int
        The result does not depend on it.

    Raises
    ------
    ImageError
        When a tile cannot be read, two share a name, or depths differ.
    StitchError
        When the tiles do not fit the grid, or nothing is known about too many of them.
    """
    files = sorted_naturally(files)
    names = base_names(files)
    looks = look_at_all(files, threads=threads)
    size = tuple(int(v) for v in np.median(_sizes(looks), axis=0))
    lost: dict[int, str] = {}
    if view.overview:
        located = locate_in_overview(looks, view.overview, threads=threads)
        places, lost = Places(located.places, None, np.zeros(2)), located.lost
    else:
        places = nominal_places(files, (size[0], size[1]), view)
    pairing = pair_up(
        looks,
        places,
        min_overlap_frac=settings.min_overlap_frac,
        search_frac=settings.search_frac,
        threads=threads,
    )
    if view.grid is not None and not view.grid.name_pattern:
        check_order(looks, names, pairing.neighbours, view.grid, settings, threads)
    good = [pair for pair in pairing.neighbours if pair.confident]
    looks = [look.without_detail() for look in looks]
    nominal = None
    if places.units is not None and pairing.linear is not None:
        nominal = places.units @ pairing.linear.T
    centres = coarse_centres(len(looks), good, nominal, size_px=float(max(size)))
    overlaps = [o for pair in good if (o := _overlap(looks, centres, pair)) is not None]
    flat_field, exposures = estimate_flat_field(looks, overlaps)
    dust = find_dust(looks)
    if settings.flat_field == "none":
        flat_field = FlatField()
    elif dust:
        flat_field = replace(flat_field, specks=dust, width_px=looks[0].width_px)
    lateral = estimate_lateral(
        [look.colour_shifts for look in looks if look.info.channels == 3],
        float(np.hypot(size[0], size[1])) / 2,
    )
    if settings.lateral_colour:
        flat_field = replace(flat_field, red=lateral.red, blue=lateral.blue)
    focus = relative_focus(looks, overlaps)
    gaps = _gaps(looks, names, places, pairing.linear, centres, good, settings)
    haze = relative_haze(looks, overlaps, flat_field)
    quality = _quality_rows(looks, centres, focus, haze, exposures, good, settings, lost)
    neighbours = [_neighbour_row(names, pair) for pair in pairing.neighbours if len(pair.shifts)]
    figures = _figures(
        looks,
        pairing.neighbours,
        good,
        places,
        pairing.linear,
        flat_field,
        dust,
        lateral,
        gaps,
        settings.search_frac,
    )
    return Survey(quality, neighbours, flat_field, gaps, figures, SmallPictures.of(looks))


def _sizes(looks: Sequence[Look]) -> Array:
    return np.array([[look.width_px, look.height_px] for look in looks], float)


def _overlap(
    looks: Sequence[Look], centres: Array, pair: Neighbour, *, off_by: float = 3.0
) -> Overlap | None:
    """Of the candidates of a pair the one that fits the coarse places; None where none does.

    Overlaps that are wrong by a pitch must not take part in the flat field: since true ones leave
    the slope of the shading open, a few wrong ones would decide it. `off_by` counts small px.
    """
    apart = pair.shifts - (centres[pair.b] - centres[pair.a])
    nearest = int(np.argmin((apart**2).sum(1)))
    if np.abs(apart[nearest]).max() > off_by * looks[pair.a].reduction:
        return None
    sizes = _sizes([looks[pair.a], looks[pair.b]])
    x, y = pair.shifts[nearest] + (sizes[0] - sizes[1]) / 2
    return Overlap(pair.a, pair.b, float(x), float(y))


def _gaps(
    looks: Sequence[Look],
    names: Sequence[str],
    places: Places,
    linear: Array | None,
    centres: Array,
    good: Sequence[Neighbour],
    settings: SurveySettings,
) -> list[dict[str, Any]]:
    absent, adjacent = np.zeros((0, 2)), []
    if places.units is not None and linear is not None:
        offset = np.median(centres - places.units @ linear.T, axis=0)
        absent = np.array(places.missing).reshape(-1, 2) @ linear.T + offset
        size = np.median(_sizes(looks), axis=0)
        steps = places.units[None] - places.units[:, None]
        apart = np.abs(steps @ linear.T) / size
        beside = (apart.min(2) < 0.35) & (apart.max(2) > 0.35) & (apart.max(2) < 1.0)
        adjacent = [(int(a), int(b)) for a, b in zip(*np.nonzero(beside), strict=True) if a < b]
    return find_gaps(
        centres,
        _sizes(looks),
        absent,
        [(pair.a, pair.b) for pair in good],
        names,
        min_overlap_frac=settings.min_overlap_frac,
        neighbours=adjacent,
    )


def _quality_rows(
    looks: Sequence[Look],
    centres: Array,
    focus: Array,
    haze: Array,
    exposures: Array,
    good: Sequence[Neighbour],
    settings: SurveySettings,
    lost: Mapping[int, str],
) -> list[dict[str, Any]]:
    degree = np.zeros(len(looks), int)
    for pair in good:
        degree[[pair.a, pair.b]] += 1
    first: dict[str, str] = {}
    rows = []
    for k, look in enumerate(looks):
        flags = []
        if look.sha256 in first:
            flags.append(f"same file as {first[look.sha256]}")
        first.setdefault(look.sha256, look.file)
        if focus[k] < settings.blur_limit:
            flags.append("out of focus")
        if haze[k] > settings.haze_limit:
            flags.append("hazy")
        if look.clipped_frac > 0.05:
            flags.append("overexposed")
        if look.dark_frac > 0.25:
            flags.append("underexposed")
        if len(looks) > 1 and degree[k] == 0:
            flags.append("no neighbour found")
        if k in lost:
            flags.append(lost[k])
        rows.append(
            {
                "file": look.file,
                "sha256": look.sha256,
                "width_px": look.width_px,
                "height_px": look.height_px,
                "bits": look.info.bits,
                "orientation": look.info.orientation,
                "x_px": round(float(centres[k, 0]), 1),
                "y_px": round(float(centres[k, 1]), 1),
                "focus": round(float(focus[k]), 3),
                "haze_frac": round(float(haze[k]), 3) + 0.0,
                "clipped_frac": round(look.clipped_frac, 5),
                "dark_frac": round(look.dark_frac, 5),
                "exposure": round(float(exposures[k]), 5),
                "neighbours": int(degree[k]),
                "flags": "; ".join(flags),
            }
        )
    return rows


def _neighbour_row(names: Sequence[str], pair: Neighbour) -> dict[str, Any]:
    shifts = np.round(pair.shifts, 1) + 0.0
    listed = [f"{x:.1f} {y:.1f} {s:.4f}" for (x, y), s in zip(shifts, pair.scores, strict=True)]
    return {
        "file_a": names[pair.a],
        "file_b": names[pair.b],
        "dx_px": float(shifts[0, 0]),
        "dy_px": float(shifts[0, 1]),
        "score": round(float(pair.scores[0]), 4),
        "rival": round(float(pair.rival), 4),
        "candidates": ";".join(listed),
    }


def _figures(
    looks: Sequence[Look],
    tried: Sequence[Neighbour],
    good: Sequence[Neighbour],
    places: Places,
    linear: Array | None,
    flat_field: FlatField,
    dust: Sequence[Speck],
    lateral: LateralColour,
    gaps: Sequence[Any],
    search_frac: float,
) -> dict[str, Any]:
    nominal_px = None
    if places.units is not None and linear is not None:
        found = np.round(places.units @ linear.T, 1) + 0.0
        nominal_px = {look.file: place for look, place in zip(looks, found.tolist(), strict=True)}
    gain = replace(flat_field, specks=()).gain((96, 128))
    known = "none" if places.units is None else "grid" if places.linear is not None else "positions"
    return {
        "tiles": len(looks),
        "places": known if len(looks) > 1 else "one picture",
        "pairs_tried": len(tried),
        "pairs_correlated": len(good),
        "reduction": looks[0].reduction,
        "search_px": round(search_frac * max(max(look.width_px, look.height_px) for look in looks)),
        "nominal_px": nominal_px,
        "px_per_unit": None if linear is None else np.round(linear, 4).tolist(),
        "flat_field_order": flat_field.order,
        "shading_rms_frac": round(float(np.log(gain).std()), 5),
        "flat_field_residual_frac": round(flat_field.residual_frac, 5),
        "missing_places": len(places.missing),
        "dust": [speck.to_mapping() for speck in dust],
        "lateral_colour": lateral.to_mapping(),
        "colour_profiles": sum(look.info.colour_profile for look in looks),
        "gaps": len(gaps),
    }
