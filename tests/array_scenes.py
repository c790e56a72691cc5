"""Programmed arrays with known bits: drawn cells, and pictures of phantom dies."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskdelta.arrays import Corner, DieRasters
from maskdelta.images import Box, Raster, eight_bits, list_tiles, read_picture, write_raster
from maskdelta.phantom import (
    CameraSettings,
    Layout,
    LookSettings,
    Programmed,
    Specimen,
    Truth,
    load_preset,
    make_layout,
    make_specimen,
    photograph,
)
from maskdelta.phantom._layers import STACKS
from maskdelta.phantom._marks import ignore_features, swatch_features, write_marks
from maskdelta.segment import SPOILED, ignored_areas, segment, swatches_of
from maskdelta.study import (
    ArraySettings,
    Pose,
    Poses,
    SegmentSettings,
    Stack,
    StudySettings,
    read_marks,
)

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Scene:
    """Rasters of one drawn array, its true bits and the true middles of its cells."""

    rasters: DieRasters
    bits: NDArray[np.int8]
    centres_px: Array


def save(folder: Path, name: str, pixels: NDArray[Any], planes: Sequence[str] = ()) -> Raster:
    """Write an array as a raster and open it."""

    def render(box: Box) -> NDArray[Any]:
        part = (slice(box.y0, box.y1), slice(box.x0, box.x1))
        return pixels[:, *part] if planes else pixels[part]

    shape = pixels.shape[1:] if planes else pixels.shape[:2]
    path = folder / f"{name}.tif"
    write_raster(path, render, shape=shape, dtype=np.uint8, planes=planes, reduce="nearest")
    return Raster.open(path)


def draw_scene(
    folder: Path,
    bits: NDArray[np.int8],
    rng: np.random.Generator,
    *,
    x_px: Array | None = None,
    y_px: Array | None = None,
    pitch_px: float = 24.0,
    angle_deg: float = 0.8,
    noise: float = 5.0,
    dirt: Sequence[tuple[int, int]] = (),
    dirt_off_px: tuple[float, float] = (0.0, 0.0),
    dirt_colour: tuple[int, int, int] = (235, 235, 250),
) -> Scene:
    """Draw metal lines over polysilicon words, with a dark dot where a bit is set.

    Parameters
    ----------
    x_px, y_px : (columns,), (rows,) float64
        Places before the array is turned; even where not given.
    dirt : sequence of (int, int)
        Cells to cover with a bright blob that no swatch knows.
    dirt_off_px : (float, float)
        How far the middle of each blob lies off that of its cell.
    dirt_colour : (int, int, int)
    """
    rows, columns = bits.shape
    x = np.arange(columns) * pitch_px if x_px is None else x_px
    y = np.arange(rows) * pitch_px if y_px is None else y_px
    t = np.deg2rad(angle_deg)
    turn = np.array([[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]])
    grid = np.stack(np.meshgrid(x, y), -1) @ turn.T
    centres = grid - grid.min((0, 1)) + 40
    width, height = (int(v) + 41 for v in centres.max((0, 1)))
    image = np.full((height, width, 3), (90, 130, 85), np.float32)
    v, u = np.indices((height, width), np.float32)
    local = np.stack([u - centres[0, 0, 0], v - centres[0, 0, 1]], -1) @ turn
    word = _distance(local[..., 1], y - y[0] + 0.31 * pitch_px) < 0.1 * pitch_px
    line = _distance(local[..., 0], x - x[0]) < 0.2 * pitch_px
    image[word] = (150, 80, 50)
    image[line] = (225, 205, 160)
    contact = np.zeros((height, width), np.uint8)
    radius = 0.13 * pitch_px
    for r, c in np.argwhere(bits == 1):
        _disc(image, contact, centres[r, c], radius, (165, 125, 70), 255)
    labels = np.zeros((height, width), np.uint8)
    for r, c in dirt:
        middle = centres[r, c] + dirt_off_px
        _disc(image, labels, middle, 0.45 * pitch_px, dirt_colour, SPOILED)
    image += rng.normal(0, noise, image.shape).astype(np.float32)
    rasters = DieRasters(
        mosaic=save(folder, "mosaic", np.clip(image, 0, 255).astype(np.uint8)),
        coverage=save(folder, "coverage", np.ones((1, height, width), np.uint8), ("tile",)),
        layers=save(folder, "layers", contact[None], ("contact",)),
        labels=save(folder, "labels", labels[None], ("label",)),
        spoiled=SPOILED,
    )
    return Scene(rasters, bits, centres)


def _distance(values: NDArray[Any], places: Array) -> NDArray[Any]:
    """Distance of each value to the nearest of some sorted places."""
    borders = (places[1:] + places[:-1]) / 2
    return np.abs(values - places[np.searchsorted(borders, values)])


def _disc(
    image: NDArray[np.float32],
    mask: NDArray[np.uint8],
    at: Array,
    radius: float,
    colour: tuple[int, int, int],
    value: int,
) -> None:
    """Fill a disc in place."""
    x, y = at
    x0, y0 = int(x - radius) - 1, int(y - radius) - 1
    x1, y1 = int(x + radius) + 3, int(y + radius) + 3
    v, u = np.mgrid[y0:y1, x0:x1]
    inside = (u - x) ** 2 + (v - y) ** 2 <= radius**2
    image[y0:y1, x0:x1][inside] = colour
    mask[y0:y1, x0:x1][inside] = value


def marked(
    centres: Array,
    rng: np.random.Generator,
    *,
    cells: Sequence[tuple[int, int]] = ((0, 0), (0, -1), (-1, 0)),
    off_px: float = 2.0,
) -> list[Corner]:
    """Corner cells marked `off_px` off their middles, each in a random direction."""
    found = []
    for row, column in cells:
        angle = rng.uniform(0, 2 * np.pi)
        x, y = centres[row, column] + off_px * np.array([np.cos(angle), np.sin(angle)])
        found.append(Corner(row, column, (float(x), float(y)), np.eye(2)))
    return found


def settings_of(array: Programmed) -> ArraySettings:
    """What a person would write about an array of a phantom die."""
    return ArraySettings.model_validate(
        {"rows": _axis(array.y_um, array.kind), "columns": _axis(array.x_um, array.kind)}
    )


def _axis(places_um: Array, kind: str) -> dict[str, Any]:
    """Pairs of lines where two steps alternate, else an even step with gaps."""
    steps = np.diff(places_um)
    if len(steps) > 2 and np.allclose(steps[2:], steps[:-2]) and steps[0] != steps[1]:
        # the pairs of rows of the register file are of two kinds, all others are mirrored
        mirrored = {tuple(sorted(steps[:2]))} <= {(16.0, 32.0)}
        return {"count": len(places_um), "steps": steps[:2].tolist(), "mirrored": mirrored}
    usual = float(np.median(steps))
    gaps = (np.flatnonzero(steps > 1.2 * usual) + 1).tolist()
    extra = float(np.median(steps[steps > 1.2 * usual]) / usual - 1) if gaps else None
    return {"count": len(places_um), "gaps": gaps, "gap": extra}


@dataclass(frozen=True)
class Photographed:
    """A die photographed as one picture and segmented, with its truth."""

    rasters: DieRasters
    truth: Truth
    um_per_px: float

    def places_px(self, die_um: Array) -> Array:
        """(..., 2) places of the die in the picture."""
        flat = self.truth.die_um_to_tile(self.truth.tiles[0].file, die_um.reshape(-1, 2))
        return np.asarray(flat).reshape(die_um.shape)


def photographed(
    specimen: Specimen,
    folder: Path,
    *,
    camera: CameraSettings,
    look: LookSettings,
    seed: int,
    layers: Sequence[str],
    stacks: Mapping[str, Stack],
    swatches: int = 5,
    truth_rasters: bool = True,
    truth_um_per_px: float = 1.0,
    threads: int = 1,
) -> Photographed:
    """Photograph a specimen as one finished picture, and segment it with swatches."""
    truth = photograph(
        specimen,
        folder / "tiles",
        folder / "truth",
        camera=camera,
        look=look,
        seed=seed,
        die="d",
        rasters=truth_rasters,
        raster_um_per_px=truth_um_per_px,
        whole=True,
    )
    rng = np.random.default_rng([seed, 61])
    features = swatch_features(
        truth,
        specimen,
        die="d",
        each=swatches,
        stacks=[name for name in STACKS if name in stacks],
        rng=rng,
    )
    write_marks(folder / "m.geojson", [*features, *ignore_features(truth, specimen, die="d")])
    file = list_tiles(str(folder / "tiles" / "*"))[0]
    picture = eight_bits(read_picture(file))
    height, width = picture.shape[:2]
    pose = Pose(Path(file).name, "", width, height, (width - 1) / 2, (height - 1) / 2, 0.0, 1.0)
    mosaic = save(folder, "mosaic", picture)
    coverage = save(folder, "coverage", np.ones((1, height, width), np.uint8), ("tile",))
    marks, poses = read_marks([str(folder / "m.geojson")]), Poses((pose,))
    segment(
        mosaic,
        coverage,
        swatches_of(marks, "d", poses),
        ignored=ignored_areas(marks, "d", poses),
        folder=folder,
        die="d",
        layers=layers,
        stacks=stacks,
        settings=SegmentSettings(),
        threads=threads,
    )
    rasters = DieRasters(
        mosaic,
        coverage,
        Raster.open(folder / "layers.ome.tif"),
        Raster.open(folder / "labels.tif"),
        SPOILED,
    )
    return Photographed(rasters, truth, camera.um_per_px)


def usual_study() -> StudySettings:
    """A study of one die `d` with the usual layers and stacks."""
    return StudySettings.model_validate(
        {"reference": "d", "dies": {"d": {"revision": "A", "picture": "d.jpg"}}}
    )


def photographed_die(
    preset_name: str,
    seed: int,
    which: int,
    folder: Path,
    *,
    swatches: int = 5,
    side_um: int | None = None,
    truth_um_per_px: float = 1.0,
) -> tuple[Photographed, Layout]:
    """One die of a preset in one picture by one of its photographers, and what was drawn."""
    preset = load_preset(preset_name)
    if side_um:
        preset = preset.resized(side_um, side_um)
    d = preset.die
    layout = make_layout(
        seed,
        width_um=d.width_um,
        height_um=d.height_um,
        memory_share=d.memory_share,
        text=d.text,
    )
    photographer = preset.photographers[which]
    specimen = make_specimen(layout, preset.specimen, seed=seed * 10 + which)
    study = usual_study()
    scene = photographed(
        specimen,
        folder,
        camera=photographer.camera,
        look=photographer.look,
        seed=seed * 10 + which,
        layers=study.layers,
        stacks=study.stacks,
        swatches=swatches,
        truth_um_per_px=truth_um_per_px,
    )
    return scene, layout
