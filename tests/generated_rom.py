"""A mask ROM of known content, laid out by somebody else's generator, for the phantom's camera.

Source: the package `openram==1.2.48` (BSD-3-Clause), its ROM compiler and its rules for a 180 nm
process. The wheel is fetched with pip, unpacked, and never installed. The array is of the NAND
type: one transistor a bit along each column; a strap of metal over the gate stands for 0, none
for 1. Word 0 lies at the bottom; the words of a row are interleaved bit by bit, highest bit
first. Every eight rows a strip of taps widens the step.
"""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from dataclasses import dataclass
from pathlib import Path

import gdstk
import numpy as np

from maskdelta.phantom import AnyMasks

PACKAGE, WHEEL = "openram==1.2.48", "openram-1.2.48-py3-none-any.whl"
SHA256 = "aa3b40f0a1707a6f3aeec48cdc84c741b4119dada03d563996f3a81e62e5fe00"
LAYERS = {"diffusion": (22, 0), "polysilicon": (30, 0), "contact": (33, 0), "metal": (34, 0)}
NARROWEST_UM = 0.22  # a contact
CELLS = {"rom_base_one_cell": 1, "rom_base_zero_cell": 0}
BIT_UM = (1.125, 0.47)  # middle of the gate in its cell
MARGIN_UM = 4.0  # of what lies around the array

# The characteriser, which the layout needs nothing of, imports a library of regressions; the
# process rules want three files of a design kit to be there, and do not read them either.
_DRIVER = """
import sys, types
names = {
    "linear_model": ("Ridge", "LinearRegression"),
    "neural_network": ("MLPRegressor",),
    "preprocessing": ("MaxAbsScaler", "StandardScaler"),
    "model_selection": ("train_test_split",),
    "metrics": ("mean_squared_error",),
}
sys.modules["sklearn"] = types.ModuleType("sklearn")
for part, has in names.items():
    sys.modules["sklearn." + part] = module = types.ModuleType(part)
    module.__dict__.update(dict.fromkeys(has, object))
import openram
openram.parse_args()
openram.init_openram(config_file=sys.argv[1])
from openram import rom
rom().r.gds_write(sys.argv[2])
openram.end_openram()
"""
_CONFIG = """
tech_name = "gf180mcu"
word_size = 1
check_lvsdrc = False
use_conda = False
nominal_corner_only = True
data_type = "bin"
rom_data = "{folder}/data.bin"
output_path = "{folder}/"
output_name = "rom"
openram_temp = "{folder}/temporary/"
"""


def generate(wheel: zipfile.ZipFile, data: bytes, folder: Path) -> Path:
    """Lay out a ROM that holds `data`; returns the GDSII file. Takes 5 s for 64 bytes.

    Parameters
    ----------
    wheel : ZipFile
    data : bytes
    folder : path
        New, for this ROM alone.
    """
    wheel.extractall(folder / "package")
    kit = folder / "kit" / "gf180mcuD" / "libs.tech"
    for name in ("ngspice/sm141064.ngspice", "magic/gf180mcuD.magicrc", "netgen/setup.tcl"):
        (kit / name).parent.mkdir(parents=True)
        (kit / name).touch()
    (folder / "data.bin").write_bytes(data)
    (folder / "settings.py").write_text(_CONFIG.format(folder=folder))
    (folder / "driver.py").write_text(_DRIVER)
    out = folder / "rom.gds"
    root = folder / "package" / "openram"
    done = subprocess.run(
        [sys.executable, folder / "driver.py", folder / "settings.py", out],
        cwd=folder,
        env=os.environ
        | {
            "PYTHONPATH": str(folder / "package"),
            "OPENRAM_HOME": str(root / "compiler"),
            "OPENRAM_TECH": str(root / "technology"),
            "PDK_ROOT": str(folder / "kit"),
            "PYTHONHASHSEED": "0",
        },
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    return out


def bits_of(data: bytes, words_per_row: int) -> np.ndarray:
    """(rows, columns) of what the ROM must hold, row 0 at the bottom.

    By the generator's own description: eight bits a word, words interleaved bit by bit.
    """
    raw = np.unpackbits(np.frombuffer(data, np.uint8))
    words = raw.reshape(-1, words_per_row, 8)
    return words.transpose(0, 2, 1).reshape(len(words), -1).astype(np.int8)


@dataclass(frozen=True)
class GeneratedRom:
    """Polygons of the array and of what lies around it, by layer; layout um, y up.

    Parameters
    ----------
    polygons : dict of str to list of gdstk.Polygon
    x_um : (columns,) float64
    y_um : (rows,) float64
        Middles of the gates, row 0 at the bottom. The row above the last holds the precharge's
        transistors and no data.
    box_um : (x0, y0, x1, y1)
        Of what is kept.
    """

    polygons: dict[str, list[gdstk.Polygon]]
    x_um: np.ndarray
    y_um: np.ndarray
    box_um: tuple[float, float, float, float]

    @classmethod
    def read(cls, path: Path) -> GeneratedRom:
        """Read a generated GDSII file."""
        library = gdstk.read_gds(path)
        assert library.unit == 1e-6
        (top,) = library.top_level()
        (placed,) = (r for r in top.references if r.cell.name == "rom_base_array")
        assert not placed.rotation
        assert not placed.x_reflection
        cells = [r.origin for r in placed.cell.references if r.cell.name in CELLS]
        places = np.round(np.array(cells) + placed.origin + BIT_UM, 4)
        x, y = np.unique(places[:, 0]), np.unique(places[:, 1])[:-1]
        box = (x[0] - MARGIN_UM, y[0] - MARGIN_UM, x[-1] + MARGIN_UM, y[-1] + MARGIN_UM)
        frame = gdstk.rectangle(box[:2], box[2:])
        found = {
            name: gdstk.boolean(top.get_polygons(layer=a, datatype=b), frame, "and")
            for name, (a, b) in LAYERS.items()
        }
        return cls(found, x, y, box)

    def to_die_um(self, points_um: np.ndarray, magnification: float) -> np.ndarray:
        """Layout um (y up) to die um (y down)."""
        x0, _, _, y1 = self.box_um
        return (np.asarray(points_um) - [x0, y1]) * magnification * [1, -1]

    def places_um(self, magnification: float) -> np.ndarray:
        """(rows, columns, 2) middles of the gates, die um."""
        grid = np.stack(np.meshgrid(self.x_um, self.y_um), -1)
        return self.to_die_um(grid, magnification)

    def masks(self, magnification: float) -> AnyMasks:
        """Masks for the camera."""
        x0, y0, x1, y1 = self.box_um
        drawn = {
            name: [self.to_die_um(p.points, magnification) for p in polygons]
            for name, polygons in self.polygons.items()
        }
        return AnyMasks(drawn, (x1 - x0) * magnification, (y1 - y0) * magnification)
