"""Benchmark: whole phantom studies held against their truth.

    python tests/benchmarks/study.py [--quick] [--seeds N] [--preset NAME] [--side-um N]
                                     [--null] [--keep FOLDER] [--out FILE.json]

Makes studies with the settings of the sample or of another preset, on seeds drawn at run time and
printed, runs the whole pipeline on each, and once on the same masks photographed twice; with
`--null` all are the same masks twice, and how many dies list nothing is told.
"""

from __future__ import annotations

import argparse
import json
import platform
import secrets
import subprocess
import sys
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from maskdelta.phantom import (
    AnyMasks,
    CameraSettings,
    Layout,
    Preset,
    TileTruth,
    load_preset,
    make_specimen,
    make_study,
)
from maskdelta.study import write_json
from scoring import score_study

CONFIG = """\
title: Benchmark
reference: a1
dies:
  a1: {{revision: A, tiles: sample_images/a1/*, um_per_px: 0.5{a1}}}
  b1: {{revision: B, tiles: sample_images/b1/*{b1}}}
comparisons: [{{before: a1, after: b1}}]
"""
TARGETS = {
    "placed_frac": (1.0, "at least"),
    "placement_rms_px": (0.5, "at most"),
    "registration_rms_px": (1.0, "at most"),
    "edits_missed": (0, "at most"),
    "false_changes": (3, "at most"),
}


def grid_of(camera: CameraSettings, tiles: Sequence[TileTruth]) -> str:
    """What a person would write of the grid; nothing where the names do not tell the order."""
    if camera.shuffled or camera.missing:
        return ""
    rows, columns = (1 + max(getattr(t, k) for t in tiles) for k in ("row", "column"))
    return f", grid: {{rows: {rows}, columns: {columns}, order: {camera.order}_rows}}"


def run_one(seed: int, folder: Path, preset: Preset, *, null: bool) -> dict[str, Any]:
    """Make, run and score one study."""
    make_and_run(seed, folder, preset, null=null)
    figures = score_study(folder)
    figures["edits_missed"] = figures["edits"] - figures["edits_found"]
    return figures


def make_and_run(
    seed: int,
    folder: Path,
    preset: Preset,
    *,
    null: bool,
    redraw: Callable[[Layout], Layout] | None = None,
) -> None:
    """Make a study and run the whole pipeline on it."""
    made = make_study(
        seed,
        preset=preset,
        folder=folder / "sample_images",
        truth_folder=folder / "truth",
        marks_folder=folder / "config" / "marks",
        null=null,
        redraw=redraw,
    )
    for index, die in enumerate(made.truths):
        process = make_specimen(AnyMasks({}, 1, 1), preset.specimen, seed=seed * 10 + index)
        write_json(
            folder / "truth" / die / "process.json",
            {"bias_um": dict(process.bias_um), "rounding_um": process.rounding_um},
        )
    # arrays have a benchmark of their own; marks of arrays that no one describes are a fault
    (folder / "config" / "marks" / "arrays.geojson").unlink()
    cameras = [preset.photographers[k].camera for k in (0, -1)]
    grids = {
        die: grid_of(camera, truth.tiles)
        for (die, truth), camera in zip(made.truths.items(), cameras, strict=True)
    }
    (folder / "config" / "config.yaml").write_text(CONFIG.format(**grids))
    command = [sys.executable, "-m", "maskdelta.cli", "run"]
    subprocess.run(command, cwd=folder, check=True, stdout=subprocess.DEVNULL)


def options(description: str, *, quick: str, seeds: int) -> argparse.ArgumentParser:
    """The options of all benchmarks that make whole studies."""
    parser = argparse.ArgumentParser(description=description)
    parser.add_argument("--quick", action="store_true", help=quick)
    parser.add_argument("--seeds", type=int, default=seeds, help="seeds drawn at run time")
    parser.add_argument("--preset", default="sample", help="sample, ordinary or hard")
    parser.add_argument("--side-um", type=int, help="side of a square die in place of the preset's")
    parser.add_argument("--keep", type=Path, help="leave the studies in this folder, to look at")
    parser.add_argument("--out", type=Path, help="write the rows as JSON")
    return parser


def preset_of(args: argparse.Namespace) -> Preset:
    """The preset asked for, on dies of the size asked for."""
    preset = load_preset(args.preset)
    if args.side_um:
        return preset.resized(args.side_um, args.side_um)
    return preset


def seeds_of(args: argparse.Namespace) -> list[int]:
    """Seeds drawn at run time."""
    return [secrets.randbelow(10**6) for _ in range(1 if args.quick else args.seeds)]


def write_rows(path: Path | None, rows: list[dict[str, Any]]) -> None:
    """Write the rows as JSON where a path is given."""
    if path:
        data = {"rows": rows, "python": platform.python_version(), "machine": platform.machine()}
        path.write_text(json.dumps(data, indent=1))


def main() -> None:
    """Run the studies and print a row a figure."""
    parser = options(__doc__.splitlines()[0], quick="one seed, no null pair", seeds=5)
    parser.add_argument("--null", action="store_true", help="all seeds as the same masks twice")
    args = parser.parse_args()
    preset = preset_of(args)
    seeds = seeds_of(args)
    cases = [(seed, args.null) for seed in seeds]
    cases += [] if args.quick or args.null else [(seeds[0], True)]
    rows = []
    for seed, null in cases:
        with tempfile.TemporaryDirectory() as scrap:
            folder = args.keep / f"{seed}{'-null' * null}" if args.keep else Path(scrap)
            figures = run_one(seed, folder, preset, null=null)
        case = f"{preset.name}, {'same masks twice' if null else 'edited'}, seed {seed}"
        for name, (target, sense) in TARGETS.items():
            value = figures[name]
            met = value >= target if sense == "at least" else value <= target
            rows.append(
                {"case": case, "figure": name, "value": value, "target": target, "met": met}
            )
            verdict = f"{sense} {target}  {'met' if met else 'MISSED'}"
            print(f"{case:40} {name:22} {value:9.3f}  {verdict}")
        print(
            f"{case:40} missed {figures['missed']}, excess {figures['excess_not_comparable']}",
            flush=True,
        )
    if args.null:
        quiet = sum(r["value"] == 0 for r in rows if r["figure"] == "false_changes")
        print(f"{quiet} of {len(seeds)} dies list nothing (target 19 of 20)")
    write_rows(args.out, rows)


if __name__ == "__main__":
    main()
