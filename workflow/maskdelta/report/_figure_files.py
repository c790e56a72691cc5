"""Plots in two schemes, light and dark, with fixed settings."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import matplotlib
from matplotlib.axes import Axes
from matplotlib.figure import Figure

__all__ = ["Extent", "Plot", "Scheme", "frame_axes", "map_size", "save_plot"]

Extent = tuple[float, float, float, float]

_DPI = 130


@dataclass(frozen=True)
class Scheme:
    """Colours of a plot on a light or a dark page."""

    name: str
    ink: str
    soft: str
    blue: str
    orange: str


SCHEMES = (
    Scheme("light", ink="#23282e", soft="#8a929c", blue="#0067a6", orange="#c2500a"),
    Scheme("dark", ink="#dfe3e8", soft="#78828e", blue="#62b6ea", orange="#f09048"),
)


@dataclass(frozen=True)
class Plot:
    """A plot that was written in both schemes.

    Parameters
    ----------
    light, dark : str
        Paths relative to the page.
    width, height : int
        As shown, in CSS px.
    alt : str
        What it shows.
    """

    light: str
    dark: str
    width: int
    height: int
    alt: str


def save_plot(
    page_folder: Path,
    name: str,
    draw: Callable[[Figure, Scheme], None],
    *,
    size_in: tuple[float, float],
    alt: str,
) -> Plot:
    """Draw a plot once for each scheme.

    Parameters
    ----------
    page_folder : path
        Where the page lies.
    name : str
        Path below it without an ending.
    draw : callable
        Draws into an empty figure with the colours of a scheme.
    size_in : (float, float)
        Width and height in inches of 96 CSS px.
    alt : str
        What it shows, for those who cannot see it.

    Returns
    -------
    Plot
    """
    for scheme in SCHEMES:
        path = page_folder / f"{name}_{scheme.name}.png"
        path.parent.mkdir(parents=True, exist_ok=True)
        with matplotlib.rc_context(_settings(scheme)):
            figure = Figure(figsize=size_in, layout="constrained")
            draw(figure, scheme)
            figure.savefig(path, dpi=_DPI, transparent=True, metadata={"Software": None})
    light, dark = (f"{name}_{scheme.name}.png" for scheme in SCHEMES)
    return Plot(light, dark, round(96 * size_in[0]), round(96 * size_in[1]), alt)


def _settings(scheme: Scheme) -> dict[str, object]:
    inks = ("text.color", "axes.labelcolor", "xtick.labelcolor", "ytick.labelcolor")
    lines = ("axes.edgecolor", "xtick.color", "ytick.color")
    return {
        "font.family": "DejaVu Sans",
        "font.size": 9.5,
        "axes.linewidth": 0.7,
        "axes.spines.top": False,
        "axes.spines.right": False,
        **dict.fromkeys(inks, scheme.ink),
        **dict.fromkeys(lines, scheme.soft),
    }


def frame_axes(axes: Axes, extent: Extent) -> None:
    """Axes in px of a mosaic: x to the right, y down, square px; `extent` is x0, x1, y0, y1."""
    x0, x1, y0, y1 = extent
    axes.set_xlim(x0, x1)
    axes.set_ylim(y1, y0)
    axes.set_aspect("equal")
    axes.set_xlabel("x, px")
    axes.set_ylabel("y, px")


def map_size(
    extent: Extent, *, width_in: float, beside_in: float = 0.1, most_in: float = 8.0
) -> tuple[float, float]:
    """Size of a figure that a map of this extent fills, beside a colour bar or nothing.

    0.7 in is left for the numbers on the left, 0.55 in for those below.
    """
    x0, x1, y0, y1 = extent
    height = (width_in - 0.7 - beside_in) * (y1 - y0) / max(x1 - x0, 1.0) + 0.55
    return width_in, round(min(max(height, 2.2), most_in), 2)
