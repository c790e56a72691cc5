"""Marks of arrays: read, checked, and carried to another die."""

from __future__ import annotations

import json

import numpy as np
import pytest
import shapely

from maskdelta.arrays import check_marks
from maskdelta.arrays._marked import corners_of
from maskdelta.errors import ConfigurationError
from maskdelta.study import (
    ArraySettings,
    Frames,
    Mark,
    Pose,
    Poses,
    Registration,
    apply_affine,
    expand_study,
    link_to_study,
    read_marks,
    study_from_mapping,
)

AFFINE = np.array([[0.0, 1.1, 30.0], [1.1, 0.0, -12.0]])  # exchanged axes: a mirrored die


@pytest.fixture
def frames(tmp_path) -> Frames:
    registration = Registration("a1", "b1", AFFINE, mirror=True)
    registration.write(tmp_path / "comparisons/a1--b1/registration.json")
    for die, steps in (("a1", []), ("b1", [registration])):
        link = link_to_study(die, "a1", steps, own_um_per_px=None, reference_um_per_px=0.5)
        link.write(tmp_path / "dies" / die / "to_study.json")
    Poses((Pose("t1.jpg", "", 101, 81, 250.0, 140.0),)).write(tmp_path / "dies/a1/top/tiles.csv")
    return Frames(
        [str(tmp_path / "dies/a1/top/tiles.csv")],
        [str(tmp_path / "dies" / die / "to_study.json") for die in ("a1", "b1")],
        str(tmp_path / "comparisons"),
    )


def corner(x: float, y: float, row: int, **frame: str) -> Mark:
    return Mark("array_corner", "rom", shapely.Point(x, y), row=row, column=0, **frame)


def test_corners_come_from_tiles_of_another_die_through_the_registration(frames) -> None:
    marks = [corner(50, 40, 0, frame="tile", die="a1", tile="t1.jpg"), corner(10, 20, -1)]
    found = corners_of(marks, "rom", frames, "b1")
    # the middle of the tile lies at (250, 140) of a1; the study frame has 0.5 um a px
    for mark, at in zip(found, ([250.0, 140.0], [20.0, 40.0]), strict=True):
        np.testing.assert_allclose(apply_affine(AFFINE, [mark.at_px])[0], at, atol=1e-6)
    np.testing.assert_allclose(found[0].axes, np.array([[0, 1], [1, 0]]) / 1.1, atol=1e-9)


def test_two_marks_of_its_own_take_the_place_of_others(frames) -> None:
    own = [corner(x, 5, row, frame="mosaic", die="b1") for x, row in ((3, 0), (90, -1))]
    found = corners_of([corner(10, 20, 0), *own], "rom", frames, "b1")
    assert [c.at_px for c in found] == [(3.0, 5.0), (90.0, 5.0)]


def test_marks_without_numbers_are_faults(tmp_path) -> None:
    point = {"type": "Point", "coordinates": [1, 2]}
    features = [
        {"geometry": point, "properties": {"role": "array_corner", "label": "rom", "row": 0}},
        {"geometry": point, "properties": {"role": "array_cell", "label": "rom", "value": 3}},
    ]
    (tmp_path / "m.geojson").write_text(json.dumps({"features": features}))
    with pytest.raises(ConfigurationError) as caught:
        read_marks([str(tmp_path / "m.geojson")])
    assert "add whole numbers `row` and `column`" in caught.value.faults[0]
    assert "add `value` 0 or 1" in caught.value.faults[1]


def test_marks_that_fit_no_array_are_faults() -> None:
    settings = ArraySettings.model_validate({"rows": {"count": 4}, "columns": {"count": 4}})
    faults = check_marks([corner(0, 0, 4), corner(0, 0, -4)], {"rom": settings})
    assert len(faults) == 1
    assert "row 4 is not in `rom`, which has 4 rows" in faults[0]
    assert "is not under `arrays` (none is there)" in check_marks([corner(0, 0, 0)], {})[0]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"terms": {"inputs": ["a", "!a"]}}, "names 2 lines, but 4 cross"),
        ({"words": {"per_line": 3}}, "cannot hold 3 words evenly"),
        ({"words": {"bit_order": [0, 1, 1, 3]}}, "each number from 0 to 3 once"),
        ({"words": {"decoded_by": "none"}}, "which is no array with `terms`"),
        ({"bit": {"layer": "gold"}}, "names `gold`, which is not under `layers`"),
        ({"columns": {"count": 4, "gaps": [4]}}, "must lie between 1 and 3"),
    ],
)
def test_settings_that_contradict_themselves_say_so(change: dict, message: str) -> None:
    array = {"rows": {"count": 2}, "columns": {"count": 4}, **change}
    data = {
        "reference": "a1",
        "dies": {"a1": {"revision": "A", "tiles": "x/*.jpg"}},
        "arrays": {"rom": array},
    }
    with pytest.raises(ConfigurationError) as caught:
        expand_study(study_from_mapping(data))
    assert message in str(caught.value)
