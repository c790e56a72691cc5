"""What the page of a die says of the seams inside a finished picture."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from maskdelta.images import Raster, eight_bits
from maskdelta.report._figure_files import Plot, Scheme, frame_axes, map_size, save_plot
from maskdelta.report._results import covered_box
from maskdelta.report._view import View, sample
from maskdelta.report._words import number, percent
from maskdelta.study import read_json, read_table

__all__ = ["SeamView", "seam_view"]


@dataclass(frozen=True)
class SeamView:
    """Seams of one view.

    Parameters
    ----------
    rows : list of dict
        Of `seams.csv`.
    least : str
        How small a step would have been seen, in words.
    plot : Plot or None
        Where they run; None without any.
    """

    rows: list[dict[str, Any]]
    least: str
    plot: Plot | None


def seam_view(page_folder: Path, folder: Path, name: str, die: str) -> SeamView | None:
    """Read what was found in a view and draw it; None for a view made of tiles.

    Parameters
    ----------
    page_folder : path
        Where the page lies.
    folder : path
        Of the view's results.
    name : str
        Of the plot, below the page, without an ending.
    die : str
    """
    if not (folder / "seams.csv").is_file():
        return None
    rows = read_table(folder / "seams.csv", "seams")
    plot = _draw(page_folder, name, folder, rows, die) if rows else None
    return SeamView(rows, _least(read_json(folder / "seams.json")), plot)


def _least(figures: dict[str, Any]) -> str:
    offset, brightness = figures["offset_seen_px"], figures["brightness_seen_frac"]
    found = []
    if offset is not None:
        found.append(f"a displacement along it of {number(offset, 2)} px")
    if brightness is not None:
        found.append(
            f"a step of brightness of {percent(brightness, 1)} (where no outlines run along it)"
        )
    if not found:
        return "Too little crosses most lines of this picture to tell."
    return (
        f"A seam from side to side would have been seen from {' or '.join(found)}, at 19 of 20 "
        "places; a shorter one, or one that few shapes cross, only if it is worse."
    )


def _draw(page_folder: Path, name: str, folder: Path, rows: list[dict[str, Any]], die: str) -> Plot:
    with (
        Raster.open(folder / "mosaic.ome.tif") as mosaic,
        Raster.open(folder / "mosaic_tiles.tif") as coverage,
    ):
        box = covered_box(coverage)
        shown: NDArray[Any] = eight_bits(sample(mosaic, View.of_box(box, longest_px=900)))
    extent = (box.x0 - 0.5, box.x1 - 0.5, box.y0 - 0.5, box.y1 - 0.5)
    # the picture as a pale ground, so that the lines stand out
    ground = np.clip(255 - (255 - shown.astype(float)) * 0.55, 0, 255).astype(np.uint8)

    def draw(figure: Figure, scheme: Scheme) -> None:
        axes = figure.subplots()
        axes.imshow(ground, extent=(extent[0], extent[1], extent[3], extent[2]))
        frame_axes(axes, extent)
        for row in rows:
            x, y = (row["x0_px"], row["x1_px"]), (row["y0_px"], row["y1_px"])
            axes.plot(x, y, color="#ffffff", lw=3.2, solid_capstyle="butt")
            axes.plot(x, y, color="#b3261e", lw=1.6, solid_capstyle="butt")
            axes.text(
                sum(x) / 2,
                sum(y) / 2,
                str(row["seam"]),
                color="#ffffff",
                ha="center",
                va="center",
                fontsize=8,
                bbox={"boxstyle": "round,pad=0.2", "facecolor": "#b3261e", "linewidth": 0},
            )

    return save_plot(
        page_folder,
        name,
        draw,
        size_in=map_size(extent, width_in=6.2),
        alt=f"Map of the {len(rows)} seams found in the picture of {die}",
    )
