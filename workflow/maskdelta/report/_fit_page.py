"""The page of a registration: how well one die lies over the other, and where not."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from maskdelta.images import Raster
from maskdelta.register import ErrorMap
from maskdelta.report._figure_files import Plot
from maskdelta.report._fit_places import Look, write_candidates, write_looks
from maskdelta.report._plots_fit import draw_error, draw_residuals, residual_exaggeration
from maskdelta.report._results import Compared, Folders, covered_box
from maskdelta.report._templates import write_page
from maskdelta.report._view import View, sample
from maskdelta.study import read_table

__all__ = ["FitCard", "write_fit_page"]


@dataclass(frozen=True)
class FitCard:
    """What the list of quality pages says of a registration."""

    compared: Compared
    page: str
    words: str


def write_fit_page(compared: Compared, folders: Folders, **common: object) -> FitCard:
    """Write `<before>--<after>-fit.html` with its plots."""
    page = f"{compared.name}-fit.html"
    plots: dict[str, Plot] = {}
    looks: list[Look] = []
    factor = 1.0
    if not compared.refused:
        with Raster.open(folders.coverage(compared.before)) as coverage:
            box = covered_box(coverage)
            error = ErrorMap.read(compared.folder / "registration_error.tif")
            seen = _seen(coverage, error)
        extent = (float(box.x0), float(box.x1), float(box.y0), float(box.y1))
        factor = residual_exaggeration(compared.residuals, extent)
        groups = compared.registration.groups
        name = f"{compared.name}/residuals"
        plots["residuals"] = draw_residuals(
            folders.report, name, compared.residuals, groups, extent, exaggeration=factor
        )
        plots["error"] = draw_error(
            folders.report,
            f"{compared.name}/error",
            error,
            seen,
            extent,
            scale=compared.um_per_px,
            unit=compared.unit,
        )
        looks = write_looks(compared, folders)
    write_page(
        folders.report / page,
        "fit.html",
        c=compared,
        plots=plots,
        looks=looks,
        candidates=write_candidates(compared, folders) if compared.refused else [],
        exaggeration=factor,
        figures=_figures(compared),
        hypotheses=compared.registration.figures.get("hypotheses", []),
        groups=_groups(compared),
        overlay=_overlay(compared),
        jumps=_jumps(compared),
        page=page,
        **common,
    )
    return FitCard(compared, page, _words(compared))


def _jumps(compared: Compared) -> list[dict[str, Any]]:
    """Rows of `jumps.csv`, none where it was not looked for."""
    path = compared.folder / "jumps.csv"
    return read_table(path, "jumps") if path.is_file() else []


def _seen(coverage: Raster, error: ErrorMap) -> np.ndarray:
    """Cells of the error map whose middle was photographed."""
    height, width = error.radius_px.shape
    view = View(error.box.x0 - 0.5, error.box.y0 - 0.5, float(error.step_px), width, height)
    return sample(coverage, view, nearest=True) > 0


def _words(compared: Compared) -> str:
    if compared.refused:
        return "refused"
    figures = compared.registration.figures
    miss = figures.get("left_out_rms_px")
    used, total = figures.get("control_points_used"), figures.get("control_points")
    if miss is None:
        return "trusted"
    scaled = f" ({miss * compared.um_per_px:.2f} {compared.unit})" if compared.unit != "px" else ""
    return (
        f"patches left out of the fit miss by {miss:.2f} px{scaled} in the root mean square; "
        f"{used} of {total} control points in use"
    )


def _figures(compared: Compared) -> list[tuple[str, str, str]]:
    """Name, value and meaning of the figures of a registration."""
    figures, unit, scale = compared.registration.figures, compared.unit, compared.um_per_px

    def length(key: str) -> str:
        in_px = f"{figures[key]:.2f} px"
        return in_px if unit == "px" else f"{in_px} = {figures[key] * scale:.2f} {unit}"

    rows = [
        (
            "Mirrored",
            "yes" if compared.registration.mirror else "no",
            "whether one is a mirror image",
        ),
        (
            "Scale",
            f"{compared.registration.scale_after_to_before:.4f}",
            f"px of {compared.before} per px of {compared.after}",
        ),
    ]
    features = figures.get("features")
    if isinstance(features, dict) and features.get("matches"):
        rows.append(
            (
                "Features that agree",
                f"{features['agree']} of {features['matches']}",
                "the first, coarse guess",
            )
        )
    if "control_points" in figures:
        rows.append(
            (
                "Control points in use",
                f"{figures['control_points_used']} of {figures['control_points']}",
                "patches compared all over the die; the others disagree with one smooth map",
            )
        )
    for key, name, meaning in (
        (
            "left_out_rms_px",
            "Miss when left out",
            "root mean square over patches left out of the fit",
        ),
        ("left_out_p95_px", "Miss, 95 %", "19 in 20 patches in use miss by less"),
        ("fit_rms_px", "Miss of the fit", "root mean square with all patches in the fit"),
        (
            "layers_mix_px",
            "Shifts of layers",
            "root mean square that layers lying beside the others add to patches; not in the fit",
        ),
    ):
        if figures.get(key) is not None:
            rows.append((name, length(key), meaning))
    for crack in figures.get("cracks", []):
        moved = math.hypot(*crack["moved_px"]) * scale
        value = f"moved by {moved:.1f} {unit}, turned by {crack['turned_deg']:.2f} degrees"
        meaning = (
            "nobody marked a crack, but this part lies otherwise than the rest: a crack, or a part "
            "that was drawn elsewhere; it is laid over by itself"
        )
        rows.append(("Part that lies apart", value, meaning))
    if figures.get("max_strain") is not None:
        capped = (
            "; finer maps were held to the most allowed" if figures.get("strain_capped") else ""
        )
        rows.append(
            (
                "Strain of the warp",
                f"{1e3 * figures['max_strain']:.2f} per thousand{capped}",
                "how strongly the smooth map bends, at most; maps beyond belief are refused",
            )
        )
    return rows


def _groups(compared: Compared) -> list[dict[str, Any]]:
    """Rejected groups with their place in the unit of the study."""
    rows = []
    for group in compared.registration.groups:
        corners = [[group["x0_px"], group["y0_px"]], [group["x1_px"], group["y1_px"]]]
        (x0, y0), (x1, y1) = np.sort(compared.link.to_study(corners), axis=0)
        rows.append({**group, "x0": x0, "y0": y0, "x1": x1, "y1": y1})
    return rows


def _overlay(compared: Compared) -> list[dict[str, Any]]:
    """Shift and line width a layer."""
    unit = compared.overlay["unit"]
    return [
        {
            "layer": layer,
            "patches": row["patches"],
            "shared": row.get("shared", False),
            **{key: row[f"{key}_{unit}"] for key in ("dx", "dy", "grow", "sd")},
        }
        for layer, row in compared.overlay["layers"].items()
    ]
