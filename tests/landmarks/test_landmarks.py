"""Places worth a name are found on a drawn die, and not where there are none."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path

import cv2
import numpy as np
import pytest
import shapely

from maskdelta.images import Raster
from maskdelta.landmarks import (
    find_lettering,
    find_pads,
    find_periodic,
    propose_landmarks,
    write_landmarks,
)
from maskdelta.report import write_suggestion_page
from maskdelta.segment import suggest_swatches
from maskdelta.study import read_marks
from micrographs import save

SIDE_PX = 1800
OXIDE, METAL, POLY = (96, 140, 96), (215, 200, 180), (110, 80, 70)
ARRAY = (420, 520, 1100, 1060)  # x0, y0, x1, y1
CELL = (34, 45)
LETTERS = (1150, 200)


def drawn_die(seed: int, *, array: bool = True, pads: bool = True, lettering: bool = True):
    """A die with loose wires, and what is asked for."""
    rng = np.random.default_rng(seed)
    die = np.full((SIDE_PX, SIDE_PX, 3), OXIDE, np.uint8)
    # wires all over the lower and right part, at irregular distances
    for lane in np.cumsum(rng.integers(22, 60, 9)) + 1180:
        x0, x1 = np.sort(rng.integers(250, 1550, 2))
        cv2.rectangle(die, (int(x0), int(lane)), (int(x1), int(lane) + 9), METAL, -1)
        y1 = int(lane) + int(rng.integers(20, 120))
        cv2.rectangle(die, (int(x1), int(lane)), (int(x1) + 7, y1), POLY, -1)
    if array:
        for row, y in enumerate(range(ARRAY[1], ARRAY[3], CELL[1])):
            cv2.rectangle(die, (ARRAY[0] - 20, y + 30), (ARRAY[2] + 20, y + 38), POLY, -1)
            for x in range(ARRAY[0], ARRAY[2], CELL[0]):
                cv2.rectangle(die, (x + 10 + row % 2, y + 4), (x + 20, y + 24), POLY, -1)
                if rng.random() < 0.5:
                    cv2.rectangle(die, (x + 11, y + 10), (x + 18, y + 17), METAL, -1)
    if pads:
        for k in range(8):
            for x, y in ((180 + 180 * k, 40), (180 + 180 * k, SIDE_PX - 120)):
                cv2.rectangle(die, (x, y), (x + 79, y + 79), METAL, -1)
    if lettering:
        cv2.putText(die, "QX-17 B", LETTERS, cv2.FONT_HERSHEY_SIMPLEX, 2.0, METAL, 6)
    return die


def seen(die: np.ndarray, folder: Path, stack: ExitStack, *, turn_deg: float = 0.0):
    """The die photographed, turned about its middle: mosaic and coverage."""
    turn = cv2.getRotationMatrix2D((SIDE_PX / 2, SIDE_PX / 2), turn_deg, 1.0)
    size = (SIDE_PX, SIDE_PX)
    picture = cv2.warpAffine(die, turn, size, flags=cv2.INTER_AREA, borderValue=OXIDE)
    soft = cv2.GaussianBlur(picture, (0, 0), 1.1).astype(float)
    noise = np.random.default_rng(5).normal(0, 3, soft.shape)
    picture = np.clip(np.rint(soft + noise), 0, 255).astype(np.uint8)
    mosaic = stack.enter_context(save(folder, "mosaic", picture))
    cover = np.ones((1, *picture.shape[:2]), np.uint8)
    return mosaic, stack.enter_context(save(folder, "cover", cover, ("tile",))), turn


def overlap(a: shapely.Polygon, b: shapely.Polygon) -> float:
    return a.intersection(b).area / a.union(b).area


def turned(box: tuple[int, int, int, int], turn: np.ndarray) -> shapely.Polygon:
    corners = shapely.get_coordinates(shapely.box(*box))
    return shapely.Polygon(corners @ turn[:, :2].T + turn[:, 2])


@pytest.mark.parametrize(("seed", "turn_deg"), [(1, 0.0), (2, 3.0), (3, -88.0)])
def test_array_pads_and_lettering_are_found(tmp_path, seed, turn_deg):
    with ExitStack() as stack:
        mosaic, cover, turn = seen(drawn_die(seed), tmp_path, stack, turn_deg=turn_deg)
        areas = find_periodic(mosaic, cover)
        pads = find_pads(mosaic, cover)
        lettering = find_lettering(mosaic, cover)
    assert len(areas) == 1
    assert overlap(areas[0].outline, turned(ARRAY, turn)) > 0.75
    sides = np.sort(np.hypot(*areas[0].periods_px.T))
    # the cells are drawn in pairs of rows, a px apart
    assert sides[0] == pytest.approx(CELL[0], abs=1)
    assert sides[1] / CELL[1] == pytest.approx(round(sides[1] / CELL[1]), abs=0.05)
    assert len(pads) == 16
    truth = [(180 + 180 * k, y, 260 + 180 * k, y + 80) for k in range(8) for y in (40, 1680)]
    for box in truth:
        assert max(overlap(pad, turned(box, turn)) for pad in pads) > 0.8
    middle = np.mean([pad.centroid.coords[0] for pad in pads], 0)
    angle = np.unwrap([np.arctan2(*(np.array(p.centroid.coords[0]) - middle)[::-1]) for p in pads])
    assert (np.diff(angle) > 0).all()
    assert len(lettering) == 1
    (width, height), _ = cv2.getTextSize("QX-17 B", cv2.FONT_HERSHEY_SIMPLEX, 2.0, 6)
    box = (LETTERS[0], LETTERS[1] - height, LETTERS[0] + width, LETTERS[1])
    assert overlap(lettering[0], turned(box, turn)) > 0.6


def test_wires_alone_hold_none_of_them(tmp_path):
    with ExitStack() as stack:
        die = drawn_die(4, array=False, pads=False, lettering=False)
        mosaic, cover, _ = seen(die, tmp_path, stack)
        assert propose_landmarks(mosaic, cover) == []


def test_proposals_are_marks_and_a_page(tmp_path):
    with ExitStack() as stack:
        mosaic, cover, _ = seen(drawn_die(6), tmp_path, stack)
        proposals = propose_landmarks(mosaic, cover)
        write_landmarks(tmp_path / "landmarks.geojson", proposals, die="a1", view="top")
        write_suggestion_page(
            tmp_path / "index.html",
            suggest_swatches(mosaic, cover, die="a1"),
            proposals,
            mosaic,
            die="a1",
            marks="swatches.geojson",
            landmark_marks="landmarks.geojson",
        )
    marks = read_marks([str(tmp_path / "landmarks.geojson")])
    assert [m.label for m in marks[:2]] == ["array 1", "pad 1"]
    assert {(m.role, m.frame, m.die) for m in marks} == {("landmark", "mosaic", "a1")}
    assert marks[-1].label == "lettering 1"
    page = (tmp_path / "index.html").read_text()
    assert "18 places" in page
    assert "repeats every" in page
    assert 'href="landmarks.geojson"' in page
    assert (tmp_path / "pictures" / "landmarks.jpg").exists()


def test_a_raster_without_colour_contrast_gives_nothing(tmp_path):
    plain = np.full((700, 700, 3), 128, np.uint8)
    with (
        save(tmp_path, "m", plain) as mosaic,
        save(tmp_path, "c", np.ones((1, 700, 700), np.uint8), ("tile",)) as cover,
    ):
        assert isinstance(mosaic, Raster)
        assert propose_landmarks(mosaic, cover) == []
