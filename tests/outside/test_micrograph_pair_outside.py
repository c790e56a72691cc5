"""A real die photographed, edited and photographed again: the edits are found, and nothing else.

Source
------
`cmos_register_block`: photograph of a block without its metal, and a trace of it by hand
(github.com/emu-russia/SEGAChips, CC0). Nothing of it is part of this repository; tests find it
through the environment variable MASKDELTA_MICROGRAPHS.

Before is the photograph, cut into tiles. After is the same photograph with shapes of its own
copied to other places, then turned, scaled, tinted, blurred and with fresh noise, cut into tiles.
Dirt, scratches and texture are real; they are the same in both, as on one die photographed twice.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
import shapely

from maskdelta.images import read_picture
from maskdelta.study import read_json, read_table
from micrographs import drawn_inside

pytestmark = pytest.mark.outside

CROP = (slice(560, 1860), slice(700, 2600))
UM_PER_PX = 0.25
STACKS = ("field_oxide", "diffusion", "polysilicon")
# from, to (x, y of the crop), width, height
COPIES = (
    ((1050, 540), (1400, 940), 60, 40),
    ((600, 60), (1500, 280), 40, 60),
)


@pytest.fixture(scope="module")
def block() -> tuple[np.ndarray, np.ndarray]:
    """The photograph and its trace, cropped."""
    name = os.environ.get("MASKDELTA_MICROGRAPHS", "")
    folder = Path(name) / "cmos_register_block"
    if not name or not (folder / "poly_photo.jpg").is_file():
        pytest.skip("MASKDELTA_MICROGRAPHS names no folder with cmos_register_block")
    trace = cv2.imread(str(folder / "label_diff1_poly2.png"), cv2.IMREAD_UNCHANGED)
    return read_picture(folder / "poly_photo.jpg")[CROP], trace[CROP]


def edited(picture: np.ndarray) -> np.ndarray:
    """The picture with shapes of its own copied to other places, faded in at their rims."""
    out = picture.astype(float)
    for (sx, sy), (dx, dy), width, height in COPIES:
        weight = np.zeros((height, width), np.float32)
        weight[3:-3, 3:-3] = 1
        weight = cv2.GaussianBlur(weight, (0, 0), 1.2)[..., None]
        place = (slice(dy, dy + height), slice(dx, dx + width))
        source = picture[sy : sy + height, sx : sx + width]
        out[place] = weight * source + (1 - weight) * out[place]
    return np.clip(np.rint(out), 0, 255).astype(np.uint8)


def photographed(picture: np.ndarray, to_view: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """The picture through another microscope, lamp and camera."""
    height, width = picture.shape[:2]
    corners = np.array([(0, 0), (width, 0), (0, height), (width, height)], float)
    size = np.ceil((corners @ to_view[:, :2].T + to_view[:, 2]).max(0)).astype(int) + 40
    linear = (picture / 255.0) ** 2.2 * rng.uniform(0.8, 1.1, 3)
    linear = cv2.GaussianBlur(linear @ [[1, 0.05, 0], [0.03, 1, 0.02], [0, 0.06, 1]], (0, 0), 0.7)
    seen = cv2.warpAffine(linear, to_view, size.tolist(), flags=cv2.INTER_CUBIC)
    seen = 255 * np.clip(seen, 0, 1) ** (1 / 2.2) + rng.normal(0, 2, seen.shape)
    return np.clip(np.rint(seen), 0, 255).astype(np.uint8)


def cut(picture: np.ndarray, folder: Path, rng: np.random.Generator) -> None:
    """Cut into 2 x 3 tiles with an overlap of 15 % and a stage that is off by a few px."""
    folder.mkdir()
    height, width = picture.shape[:2]
    h, w = int(height / 1.85), int(width / 2.7)
    for row in range(2):
        for column in range(3):
            x, y = np.array([column * w, row * h]) * 0.85 + rng.integers(-5, 6, 2)
            x, y = int(np.clip(x, 0, width - w)), int(np.clip(y, 0, height - h))
            tile = cv2.cvtColor(picture[y : y + h, x : x + w], cv2.COLOR_RGB2BGR)
            path = folder / f"r{row}c{column}.jpg"
            cv2.imwrite(str(path), tile, [cv2.IMWRITE_JPEG_QUALITY, 93])


def swatches(trace: np.ndarray, to_view: np.ndarray, rng: np.random.Generator) -> list[dict]:
    """Six squares a stack, at the same places of both dies."""
    features = []
    for number, stack in enumerate(STACKS):
        for box in drawn_inside(trace == number, 0, rng, 6):
            ring = np.array(shapely.box(*box).exterior.coords)
            for die, points in (("a", ring), ("b", ring @ to_view[:, :2].T + to_view[:, 2])):
                properties = {"role": "swatch", "die": die, "frame": "mosaic", "stack": stack}
                geometry = {"type": "Polygon", "coordinates": [points.round(1).tolist()]}
                feature = {"type": "Feature", "geometry": geometry, "properties": properties}
                features.append(feature)
    return features


def compared(block: tuple[np.ndarray, np.ndarray], folder: Path, seed: int, *, edit: bool) -> Path:
    """Make both dies, run the pipeline, and return the folder of the comparison."""
    picture, trace = block
    rng = np.random.default_rng(seed)
    angle, scale = np.deg2rad(rng.uniform(-2, 2)), rng.uniform(0.85, 1.1)
    c, s = scale * np.cos(angle), scale * np.sin(angle)
    to_view = np.array([[c, -s, 70.0 + max(0, 1300 * s)], [s, c, 60.0 + max(0, -1900 * s)]])
    cut(photographed(picture, np.eye(2, 3), rng), folder / "a", rng)
    after = edited(picture) if edit else picture
    cut(photographed(after, to_view, rng), folder / "b", rng)
    marks = {"type": "FeatureCollection", "features": swatches(trace, to_view, rng)}
    (folder / "marks.geojson").write_text(json.dumps(marks), encoding="utf-8")
    name_pattern = r"r(?P<row>\d+)c(?P<column>\d+)"
    grid = {"rows": 2, "columns": 3, "name_pattern": name_pattern}
    configuration = {
        "reference": "a",
        "dies": {
            "a": {"revision": "A", "tiles": "a/*.jpg", "grid": grid, "um_per_px": UM_PER_PX},
            "b": {"revision": "B", "tiles": "b/*.jpg", "grid": grid},
        },
        "comparisons": [{"before": "a", "after": "b"}],
        "marks": ["marks.geojson"],
        "layers": ["diffusion", "polysilicon"],
    }
    # JSON is YAML too
    (folder / "study.yaml").write_text(json.dumps(configuration), encoding="utf-8")
    command = [sys.executable, "-m", "maskdelta.cli", "run", "study.yaml", "--cores", "2"]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return folder / "results" / "comparisons" / "a--b"


def enough_is_compared(comparison: Path) -> bool:
    """Whether little was set aside: else finding nothing would mean nothing."""
    shares = read_json(comparison / "summary.json")["comparable_frac"]
    return min(shares.values()) > 0.85


def test_the_edits_of_a_real_die_are_found_and_nothing_else(block, tmp_path):
    comparison = compared(block, tmp_path, 1, edit=True)
    registration = read_json(comparison / "registration.json")
    assert registration["figures"]["left_out_rms_px"] < 0.1
    changes = read_table(comparison / "changes.csv", "changes")
    boxes = [np.array([dx, dy, dx + w, dy + h]) * UM_PER_PX for _, (dx, dy), w, h in COPIES]
    found = set()
    for row in changes:
        x, y = row["x_um"], row["y_um"]
        hits = [k for k, (x0, y0, x1, y1) in enumerate(boxes) if x0 < x < x1 and y0 < y < y1]
        assert hits, f"a change at {x:.0f}, {y:.0f} um that nobody made"
        found |= set(hits)
    assert found == {0, 1}
    assert enough_is_compared(comparison)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [2, 3, 4])
def test_a_real_die_photographed_twice_has_no_change(block, tmp_path, seed):
    comparison = compared(block, tmp_path, seed, edit=False)
    assert read_table(comparison / "changes.csv", "changes") == []
    assert enough_is_compared(comparison)
