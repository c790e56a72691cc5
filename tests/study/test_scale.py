from __future__ import annotations

import json

import numpy as np
import pytest
import shapely

from maskdelta.errors import ConfigurationError
from maskdelta.study import Mark, Pose, Poses, read_marks, scale_of_view

POSES = Poses((Pose("t.png", "", 400, 300, 1000.0, 500.0, angle_deg=30.0, scale=1.25),))


def line(length_px: float, length_um: float, **more) -> Mark:
    ends = shapely.LineString([(20, 30), (20 + length_px * 0.6, 30 + length_px * 0.8)])
    given = {"frame": "mosaic", "die": "a", "view": "top"} | more
    return Mark("scale", "", ends, length_um=length_um, **given)


def test_the_configuration_goes_first():
    found = scale_of_view(0.4, [line(100, 50)], "a", "top", POSES)
    assert (found.um_per_px, found.error_frac) == (0.4, None)


def test_nothing_known_is_said_so():
    assert scale_of_view(None, [], "a", "top", POSES).um_per_px is None


def test_one_line_tells_the_scale_and_how_well_it_was_drawn():
    found = scale_of_view(None, [line(200, 50)], "a", "top", POSES)
    assert found.um_per_px == pytest.approx(0.25)
    # both ends 2 px off
    assert found.error_frac == pytest.approx(np.sqrt(8) / 200)


def test_a_line_in_a_tile_is_measured_in_the_mosaic():
    found = scale_of_view(None, [line(200, 50, frame="tile", tile="t.png")], "a", "top", POSES)
    assert found.um_per_px == pytest.approx(50 / (200 * 1.25))


def test_lines_that_disagree_widen_the_error_and_long_ones_count_more():
    found = scale_of_view(None, [line(1000, 250), line(100, 35)], "a", "top", POSES)
    assert found.um_per_px == pytest.approx(0.25, rel=0.01)
    alone = scale_of_view(None, [line(1000, 250)], "a", "top", POSES)
    assert found.error_frac > 5 * alone.error_frac


@pytest.mark.parametrize("more", [{"die": "b"}, {"view": "stripped"}])
def test_lines_of_other_pictures_do_not_count(more):
    assert scale_of_view(None, [line(200, 50, **more)], "a", "top", POSES).um_per_px is None


@pytest.mark.parametrize(
    ("properties", "geometry"),
    [
        ({"frame": "mosaic", "die": "a"}, [[0, 0], [10, 0]]),
        ({"frame": "mosaic", "die": "a", "length_um": -3}, [[0, 0], [10, 0]]),
        ({"frame": "study", "length_um": 5}, [[0, 0], [10, 0]]),
    ],
    ids=["no length", "negative", "study frame"],
)
def test_a_scale_that_says_nothing_is_a_fault(tmp_path, properties, geometry):
    feature = {
        "type": "Feature",
        "geometry": {"type": "LineString", "coordinates": geometry},
        "properties": {"role": "scale", **properties},
    }
    file = tmp_path / "m.geojson"
    file.write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}))
    with pytest.raises(ConfigurationError, match="a scale must"):
        read_marks([str(file)])
