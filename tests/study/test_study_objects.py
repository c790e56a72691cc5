"""Geometry, poses, registration, tables and marks: truth by construction."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import shapely

from maskdelta.errors import ConfigurationError, MaskdeltaError, RegistrationRefused
from maskdelta.study import (
    Keystone,
    Pose,
    Poses,
    Registration,
    ToStudy,
    Warp,
    apply_affine,
    compose_affine,
    fit_affine,
    fit_similarity,
    invert_affine,
    link_path,
    link_to_study,
    mark_in_mosaic,
    mean_scale,
    read_marks,
    read_table,
    write_table,
)


@pytest.mark.parametrize("mirror", [False, True])
def test_fit_similarity_returns_the_map_it_was_made_with(mirror: bool, rng) -> None:
    points = rng.uniform(-100, 100, (12, 2))
    angle = 0.7
    turn = 1.18 * np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    matrix = np.column_stack([turn @ np.diag([-1.0 if mirror else 1.0, 1.0]), [5.0, -7.0]])
    found = fit_similarity(points, apply_affine(matrix, points), mirror=mirror)
    np.testing.assert_allclose(found, matrix, atol=1e-9)
    assert mean_scale(found) == pytest.approx(1.18)


def test_affine_maps_compose_and_invert(rng) -> None:
    a, b = rng.normal(size=(2, 2, 3))
    points = rng.normal(size=(9, 2))
    both = compose_affine(a, b)
    np.testing.assert_allclose(apply_affine(both, points), apply_affine(a, apply_affine(b, points)))
    np.testing.assert_allclose(apply_affine(invert_affine(a), apply_affine(a, points)), points)
    np.testing.assert_allclose(fit_affine(points, apply_affine(a, points)), a, atol=1e-9)


def pose(**changes) -> Pose:
    data = {
        "file": "t1.jpg",
        "sha256": "0",
        "width_px": 1024,
        "height_px": 768,
        "centre_x_px": 2000.25,
        "centre_y_px": -300.5,
        "angle_deg": 1.5,
        "scale": 1.01,
        "lens": 0.002,
    }
    return Pose(**{**data, **changes})


def test_a_pose_maps_there_and_back(rng) -> None:
    points = rng.uniform(0, 760, (50, 2))
    there = pose().to_mosaic(points)
    # the inverse of the lens term is iterated; 1e-6 px is far below any measurement
    np.testing.assert_allclose(pose().to_tile(there), points, atol=1e-6)


def test_a_tiles_centre_lies_at_its_pose_and_the_lens_acts_outwards() -> None:
    middle = [[(1024 - 1) / 2, (768 - 1) / 2]]
    np.testing.assert_allclose(pose().to_mosaic(middle), [[2000.25, -300.5]])
    flat, bent = pose(lens=0.0, angle_deg=0.0, scale=1.0), pose(angle_deg=0.0, scale=1.0)
    corner = [[-0.5, -0.5]]
    half_diagonal = np.hypot(1024, 768) / 2
    moved = np.linalg.norm(bent.to_mosaic(corner) - flat.to_mosaic(corner))
    assert moved == pytest.approx(0.002 * half_diagonal, rel=1e-6)


def test_poses_are_written_and_read_back(tmp_path: Path) -> None:
    poses = Poses.of([pose(), pose(file="a.jpg", status="unplaced", centre_x_px=None, why="alone")])
    poses.write(tmp_path / "tiles.csv")
    again = Poses.read(tmp_path / "tiles.csv")
    assert [p.file for p in again] == ["a.jpg", "t1.jpg"]
    assert again.find("t1.jpg") == pose()
    assert [p.file for p in again.placed] == ["t1.jpg"]


def test_the_most_central_tile_comes_first() -> None:
    first = pose(file="a", centre_x_px=500.0, centre_y_px=380.0, lens=0.0, angle_deg=0.0)
    second = pose(file="b", centre_x_px=1200.0, centre_y_px=380.0, lens=0.0, angle_deg=0.0)
    poses = Poses.of([first, second])
    assert poses.showing(700.0, 380.0) == ["a", "b"]
    assert poses.showing(1010.0, 380.0) == ["b", "a"]
    assert poses.showing(-900.0, 380.0) == []


def registration(rng) -> Registration:
    warp = Warp((-500.0, -500.0), 700.0, rng.normal(0, 1.0, (2, 6, 6)))
    affine = np.array([[-0.05, -1.1, 3000.0], [-1.1, 0.05, 2000.0]])
    keystone = Keystone((300.0, 200.0), (1e-5, -2e-5))
    return Registration("a1", "b1", affine, keystone, warp, mirror=True)


def test_a_registration_maps_both_ways(rng, tmp_path: Path) -> None:
    points = rng.uniform(0, 2000, (100, 2))
    found = registration(rng)
    there = found.after_to_before(points)
    # strains of some thousandths contract below 1e-6 px within the iterations made
    np.testing.assert_allclose(found.before_to_after(there), points, atol=1e-5)
    found.write(tmp_path / "r.json")
    again = Registration.read(tmp_path / "r.json")
    np.testing.assert_allclose(again.after_to_before(points), there, atol=1e-3)


def test_a_refused_registration_maps_nothing(rng) -> None:
    refused = Registration("a1", "b1", np.eye(2, 3), refused=("too few features",))
    assert not refused.trusted
    with pytest.raises(RegistrationRefused, match="too few features"):
        refused.after_to_before([[0, 0]])


def test_the_chain_into_the_study_frame(rng) -> None:
    step = registration(rng)
    assert link_path([("a1", "b1"), ("b1", "c1")], "c1", "a1") == [("b1", "c1"), ("a1", "b1")]
    assert link_path([("a1", "b1")], "x", "a1") == []
    (middle,) = step.before_to_after([step.keystone.centre_px])
    link = link_to_study(
        "b1",
        "a1",
        [step],
        own_um_per_px=None,
        reference_um_per_px=0.5,
        middle_px=(float(middle[0]), float(middle[1])),
    )
    points = rng.uniform(0, 2000, (20, 2))
    there = link.to_study(points)
    np.testing.assert_allclose(there, step.after_to_before(points) * 0.5)
    np.testing.assert_allclose(link.to_mosaic(there), points, atol=1e-4)
    # in the middle the warp alone strains, by 8 thousandths at most
    assert link.um_per_mosaic_px() == pytest.approx(0.5 * 1.1, rel=8e-3)
    # 1500 px to the right the keystone makes it smaller by 3 v dx there, seen from before
    (far,) = step.before_to_after([[1800.0, 200.0]])
    smaller = link.um_per_mosaic_px(tuple(far)) / link.um_per_mosaic_px()
    assert smaller == pytest.approx(1 - 1.5 * 1500e-5, abs=8e-3)


def test_a_die_without_a_chain_keeps_its_own_frame_and_says_so() -> None:
    link = link_to_study("z", "a1", [], own_um_per_px=None, reference_um_per_px=0.5)
    assert (link.linked, link.unit, link.um_per_px) == (False, "px", 1.0)
    assert "keeps its own frame" in link.why
    assert isinstance(link, ToStudy)


def test_tables_round_and_repeat(tmp_path: Path) -> None:
    row = {
        "file_a": "a",
        "file_b": "b",
        "dx_px": -0.00001,
        "dy_px": 2.34567,
        "sd_px": 0.05,
        "score": 0.9,
        "candidates": 1,
        "residual_px": None,
        "used": True,
    }
    write_table(tmp_path / "pairs.csv", "pairs", [row])
    text = (tmp_path / "pairs.csv").read_text()
    assert text.splitlines()[1] == "a,b,0.000,2.346,0.0500,0.9000,1,,true"
    (again,) = read_table(tmp_path / "pairs.csv", "pairs")
    assert again["used"] is True
    assert again["residual_px"] is None


def test_a_table_of_other_columns_is_refused(tmp_path: Path) -> None:
    (tmp_path / "pairs.csv").write_text("a,b\n1,2\n")
    with pytest.raises(MaskdeltaError, match="columns are not those"):
        read_table(tmp_path / "pairs.csv", "pairs")
    with pytest.raises(MaskdeltaError, match="missing; run its stage"):
        read_table(tmp_path / "none.csv", "pairs")


def write_marks(path: Path, *features: dict) -> str:
    path.write_text(json.dumps({"type": "FeatureCollection", "features": list(features)}))
    return str(path)


def feature(**properties) -> dict:
    ring = [[10, 10], [20, 10], [20, 20], [10, 20], [10, 10]]
    return {
        "type": "Feature",
        "geometry": {"type": "Polygon", "coordinates": [ring]},
        "properties": properties,
    }


def test_a_mark_is_carried_from_its_tile_into_the_mosaic(tmp_path: Path) -> None:
    path = write_marks(
        tmp_path / "m.geojson",
        feature(role="landmark", label="ROM", frame="tile", die="a1", tile="t1.jpg"),
    )
    (mark,) = read_marks([path])
    moved = mark_in_mosaic(mark, Poses.of([pose(lens=0.0, angle_deg=0.0, scale=1.0)]))
    assert moved is not None
    assert moved.geometry.equals(
        shapely.box(2000.25 - 501.5, -300.5 - 373.5, 2000.25 - 491.5, -300.5 - 363.5)
    )
    assert mark_in_mosaic(mark, Poses()) is None


def test_faulty_marks_are_told_by_file_and_number(tmp_path: Path) -> None:
    path = write_marks(
        tmp_path / "m.geojson",
        feature(role="swatch", frame="tile", die="a1", tile="t1.jpg"),
        feature(role="lankmark", label="x"),
        feature(role="landmark", label="x", frame="tile", die="a1"),
        feature(role="crack", frame="tile", die="a1", tile="t1.jpg"),  # an area, not a line
    )
    with pytest.raises(ConfigurationError) as caught:
        read_marks([path])
    assert [f.split(": ")[1] for f in caught.value.faults] == [
        "feature 1",
        "feature 2",
        "feature 3",
        "feature 4",
    ]
