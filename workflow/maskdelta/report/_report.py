"""The report: static pages that open from disk."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import Any

import numpy as np

from maskdelta.images import Box, Raster, map_ordered
from maskdelta.report._pictures import (
    Overview,
    crop_pictures,
    overview,
    round_length,
    state_map,
)
from maskdelta.report._templates import render
from maskdelta.study import (
    Comparison,
    Poses,
    Registration,
    StudySettings,
    ToStudy,
    read_json,
    read_table,
)

__all__ = ["write_report"]


def write_report(results: Path, study: StudySettings, *, threads: int = 1) -> None:
    """Write `report/index.html`, a page a comparison, and a page on quality.

    Parameters
    ----------
    results : path
        Folder of the results.
    study : StudySettings
        Expanded.
    threads : int
        For the crops; the pages do not depend on it.
    """
    folder = results / "report"
    folder.mkdir(parents=True, exist_ok=True)
    pairs = [c for c in study.comparisons if isinstance(c, Comparison)]
    shared: dict[str, Any] = {
        "title": study.report.title or study.title,
        "comparisons": [_comparison(results, folder, study, pair, threads) for pair in pairs],
        "dies": [_die(results, name, study) for name in study.dies],
    }
    for page in ("index", "quality"):
        text = render(f"{page}.html", page=page, **shared)
        (folder / f"{page}.html").write_text(text, encoding="utf-8")
    for data in shared["comparisons"]:
        text = render("comparison.html", page=data["name"], c=data, **shared)
        (folder / f"{data['name']}.html").write_text(text, encoding="utf-8")


def _main_view(study: StudySettings, die: str) -> str:
    views = study.dies[die].views
    return study.segment.view if study.segment.view in views else next(iter(views))


def _comparison(
    results: Path, folder: Path, study: StudySettings, pair: Comparison, threads: int
) -> dict[str, Any]:
    """All that a comparison's page shows; writes its pictures."""
    source = results / "comparisons" / pair.name
    registration = Registration.read(source / "registration.json")
    changes = read_table(source / "changes.csv", "changes")
    link = ToStudy.read(
        results / "dies" / pair.before / "to_study.json", comparisons=results / "comparisons"
    )
    pictures = folder / pair.name
    with ExitStack() as stack:

        def mosaic(die: str) -> Raster:
            path = results / "dies" / die / _main_view(study, die) / "mosaic.ome.tif"
            return stack.enter_context(Raster.open(path))

        mosaics = (mosaic(pair.before), mosaic(pair.after))
        masks = {
            path.stem: stack.enter_context(Raster.open(path))
            for path in sorted((source / "differences").glob("*.tif"))
        }
        view = overview(*mosaics, registration, pictures)
        for layer, mask in masks.items():
            state_map(mask, pictures / f"map_{layer}.png")

        def crop(row: dict[str, Any]) -> dict[str, Any]:
            return _crop(row, link, mosaics, masks, registration, pictures, study)

        cards = list(map_ordered(crop, changes[: study.report.changes_shown], threads=threads))
    scale = link.um_per_mosaic_px()
    bar = round_length(0.2 * view.width * view.scale * scale)
    return {
        "name": pair.name,
        "before": pair.before,
        "after": pair.after,
        "unit": "\N{MICRO SIGN}m" if link.unit == "um" else "px",
        "summary": read_json(source / "summary.json"),
        "registration": registration,
        "changes": changes,
        "cards": cards,
        "view": view,
        "outlines": [_outline(row, link, view) for row in changes[:60]],
        "landmarks": read_table(source / "landmarks.csv", "landmarks"),
        "sensitivity": read_table(source / "sensitivity.csv", "sensitivity"),
        "overlay": read_json(source / "overlay.json"),
        "layers": sorted(masks),
        "bar": bar,
        "bar_px": round(bar / scale / view.scale, 1),
        "residuals": _residuals(source, view),
    }


def _crop(
    row: dict[str, Any],
    link: ToStudy,
    mosaics: tuple[Raster, Raster],
    masks: dict[str, Raster],
    registration: Registration,
    pictures: Path,
    study: StudySettings,
) -> dict[str, Any]:
    px = link.to_mosaic([[row["x0_um"], row["y0_um"]], [row["x1_um"], row["y1_um"]]])
    (x0, y0), (x1, y1) = px.min(0), px.max(0)
    scale = link.um_per_mosaic_px()
    side = max(study.report.crop_um / scale, 1.5 * (x1 - x0), 1.5 * (y1 - y0))
    half = int(min(side, 1200) / 2)
    middle_x, middle_y = int((x0 + x1) / 2), int((y0 + y1) / 2)
    box = Box(middle_x - half, middle_y - half, middle_x + half, middle_y + half)
    name = f"change_{row['rank']:03d}"
    width, height = crop_pictures(
        mosaics, masks, registration, box, row["layers"].split(), pictures / name
    )
    bar = round_length(0.35 * box.width * scale)
    share = round(100 * bar / scale / box.width, 1)
    return {"row": row, "name": name, "w": width, "h": height, "bar": bar, "share": share}


def _outline(row: dict[str, Any], link: ToStudy, view: Overview) -> dict[str, Any]:
    """A change's box in the overview picture, at least 12 px a side."""
    px = link.to_mosaic([[row["x0_um"], row["y0_um"]], [row["x1_um"], row["y1_um"]]])
    (x0, y0), (x1, y1) = view.place(*px.min(0)), view.place(*px.max(0))
    grow_x, grow_y = (max(0.0, 12 - side) / 2 for side in (x1 - x0, y1 - y0))
    return {
        "rank": row["rank"],
        "x": round(x0 - grow_x, 1),
        "y": round(y0 - grow_y, 1),
        "w": round(x1 - x0 + 2 * grow_x, 1),
        "h": round(y1 - y0 + 2 * grow_y, 1),
    }


def _residuals(source: Path, view: Overview, *, exaggerate: float = 60.0) -> dict[str, Any]:
    """Left-out residuals as arrows in the overview picture."""
    arrows = []
    for row in read_table(source / "residuals.csv", "residuals"):
        x, y = view.place(row["x_px"], row["y_px"])
        dx, dy = (row[f"left_out_d{a}_px"] * exaggerate / view.scale for a in "xy")
        end = (round(x + dx, 1), round(y + dy, 1))
        arrows.append({"x": x, "y": y, "end": end, "used": row["weight"] > 0})
    return {"exaggerate": int(exaggerate), "arrows": arrows}


def _die(results: Path, name: str, study: StudySettings) -> dict[str, Any]:
    """Quality of a die: placement of each view, layers, link to the study frame."""
    views = []
    for view in study.dies[name].views:
        folder = results / "dies" / name / view
        poses = Poses.read(folder / "tiles.csv")
        stitch = read_json(folder / "stitch.json")
        figures = {k: v for k, v in stitch["figures"].items() if isinstance(v, int | float)}
        views.append(
            {
                "name": view,
                "tiles": list(poses),
                "placed": len(poses.placed),
                "map": _placed_map(poses, read_table(folder / "pairs.csv", "pairs")),
                "notes": stitch["notes"],
                "figures": figures,
                "survey": f"../dies/{name}/{view}/survey/index.html",
            }
        )
    layers = results / "dies" / name / "layers.json"
    return {
        "name": name,
        "revision": study.dies[name].revision,
        "views": views,
        "layers": read_json(layers) if layers.is_file() else None,
        "link": read_json(results / "dies" / name / "to_study.json"),
    }


def _placed_map(
    poses: Poses, pairs: list[dict[str, Any]], *, width: float = 900.0
) -> dict[str, Any]:
    """Placed tiles and measured pairs, scaled to a drawing `width` wide."""
    boxes = {tile.file: np.array(tile.box()) for tile in poses.placed}
    if not boxes:
        return {"width": width, "height": 1.0, "tiles": [], "pairs": []}
    corners = np.array(list(boxes.values()))
    low, high = corners[:, :2].min(0), corners[:, 2:].max(0)
    scale = width / max(high[0] - low[0], 1)
    drawn = {
        file: np.round((box - np.tile(low, 2)) * scale, 1).tolist() for file, box in boxes.items()
    }

    def centre(file: str) -> list[float]:
        x0, y0, x1, y1 = drawn[file]
        return [round((x0 + x1) / 2, 1), round((y0 + y1) / 2, 1)]

    return {
        "width": width,
        "height": round(float((high[1] - low[1]) * scale), 1),
        "tiles": [{"box": drawn[t.file], "modulo": t.modulo_pitch} for t in poses.placed],
        "pairs": [
            {"a": centre(p["file_a"]), "b": centre(p["file_b"]), "used": p["used"]}
            for p in pairs
            if p["file_a"] in drawn and p["file_b"] in drawn
        ],
    }
