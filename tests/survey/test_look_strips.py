"""A large picture is looked at strip by strip; what is kept does not depend on the strips."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest

from maskdelta.survey import _look
from maskdelta.survey._look import look_at_all
from tile_scenes import make_die, take_tiles, write


def test_strips_change_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (path, *_) = write(tmp_path, take_tiles(make_die((1300, 900), seed=3), 1, 1, jitter_px=0.0))
    (whole,) = look_at_all([path], threads=1)
    monkeypatch.setattr(_look, "_STRIP_PX", 100_000)
    (pieces,) = look_at_all([path], threads=1)
    assert whole.reduction > 1
    for field in fields(whole):
        assert np.array_equal(getattr(whole, field.name), getattr(pieces, field.name)), field.name
