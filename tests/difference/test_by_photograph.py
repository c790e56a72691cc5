"""Layers that only further views show are looked at in these."""

from __future__ import annotations

from pathlib import Path

import pytest

from maskdelta.difference import DiePair, Differences
from maskdelta.difference._by_photograph import by_photograph, joined
from maskdelta.difference._regions import Region
from maskdelta.images import Box
from maskdelta.overlay import Overlay
from maskdelta.register import ErrorMap
from maskdelta.study import DifferenceSettings, LayerStack, Registration, write_json

PLANES = ("diffusion", "polysilicon", "metal")
BARE = {"diffusion": "bare", "polysilicon": "bare"}


@pytest.fixture
def pair(tmp_path: Path):
    def made(before: dict[str, str], after: dict[str, str], *layers: str) -> DiePair:
        for die, seen in (("a1", before), ("b1", after)):
            merged = {"merged": {"seen_in": seen}} if seen else {}
            write_json(tmp_path / die / "layers.json", merged)
        return DiePair(
            LayerStack(tmp_path / "a1"),
            LayerStack(tmp_path / "b1"),
            mosaics=[tmp_path / "a1/top.tif", tmp_path / "b1/top.tif"],
            coverages=["a.tif", "b.tif"],
            registration=Registration("a1", "b1", [[1.0, 0, 0], [0, 1, 0]]),
            error=ErrorMap.over_box(Box(0, 0, 64, 64)),
            overlay=Overlay({}, None),
            um_per_px=0.5,
            layers=PLANES,
            settings=DifferenceSettings(layers=layers),
        )

    return made


def groups(pair: DiePair) -> list[tuple[tuple[str, ...], list[str]]]:
    return [
        (part.settings.layers, [Path(path).name for path in part.mosaics])
        for part in by_photograph(pair, PLANES)
    ]


def test_dies_with_one_view_are_compared_at_once(pair) -> None:
    one = pair({}, {})
    assert groups(one) == [(PLANES, ["top.tif", "top.tif"])]
    assert not by_photograph(one, PLANES)[0].labels


def test_what_both_show_in_further_views_is_looked_at_there(pair, tmp_path: Path) -> None:
    parts = by_photograph(pair(BARE, {"diffusion": "bare"}), PLANES)
    assert [part.settings.layers for part in parts] == [("diffusion",), ("polysilicon", "metal")]
    assert parts[0].mosaics == [tmp_path / die / "bare/laid.ome.tif" for die in ("a1", "b1")]
    assert parts[0].labels == [tmp_path / die / "bare/laid_labels.tif" for die in ("a1", "b1")]
    assert [Path(path).name for path in parts[1].mosaics] == ["top.tif", "top.tif"]


def test_only_the_layers_asked_for(pair) -> None:
    assert [names for names, _ in groups(pair(BARE, BARE, "metal", "diffusion"))] == [
        ("diffusion",),
        ("metal",),
    ]


def test_regions_are_numbered_as_the_planes_are() -> None:
    def region(layer: int, x: float) -> Region:
        return Region(layer, 1, (), 9, 5, x, 0, Box(0, 0, 3, 3), 0, 4, -4, 0, 0)

    first = Differences(("metal",), [region(0, 1)], [])
    second = Differences(("diffusion", "polysilicon"), [region(1, 2)], [region(0, 3)])
    both = joined([first, second], PLANES)
    assert both.layers == PLANES
    assert [(r.x, both.layers[r.layer]) for r in both.regions] == [(1, "metal"), (2, "polysilicon")]
    assert [(r.x, both.layers[r.layer]) for r in both.doubtful] == [(3, "diffusion")]
