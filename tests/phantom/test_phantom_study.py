"""Studies and presets: tiles, truth and marks belong together; presets never grow softer."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest

import maskdelta.phantom as phantom
from maskdelta.phantom import (
    LAYERS,
    STACKS,
    Camera,
    Specimen,
    Study,
    load_preset,
    make_layout,
    make_study,
    read_truth,
    visible_share,
)

HARDNESS = {
    # name: (specimen, camera, look) as first agreed; larger is harder.
    "ordinary": (
        {"overlay_um": 0.2, "bias_um": 0.08, "debris_per_mm2": 6, "debris_um": 5, "scratches": 4},
        {
            "stage_error": 0.015,
            "blur_um": 0.45,
            "shot_noise": 0.018,
            "read_noise": 0.005,
            "vignetting": 0.15,
            "exposure_jitter": 0.05,
            "lens_px": 1.5,
            "dust": 4,
        },
        {"drift": 0.05, "grain": 0.03, "mottle": 0.045, "rough_um": 0.06},
    ),
    "hard": (
        {
            "overlay_um": 0.3,
            "bias_um": 0.12,
            "debris_per_mm2": 20,
            "debris_um": 6,
            "scratches": 12,
            "wires": 6,
            "broken_corner_um": 500,
        },
        {
            "stage_error": 0.02,
            "blur_um": 0.55,
            "shot_noise": 0.022,
            "read_noise": 0.006,
            "vignetting": 0.2,
            "exposure_jitter": 0.06,
            "lens_px": 2,
            "dust": 6,
        },
        {"drift": 0.10, "grain": 0.04, "mottle": 0.06, "rough_um": 0.08},
    ),
    "sample": (
        {"overlay_um": 0.15, "bias_um": 0.06, "debris_per_mm2": 4, "debris_um": 4, "scratches": 2},
        {
            "stage_error": 0.015,
            "blur_um": 0.42,
            "shot_noise": 0.016,
            "read_noise": 0.004,
            "vignetting": 0.11,
            "exposure_jitter": 0.04,
            "lens_px": 0.8,
            "dust": 3,
        },
        {"drift": 0.03, "grain": 0.025, "mottle": 0.03, "rough_um": 0.05},
    ),
}


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> tuple[Study, Path]:
    """Make one small study with the settings of the sample."""
    folder = tmp_path_factory.mktemp("study")
    preset = load_preset("sample").resized(1760, 1340)
    made = make_study(
        3,
        preset=preset,
        folder=folder / "images",
        truth_folder=folder / "truth",
        marks_folder=folder / "marks",
        edits=["rom_bit", "line_unconnected", "lettering"],
    )
    return made, folder


def test_tiles_and_truth_name_the_same_files(study: tuple[Study, Path]) -> None:
    _, folder = study
    for die in ("a1", "b1"):
        truth = read_truth(folder / "truth" / die)
        files = sorted(p.name for p in (folder / "images" / die).iterdir())
        assert files == sorted(t.file for t in truth.tiles)


def test_affine_fit_is_close_to_the_exact_map(study: tuple[Study, Path]) -> None:
    made, _ = study
    truth = made.truths["b1"]
    points = np.array([[0, 0], [511.5, 383.5], [1023, 767]])
    for tile in truth.tiles[:3]:
        fit = points @ tile.affine[:, :2].T + tile.affine[:, 2]
        # The lens moves the corners by 0.8 px, of which the fit takes up a part.
        assert np.abs(fit - truth.tile_to_die_um(tile.file, points)).max() < 0.8 * 0.55


def test_every_point_of_the_die_is_photographed(study: tuple[Study, Path]) -> None:
    made, _ = study
    for truth in made.truths.values():
        grid = np.stack(np.meshgrid(np.linspace(0, 1760, 45), np.linspace(0, 1340, 35)), -1)
        points = grid.reshape(-1, 2)
        seen = np.zeros(len(points), dtype=bool)
        for tile in truth.tiles:
            px = truth.die_um_to_tile(tile.file, points)
            seen |= ((px >= 0) & (px <= [1023, 767])).all(axis=1)
        assert seen.all()


def test_swatches_lie_inside_their_stack(study: tuple[Study, Path]) -> None:
    made, folder = study
    features = json.loads((folder / "marks" / "swatches.geojson").read_text())["features"]
    masks = {die: made.truths[die].raster("layers") for die in ("a1", "b1")}
    counted: dict[tuple[str, str], int] = {}
    for feature in features:
        p = feature["properties"]
        truth = made.truths[p["die"]]
        ring = np.array(feature["geometry"]["coordinates"][0][:-1])
        assert (ring >= 0).all()
        assert (ring <= [1023, 767]).all()
        x, y = truth.tile_to_die_um(p["tile"], ring.mean(axis=0)[None])[0]
        column = masks[p["die"]][:, int(y), int(x)]
        have = {name for name, value in zip(LAYERS, column, strict=True) if value}
        assert _stack(have) == p["stack"]
        counted[p["die"], p["stack"]] = counted.get((p["die"], p["stack"]), 0) + 1
    assert {stack for _, stack in counted} == set(STACKS)
    assert all(3 <= n <= 6 for n in counted.values())


def _stack(have: set[str]) -> str:
    if "metal" in have:
        return next((n for n in ("contact", "pad_opening") if n in have), "metal")
    if {"diffusion", "polysilicon"} <= have:
        return "buried_contact" if "buried_contact" in have else "gate"
    return next((n for n in ("diffusion", "polysilicon") if n in have), "field_oxide")


def test_landmarks_are_about_eight_in_tiles_of_the_first_die(study: tuple[Study, Path]) -> None:
    made, folder = study
    features = json.loads((folder / "marks" / "landmarks.geojson").read_text())["features"]
    assert 6 <= len(features) <= 9
    names = {t.file for t in made.truths["a1"].tiles}
    for feature in features:
        p = feature["properties"]
        assert p["role"] == "landmark"
        assert p["die"] == "a1"
        assert p["tile"] in names


def test_edits_of_the_study_are_in_its_truth(study: tuple[Study, Path]) -> None:
    made, folder = study
    assert [e["kind"] for e in read_truth(folder / "truth" / "b1").edits] == [
        e.kind for e in made.edits
    ]
    assert read_truth(folder / "truth" / "a1").edits == ()


def test_edits_show_in_the_truth_rasters(study: tuple[Study, Path]) -> None:
    made, _ = study
    edit = next(e for e in made.edits if e.kind == "line_unconnected")
    x0, y0, x1, y1 = (int(v) for v in edit.box_um)
    before, after = (made.truths[d].raster("layers")[5] for d in ("a1", "b1"))
    middle = (slice(y0 + 2, y1 - 2), slice(x0 + 2, x1 - 2))
    assert before[middle].all()
    assert not after[middle].any()


def test_share_of_an_edit_that_can_be_seen(study: tuple[Study, Path]) -> None:
    made, folder = study
    truths = [read_truth(folder / "truth" / die) for die in ("a1", "b1")]
    line = next(e for e in truths[1].edits if e["kind"] == "line_unconnected")
    assert visible_share(line, truths) == 1.0
    x0, y0, x1, y1 = next(r.box_um for r in made.before.regions if r.kind == "pad")
    inside = [int(x0) + 10, int(y0) + 10, int(x1) - 10, int(y1) - 10]
    hidden = {"added": {"diffusion": [inside]}, "removed": {}}
    assert visible_share(hidden, truths) == 0.0


@pytest.mark.parametrize("name", HARDNESS)
def test_presets_are_never_softer(name: str) -> None:
    preset = load_preset(name)
    specimen, camera, look = HARDNESS[name]
    for key, least in specimen.items():
        assert getattr(preset.specimen, key) >= least, key
    for photographer in preset.photographers:
        for key, least in camera.items():
            assert getattr(photographer.camera, key) >= least, key
        for key, least in look.items():
            assert getattr(photographer.look, key) >= least, key
        assert photographer.camera.overlap <= 0.2
        assert photographer.camera.quality <= 90
        # Lines and contacts are 4 um wide: about 8 px, never much more.
        assert 4.0 / photographer.camera.um_per_px <= 9.5


def test_hard_is_as_hard_as_the_design_says() -> None:
    preset = load_preset("hard")
    first, last = preset.photographers[0].camera, preset.photographers[-1].camera
    assert last.mirrored
    assert last.angle_deg == 92.0
    assert first.um_per_px / last.um_per_px == pytest.approx(1.18, abs=1e-3)
    assert (last.keystone, last.warp_px) == (0.01, 4.0)
    assert (last.missing, last.shuffled, last.bits) == (2, True, 16)


@pytest.mark.parametrize("name", ["ordinary", "hard"])
def test_benchmark_dies_have_8000_px_a_side(name: str) -> None:
    preset = load_preset(name)
    coarsest = max(p.camera.um_per_px for p in preset.photographers)
    assert min(preset.die.width_um, preset.die.height_um) / coarsest >= 8000


def test_unknown_preset_is_refused() -> None:
    with pytest.raises(ValueError, match="expected one of hard, ordinary, sample"):
        load_preset("easy")


def test_null_study_has_no_edits(tmp_path: Path) -> None:
    preset = load_preset("sample").resized(1760, 1340)
    small = dataclasses.replace(
        preset,
        photographers=tuple(
            dataclasses.replace(
                p, camera=dataclasses.replace(p.camera, um_per_px=2 * p.camera.um_per_px)
            )
            for p in preset.photographers
        ),
    )
    made = make_study(
        1,
        preset=small,
        folder=tmp_path / "i",
        truth_folder=tmp_path / "t",
        marks_folder=tmp_path / "m",
        null=True,
        rasters=False,
    )
    assert made.edits == ()
    assert made.after is made.before


def test_public_names_are_exact() -> None:
    public = {n for n in vars(phantom) if not n.startswith("_") and n[0] != "_"}
    modules = {n for n in public if type(getattr(phantom, n)).__name__ == "module"}
    assert set(phantom.__all__) == public - modules - {"annotations"}
    assert phantom.__all__ == sorted(phantom.__all__, key=_ruff_order)


def _ruff_order(name: str) -> tuple[int, str]:
    kind = 0 if name.isupper() else (1 if name[0].isupper() else 2)
    return kind, name


def test_some_tiles_of_the_sample_see_nothing_but_the_register_file() -> None:
    preset = load_preset("sample")
    die = preset.die
    layout = make_layout(
        7, width_um=die.width_um, height_um=die.height_um, memory_share=die.memory_share
    )
    x0, y0, x1, y1 = next(r.box_um for r in layout.regions if r.kind == "memory")
    corners = np.array([(0, 0), (1023, 0), (1023, 767), (0, 767)], dtype=float)
    for photographer in preset.photographers:
        camera = Camera(Specimen(layout), photographer.camera, photographer.look, 7)
        outlines = [camera.to_die_um(shot, corners) for shot in camera.shots]
        inside = [
            (o >= (x0, y0)).all() and (o <= (x1, y1)).all()  # one pitch after another
            for o in outlines
        ]
        assert sum(inside) >= 1
        assert 25 <= len(outlines) <= 33
