"""Faults of `maskdelta where`, one sentence each; its places are tested on the sample study."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from maskdelta.cli import main
from maskdelta.cli._where import _owner_first
from maskdelta.images import write_raster
from maskdelta.study import Pose, Poses


@pytest.fixture(autouse=True)
def study(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("c.yaml").write_text("reference: a1\ndies: {a1: {revision: A, tiles: 't/*.png'}}\n")


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (["--die", "b7"], "--die b7: the study has no such die; choose one of a1."),
        (["--tile", "t1.png"], "--tile t1.png: name its die too, with --die."),
        (["--die", "a1"], "results/dies/a1/top/tiles.csv: not there yet; run the study first."),
    ],
)
def test_faults_are_said_in_a_sentence(options: list[str], sentence: str, capsys) -> None:
    assert main(["where", "c.yaml", "5", "6", *options]) == 1
    assert capsys.readouterr().err.strip() == sentence


def test_the_tile_that_the_mosaic_shows_comes_first(tmp_path: Path) -> None:
    def pose(file: str, x: float) -> Pose:
        return Pose(
            file, "0" * 64, 100, 80, centre_x_px=x, centre_y_px=39.5, island=0, status="placed"
        )

    poses = Poses.of([pose("a.png", 49.5), pose("b.png", 109.5)])  # both show x from 60 to 99
    path = tmp_path / "owners.tif"
    assert _owner_first(poses, path, 70, 40) == ["a.png", "b.png"]  # there is none: most central

    def owners(box):
        x = np.arange(box.x0, box.x1)
        return np.broadcast_to(np.where(x < 66, 1, 2), box.shape)[None].astype(np.uint16)

    write_raster(path, owners, shape=(80, 160), dtype=np.uint16, planes=("tile",))
    assert _owner_first(poses, path, 65.4, 40) == ["a.png", "b.png"]
    assert _owner_first(poses, path, 65.6, 40) == ["b.png", "a.png"]
    assert _owner_first(poses, path, 20, 40) == ["a.png"]
    assert _owner_first(poses, path, 500, 40) == []
