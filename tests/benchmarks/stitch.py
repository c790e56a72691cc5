"""How exactly, how fast and in how much memory tiles are placed and joined.

    python tests/benchmarks/stitch.py [--quick] [--seeds N] [--out FILE.json] [--micrographs DIR]

Makes its own phantoms, runs survey, place and compose, each in a process of its own, and the floor
(decode every tile twice, warp and encode the mosaic once) and the peers (`stitch_peers.py`) in the
same run. Prints rows of {case, figure, value, target, met}. `--quick` takes smaller dies and leaves
the memory case out.
"""

from __future__ import annotations

import argparse
import dataclasses
import importlib.util
import json
import platform
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import imagecodecs
import numpy as np
from stitch_peers import peer_tiles, plain_scikit_image, scan_stitcher
from stitch_scenes import draw_die, overview_of, photograph, undecidable

from maskdelta.images import Box, Raster, list_tiles, read_picture, write_raster
from maskdelta.stitch import compose, lead_seams, place
from maskdelta.study import (
    Grid,
    Poses,
    StitchSettings,
    SurveySettings,
    ViewSettings,
    apply_affine,
    fit_affine,
    fit_similarity,
)
from maskdelta.survey import FlatField, SmallPictures, Survey, survey

THREADS = 2
TIME: dict[str, float] = {"times_floor": 4, "cpu_times_floor": 4}
TARGETS: dict[str, dict[str, float]] = {
    "sample": {"placed_frac": 1.0, "rms_px": 0.15, "max_px": 0.5, "wrong": 0, **TIME},
    "ordinary": {"placed_frac": 1.0, "rms_px": 0.15, "max_px": 0.5, "wrong": 0, **TIME},
    "overlap 6 %": {"placed_frac": 1.0, "rms_px": 0.4, "wrong": 0},
    "hard": {"placed_frac": 1.0, "rms_px": 0.3, "seam_p95_px": 0.7, "wrong": 0},
    "memory": {"placed_frac": 1.0, "peak_rss_mib": 1536, "grown_frac": 0.2, **TIME},
    "arrays": {"placed_frac": 1.0, "wrong": 0, "flagged_excess_frac": 0.01},
    "arrays, overview": {"placed_frac": 1.0, "wrong": 0, "modulo_pitch": 0},
    "equal cells, overview": {"wrong": 0},
    "peers": {"scans_times_as_long": 1.0, "scans_rms_share": 1 / 3, "plain_times_faster": 3.0},
    "micrograph": {"placed_frac": 1.0, "rms_px": 0.15, "max_px": 0.2, "wrong": 0},
}
"""Beside each case what it should reach; figures without a target are for information."""


def main() -> None:
    """Run all cases and print them."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--seeds", type=int, default=1, help="seeds drawn at run time")
    parser.add_argument("--out", type=Path)
    parser.add_argument("--micrographs", type=Path, help="folder with cmos_register_block")
    parser.add_argument("--only", help="one case: array, overview, sample, thin, peers, memory ...")
    parser.add_argument("--child", nargs=2, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.child:
        run_child(options.child[0], Path(options.child[1]))
        return
    drawn = np.random.SeedSequence().generate_state(options.seeds).tolist()
    rows: list[dict[str, Any]] = []
    for seed in [1, *(int(s) % 1_000_000 for s in drawn)]:
        cases = (array_case, overview_case, sample_case, thin_case, ordinary_case, hard_case)
        for make in (*cases, peers_case):
            if options.only and make.__name__ != f"{options.only}_case":
                continue
            with tempfile.TemporaryDirectory() as folder:
                rows += make(seed, Path(folder), options.quick)
            show(rows)
    with tempfile.TemporaryDirectory() as folder:
        if options.micrographs:
            rows += micrograph_case(options.micrographs, Path(folder))
        if options.only == "memory" or not (options.quick or options.only):
            rows += memory_case(Path(folder))
    show(rows)
    if options.out:
        machine = {"machine": platform.machine(), "python": platform.python_version()}
        machine |= {"numpy": np.__version__, "opencv": cv2.__version__, "threads": str(THREADS)}
        options.out.write_text(json.dumps({"machine": machine, "rows": rows}, indent=1) + "\n")


def show(rows: list[dict[str, Any]]) -> None:
    """Print the rows that were not printed yet."""
    for row in rows:
        if row.pop("fresh", False):
            met = {None: "", True: "met", False: "MISSED"}[row["met"]]
            target = "" if row["target"] is None else f"{row['target']:g}"
            print(
                f"{row['case']:<24} {row['figure']:<16} {row['value']:>10.4g} {target:>8} {met}",
                flush=True,
            )


def rows_of(case: str, label: str, figures: dict[str, float]) -> list[dict[str, Any]]:
    """Rows with their targets; only some figures should be large."""
    out = []
    for figure, value in figures.items():
        target = TARGETS[case].get(figure)
        met = None
        if target is not None:
            large = figure in ("placed_frac", "plain_times_faster")
            met = value >= target if large else value <= target
        row = {"case": label, "figure": figure, "value": value, "target": target, "met": met}
        out.append({**row, "fresh": True})
    return out


# --- phantoms -------------------------------------------------------------------------------------


def sample_case(seed: int, folder: Path, quick: bool) -> list[dict[str, Any]]:
    """The sample study's settings, both photographers."""
    return phantom_case("sample", "sample", seed, folder, (1700, 1400) if quick else None)


def thin_case(seed: int, folder: Path, quick: bool) -> list[dict[str, Any]]:
    """The sample's first photographer with an overlap of 6 % and a better stage."""

    def thin(camera: Any) -> Any:
        return dataclasses.replace(camera, overlap=0.06, stage_error=0.004)

    size = (1700, 1400) if quick else None
    return phantom_case("overlap 6 %", "sample", seed, folder, size, dies=("a1",), change=thin)


def ordinary_case(seed: int, folder: Path, quick: bool) -> list[dict[str, Any]]:
    """Ordinary photographs."""
    size = (2600, 2000) if quick else None
    return phantom_case("ordinary", "ordinary", seed, folder, size, dies=("a1",))


def hard_case(seed: int, folder: Path, quick: bool) -> list[dict[str, Any]]:
    """Mirrored, turned, keystone, a smooth warp, shuffled names, tiles missing, 16 bit."""
    size = (2200, 1800) if quick else None
    return phantom_case("hard", "hard", seed, folder, size, dies=("b1",))


def phantom_case(
    case: str,
    preset_name: str,
    seed: int,
    folder: Path,
    size_um: tuple[float, float] | None,
    *,
    dies: tuple[str, ...] = ("a1", "b1"),
    change: Callable[[Any], Any] | None = None,
) -> list[dict[str, Any]]:
    """Photograph a phantom, stitch it, and hold it against the truth."""
    from maskdelta.phantom import load_preset, make_study, read_truth

    preset = load_preset(preset_name)
    if size_um is not None:
        preset = preset.resized(*size_um)
    if change is not None:
        shooters = [dataclasses.replace(p, camera=change(p.camera)) for p in preset.photographers]
        preset = dataclasses.replace(preset, photographers=tuple(shooters))
    make_study(
        seed,
        preset=preset,
        folder=folder / "images",
        truth_folder=folder / "truth",
        marks_folder=folder / "marks",
        rasters=False,
        threads=THREADS,
    )
    rows = []
    for die in dies:
        truth = read_truth(folder / "truth" / die)
        camera = preset.photographers[0 if die == "a1" else -1].camera
        files = list_tiles(str(folder / "images" / die / "*"))
        done = stitch_apart(files, view_of(truth, files, camera, case), folder / "out" / die)
        poses = Poses.read(folder / "out" / die / "tiles.csv")
        figures = against_truth(truth, poses, smooth=case == "hard")
        figures |= {k: done[k] for k in ("seconds", "peak_rss_mib", "place_s")}
        if case != "hard":
            figures |= against_floor(done, files, poses, folder / "floor.tif")
        rows += rows_of(case, f"{case} {die} seed {seed}", figures)
    return rows


def view_of(truth: Any, files: list[str], camera: Any, case: str) -> ViewSettings:
    """The grid that a person would write down; nothing where names are shuffled and tiles missing.

    Beyond 60 tiles without a grid, the stage's positions are given, 2 % of a tile wrong.
    """
    if case != "hard":
        rows = 1 + max(tile.row for tile in truth.tiles)
        columns = 1 + max(tile.column for tile in truth.tiles)
        order = "snake_rows" if camera.order == "snake" else "raster_rows"
        grid = Grid(rows=rows, columns=columns, order=order, overlap_frac=camera.overlap)
        return ViewSettings(tiles="*", grid=grid)
    if len(files) <= 60:
        return ViewSettings(tiles="*")
    table = Path(files[0]).parent.parent / "stage.csv"
    lines = [f"{tile.file},{tile.column},{tile.row}" for tile in truth.tiles]
    table.write_text("file,x,y\n" + "\n".join(lines) + "\n", encoding="utf-8")
    return ViewSettings(tiles="*", positions=str(table))


def against_truth(truth: Any, poses: Poses, *, smooth: bool) -> dict[str, float]:
    """Placement against the truth, steps at the seams, and tiles that are silently wrong.

    The placement is compared after one similarity; with `smooth` after a cubic polynomial, since
    keystone and warp of the hard preset belong to the picture and not to the placement. Tiles that
    are flagged as known only up to whole pitches are counted, and take no part in the rest.
    """
    main = [pose for pose in poses.placed if pose.island == 0]
    tiles = [pose for pose in main if not pose.modulo_pitch]
    middle = [((p.width_px - 1) / 2, (p.height_px - 1) / 2) for p in tiles]
    die = np.array(
        [truth.tile_to_die_um(p.file, [m])[0] for p, m in zip(tiles, middle, strict=True)]
    )
    found = np.array([[p.centre_x_px, p.centre_y_px] for p in tiles])
    expected = _fitted_cubic(truth, tiles, die) if smooth else _fitted_similarity(die, found)
    apart = np.hypot(*(expected - found).T)
    steps = seam_steps(truth, tiles)
    return {
        "tiles": float(len(poses)),
        "placed_frac": len(poses.placed) / len(poses),
        "modulo_pitch": float(len(main) - len(tiles)),
        "rms_px": float(np.sqrt(np.mean(apart**2))),
        "max_px": float(apart.max()),
        "seam_p95_px": float(np.percentile(steps, 95)),
        "seam_max_px": float(steps.max()),
        "wrong": float((np.abs(apart - np.median(apart)) > 2).sum()),
    }


def _fitted_similarity(die: np.ndarray, found: np.ndarray) -> np.ndarray:
    mirrored = bool(np.linalg.det(fit_affine(die, found)[:, :2]) < 0)
    return apply_affine(fit_similarity(die, found, mirror=mirrored), die)


def _fitted_cubic(truth: Any, tiles: list[Any], die: np.ndarray) -> np.ndarray:
    """Cubic polynomial of the die's um, fitted to 25 points of every tile."""
    x, y = np.meshgrid(np.linspace(0.05, 0.95, 5), np.linspace(0.05, 0.95, 5))
    shares = np.column_stack([x.ravel(), y.ravel()])
    points = [(p, shares * [p.width_px - 1, p.height_px - 1]) for p in tiles]
    source = np.concatenate([truth.tile_to_die_um(p.file, at) for p, at in points])
    target = np.concatenate([p.to_mosaic(at) for p, at in points])
    middle, size = source.mean(0), source.std()

    def terms(um: np.ndarray) -> np.ndarray:
        u, v = ((um - middle) / size).T
        return np.column_stack([u**a * v**b for a in range(4) for b in range(4 - a)])

    fit, *_ = np.linalg.lstsq(terms(source), target, rcond=None)
    return terms(die) @ fit


def seam_steps(truth: Any, tiles: list[Any]) -> np.ndarray:
    """How far apart two tiles put the same place of the die, at points of all overlaps, px."""
    steps = []
    for a in tiles:
        x, y = np.meshgrid(np.linspace(8, a.width_px - 9, 9), np.linspace(8, a.height_px - 9, 9))
        points = np.column_stack([x.ravel(), y.ravel()])
        die = truth.tile_to_die_um(a.file, points)
        for b in tiles:
            near = np.hypot(a.centre_x_px - b.centre_x_px, a.centre_y_px - b.centre_y_px)
            if b.file <= a.file or near > 1.2 * np.hypot(a.width_px, a.height_px):
                continue
            there = np.asarray(truth.die_um_to_tile(b.file, die))
            inside = ((there >= 0) & (there <= [b.width_px - 1, b.height_px - 1])).all(1)
            if inside.any():
                apart = a.to_mosaic(points[inside]) - b.to_mosaic(there[inside])
                steps.append(np.hypot(*apart.T))
    return np.concatenate(steps) if steps else np.zeros(1)


# --- arrays ---------------------------------------------------------------------------------------


def array_case(seed: int, folder: Path, quick: bool) -> list[dict[str, Any]]:
    """Tiles wholly inside arrays, taken by a stage that is off by up to 3 % of the tile.

    One array of equal cells, one with 2 % odd cells, one programmed.
    """
    die, blocks, tiles = _arrays(seed, folder, (0.0, 0.02, 0.4), quick)
    alone, untied = undecidable(die, blocks, tiles)
    rows, columns = (1 + max(getattr(t, axis) for t in tiles) for axis in ("row", "column"))
    grid = Grid(rows=rows, columns=columns, overlap_frac=0.2, order="raster_rows")
    figures = against_tiles(_placed(folder, ViewSettings(tiles="*", grid=grid)), tiles)
    flagged = figures["modulo_pitch"] / len(tiles)
    figures["undecidable"] = float(len(alone))
    figures["undecidable_in_all"] = float(len(untied))
    figures["flagged_excess_frac"] = flagged - len(untied) / len(tiles)
    return rows_of("arrays", f"arrays seed {seed}", figures)


def overview_case(seed: int, folder: Path, quick: bool) -> list[dict[str, Any]]:
    """The same without a stage, in any order, with a photograph of the whole die.

    Every tile has odd cells; and once more with an array of equal cells, where no photograph can
    tell one pitch from the next, so that nothing but silence is asked for.
    """
    out = []
    for case, odd_fracs in (
        ("arrays, overview", (0.02, 0.08, 0.4)),
        ("equal cells, overview", (0.0, 0.02)),
    ):
        here = folder / case[:5]
        die, _, tiles = _arrays(seed, here, odd_fracs, quick)
        overview_of(die, here / "whole.png", seed, ratio=4.0, angle_deg=2.0)
        view = ViewSettings(tiles="*", overview=str(here / "whole.png"))
        figures = against_tiles(_placed(here, view), tiles)
        out += rows_of(case, f"{case} seed {seed}", figures)
    return out


def _arrays(seed: int, folder: Path, odd_fracs: tuple[float, ...], quick: bool) -> Any:
    room = 1300 if quick else 1800
    die, blocks = draw_die(seed, (1900 if quick else 2800, room * len(odd_fracs)), odd_fracs)
    size = (512, 384)
    tiles = photograph(die, folder / "tiles", seed, size=size, overlap_frac=0.2, stage_frac=0.03)
    return die, blocks, tiles


def _placed(folder: Path, view: ViewSettings) -> Poses:
    """Poses of the tiles of a folder."""
    files = list_tiles(str(folder / "tiles" / "*.png"))
    stitch_apart(files, view, folder / "out")
    return Poses.read(folder / "out" / "tiles.csv")


def against_tiles(poses: Poses, tiles: list[Any]) -> dict[str, float]:
    """Placement of the main island after one shift, which the tiles that are not flagged give."""
    truth = {tile.name: np.array(tile.centre) for tile in tiles}
    main = [pose for pose in poses.placed if pose.island == 0]
    apart = np.array([[p.centre_x_px, p.centre_y_px] - truth[p.file] for p in main])
    sure = np.array([not pose.modulo_pitch for pose in main])
    distance = np.hypot(*(apart - np.median(apart[sure], axis=0)).T)
    right = sure & (distance <= 2)
    return {
        "tiles": float(len(tiles)),
        "placed_frac": len(main) / len(tiles),
        "modulo_pitch": float((~sure).sum()),
        "wrong": float((sure & ~right).sum()),
        "rms_px": float(np.sqrt(np.mean(distance[right] ** 2))),
    }


# --- peers ----------------------------------------------------------------------------------------


def peers_case(seed: int, folder: Path, quick: bool) -> list[dict[str, Any]]:
    """OpenCV's scan stitcher at the largest set that it completes, and a plain script at 5 x 5."""
    figures: dict[str, float] = {}
    for side in (4, 3, 2) if quick else (7, 6, 5, 4, 3, 2):
        tiles, files = _peer_set(seed, folder, side)
        scans = scan_stitcher(files, tiles)
        if scans is not None:
            done, ours = _ours(files, tiles, side, folder / f"{side}" / "out")
            figures |= {"scans_tiles": float(len(files)), "scans_cpu_s": scans.cpu_s}
            figures["scans_rms_px"] = scans.rms_px
            figures["scans_times_as_long"] = done["cpu_s"] / scans.cpu_s
            figures["scans_rms_share"] = ours["rms_px"] / scans.rms_px
            break
    side = 3 if quick else 5
    tiles, files = _peer_set(seed, folder, side)
    done, ours = _ours(files, tiles, side, folder / f"{side}" / "out")
    figures |= {"tiles": float(len(files)), "rms_px": ours["rms_px"], "cpu_s": done["cpu_s"]}
    plain, bare = plain_scikit_image(files, tiles, (side, side), overlap_frac=0.2)
    figures |= {"plain_cpu_s": plain.cpu_s, "plain_rms_px": plain.rms_px, "bare_cpu_s": bare}
    figures["plain_times_faster"] = plain.cpu_s / done["cpu_s"]
    return rows_of("peers", f"peers seed {seed}", figures)


def _peer_set(seed: int, folder: Path, side: int) -> tuple[list[Any], list[str]]:
    tiles = peer_tiles(seed, folder / f"{side}", side)
    return tiles, list_tiles(str(folder / f"{side}" / "tiles" / "*.png"))


def _ours(files: list[str], tiles: list[Any], side: int, out: Path) -> tuple[Any, dict[str, float]]:
    grid = Grid(rows=side, columns=side, overlap_frac=0.2, order="raster_rows")
    done = stitch_apart(files, ViewSettings(tiles="*", grid=grid), out)
    return done, against_tiles(Poses.read(out / "tiles.csv"), tiles)


# --- pictures that are cut ------------------------------------------------------------------------


def _cutter() -> Any:
    path = Path(__file__).parents[2] / "scripts" / "cut_tiles.py"
    spec = importlib.util.spec_from_file_location("cut_tiles", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["cut_tiles"] = module
    spec.loader.exec_module(module)
    return module


def micrograph_case(micrographs: Path, folder: Path) -> list[dict[str, Any]]:
    """A real micrograph, cut and put together again."""
    rows = []
    picture = read_picture(micrographs / "cmos_register_block" / "poly_photo.jpg")
    for seed in (1, 2):
        cuts = _cutter().cut_tiles(picture, rows=5, columns=5, overlap_frac=0.2, seed=seed)
        tiles = folder / f"real{seed}"
        _cutter().write_cuts(cuts, tiles)
        files = list_tiles(str(tiles / "*.png"))
        view = ViewSettings(tiles="*", grid=Grid(rows=5, columns=5, overlap_frac=0.2))
        done = stitch_apart(files, view, folder / f"out{seed}")
        figures = against_cuts(Poses.read(folder / f"out{seed}" / "tiles.csv"), cuts)
        figures |= {"seconds": done["seconds"], "place_s": done["place_s"]}
        rows += rows_of("micrograph", f"micrograph seed {seed}", figures)
    return rows


def against_cuts(poses: Poses, cuts: list[Any]) -> dict[str, float]:
    """Placement after one shift."""
    truth = {cut.name: np.array([cut.centre_x_px, cut.centre_y_px]) for cut in cuts}
    apart = np.array([[p.centre_x_px, p.centre_y_px] - truth[p.file] for p in poses.placed])
    apart -= apart.mean(0)
    distance = np.hypot(*apart.T)
    unsure = np.array([pose.modulo_pitch for pose in poses.placed])
    return {
        "placed_frac": len(poses.placed) / len(poses),
        "rms_px": float(np.sqrt(np.mean(distance**2))),
        "max_px": float(distance.max()),
        "wrong": float(((distance > 2) & ~unsure).sum()),
    }


def memory_case(folder: Path) -> list[dict[str, Any]]:
    """100 and 400 tiles of 2048 x 1536, cut from noise with lines."""
    rows, first = [], 0.0
    for side in (10, 20):
        tiles = folder / f"many{side}"
        cuts = _cut_from_lines(tiles, side)
        files = list_tiles(str(tiles / "*.jpg"))
        grid = Grid(rows=side, columns=side, overlap_frac=0.17)
        done = stitch_apart(files, ViewSettings(tiles="*", grid=grid), tiles / "out")
        poses = Poses.read(tiles / "out" / "tiles.csv")
        figures = against_cuts(poses, cuts)
        figures |= {k: done[k] for k in ("seconds", "place_s", "peak_rss_mib")}
        figures |= {f"{step}_mib": done[f"{step}_peak_rss_mib"] for step in STEPS}
        figures |= against_floor(done, files, poses, folder / "floor.tif")
        if first:
            figures["grown_frac"] = done["peak_rss_mib"] / first - 1
        first = done["peak_rss_mib"]
        rows += rows_of("memory", f"memory {side * side} tiles", figures)
    return rows


def _cut_from_lines(folder: Path, side: int) -> list[Any]:
    """Photographs of a die of coloured lines, as JPEG: `side` by `side` of them."""
    rng = np.random.default_rng(0)
    palette = rng.integers(50, 220, (256, 3), dtype=np.uint8)
    die = np.full((1320 * side, 1760 * side), 255, np.uint8)
    for _ in range(600 * side * side):
        y, x = rng.integers(0, die.shape[0]), rng.integers(0, die.shape[1])
        long, wide = rng.integers(40, 300), rng.integers(6, 16)
        h, w = (wide, long) if rng.random() < 0.5 else (long, wide)
        die[y : y + h, x : x + w] = rng.integers(0, 255)
    folder.mkdir()
    cuts = []
    for row in range(side):
        for column in range(side):
            x, y = (int(v) for v in (8 + 1700 * column, 8 + 1280 * row) + rng.integers(-8, 9, 2))
            x, y = max(x, 0), max(y, 0)
            pixels = cv2.GaussianBlur(palette[die[y : y + 1536, x : x + 2048]], (0, 0), 1.2)
            noisy = pixels + rng.normal(0, 3, pixels.shape)
            name = f"r{row}c{column}.jpg"
            data = imagecodecs.jpeg8_encode(np.clip(noisy, 0, 255).astype(np.uint8), level=90)
            (folder / name).write_bytes(data)
            cuts.append(_cutter().Cut(name, pixels[:1, :1], x + 1023.5, y + 767.5))
    return cuts


# --- running --------------------------------------------------------------------------------------


STEPS = ("survey", "place", "compose")


def stitch_apart(files: list[str], view: ViewSettings, out: Path) -> dict[str, Any]:
    """Survey, place and compose, each in a process of its own as the workflow runs them.

    Returns
    -------
    dict
        The sum of their times, and the largest of their peaks of memory; with the name of a step
        before it, that of the step.
    """
    out.mkdir(parents=True, exist_ok=True)
    (out / "view.json").write_text(view.model_dump_json(), encoding="utf-8")
    (out / "files.json").write_text(json.dumps(files), encoding="utf-8")
    done: dict[str, Any] = {"seconds": 0.0, "cpu_s": 0.0, "peak_rss_mib": 0.0}
    for step in STEPS:
        command = [sys.executable, __file__, "--child", step, str(out)]
        answer = subprocess.run(command, check=True, capture_output=True, text=True)
        found = json.loads(answer.stdout.splitlines()[-1])
        done |= {f"{step}_{key}": value for key, value in found.items()}
        done["seconds"] += found["seconds"]
        done["cpu_s"] += found["cpu_s"]
        done["peak_rss_mib"] = max(done["peak_rss_mib"], found["peak_rss_mib"])
    return done | {"place_s": done["place_seconds"]}


def run_child(step: str, out: Path) -> None:
    """What a process does; the time that it takes to start and to import is not counted."""
    files = json.loads((out / "files.json").read_text(encoding="utf-8"))
    view = ViewSettings.model_validate_json((out / "view.json").read_text(encoding="utf-8"))
    start, cpu = time.perf_counter(), time.process_time()
    if step == "survey":
        (out / "survey").mkdir(exist_ok=True)
        found = survey(files, view=view, settings=SurveySettings(), threads=THREADS)
        found.write(out / "survey")
    elif step == "place":
        found = Survey.read(out / "survey")
        place(files, found, settings=StitchSettings(), threads=THREADS).write(out)
    else:
        poses = Poses.read(out / "tiles.csv")
        flat_field = FlatField.read(out / "survey" / "flat_field.json")
        small = SmallPictures.read(out / "survey" / "small.npz")
        compose(
            files,
            poses,
            flat_field,
            mosaic_path=out / "mosaic.ome.tif",
            tiles_path=out / "mosaic_tiles.tif",
            um_per_px=None,
            seams=lead_seams(poses, flat_field, small),
            threads=THREADS,
        )
    times = {"seconds": time.perf_counter() - start, "cpu_s": time.process_time() - cpu}
    print(json.dumps({**times, "peak_rss_mib": peak_mib()}))


def peak_mib() -> float:
    """Largest resident size of this process alone.

    `ru_maxrss` would count the parent that started it, so Linux is asked for its own mark.
    """
    status = Path("/proc/self/status")
    if status.exists():
        line = next(t for t in status.read_text().splitlines() if t.startswith("VmHWM"))
        return int(line.split()[1]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def against_floor(
    done: dict[str, Any], files: list[str], poses: Poses, path: Path
) -> dict[str, float]:
    """The time of a run by that of the floor, of the clock and of the processor.

    On a machine that others use, the second is the one to go by.
    """
    seconds, cpu = floor_seconds(files, poses, path)
    return {
        "floor_s": seconds,
        "times_floor": done["seconds"] / seconds,
        "cpu_times_floor": done["cpu_s"] / cpu,
    }


def floor_seconds(files: list[str], poses: Poses, path: Path) -> tuple[float, float]:
    """Decode every tile twice, warp and encode the mosaic once: seconds, and of the processor.

    A tile amid the others, laid side by side a third of a px off, stands for the mosaic: encoding
    takes the longer the more detail there is, so that the picture must show as much.
    """
    start, cpu = time.perf_counter(), time.process_time()
    picture = np.zeros((0, 0, 3), np.uint8)
    for file in files[len(files) // 2 + 1 :] + files[: len(files) // 2 + 1]:
        read_picture(file)
        picture = read_picture(file)
    shape = tuple(int(v) for v in np.ceil(np.max([p.box()[2:] for p in poses.placed], axis=0)))

    height, width = picture.shape[:2]

    def render(box: Box) -> np.ndarray:
        x, y = (
            (np.arange(low, high) % side + 0.3).astype(np.float32)
            for low, high, side in ((box.x0, box.x1, width), (box.y0, box.y1, height))
        )
        x, y = np.meshgrid(x, y)
        return cv2.remap(picture, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101)

    write_raster(path, render, shape=(shape[1], shape[0]), dtype=picture.dtype, threads=THREADS)
    with Raster.open(path) as raster:
        assert raster.shape == (shape[1], shape[0])
    return time.perf_counter() - start, time.process_time() - cpu


if __name__ == "__main__":
    main()
