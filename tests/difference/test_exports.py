"""GDSII and SVG hold the areas of the masks, read back with gdstk and shapely."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from pathlib import Path

import gdstk
import numpy as np
import pytest
import shapely

from maskdelta.difference import ADDED, NOT_COMPARABLE, REMOVED
from maskdelta.difference._changes import Change
from maskdelta.difference._exports import write_gds, write_svg
from maskdelta.difference._outlines import outline_features
from maskdelta.difference._regions import Region, label_mask
from maskdelta.images import Box, Raster, write_raster
from maskdelta.study import ToStudy

SCALE = 0.5
LAYERS = ("diffusion", "metal")


def states() -> np.ndarray:
    """Two layers with a ring, a bar that meets another at a corner, and ragged hidden areas."""
    found = np.zeros((2, 140, 170), np.uint8)
    found[0, 20:40, 30:60] = ADDED
    found[0, 26:33, 38:50] = 0  # a hole
    found[1, 70:80, 20:45] = REMOVED
    found[1, 80:84, 45:60] = REMOVED
    hidden = np.random.default_rng(4).random((2, 140, 170)) < 0.3
    found[hidden & (found == 0)] = NOT_COMPARABLE
    return found


@pytest.fixture
def masks(tmp_path: Path):
    table = states()
    rasters = {}
    for k, name in enumerate(LAYERS):
        path = tmp_path / f"{name}.tif"
        write_raster(
            path,
            lambda b, k=k: table[k : k + 1, b.y0 : b.y1, b.x0 : b.x1],
            shape=table.shape[1:],
            dtype=np.uint8,
            planes=(name,),
            origin=(-12, 7),
            reduce="nearest",
        )
        rasters[name] = Raster.open(path)
    yield rasters
    for raster in rasters.values():
        raster.close()


def features(table: np.ndarray, masks: dict[str, Raster], link: ToStudy) -> list[dict]:
    found = []
    for k in range(2):
        for sign in (ADDED, REMOVED):
            count, labels = label_mask(table[k] == sign)
            for number in range(1, count + 1):
                y, x = np.nonzero(labels == number)
                box = Box(int(x.min()), int(y.min()), int(x.max()) + 1, int(y.max()) + 1)
                blank = (0.0,) * 5
                found.append(Region(k, sign, (), len(x), len(x), x.mean(), y.mean(), box, *blank))
    changes = [
        Change((r,), (LAYERS[r.layer],), r.x, r.y, (0, 0, 1, 1), 1.0, 0.0, 0.1, 5.0, -2.0)
        for r in found
    ]
    return outline_features(changes, LAYERS, masks, link)["features"]


def test_gds_areas_are_those_of_the_masks(masks, tmp_path: Path) -> None:
    link = ToStudy("a1", "a1", SCALE)
    found = features(states(), masks, link)
    write_gds(tmp_path / "c.gds", found, masks, link, block_px=64)
    library = gdstk.read_gds(tmp_path / "c.gds")
    assert (library.unit, library.precision) == (1e-6, 1e-9)
    (top,) = library.top_level()
    for k, (name, mask) in enumerate(masks.items(), start=1):
        table = mask.read_level(0)[0]
        for state in (ADDED, REMOVED, NOT_COMPARABLE):
            polygons = top.get_polygons(layer=k, datatype=state)
            wanted = (table == state).sum() * SCALE**2
            # second opinions: shoelace areas, and the union that gdstk forms of them
            assert sum(p.area() for p in polygons) == pytest.approx(wanted), (name, state)
            union = sum(p.area() for p in gdstk.boolean(polygons, [], "or"))
            assert union == pytest.approx(wanted, abs=1e-6), (name, state)
    ring = top.get_polygons(layer=1, datatype=ADDED)
    (x0, y0), (x1, y1) = (
        np.min([p.bounding_box()[0] for p in ring], 0),
        np.max([p.bounding_box()[1] for p in ring], 0),
    )
    # px 30..60, 20..40 of a raster whose origin is (-12, 7); y up
    np.testing.assert_allclose(np.array([x0, x1]), (np.array([30, 60]) - 12.5) * SCALE)
    np.testing.assert_allclose(np.array([y0, y1]), -(np.array([40, 20]) + 6.5) * SCALE)


def test_the_same_changes_give_the_same_bytes(masks, tmp_path: Path) -> None:
    link = ToStudy("a1", "a1", SCALE)
    found = features(states(), masks, link)
    for name in ("one", "two"):
        write_gds(tmp_path / f"{name}.gds", found, masks, link)
        write_svg(tmp_path / f"{name}.svg", found, unit="um")
    assert (tmp_path / "one.gds").read_bytes() == (tmp_path / "two.gds").read_bytes()
    assert (tmp_path / "one.svg").read_bytes() == (tmp_path / "two.svg").read_bytes()


def test_svg_paths_have_the_areas_of_their_regions(masks, tmp_path: Path) -> None:
    link = ToStudy("a1", "a1", SCALE)
    write_svg(tmp_path / "c.svg", features(states(), masks, link), unit="um")
    root = ET.parse(tmp_path / "c.svg").getroot()
    areas: dict[tuple[str, str], float] = {}
    for path in root.iter("{http://www.w3.org/2000/svg}path"):
        rings = [
            shapely.Polygon([tuple(map(float, p.split(","))) for p in ring.split()])
            for ring in re.findall(r"M([^Z]*)Z", path.attrib["d"])
        ]
        key = path.attrib["data-layer"], path.attrib["data-state"]
        shape = rings[0]
        for ring in rings[1:]:  # even-odd: a ring inside another is a hole, else a further part
            shape = shape.symmetric_difference(ring)
        areas[key] = areas.get(key, 0.0) + shape.area
    table = states()
    assert areas == {
        ("diffusion", "added"): pytest.approx((table[0] == ADDED).sum() * SCALE**2),
        ("metal", "removed"): pytest.approx((table[1] == REMOVED).sum() * SCALE**2),
    }


def test_no_change_gives_empty_files(masks, tmp_path: Path) -> None:
    link = ToStudy("a1", "a1", SCALE)
    write_gds(tmp_path / "c.gds", [], {}, link)
    write_svg(tmp_path / "c.svg", [], unit="px")
    assert not ET.parse(tmp_path / "c.svg").getroot().findall(".//{*}path")
    assert gdstk.read_gds(tmp_path / "c.gds").top_level()[0].name == "study"
