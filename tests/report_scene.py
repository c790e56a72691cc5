"""Results of a small invented study, written with the library's own writers."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from maskdelta.images import Box, write_raster
from maskdelta.overlay import LayerOverlay, Overlay
from maskdelta.register import ErrorMap, Registered
from maskdelta.report import write_survey_page
from maskdelta.study import (
    Pose,
    Poses,
    Registration,
    StudySettings,
    ToStudy,
    link_to_study,
    write_json,
    write_table,
)
from maskdelta.survey import FlatField, Survey
from maskdelta.survey._dust import Speck
from maskdelta.survey._lateral import LateralColour

HEIGHT, WIDTH = 420, 640
LAYERS = ("polysilicon", "metal")
STACKS = ("field_oxide", "polysilicon", "metal")
COLOURS = {"field_oxide": (110, 145, 90), "polysilicon": (140, 85, 58), "metal": (230, 206, 156)}
ADDED, REMOVED = (300, 100, 340, 120), (100, 250, 130, 270)  # boxes of the two changed areas, px
HIDDEN, SPOILED, OUT = (400, 300, 500, 400), (20, 20, 60, 60), (0, 0, WIDTH, 10)


def settings(**more: Any) -> StudySettings:
    """The study of the scene."""
    return StudySettings.model_validate(
        {
            "title": "Small <study>",
            "reference": "a1",
            "dies": {
                "a1": {"revision": "A", "tiles": "tiles/a1/*.jpg", "um_per_px": 0.5},
                "b1": {"revision": "B", "tiles": "tiles/b1/*.jpg"},
            },
            "comparisons": [{"before": "a1", "after": "b1"}],
            "layers": list(LAYERS),
            "marks": [],
            **more,
        }
    )


def write_scene(
    root: Path,
    *,
    um_per_px: float | None = 0.5,
    refused: Sequence[str] = (),
    changed: bool = True,
) -> Path:
    """Write the results of two dies and their comparison below `root / "results"`.

    The die after is the mirror image of the die before, with one area added in metal and one
    removed in polysilicon.

    Returns
    -------
    path
        Of the results.
    """
    results = root / "results"
    states = _states()
    registration = Registration(
        before="a1",
        after="b1",
        affine_after_to_before=np.array([[-1.0, 0.0, WIDTH - 1.0], [0.0, 1.0, 0.0]]),
        mirror=True,
        figures=_fit_figures() if not refused else {"hypotheses": [_hypothesis()]},
        groups=() if refused else (_group(),),
        refused=tuple(refused),
    )
    for die, step in (("a1", ()), ("b1", (registration,))):
        picture, labels = _die(after=die == "b1")
        link = link_to_study(
            die,
            "a1",
            step,
            own_um_per_px=um_per_px if die == "a1" else None,
            reference_um_per_px=um_per_px,
        )
        _write_die(results / "dies" / die, die, picture, labels, link)
        _write_view(root, results / "dies" / die / "top", die, picture)
    _write_comparison(
        results / "comparisons" / "a1--b1", registration, um_per_px, states, refused, changed
    )
    return results


def _fill(image: np.ndarray, box: tuple[int, int, int, int], value: Any) -> None:
    x0, y0, x1, y1 = box
    image[y0:y1, x0:x1] = value


def _die(*, after: bool) -> tuple[np.ndarray, np.ndarray]:
    """Picture and labels, in the die's own frame."""
    labels = np.zeros((HEIGHT, WIDTH), np.uint8)
    _fill(labels, (80, 60, 560, 70), 2)
    _fill(labels, HIDDEN, 2)
    _fill(labels, (200, 150, 215, 380), 1)
    if after:
        _fill(labels, ADDED, 2)
    else:
        _fill(labels, REMOVED, 1)
    picture = np.array([COLOURS[name] for name in STACKS], np.uint8)[labels]
    _fill(labels, SPOILED, 254)
    if not after:
        _fill(labels, OUT, 255)
        _fill(picture, OUT, 0)
    if after:
        picture, labels = picture[:, ::-1], labels[:, ::-1]
    return np.ascontiguousarray(picture), np.ascontiguousarray(labels)


def _states() -> dict[str, np.ndarray]:
    found = {}
    for layer in LAYERS:
        state = np.zeros((HEIGHT, WIDTH), np.uint8)
        for box in (SPOILED, OUT, *((HIDDEN,) if layer == "polysilicon" else ())):
            _fill(state, box, 255)
        found[layer] = state
    _fill(found["metal"], ADDED, 1)
    _fill(found["polysilicon"], REMOVED, 2)
    return found


def _raster(path: Path, pixels: np.ndarray, um_per_px: float | None, *planes: str) -> None:
    def render(box: Box) -> np.ndarray:
        part = pixels[box.y0 : box.y1, box.x0 : box.x1]
        return part[None] if planes else part

    write_raster(
        path,
        render,
        shape=(HEIGHT, WIDTH),
        dtype=pixels.dtype,
        planes=planes,
        um_per_px=um_per_px,
        reduce="nearest" if planes else "mean",
    )


def _write_die(
    folder: Path, die: str, picture: np.ndarray, labels: np.ndarray, link: ToStudy
) -> None:
    link.write(folder / "to_study.json")
    own = link.um_per_px if die == "a1" and link.unit == "um" else None
    _raster(folder / "top" / "mosaic.ome.tif", picture, own)
    _raster(folder / "top" / "mosaic_tiles.tif", (labels != 255).astype(np.uint16), own, "tile")
    _raster(folder / "labels.tif", labels, own, "label")
    counts = {name: int((labels == k).sum()) for k, name in enumerate(STACKS)}
    write_json(
        folder / "layers.json",
        {
            "die": die,
            "layers": list(LAYERS),
            "stacks": list(STACKS),
            "colour": {name: list(map(float, COLOURS[name])) for name in STACKS},
            "drift": [[0.02, 0.0, 0.01, 0.0, 0.0]] * 3,
            "swatch_confusion": {
                "field_oxide": {"field_oxide": 90, "metal": 10},
                "metal": {"metal": 50},
            },
            "separation": [{"sigma": 3.5, "stacks": ["field_oxide", "metal"]}],
            "area_px": {**counts, "spoiled": 1600, "not_photographed": 6400, "unknown": 0},
            "um_per_px": own,
            "not_covered_by_swatches": [],
        },
    )


def _write_view(root: Path, folder: Path, die: str, picture: np.ndarray) -> None:
    """Two tiles that overlap by a quarter, their survey and their placement."""
    names, lefts = ("tile 1.jpg", "tile 2.jpg"), (0, 270)
    tiles = root / "tiles" / die
    tiles.mkdir(parents=True)
    for name, left in zip(names, lefts, strict=True):
        part = picture[:, left : left + 370, ::-1]
        cv2.imwrite(str(tiles / name), np.ascontiguousarray(part))
    poses = [
        Pose(
            file=name,
            sha256=f"{k:064x}",
            width_px=370,
            height_px=HEIGHT,
            centre_x_px=left + 184.5,
            centre_y_px=(HEIGHT - 1) / 2,
        )
        for k, (name, left) in enumerate(zip(names, lefts, strict=True))
    ]
    lost = Pose("tile 3.jpg", f"{3:064x}", 370, HEIGHT, status="unplaced", why="nothing overlaps")
    Poses.of([*poses, lost]).write(folder / "tiles.csv")
    pair = {"file_a": names[0], "file_b": names[1], "dx_px": 270.2, "dy_px": 0.1, "sd_px": 0.05}
    write_table(
        folder / "pairs.csv",
        "pairs",
        [{**pair, "score": 0.97, "candidates": 1, "residual_px": 0.22, "used": True}],
    )
    seam = {"file_a": names[0], "file_b": names[1], "x_px": 320.0, "y_px": 209.5}
    seam |= {"step_levels": 7.1, "overlap_levels": 9.4}
    write_table(folder / "mosaic_seams.csv", "mosaic_seams", [seam])
    write_json(folder / "stitch.json", {"figures": {"islands": 1, "lens": 0.001}, "notes": []})
    flat_field = FlatField(2, np.full((3, 5), -0.05), 0.01)
    flat_field.write(folder / "flat_field.json")
    found = survey_of(names, lefts, flat_field)
    found.write(folder / "survey")
    files = [str(tiles / name) for name in names]
    write_survey_page(folder / "survey" / "index.html", found, files, die=die, view="top")


def survey_of(names: Sequence[str], lefts: Sequence[float], flat_field: FlatField) -> Survey:
    """A survey of tiles in a row: the last is out of focus, and there is a gap on the right."""
    rows = [
        {
            "file": name,
            "sha256": f"{k:064x}",
            "width_px": 370,
            "height_px": HEIGHT,
            "bits": 8,
            "orientation": 1,
            "x_px": left + 184.5,
            "y_px": (HEIGHT - 1) / 2,
            "focus": 1.0,
            "haze_frac": 0.0,
            "clipped_frac": 0.0,
            "dark_frac": 0.0,
            "exposure": 1.0,
            "neighbours": 1,
            "flags": "",
        }
        for k, (name, left) in enumerate(zip(names, lefts, strict=True))
    ]
    rows[-1] |= {"focus": 0.3, "flags": "out of focus"}
    gap = {"x_px": lefts[-1] + 184.5 + 185.0, "y_px": 209.5 + 42.0, "area_px2": 40000.0}
    gap |= {"why": "not photographed: 26 % of a tile is missing", "take": "take a tile there"}
    thin = {"x_px": 320.0, "y_px": 210.0, "area_px2": 0.0, "take": "take a tile there"}
    thin |= {"why": f"{names[0]} and {names[-1]} overlap by 3.0 % of a tile only"}
    figures = {
        "tiles": len(rows),
        "places": "grid",
        "pairs_tried": 1,
        "pairs_correlated": 1,
        "reduction": 3,
        "search_px": 60,
        "shading_rms_frac": 0.01,
        "missing_places": 0,
        "dust": [Speck(120.0, 80.0, 3.2, 0.07, 9).to_mapping()],
        "lateral_colour": LateralColour(0.001, 0.0, 0.3, 0.02, 0.01, 0.01, patches=90).to_mapping(),
        "colour_profiles": 0,
        "gaps": 2,
    }
    return Survey(rows, [], flat_field, [gap, thin], figures)


def _fit_figures() -> dict[str, Any]:
    return {
        "control_points": 12,
        "control_points_used": 9,
        "features": {"agree": 80, "matches": 120},
        "left_out_rms_px": 0.4,
        "left_out_p95_px": 0.8,
        "fit_rms_px": 0.3,
        "max_strain": 0.001,
        "strain_capped": False,
    }


def _hypothesis() -> dict[str, Any]:
    return {
        "features_agree": 7,
        "features": 90,
        "kind": "structure",
        "mirror": True,
        "patches_agree": 3,
        "patches_tried": 40,
        "score": 0.1,
        "affine_after_to_before": [[-1.0, 0.02, WIDTH - 9.0], [0.02, 1.0, 4.0]],
    }


def _group() -> dict[str, Any]:
    place = {"x0_px": 100.0, "y0_px": 100.0, "x1_px": 200.0, "y1_px": 200.0}
    return {"group": 1, "points": 3, "dx_px": 2.0, "dy_px": -1.0, "scatter_px": 0.1, **place}


def _write_comparison(
    folder: Path,
    registration: Registration,
    um_per_px: float | None,
    states: dict[str, np.ndarray],
    refused: Sequence[str],
    changed: bool,
) -> None:
    scale = um_per_px or 1.0
    shown = changed and not refused
    points = [] if refused else [_point(k) for k in range(12)]
    error = ErrorMap(Box(0, 0, WIDTH, HEIGHT), 64, np.full((7, 10), 0.9))
    Registered(registration, points, error).write(folder)
    layers = {"metal": LayerOverlay(0.4, -0.2, 0.1, 9, 0.05), "polysilicon": LayerOverlay()}
    Overlay({} if refused else layers, um_per_px).write(folder / "overlay.json")
    for layer, state in states.items():
        plane = np.full_like(state, 255) if refused else state
        plane = plane if shown or refused else np.where(plane < 3, 0, plane).astype(np.uint8)
        _raster(folder / "differences" / f"{layer}.tif", plane, um_per_px, layer)
    parts = (("metal", "added", ADDED, "clock"), ("polysilicon", "removed", REMOVED, ""))
    rows = [_change(k + 1, *part, scale) for k, part in enumerate(parts)] if shown else []
    write_table(folder / "changes.csv", "changes", rows)
    features = [_feature(row, part, scale) for row, part in zip(rows, parts, strict=False)]
    write_json(folder / "changes.geojson", {"type": "FeatureCollection", "features": features})
    write_table(folder / "landmarks.csv", "landmarks", _landmarks(shown, scale))
    write_table(folder / "sensitivity.csv", "sensitivity", _sensitivity(states, scale))
    write_json(
        folder / "summary.json",
        {
            "before": "a1",
            "after": "b1",
            "unit": "px" if um_per_px is None else "um",
            "refused": list(refused),
            "changes": len(rows),
            "null_pairs": [],
            "null_why_empty": "no other comparison of two dies of one revision is named",
            "expected_false": None,
            "expected_false_p95": None,
            "kinds": {row["kind"]: 1 for row in rows},
            "accepted": 0,
            "rejected": 0,
            "verdicts_unmatched": [],
            "added_um2": sum(row["added_um2"] for row in rows),
            "removed_um2": sum(row["removed_um2"] for row in rows),
            "doubtful_regions": 4,
            "comparable_frac": dict.fromkeys(LAYERS, 0.9),
            "ranking": "changed area / (1 + distance to the nearest landmark / its reach)",
        },
    )


def _point(k: int) -> dict[str, Any]:
    miss = dict.fromkeys(("dx_px", "dy_px"), 0.3 * (k % 3 - 1))
    miss |= {f"left_out_{name}": 1.2 * value for name, value in miss.items()}
    x, y = 80.0 + 160 * (k % 4), 100.0 + 120 * (k // 4)
    return {"x_px": x, "y_px": y, **miss, "score": 0.9, "weight": float(k > 2), "group": int(k < 3)}


def _change(
    rank: int,
    layer: str,
    kind: str,
    box: tuple[int, int, int, int],
    landmark: str,
    scale: float,
) -> dict[str, Any]:
    x0, y0, x1, y1 = ((v - 0.5) * scale for v in box)
    area = (x1 - x0) * (y1 - y0)
    return {
        "rank": rank,
        "change": f"{layer}@{(x0 + x1) / 2:.0f},{(y0 + y1) / 2:.0f}",
        "kind": kind,
        "moved_x_um": None,
        "moved_y_um": None,
        "layers": layer,
        "x_um": (x0 + x1) / 2,
        "y_um": (y0 + y1) / 2,
        "x0_um": x0,
        "y0_um": y0,
        "x1_um": x1,
        "y1_um": y1,
        "added_um2": area if kind == "added" else 0.0,
        "removed_um2": area if kind == "removed" else 0.0,
        "error_um": 0.45,
        "evidence": 4.2,
        "affinity": -3.1,
        "p_value": None,
        "q_value": None,
        "landmark": landmark,
        "landmark_distance_um": 12.0 if landmark else None,
        "landmark_bearing_deg": 132.0 if landmark else None,
        "verdict": "",
        "label": "",
        "note": "",
        "since_verdict": "",
        "seen_before": "0 of 2",
        "seen_after": "2 of 2",
        "cause": "mask change",
        "tiles_before": "tile 1.jpg",
        "tiles_after": "tile 2.jpg",
    }


def _feature(row: dict[str, Any], part: Sequence[Any], scale: float) -> dict[str, Any]:
    x0, y0, x1, y1 = ((v - 0.5) * scale for v in part[2])
    ring = [[x0, y0], [x1, y0], [x1, y1], [x0, y1], [x0, y0]]
    about = {"rank": row["rank"], "change": row["change"], "layer": part[0], "state": part[1]}
    return {
        "type": "Feature",
        "geometry": {"type": "Polygon", "coordinates": [ring]},
        "properties": {**about, "frame": "study"},
    }


def _landmarks(shown: bool, scale: float) -> list[dict[str, Any]]:
    return [
        {
            "landmark": "clock",
            "layer": layer,
            "x_um": 320 * scale,
            "y_um": 110 * scale,
            "area_um2": 10000 * scale**2,
            "changes": int(shown and layer == "metal"),
            "added_um2": 800 * scale**2 if shown and layer == "metal" else 0.0,
            "removed_um2": 0.0,
            "comparable_frac": 0.97,
            "smallest_seen_um": 4 * scale,
        }
        for layer in LAYERS
    ]


def _sensitivity(states: dict[str, np.ndarray], scale: float) -> list[dict[str, Any]]:
    return [
        {
            "layer": layer,
            "comparable_um2": float((state != 255).sum()) * scale**2,
            "not_comparable_um2": float((state == 255).sum()) * scale**2,
            "comparable_frac": float((state != 255).mean()),
            "planted": 120,
            "large_found_frac": 0.98,
            "smallest_seen_um": 4 * scale,
            "smallest_seen_p95_um": 5 * scale,
        }
        for layer, state in states.items()
    ]
