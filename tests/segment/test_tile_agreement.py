"""Tiles of a phantom agree away from edges, unless one of them is tinted or out of focus."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import imagecodecs
import numpy as np
import pytest

from array_scenes import usual_study
from maskdelta.errors import SegmentationError
from maskdelta.images import Raster, list_tiles, read_picture
from maskdelta.phantom import load_preset, make_specimen, photograph
from maskdelta.phantom._marks import swatch_features, write_marks
from maskdelta.segment import Labeller, TileAgreement, segment, swatches_of, tile_agreement
from maskdelta.stitch import compose
from maskdelta.study import Pose, Poses, SegmentSettings, read_marks
from maskdelta.survey import FlatField
from view_scenes import cut_masks

SEED = 17
TILE = (400, 320)
AMID = "tile_0010.jpg"


@dataclass(frozen=True)
class Scene:
    """A stitched and segmented die, and a way to ask for its agreement with other files."""

    files: list[str]
    poses: Poses
    labeller: Labeller
    labels: Raster

    def agreement(self, files: list[str] | None = None, **options: object) -> TileAgreement:
        return tile_agreement(
            files or self.files, self.poses, FlatField(), self.labeller, self.labels, **options
        )

    def altered(self, folder: Path, change: Callable[[np.ndarray], np.ndarray]) -> list[str]:
        """The files with a tile amid the die changed, RGB 0..255 float."""
        path = next(file for file in self.files if Path(file).name == AMID)
        name = Path(path).name
        changed = np.clip(change(read_picture(path).astype(np.float32)), 0, 255)
        data = imagecodecs.jpeg8_encode(np.rint(changed).astype(np.uint8), level=95)
        (folder / name).write_bytes(data)
        return [str(folder / name) if Path(f).name == name else f for f in self.files]


@pytest.fixture(scope="module")
def scene(tmp_path_factory) -> Iterator[Scene]:
    folder = tmp_path_factory.mktemp("tiles")
    preset = load_preset("ordinary").resized(1700, 1700)
    photographer = preset.photographers[0]
    # lens and shading left out, so that the true places and exposures can stand for stitched ones
    camera = dataclasses.replace(
        photographer.camera, tile_width=TILE[0], tile_height=TILE[1], lens_px=0.0, vignetting=0.0
    )
    settings = dataclasses.replace(preset.specimen, wires=0, scratches=1)
    specimen = make_specimen(cut_masks(preset, SEED, (0, 0, 460, 400)), settings, seed=SEED)
    truth = photograph(
        specimen,
        folder / "tiles",
        folder / "truth",
        camera=camera,
        look=photographer.look,
        seed=SEED,
        die="d",
        rasters=False,
    )
    files = list_tiles(str(folder / "tiles" / "*.jpg"))
    to_px = np.linalg.inv(truth.tiles[0].affine[:, :2])
    poses = Poses.of(
        [
            Pose(
                tile.file,
                "",
                *TILE,
                *(to_px @ tile.affine @ [(TILE[0] - 1) / 2, (TILE[1] - 1) / 2, 1]).tolist(),
                exposure=tile.exposure,
            )
            for tile in truth.tiles
        ]
    )
    paths = {"mosaic_path": folder / "mosaic.tif", "tiles_path": folder / "coverage.tif"}
    compose(files, poses, FlatField(), **paths, um_per_px=0.5, block_px=512)
    marks = swatch_features(truth, specimen, die="d", rng=np.random.default_rng(SEED))
    write_marks(folder / "m.geojson", marks)
    study = usual_study()
    with Raster.open(folder / "mosaic.tif") as mosaic, Raster.open(folder / "coverage.tif") as seen:
        segment(
            mosaic,
            seen,
            swatches_of(read_marks([str(folder / "m.geojson")]), "d", poses),
            folder=folder,
            die="d",
            layers=study.layers,
            stacks=study.stacks,
            settings=SegmentSettings(),
        )
    labeller = Labeller.read(
        folder / "layers.json", layers=study.layers, stacks=study.stacks, settings=study.segment
    )
    with Raster.open(folder / "labels.tif") as labels:
        yield Scene(files, poses, labeller, labels)


def test_tiles_of_an_ordinary_die_agree(scene: Scene) -> None:
    found = scene.agreement()
    assert len(found.pairs) >= 12
    assert found.px > 50_000
    assert found.agree_frac is not None
    assert found.agree_frac >= 0.99  # what the method promises


def test_a_tile_tinted_or_out_of_focus_is_named(scene: Scene, tmp_path: Path) -> None:
    plain = scene.agreement().agree_frac
    tint = np.array([1.12, 1.0, 0.85], np.float32)
    cases = {
        "tinted": lambda image: image * tint,
        "out of focus": lambda image: cv2.GaussianBlur(image, (0, 0), 6.0),
    }
    for name, change in cases.items():
        folder = tmp_path / name
        folder.mkdir()
        found = scene.agreement(scene.altered(folder, change))
        print(name, plain, found.agree_frac, found.worst, found.mixed)
        assert found.agree_frac < 0.98, name
        worst = found.worst
        assert worst is not None
        assert AMID in (worst.file_a, worst.file_b)
        assert worst.agree_frac < 0.95
        assert found.mixed[0][2] > 0
    # a tile known to be out of focus is set aside
    number = [pose.file for pose in scene.poses.tiles].index(AMID) + 1
    rest = scene.agreement(scene.altered(tmp_path, cases["tinted"]), blurred=[number])
    assert rest.agree_frac > 0.99


def test_work_is_bounded_and_the_same_for_any_threads(scene: Scene, tmp_path: Path) -> None:
    whole = scene.agreement()
    assert scene.agreement(threads=2) == whole
    few = scene.agreement(most=9)
    assert 5 <= few.patches <= 9
    # spread over the die, not the first ones
    assert max(pair.file_b for pair in few.pairs) >= whole.pairs[-1].file_a
    whole.write(tmp_path / "a.json")
    data = json.loads((tmp_path / "a.json").read_text())
    assert data["px"] == whole.px
    assert data["agree_frac"] == round(whole.agree_frac, 6)
    assert data["worst"] in data["pairs"]


def test_without_overlaps_nothing_is_said(scene: Scene, tmp_path: Path) -> None:
    alone = dataclasses.replace(scene, poses=Poses(scene.poses.tiles[:1]))
    found = alone.agreement()
    assert (found.agree_frac, found.worst, found.px) == (None, None, 0)
    found.write(tmp_path / "a.json")
    assert json.loads((tmp_path / "a.json").read_text())["agree_frac"] is None


def test_a_missing_tile_is_named(scene: Scene) -> None:
    with pytest.raises(SegmentationError, match=r"tile_0001.jpg: this placed tile is not among"):
        scene.agreement(scene.files[1:])
