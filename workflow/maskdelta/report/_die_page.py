"""The page of a die: how its tiles were placed and how its layers were told apart."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from maskdelta.films import FilmMatch, likely_films
from maskdelta.images import Box, Raster
from maskdelta.report._figure_files import Plot
from maskdelta.report._picture_files import save_png
from maskdelta.report._plots_die import (
    draw_drift,
    draw_focus,
    draw_placement,
    draw_shading,
    pair_arrows,
)
from maskdelta.report._results import Folders, covered_box
from maskdelta.report._seam_views import seam_view
from maskdelta.report._templates import write_page
from maskdelta.report._tile_agreement import agreement_of
from maskdelta.report._view import View, sample
from maskdelta.report._views_section import merged_views
from maskdelta.report._words import number, percent, plural, unit_sign
from maskdelta.segment import NOT_PHOTOGRAPHED, SPOILED, UNKNOWN
from maskdelta.study import LayerStack, Poses, read_json, read_table
from maskdelta.survey import FlatField, Survey

__all__ = ["DieCard", "write_die_page"]

# hues that stay apart for the colour-blind; no layer has a colour of its own, it goes by order
_HUES = (
    (216, 218, 210),
    (51, 117, 138),
    (204, 121, 91),
    (240, 205, 90),
    (94, 60, 108),
    (150, 190, 160),
    (60, 70, 80),
    (226, 160, 190),
    (130, 130, 60),
    (120, 170, 220),
    (170, 90, 120),
    (90, 140, 90),
)
_OTHER = {
    NOT_PHOTOGRAPHED: ("not photographed", (255, 255, 255)),
    SPOILED: ("spoiled", (30, 26, 24)),
    UNKNOWN: ("unknown colour", (200, 30, 60)),
}

# metal shows, or holes in it
_NO_FILM = ("metal", "contact", "pad_opening", "debris")


@dataclass(frozen=True)
class DieCard:
    """What the overview and the list of quality pages say of a die."""

    name: str
    revision: str
    page: str
    tiles: int
    placed: int
    size: str
    scale: str
    link: dict[str, Any]
    remarks: list[str]


def write_die_page(folders: Folders, die: str, **common: object) -> DieCard:
    """Write `die-<die>.html` with its plots."""
    views = [_view(folders, die, view) for view in folders.study.dies[die].views]
    layers = _layers(folders, die)
    link = read_json(folders.die(die) / "to_study.json")
    link["why"] = link["why"].replace("`", "")
    card = DieCard(
        name=die,
        revision=folders.study.dies[die].revision,
        page=f"die-{die}.html",
        tiles=sum(v["tiles"] for v in views),
        placed=sum(v["placed"] for v in views),
        link=link,
        remarks=[
            f"view {v['name']}: {note}" if len(views) > 1 else note
            for v in views
            for note in v["remarks"]
        ]
        + list(layers["merged"].warnings if layers else ()),
        **_size(folders, die),
    )
    write_page(
        folders.report / card.page,
        "die.html",
        die=card,
        views=views,
        layers=layers,
        unit=unit_sign(link["unit"]),
        page=card.page,
        **common,
    )
    return card


def _size(folders: Folders, die: str) -> dict[str, str]:
    with Raster.open(folders.mosaic(die)) as mosaic, Raster.open(folders.coverage(die)) as seen:
        box, scale = covered_box(seen), mosaic.um_per_px
    return {
        "size": f"{number(box.width)} × {number(box.height)} px",
        "scale": _scale_words(folders, die, scale, box),
    }


def _scale_words(folders: Folders, die: str, um_per_px: float | None, box: Box) -> str:
    """The scale with its error, or where it comes from when it is not the die's own."""
    unit = "\N{MICRO SIGN}m/px"
    if um_per_px is not None:
        record = folders.main_view(die) / "scale.json"
        error = read_json(record)["error_frac"] if record.is_file() else None
        words = f"{um_per_px:.4g} {unit}"
        return words if error is None else f"{words} ± {percent(error, 1)}"
    link = folders.link(die)
    if not link.linked or link.unit != "um":
        return "unknown"
    middle = ((box.x0 + box.x1) / 2, (box.y0 + box.y1) / 2)
    return f"{link.um_per_mosaic_px(middle):.4g} {unit}, from {link.reference}"


def _view(folders: Folders, die: str, view: str) -> dict[str, Any]:
    """Placement, focus and shading of one view."""
    folder = folders.die(die) / view
    poses = Poses.read(folder / "tiles.csv")
    stitch = read_json(folder / "stitch.json")
    pairs = read_table(folder / "pairs.csv", "pairs") if (folder / "pairs.csv").is_file() else []
    arrows = pair_arrows(poses, pairs)
    files = f"die-{die}/{view}"
    plots: dict[str, Plot] = {}
    if len(poses.placed) > 1:
        plots["placement"] = draw_placement(folders.report, f"{files}_tiles", poses, arrows, die)
        plots["focus"] = draw_focus(folders.report, f"{files}_focus", poses, die)
    flat_field = FlatField.read(folder / "flat_field.json")
    if flat_field.order and len(poses):
        shape = (poses.tiles[0].height_px, poses.tiles[0].width_px)
        plots["shading"] = draw_shading(folders.report, f"{files}_shading", flat_field, shape)
    return {
        "name": view,
        "tiles": len(poses),
        "placed": len(poses.placed),
        "others": [tile for tile in poses if not tile.placed],
        "warned": [tile for tile in poses.placed if tile.why or tile.modulo_pitch],
        "notes": stitch["notes"],
        "figures": _placement_figures(poses, pairs, stitch["figures"]),
        "plots": plots,
        "exaggeration": arrows.exaggeration,
        "unused": int((~arrows.used).sum()),
        "steps": _steps(pairs),
        "uneven": _uneven(folder / "mosaic_seams.csv"),
        "flat_field": flat_field,
        "seams": seam_view(folders.report, folder, f"{files}_seams", die),
        "survey": f"../dies/{die}/{view}/survey/index.html",
        "remarks": _remarks(folder, poses, stitch["notes"]),
    }


def _steps(pairs: Sequence[dict[str, Any]], *, least_px: float = 1.0) -> list[dict[str, Any]]:
    """Pairs of tiles whose seam may show a step, the largest first: those believed, then others."""
    steps = [row for row in pairs if (row["residual_px"] or 0.0) > least_px]
    return sorted(steps, key=lambda row: (not row["used"], -row["residual_px"]))


def _uneven(path: Path, *, least_levels: float = 6.0) -> dict[str, Any] | None:
    """How much tiles differ along the seams of a mosaic; None for a finished picture."""
    rows = read_table(path, "mosaic_seams") if path.is_file() else []
    if not rows:
        return None
    worst = [row for row in rows if row["step_levels"] > least_levels]
    return {
        "along": float(np.mean([row["step_levels"] for row in rows])),
        "all_over": float(np.mean([row["overlap_levels"] for row in rows])),
        "worst": sorted(worst, key=lambda row: -row["step_levels"]),
    }


def _remarks(folder: Path, poses: Poses, notes: Sequence[str]) -> list[str]:
    """What a reader of the overview should know of a view."""
    out = [tile for tile in poses if not tile.placed]
    remarks = [f"{plural(len(out), 'tile')} could not be placed"] if out else []
    if (folder / "seams.csv").is_file():
        seams = read_table(folder / "seams.csv", "seams")
        remarks += [f"{plural(len(seams), 'seam')} of an earlier joining"] if seams else []
    if (folder / "survey" / "survey.json").is_file():
        survey = Survey.read(folder / "survey")
        flagged = [row for row in survey.quality if row["flags"]]
        if flagged:
            remarks.append(f"{plural(len(flagged), 'tile')} with a remark in the survey")
        if survey.gaps:
            needs = plural(len(survey.gaps), "place needs", "places need")
            remarks.append(f"{needs} another tile")
    return [*remarks, *notes]


def _placement_figures(
    poses: Poses, pairs: list[dict[str, Any]], figures: Mapping[str, Any]
) -> list[tuple[str, str, str]]:
    """Name, value and meaning of the figures of a placement."""
    used = [row for row in pairs if row["used"]]
    misses = np.array([row["residual_px"] or 0.0 for row in used])
    rows = [
        (
            "Tiles placed",
            f"{len(poses.placed)} of {len(poses)}",
            "all of them" if len(poses.placed) == len(poses) else "the rest is listed above",
        ),
        (
            "Pairs believed",
            f"{len(used)} of {len(pairs)}",
            "overlaps of two tiles whose shift was measured and fits the rest",
        ),
    ]
    if len(misses):
        rms, worst = float(np.sqrt((misses**2).mean())), float(misses.max())
        rows += [
            ("Miss of the pairs", f"{rms:.2f} px", "root mean square; below 0.5 px is good"),
            ("Worst pair", f"{worst:.2f} px", "of those believed"),
        ]
    words = {
        "islands": ("Islands", "groups of tiles without a link between them; 1 is whole"),
        "modulo_pitch": ("Known up to a pitch", "tiles that an array allows at several places"),
        "lens": ("Lens term", "radial stretch at the corner of a tile, as a share"),
    }
    for key, (name, meaning) in words.items():
        value = figures.get(key)
        if value is not None:
            shown = f"{value:.5f}" if isinstance(value, float) else str(value)
            rows.append((name, shown, meaning))
    return rows


def _layers(folders: Folders, die: str) -> dict[str, Any] | None:
    """Swatches, confusion, separation, drift and the label picture."""
    stack = LayerStack(folders.die(die))
    if not stack.summary.is_file():
        return None
    data = read_json(stack.summary)
    names = data["stacks"]
    with Raster.open(stack.labels) as labels, Raster.open(folders.coverage(die)) as coverage:
        view = View.of_box(covered_box(coverage), longest_px=1100)
        picture = sample(labels, view, nearest=True)
        picture[sample(coverage, view, nearest=True) == 0] = NOT_PHOTOGRAPHED
        ratio = labels.shape[0] / labels.shape[1]
    palette = np.full((256, 3), 255, np.uint8)
    palette[: len(names)] = [_HUES[k % len(_HUES)] for k in range(len(names))]
    for number_, (_, rgb) in _OTHER.items():
        palette[number_] = rgb
    file = f"die-{die}/labels.png"
    save_png(folders.report / file, picture, palette)
    drift = np.array(data["drift"], float).reshape(3, 5)
    plot = None
    if np.abs(drift).max() > 1e-6:
        plot = draw_drift(folders.report, f"die-{die}/drift", drift, ratio, die)
    return {
        "file": file,
        "width": view.width,
        "height": view.height,
        "stacks": _stack_rows(data, palette),
        "others": [{"words": words, "rgb": rgb} for words, rgb in _OTHER.values()],
        "confusion": _confusion(data["swatch_confusion"], names),
        "separation": data["separation"],
        "films": _films(data),
        "drift": plot,
        "uncovered": data["not_covered_by_swatches"],
        "merged": merged_views(data, folders.study, die),
        "agreement": [
            sentence
            for view in folders.study.dies[die].views
            for sentence in agreement_of(folders.die(die) / view, view)
        ],
    }


def _films(data: Mapping[str, Any]) -> list[tuple[str, list[FilmMatch]]]:
    """Stacks and the films whose colours are like theirs; nothing without metal as a reference."""
    colours = data["colour"]
    metal = colours.get("metal")
    if metal is None:
        return []
    bare = [name for name in data["stacks"] if name not in _NO_FILM]
    return [(name, likely_films(colours[name], metal)) for name in bare]


def _stack_rows(data: Mapping[str, Any], palette: np.ndarray) -> list[dict[str, Any]]:
    areas = data["area_px"]
    total = sum(v for key, v in areas.items() if key != "not_photographed") or 1
    rows = [
        {
            "name": name,
            "hue": palette[k].tolist(),
            "colour": [round(v) for v in data["colour"][name]],
            "share": areas.get(name, 0) / total,
        }
        for k, name in enumerate(data["stacks"])
    ]
    rest = [
        {"name": key, "hue": palette[label].tolist(), "colour": None, "share": areas[key] / total}
        for key, label in (("spoiled", SPOILED), ("unknown", UNKNOWN))
        if areas.get(key)
    ]
    return rows + rest


def _confusion(
    confusion: Mapping[str, Mapping[str, int]], names: list[str]
) -> list[dict[str, Any]]:
    """A row a stack: px of its swatches and the share called by each name."""
    rows = []
    for name in names:
        called = confusion.get(name, {})
        total = sum(called.values())
        shares = [called.get(other, 0) / total if total else None for other in names]
        rows.append({"name": name, "px": total, "shares": shares})
    return rows
