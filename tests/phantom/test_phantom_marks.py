"""Marks that a person would have drawn on phantoms."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np

from maskdelta.phantom._marks import ignore_features


def one_tile(width: int, height: int) -> Any:
    """A truth of one tile whose px are the um of the die."""
    return SimpleNamespace(
        size_um=(400, 400),
        lens=SimpleNamespace(width=width, height=height),
        tiles=[SimpleNamespace(file="t.jpg")],
        tile_to_die_um=lambda _, points: points,
        die_um_to_tile=lambda _, points: points,
    )


def scratched(*polygons: list[tuple[float, float]]) -> Any:
    """A specimen with scratches."""
    things = [SimpleNamespace(kind="scratch", polygons=[polygon]) for polygon in polygons]
    return SimpleNamespace(dirt=SimpleNamespace(objects=things))


def test_a_scratch_is_outlined_with_a_margin_and_particles_are_not() -> None:
    specimen = scratched([(50, 50), (150, 50), (150, 60), (50, 60)])
    specimen.dirt.objects.append(SimpleNamespace(kind="particle", polygons=[[(9, 9), (9, 15)]]))
    (mark,) = ignore_features(one_tile(200, 200), specimen, die="a")
    ring = np.array(mark["geometry"]["coordinates"][0])
    assert mark["properties"]["role"] == "ignore"
    np.testing.assert_allclose([ring.min(0), ring.max(0)], [(46, 46), (154, 64)], atol=0.6)


def test_what_reaches_just_beyond_all_tiles_is_outlined_as_far_as_these_show_it() -> None:
    # the margin ends 0.9 px beyond the inner part of the tile: too little to be seen in any other
    specimen = scratched([(20, 100), (191.9, 100), (191.9, 160), (20, 160)])
    (mark,) = ignore_features(one_tile(200, 200), specimen, die="a")
    ring = np.array(mark["geometry"]["coordinates"][0])
    assert 195 <= ring[:, 0].max() <= 197
