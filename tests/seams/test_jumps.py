"""Jumps in the control points of a registration."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

from comparing import side_of
from joined_scenes import join_wrongly
from maskdelta.register import register
from maskdelta.seams import find_jumps
from maskdelta.study import TABLES, RegisterSettings, Registration, read_table, write_table
from tile_scenes import make_die

SAME = Registration("a", "b", np.array([[1.0, 0, 0], [0, 1.0, 0]]))
TURN = np.radians(30)
TURNED = replace(
    SAME,
    affine_after_to_before=np.array(
        [[np.cos(TURN), -np.sin(TURN), 700.0], [np.sin(TURN), np.cos(TURN), -600.0]]
    ),
)


def _rows(seed: int, *, warp_px: float = 2.0, noise_px: float = 0.1) -> tuple[np.ndarray, Any]:
    """Places of 34 x 34 patches; and how far they are off: a smooth warp, noise, some outliers."""
    rng = np.random.default_rng(seed)
    x, y = np.meshgrid(np.arange(34) * 100.0 + 50, np.arange(34) * 100.0 + 50)
    points = np.column_stack([x.ravel(), y.ravel()])[rng.random(34 * 34) > 0.1]
    off = rng.normal(0, noise_px, points.shape)
    k, phase = rng.uniform(0.5, 1.5, (2, 2)) * 2 * np.pi / 3400, rng.uniform(0, 6, 2)
    off += warp_px * np.sin(points @ k.T + phase)
    wrong = rng.random(len(points)) < 0.05
    off[wrong] += rng.normal(0, 3, (wrong.sum(), 2))
    return points, off


def _table(points: np.ndarray, off: np.ndarray, groups: np.ndarray | None = None) -> list[dict]:
    groups = np.zeros(len(points), int) if groups is None else groups
    return [
        {"x_px": p[0], "y_px": p[1], "dx_px": d[0], "dy_px": d[1], "group": int(g)}
        for p, d, g in zip(points, off, groups, strict=True)
    ]


@pytest.mark.parametrize("seed", range(4))
def test_a_smooth_warp_has_no_jump(seed: int) -> None:
    assert find_jumps(_table(*_rows(seed)), SAME, um_per_px=0.5) == []


@pytest.mark.parametrize("end", [1700.0, 3400.0])
def test_a_jump_is_found_with_both_components(tmp_path: Path, end: float) -> None:
    points, off = _rows(5)
    off[(points[:, 0] > 1300) & (points[:, 1] < end)] += [0.4, -0.3]
    found = find_jumps(_table(points, off), SAME, um_per_px=0.5)
    row = next(r for r in found if r["x0_px"] == r["x1_px"])
    assert row["x0_px"] == pytest.approx(1300, abs=75)
    assert row["y0_px"] < 600
    assert row["y1_px"] == pytest.approx(end, abs=450)
    assert row["dx_px"] == pytest.approx(0.4, abs=4 * row["error_px"])
    assert row["dy_px"] == pytest.approx(-0.3, abs=4 * row["error_px"])
    assert row["jump_um"] == pytest.approx(0.25, abs=0.1)
    assert row["picture"] == "either"
    write_table(tmp_path / "jumps.csv", "jumps", found)
    for read in read_table(tmp_path / "jumps.csv", "jumps"):
        jsonschema.validate(read, TABLES["jumps"].schema())


def test_a_line_that_is_straight_in_the_picture_after() -> None:
    """The pictures are turned against one another: the seam says which one it is in."""
    points, off = _rows(6)
    there = TURNED.before_to_after(points)
    middle = np.median(there[:, 0])
    off[there[:, 0] > middle] += [0.5, 0.5]
    found = find_jumps(_table(points, off), TURNED, um_per_px=1.0)
    assert {row["picture"] for row in found} == {"after"}
    ends = TURNED.before_to_after([[found[0]["x0_px"], found[0]["y0_px"]]])
    assert ends[0, 0] == pytest.approx(middle, abs=75)


def test_what_is_listed_as_a_group_is_no_seam() -> None:
    points, off = _rows(7)
    block = (np.abs(points - [1500, 1500]) < 500).all(1)
    off[block] += [4.0, 0.0]
    assert find_jumps(_table(points, off, block.astype(int)), SAME, um_per_px=1.0) == []


def test_a_picture_joined_wrongly_against_a_right_one(tmp_path: Path) -> None:
    """Through the registration: 1.5 px across and 0.8 px along a seam of the die after."""
    die = make_die((1600, 1800), seed=4).astype(np.uint16) * 257
    right, _ = join_wrongly(die, seed=1)
    wrong, _ = join_wrongly(die, xs=(900,), offset_px=(1.5, 0.8), seed=2)
    settings = RegisterSettings(spacing_px=60, patch_px=64, feature_px=1300)
    with ExitStack() as stack:
        sides = [side_of(p, tmp_path, n, stack) for p, n in ((right, "a"), (wrong, "b"))]
        found = register(*sides, names=("a", "b"), settings=settings)
    assert found.registration.trusted
    rows = find_jumps(found.residuals, found.registration, um_per_px=1.0)
    assert len(rows) == 1
    assert rows[0]["x0_px"] == pytest.approx(900, abs=60)
    # what lies at x after lies at x - 1.5 before
    assert rows[0]["dx_px"] == pytest.approx(-1.5, abs=0.3)
    assert rows[0]["dy_px"] == pytest.approx(-0.8, abs=0.3)
