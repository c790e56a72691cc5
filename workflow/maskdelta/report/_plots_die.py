"""Plots about one view of a die: placement, focus, shading, drift of colour."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator
from numpy.typing import NDArray

from maskdelta.report._figure_files import Plot, Scheme, frame_axes, map_size, save_plot
from maskdelta.study import Pose, Poses
from maskdelta.survey import FlatField

__all__ = [
    "PairArrows",
    "draw_drift",
    "draw_focus",
    "draw_placement",
    "draw_shading",
    "pair_arrows",
    "round_factor",
]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class PairArrows:
    """Pairs of tiles as lines, and how far each misses, as arrows.

    Parameters
    ----------
    lines : (n, 2, 2) float64
        From tile centre to tile centre.
    miss : (n, 2) float64
        Measured minus placed, px.
    used : (n,) bool
    exaggeration : float
        Of the arrows; 0 without any.
    """

    lines: Array
    miss: Array
    used: NDArray[np.bool_]
    exaggeration: float


def round_factor(largest: float) -> float:
    """1, 2 or 5 times a power of ten, at most `largest` and at least 1."""
    if largest <= 1:
        return 1.0
    power = 10.0 ** np.floor(np.log10(largest))
    return float(max(m * power for m in (1, 2, 5) if m * power <= largest))


def pair_arrows(poses: Poses, pairs: Sequence[dict[str, Any]]) -> PairArrows:
    """Lines and misses of all pairs whose two tiles were placed."""
    at = {tile.file: np.array([tile.centre_x_px, tile.centre_y_px]) for tile in poses.placed}
    rows = [r for r in pairs if r["file_a"] in at and r["file_b"] in at]
    lines = np.array([[at[r["file_a"]], at[r["file_b"]]] for r in rows]).reshape(-1, 2, 2)
    measured = np.array([[r["dx_px"], r["dy_px"]] for r in rows]).reshape(-1, 2)
    miss = measured - (lines[:, 1] - lines[:, 0])
    used = np.array([r["used"] for r in rows], bool)
    far = float(np.percentile(np.hypot(*miss[used].T), 95)) if used.any() else 0.0
    side = float(np.median([tile.width_px for tile in poses.placed])) if len(at) else 0.0
    factor = round_factor(min(0.25 * side / far, 500.0)) if far > 1e-3 else 0.0
    return PairArrows(lines, miss, used, factor)


def _extent(tiles: Sequence[Pose]) -> tuple[float, float, float, float]:
    boxes = np.array([tile.box() for tile in tiles])
    return (
        float(boxes[:, 0].min()),
        float(boxes[:, 2].max()),
        float(boxes[:, 1].min()),
        float(boxes[:, 3].max()),
    )


def draw_placement(folder: Path, name: str, poses: Poses, arrows: PairArrows, die: str) -> Plot:
    """Outlines of the tiles, the pairs that hold them, and how far each pair misses."""
    extent = _extent(poses.placed)

    def draw(figure: Figure, scheme: Scheme) -> None:
        axes = figure.subplots()
        frame_axes(axes, extent)
        outlines = [tile.outline() for tile in poses.placed]
        axes.add_collection(
            PolyCollection(outlines, facecolor="none", edgecolor=scheme.soft, lw=0.5)
        )
        doubtful = [tile.outline() for tile in poses.placed if tile.modulo_pitch]
        axes.add_collection(
            PolyCollection(doubtful, facecolor="none", edgecolor=scheme.orange, hatch="...", lw=0.5)
        )
        axes.add_collection(
            LineCollection(list(arrows.lines[arrows.used]), colors=scheme.blue, lw=0.8, alpha=0.55)
        )
        axes.add_collection(
            LineCollection(
                list(arrows.lines[~arrows.used]), colors=scheme.orange, lw=1.2, linestyles="--"
            )
        )
        if arrows.exaggeration:
            middle = arrows.lines[arrows.used].mean(1)
            axes.quiver(
                *middle.T,
                *(arrows.miss[arrows.used] * arrows.exaggeration).T,
                angles="xy",
                scale_units="xy",
                scale=1,
                width=0.004,
                color=scheme.ink,
            )

    return save_plot(
        folder,
        name,
        draw,
        size_in=map_size(extent, width_in=6.2),
        alt=f"Map of the {len(poses.placed)} placed tiles of {die} and of the pairs between them",
    )


def draw_focus(folder: Path, name: str, poses: Poses, die: str) -> Plot:
    """Sharpness of each tile relative to its neighbours."""
    extent = _extent(poses.placed)
    values = np.array([tile.focus for tile in poses.placed])

    def draw(figure: Figure, scheme: Scheme) -> None:
        axes = figure.subplots()
        frame_axes(axes, extent)
        tiles = PolyCollection(
            [tile.outline() for tile in poses.placed], edgecolor=scheme.soft, lw=0.5, cmap="cividis"
        )
        tiles.set_array(values)
        tiles.set_clim(min(0.5, values.min()), max(1.2, values.max()))
        axes.add_collection(tiles)
        figure.colorbar(tiles, ax=axes, shrink=0.8, label="sharpness")

    return save_plot(
        folder,
        name,
        draw,
        size_in=map_size(extent, width_in=6.2, beside_in=1.0),
        alt=f"Sharpness of the tiles of {die}: from {values.min():.2f} to {values.max():.2f}",
    )


def draw_shading(folder: Path, name: str, flat_field: FlatField, shape: tuple[int, int]) -> Plot:
    """How bright a tile is towards its corners, mean of the channels."""
    step = max(1, max(shape) // 200)
    small = (max(2, shape[0] // step), max(2, shape[1] // step))
    shading = 100 / flat_field.gain(small).mean(-1)
    extent = (0.0, float(shape[1]), 0.0, float(shape[0]))

    def draw(figure: Figure, scheme: Scheme) -> None:
        axes = figure.subplots()
        frame_axes(axes, extent)
        box = (extent[0], extent[1], extent[3], extent[2])
        image = axes.imshow(shading, extent=box, cmap="cividis", vmin=min(85, shading.min()))
        levels = np.arange(50, 150, 5)
        levels = levels[(levels > shading.min()) & (levels < shading.max())]
        if len(levels):
            y, x = (np.linspace(0, side, n) for side, n in zip(shape, small, strict=True))
            lines = axes.contour(x, y, shading, levels=levels, colors="white", linewidths=0.7)
            axes.clabel(lines, fmt="%d %%", fontsize=8)
        whole = FuncFormatter(lambda v, _: f"{v:.0f} %")
        figure.colorbar(
            image, ax=axes, shrink=0.8, format=whole, ticks=MaxNLocator(6, integer=True)
        )

    return save_plot(
        folder,
        name,
        draw,
        size_in=map_size(extent, width_in=5.0, beside_in=1.0),
        alt=f"Shading of a tile: {shading.min():.0f} to {shading.max():.0f} % of the middle",
    )


def draw_drift(folder: Path, name: str, coefficients: Array, ratio: float, die: str) -> Plot:
    """Factor of the colour over the die, a map a channel.

    Parameters
    ----------
    coefficients : (3, 5) array
        Log factor of x, y, x^2, x y, y^2 for red, green and blue, with x and y from -1 to 1.
    ratio : float
        Height of the mosaic over its width.
    """
    y, x = np.mgrid[-1:1:60j, -1:1:80j]
    terms = np.stack([x, y, x * x, x * y, y * y], -1)
    percent = 100 * (np.exp(terms @ coefficients.T) - 1)
    most = max(2.0, float(np.abs(percent).max()))

    def draw(figure: Figure, scheme: Scheme) -> None:
        panels = figure.subplots(1, 3)
        for k, (axes, channel) in enumerate(zip(panels, ("red", "green", "blue"), strict=True)):
            image = axes.imshow(percent[..., k], cmap="PuOr", vmin=-most, vmax=most, aspect="auto")
            axes.set_box_aspect(ratio)
            axes.set_xticks([])
            axes.set_yticks([])
            axes.set_title(channel, fontsize=9.5)
        signed = FuncFormatter(lambda v, _: f"{v:+.0f} %" if abs(v) >= 0.5 else "0 %")
        figure.colorbar(image, ax=list(panels), shrink=0.8, format=signed)

    return save_plot(
        folder,
        name,
        draw,
        size_in=(6.6, float(np.clip(2.0 * ratio, 1.2, 2.6)) + 0.3),
        alt=f"Drift of the colour over {die}, at most {np.abs(percent).max():.1f} %",
    )
