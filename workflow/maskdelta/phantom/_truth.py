"""Truth of a photographed die: where each tile lies, what was there, what could be seen."""

from __future__ import annotations

import csv
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from numpy.typing import ArrayLike, NDArray

from maskdelta.phantom._edits import Edit
from maskdelta.phantom._geometry import Lens, Points, Warp, apply_homography
from maskdelta.phantom._layers import LAYERS
from maskdelta.phantom._layout import Bit, Layout, Region

_FLOAT = "{:.9g}"


@dataclass(frozen=True)
class TileTruth:
    """Where one tile lies.

    Attributes
    ----------
    matrix
        (3, 3): ideal tile px (after the lens) to die um before the warp.
    affine
        (2, 3): best affine fit of tile px to die um, lens and warp included.
    """

    file: str
    row: int
    column: int
    matrix: NDArray[np.float64]
    affine: NDArray[np.float64]
    exposure: float


@dataclass(frozen=True)
class Truth:
    """All that is known about the pictures of one die.

    The rasters stay in files (`layers.tif`, `visible.tif`, `spoiled.tif`); `raster` reads them.
    A raster pixel (i, j) is centred at die um ``(i + 0.5, j + 0.5) * raster_um_per_px``.
    """

    folder: Path
    die: str
    size_um: tuple[float, float]
    um_per_px: float
    raster_um_per_px: float
    lens: Lens
    warp: Warp
    tiles: tuple[TileTruth, ...]
    edits: tuple[dict[str, Any], ...] = ()

    def tile(self, file: str) -> TileTruth:
        """Return the truth of one tile by file name."""
        for tile in self.tiles:
            if tile.file == file:
                return tile
        raise KeyError(f"no tile {file!r} in {self.folder}")

    def tile_to_die_um(self, file: str, points: ArrayLike) -> Points:
        """Map (n, 2) px of a tile to die um, exactly."""
        ideal = self.lens.to_ideal(points)
        return self.warp.apply(apply_homography(self.tile(file).matrix, ideal))

    def die_um_to_tile(self, file: str, points: ArrayLike) -> Points:
        """Map (n, 2) die um to px of a tile, exactly; points may lie outside the tile."""
        flat = self.warp.undo(np.asarray(points, dtype=np.float64).reshape(-1, 2))
        ideal = apply_homography(np.linalg.inv(self.tile(file).matrix), flat)
        return self.lens.from_ideal(ideal)

    def raster(self, name: str) -> NDArray[np.uint8]:
        """Read ``layers``, ``visible`` (7, H, W) or ``spoiled`` (H, W), uint8 0 or 1."""
        return np.asarray(tifffile.imread(self.folder / f"{name}.tif"))

    def write(self) -> None:
        """Write `tiles.csv` and `camera.json`."""
        self.folder.mkdir(parents=True, exist_ok=True)
        with (self.folder / "tiles.csv").open("w", newline="", encoding="utf-8") as handle:
            writer = csv.writer(handle, lineterminator="\n")
            heads = [f"h{r}{c}" for r in range(3) for c in range(3)]
            heads += [f"a{r}{c}" for r in range(2) for c in range(3)]
            writer.writerow(["file", "row", "column", "exposure", "lens_k", *heads])
            for t in self.tiles:
                values = [t.exposure, self.lens.k, *t.matrix.ravel(), *t.affine.ravel()]
                writer.writerow([t.file, t.row, t.column, *(_FLOAT.format(v) for v in values)])
        camera = {
            "die": self.die,
            "size_um": list(self.size_um),
            "um_per_px": self.um_per_px,
            "raster_um_per_px": self.raster_um_per_px,
            "lens": {"k": self.lens.k, "width": self.lens.width, "height": self.lens.height},
            "warp": [list(wave) for wave in self.warp.waves],
        }
        write_json(self.folder / "camera.json", camera)


def read_truth(folder: Path) -> Truth:
    """Read what `photograph` wrote into the truth folder of a die."""
    camera = json.loads((folder / "camera.json").read_text(encoding="utf-8"))
    with (folder / "tiles.csv").open(newline="", encoding="utf-8") as handle:
        tiles = tuple(_tile(row) for row in csv.DictReader(handle))
    edits_file = folder / "edits.json"
    edits = json.loads(edits_file.read_text(encoding="utf-8")) if edits_file.exists() else []
    width, height = camera["size_um"]
    return Truth(
        folder,
        camera["die"],
        (width, height),
        camera["um_per_px"],
        camera["raster_um_per_px"],
        Lens(**camera["lens"]),
        Warp(tuple(tuple(wave) for wave in camera["warp"])),
        tiles,
        tuple(edits),
    )


def _tile(row: Mapping[str, str]) -> TileTruth:
    matrix = np.array([[float(row[f"h{r}{c}"]) for c in range(3)] for r in range(3)])
    affine = np.array([[float(row[f"a{r}{c}"]) for c in range(3)] for r in range(2)])
    return TileTruth(
        row["file"], int(row["row"]), int(row["column"]), matrix, affine, float(row["exposure"])
    )


def visible_share(edit: Mapping[str, Any], truths: Sequence[Truth]) -> float:
    """Return which share of the changed area of an edit could be seen on all of the dies.

    Parameters
    ----------
    edit
        An entry of `Truth.edits`.
    truths
        Truth of the dies before and after, with rasters of the same scale.

    Returns
    -------
    float
        0..1; area that lies under metal, under dirt or was not photographed counts as unseen.
    """
    scale = truths[0].raster_um_per_px
    planes = [(t.raster("visible"), t.raster("spoiled") == 0) for t in truths]
    seen = total = 0
    for kind in ("added", "removed"):
        for layer, boxes in edit[kind].items():
            plane = LAYERS.index(layer)
            for box in boxes:
                x0, y0, x1, y1 = (round(v / scale) for v in box)
                part = (slice(y0, y1), slice(x0, x1))
                both = np.ones((y1 - y0, x1 - x0), dtype=bool)
                for visible, clean in planes:
                    both &= (visible[plane][part] > 0) & clean[part]
                seen += int(both.sum())
                total += both.size
    return seen / total if total else 0.0


def write_json(path: Path, value: Any) -> None:
    """Write JSON so that equal values give equal bytes."""
    path.write_text(json.dumps(value, indent=1, sort_keys=True) + "\n", encoding="utf-8")


def write_layout_truth(folder: Path, layout: Layout, edits: tuple[Edit, ...]) -> None:
    """Write `netlist.json`, `bits.csv`, `landmarks.json` and `edits.json`."""
    folder.mkdir(parents=True, exist_ok=True)
    write_json(folder / "edits.json", [edit_record(edit) for edit in edits])
    write_json(folder / "landmarks.json", [_region_record(r) for r in layout.regions])
    _write_bits(folder / "bits.csv", layout.bits)
    (folder / "netlist.json").write_text(_netlist(layout), encoding="utf-8")


def edit_record(edit: Edit) -> dict[str, Any]:
    """Return an edit as a JSON object, with areas by layer in um2."""
    return {
        "number": edit.number,
        "kind": edit.kind,
        "meaning": edit.meaning,
        "box_um": list(edit.box_um),
        "added_um2": edit.added_um2(),
        "removed_um2": edit.removed_um2(),
        "added": {k: [list(b) for b in v] for k, v in edit.added.items()},
        "removed": {k: [list(b) for b in v] for k, v in edit.removed.items()},
    }


def _region_record(region: Region) -> dict[str, Any]:
    return {"name": region.name, "kind": region.kind, "box_um": list(region.box_um)}


def _write_bits(path: Path, bits: tuple[Bit, ...]) -> None:
    with path.open("w", newline="", encoding="utf-8") as handle:
        writer = csv.writer(handle, lineterminator="\n")
        writer.writerow(["array", "word", "column", "value", "x0_um", "y0_um", "x1_um", "y1_um"])
        for bit in bits:
            writer.writerow([bit.array, bit.word, bit.column, bit.value, *bit.box_um])


def _netlist(layout: Layout) -> str:
    """Return nets and transistors as JSON, one a line, so that the file stays readable."""
    t = layout.transistors
    used = sorted({int(n) for layer in layout.nets.values() for n in np.unique(layer) if n >= 0})
    nets = [json.dumps({"net": n, "name": layout.net_names[n]}) for n in used]
    rows = [
        json.dumps(
            {
                "box_um": [int(r[k]) for k in ("x0", "y0", "x1", "y1")],
                "gate": int(r["gate"]),
                "ends": [int(r["first"]), int(r["second"])],
                "width_um": int(r["width_um"]),
                "length_um": int(r["length_um"]),
                "kind": "depletion" if r["depletion"] else "enhancement",
            }
        )
        for r in t
    ]
    joined_nets, joined_rows = ",\n".join(nets), ",\n".join(rows)
    return f'{{"nets": [\n{joined_nets}\n],\n"transistors": [\n{joined_rows}\n]}}\n'
