"""Point pairs and cracks count in the view that they were drawn in."""

from __future__ import annotations

import numpy as np
import shapely

from maskdelta.register import crack_lines, point_pairs
from maskdelta.segment import ignored_areas, swatches_of
from maskdelta.study import Mark, Pose, Poses

# both views have a tile of this name, placed elsewhere
TOP, BARE = (Poses((Pose("t1.jpg", "", 100, 80, x, 50.0),)) for x in (60.0, 160.0))


def mark(role: str, view: str, geometry: shapely.Geometry, **more: str) -> Mark:
    return Mark(role, "p", geometry, "tile", "a1", view, "t1.jpg", **more)


def test_point_pairs_of_two_views_of_one_die() -> None:
    marks = [mark("point_pair", view, shapely.Point(49.5, 39.5)) for view in ("top", "bare")]
    found = point_pairs(marks, ("a1", "a1"), (TOP, BARE), views=("top", "bare"))
    assert found is not None
    np.testing.assert_allclose(np.vstack(found), [[60, 50], [160, 50]])
    assert point_pairs(marks[1:], ("a1", "a1"), (TOP, BARE), views=("top", "bare")) is None
    # nor do those of another view count when dies are laid over one another
    other = Mark("point_pair", "p", shapely.Point(0, 0), "mosaic", "b1")
    assert point_pairs([marks[1], other], ("a1", "b1"), (TOP, TOP)) is None


def test_cracks_of_two_views_of_one_die() -> None:
    line = shapely.LineString([[49.5, 0], [49.5, 79]])
    marks = [mark("crack", "bare", line)]
    top, bare = crack_lines(marks, ("a1", "a1"), (TOP, BARE), views=("top", "bare"))
    assert top == []
    assert [p[0] for p in bare[0].coords] == [160, 160]


def test_swatches_and_ignored_areas_are_those_of_the_view() -> None:
    area = shapely.box(40, 30, 50, 40)
    marks = [mark("swatch", v, area, stack=s) for v, s in (("top", "metal"), ("bare", "gate"))]
    marks.append(mark("ignore", "bare", area))
    assert [s.stack for s in swatches_of(marks, "a1", TOP)] == ["metal"]
    assert [s.stack for s in swatches_of(marks, "a1", BARE, view="bare")] == ["gate"]
    assert ignored_areas(marks, "a1", TOP) == []
    assert len(ignored_areas(marks, "a1", BARE, view="bare")) == 1
