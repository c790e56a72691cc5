"""The whole pipeline on real photographs: two finished devices of the same masks.

Source
------
`homemade_nmos`: photographs of home-made NMOS devices (github.com/Louis2099/gitbook,
CERN-OHL-S-2.0; its licence lies beside it). Nothing of it is part of this repository; tests find
it through the environment variable MASKDELTA_MICROGRAPHS. The swatches and point pairs below are
places in these photographs, marked by eye. Both devices come from one mask set, so no change is
true inside them; that their layers lie several px off each other, and that the diffusion spread,
is a fact.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from maskdelta.images import Raster
from maskdelta.segment import UNKNOWN
from maskdelta.study import read_json, read_table
from micrographs import PHOTOGRAPHS, SCALE, SWATCHES

pytestmark = [pytest.mark.outside, pytest.mark.slow]

# corners of the device: it is nearly its own mirror image, and features alone do not decide
CORNERS = {
    "a": [(125, 103), (1017, 76), (1035, 573), (140, 606)],
    "b": [(160, 313), (1060, 288), (1078, 787), (180, 815)],
}
# the neighbours at the left, which differ
NEIGHBOUR = {"a": (0, 0, 115, 847), "b": (0, 0, 150, 847)}
# inside the device in a, where a person sees one stack
PLAIN = {
    # away from the coloured fringes around gates and at the frame, which are set aside
    "field_oxide": [(450, 120, 470, 150), (800, 175, 900, 195)],
    "diffusion": [(330, 240, 350, 290), (330, 400, 350, 460), (850, 385, 880, 450)],
    "gate": [(368, 245, 378, 290), (690, 410, 702, 450)],
    "metal": [(250, 400, 290, 470), (500, 175, 560, 210), (500, 485, 570, 505)],
}


def box(x0: float, y0: float, x1: float, y1: float) -> dict:
    ring = np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)]) / SCALE
    return {"type": "Polygon", "coordinates": [ring.round(1).tolist()]}


def feature(die: str, role: str, geometry: dict, **more: str) -> dict:
    properties = {"role": role, "die": die, "frame": "mosaic", **more}
    return {"type": "Feature", "geometry": geometry, "properties": properties}


def marks() -> dict:
    features = []
    for die, stacks in SWATCHES.items():
        features += [
            feature(die, "swatch", box(*place), stack=stack)
            for stack, places in stacks.items()
            for place in places
        ]
        for number, (x, y) in enumerate(CORNERS[die], start=1):
            point = {"type": "Point", "coordinates": [round(x / SCALE, 1), round(y / SCALE, 1)]}
            features.append(feature(die, "point_pair", point, label=f"corner {number}"))
        features.append(feature(die, "ignore", box(*NEIGHBOUR[die]), label="neighbour"))
    return {"type": "FeatureCollection", "features": features}


@pytest.fixture(scope="module")
def photographs() -> Path:
    name = os.environ.get("MASKDELTA_MICROGRAPHS", "")
    folder = Path(name) / "homemade_nmos"
    if not name or not all((folder / file).is_file() for file in PHOTOGRAPHS.values()):
        pytest.skip("MASKDELTA_MICROGRAPHS names no folder with homemade_nmos")
    return folder.resolve()


@pytest.fixture(scope="module")
def study(photographs, tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("devices")
    (folder / "marks.geojson").write_text(json.dumps(marks()), encoding="utf-8")
    configuration = {
        "title": "Two devices of the same masks",
        "reference": "a",
        "dies": {
            die: {"revision": "A", "picture": str(photographs / file)}
            for die, file in PHOTOGRAPHS.items()
        },
        "comparisons": [{"before": "a", "after": "b"}],
        "marks": ["marks.geojson"],
        "layers": ["diffusion", "polysilicon", "metal"],
        # layers printed by hand lie far off each other
        "register": {"max_error_px": 6},
        # lines of 60 px and more have outlines of 10 px and more
        "segment": {"edge_px": 8, "debris_px": 8},
    }
    # JSON is YAML too
    (folder / "study.yaml").write_text(json.dumps(configuration), encoding="utf-8")
    for command in (["check", "study.yaml"], ["run", "study.yaml", "--cores", "2"]):
        done = subprocess.run(
            [sys.executable, "-m", "maskdelta.cli", *command],
            cwd=folder,
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, done.stdout + done.stderr
    return folder / "results"


def test_the_pair_is_registered_with_an_honest_error(study):
    registration = read_json(study / "comparisons/a--b/registration.json")
    assert registration["refused"] == []
    assert registration["after_to_before"]["mirror"] is False
    affine = np.array(registration["after_to_before"]["affine"])
    # one microscope, one objective, hardly turned
    np.testing.assert_allclose(affine[:, :2], np.eye(2), atol=0.02)
    moved = affine[:, :2] @ np.array(CORNERS["b"]).T / SCALE + affine[:, 2:]
    # corners were marked to about 4 px of the reduced picture
    assert np.abs(moved - np.array(CORNERS["a"]).T / SCALE).max() < 25
    # measured 3.7 px: that far do the layers lie off each other
    assert 1 < registration["figures"]["left_out_rms_px"] < 6


@pytest.mark.parametrize("stack", PLAIN)
def test_plain_places_are_called_what_they_are(study, stack):
    names = read_json(study / "dies/a/layers.json")["stacks"]
    with Raster.open(study / "dies/a/labels.tif") as raster:
        label = raster.read_level(0)[0]
    found = np.concatenate(
        [
            label[int(y0 / SCALE) : int(y1 / SCALE), int(x0 / SCALE) : int(x1 / SCALE)].ravel()
            for x0, y0, x1, y1 in PLAIN[stack]
        ]
    )
    known = found < UNKNOWN
    # none of these places is a swatch; specks and the rims of fringes are set aside
    assert known.mean() > 0.75
    assert (found[known] == names.index(stack)).mean() > 0.98


def test_the_same_masks_give_hardly_a_change(study):
    changes = read_table(study / "comparisons/a--b/changes.csv", "changes")
    # fringes of the field oxide, of another thickness in b, can pass for diffusion
    assert len(changes) <= 2
    device = np.prod(np.ptp(np.array(CORNERS["a"]) / SCALE, axis=0))
    changed = sum(float(row["added_um2"]) + float(row["removed_um2"]) for row in changes)
    assert changed < 0.002 * device


def test_enough_is_compared_for_that_to_mean_something(study):
    comparable = read_json(study / "comparisons/a--b/summary.json")["comparable_frac"]
    # of both pictures: 60 % overlap beside the neighbours, outlines and fringes are set aside, and
    # metal hides the diffusion of most of the rest; measured 20 and 8 %
    assert comparable["metal"] > 0.18
    assert comparable["diffusion"] > 0.07
