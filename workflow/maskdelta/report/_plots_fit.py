"""Plots about a registration: residuals and its local error."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from numpy.typing import NDArray

from maskdelta.register import ErrorMap
from maskdelta.report._figure_files import Plot, Scheme, frame_axes, map_size, save_plot
from maskdelta.report._plots_die import round_factor

__all__ = ["draw_error", "draw_residuals", "residual_exaggeration"]

Extent = tuple[float, float, float, float]


def residual_exaggeration(rows: Sequence[dict[str, Any]], extent: Extent) -> float:
    """Factor that makes the arrows of the points in use readable on a map of this extent."""
    lengths = [np.hypot(r["left_out_dx_px"], r["left_out_dy_px"]) for r in rows if r["weight"] > 0]
    if not lengths or max(lengths) < 1e-9:
        return 1.0
    longest = float(np.percentile(lengths, 95))
    return round_factor(0.03 * max(extent[1] - extent[0], extent[3] - extent[2]) / longest)


def draw_residuals(
    folder: Path,
    name: str,
    rows: Sequence[dict[str, Any]],
    groups: Sequence[dict[str, Any]],
    extent: Extent,
    *,
    exaggeration: float,
) -> Plot:
    """Arrows at the control points: how far each misses when its block is left out of the fit."""
    points = np.array([[r["x_px"], r["y_px"]] for r in rows]).reshape(-1, 2)
    miss = np.array([[r["left_out_dx_px"], r["left_out_dy_px"]] for r in rows]).reshape(-1, 2)
    used = np.array([r["weight"] > 0 for r in rows], bool)

    def draw(figure: Figure, scheme: Scheme) -> None:
        axes = figure.subplots()
        frame_axes(axes, extent)
        for mask, colour, marker in ((used, scheme.blue, "o"), (~used, scheme.orange, "D")):
            axes.quiver(
                *points[mask].T,
                *(miss[mask] * exaggeration).T,
                angles="xy",
                scale_units="xy",
                scale=1,
                width=0.0016,
                color=colour,
            )
            x, y = points[mask].T
            face = colour if marker == "o" else "none"
            axes.scatter(x, y, s=7, marker=marker, facecolor=face, edgecolor=colour, lw=0.8)
        for group in groups:
            _frame_group(axes, group, scheme)

    return save_plot(
        folder,
        name,
        draw,
        size_in=map_size(extent, width_in=10.5),
        alt=f"Residuals of {used.sum()} control points in use and {(~used).sum()} rejected",
    )


def _frame_group(axes: Any, group: dict[str, Any], scheme: Scheme, *, margin: float = 60.0) -> None:
    x, y = group["x0_px"] - margin, group["y0_px"] - margin
    width, height = group["x1_px"] + margin - x, group["y1_px"] + margin - y
    axes.add_patch(Rectangle((x, y), width, height, fill=False, ec=scheme.orange, lw=1, ls="--"))
    axes.annotate(
        f"group {group['group']}",
        (x, y),
        xytext=(2, 3),
        textcoords="offset points",
        fontsize=8.5,
        color=scheme.orange,
    )


def draw_error(
    folder: Path,
    name: str,
    error: ErrorMap,
    covered: NDArray[np.bool_],
    extent: Extent,
    *,
    scale: float,
    unit: str,
) -> Plot:
    """Radius that holds the truth with 95 %, where the die before was photographed.

    Parameters
    ----------
    error : ErrorMap
    covered : (h, w) bool
        On the grid of the error map.
    extent : x0, x1, y0, y1
    scale : float
        Units per px.
    unit : str
        As printed.
    """
    radius = np.where(covered, error.radius_px * scale, np.nan)
    box = error.box

    def draw(figure: Figure, scheme: Scheme) -> None:
        axes = figure.subplots()
        frame_axes(axes, extent)
        image = axes.imshow(
            radius,
            extent=(
                box.x0,
                box.x0 + radius.shape[1] * error.step_px,
                box.y0 + radius.shape[0] * error.step_px,
                box.y0,
            ),
            cmap="cividis",
            vmin=0,
        )
        frame_axes(axes, extent)
        figure.colorbar(image, ax=axes, shrink=0.8, label=f"95 % radius, {unit}")

    low, high = (float(f(radius)) if covered.any() else 0.0 for f in (np.nanmin, np.nanmax))
    return save_plot(
        folder,
        name,
        draw,
        size_in=map_size(extent, width_in=10.5, beside_in=1.1),
        alt=f"Local error of the registration: {low:.2f} to {high:.2f} {unit}",
    )
