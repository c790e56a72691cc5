"""Scenes that are closed when the test ends."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack

import pytest

from array_scenes import Scene, draw_scene


@pytest.fixture
def draw(tmp_path) -> Iterator[Callable[..., Scene]]:
    """`draw_scene` in a folder of its own for each call."""
    with ExitStack() as stack:
        count = iter(range(100))

        def make(*arguments: object, **options: object) -> Scene:
            scene = draw_scene(tmp_path / str(next(count)), *arguments, **options)
            stack.enter_context(scene.rasters)
            return scene

        yield make
