"""What the phantom costs: pixels a second and memory, and that it says the truth.

    python tests/benchmarks/phantom.py [--quick] [--seeds N] [--out FILE.json]

Writes rows of {case, figure, value, target, met}. ``--quick`` photographs a quarter of the
pixels and scales the cost to the full number.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import platform
import resource
import tempfile
import time
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from maskdelta.phantom import (
    LAYERS,
    SAMPLE_EDITS,
    AnyMasks,
    Specimen,
    load_preset,
    make_layout,
    make_specimen,
    photograph,
    revise,
    take_picture,
)

FULL_MPX = 400.0
TARGETS = {"cpu_s": 120.0, "peak_rss_gib": 1.5, "truth_px": 0.1, "edit_area_error_um2": 0.0}


def main() -> None:
    """Run all cases and print them."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--seeds", type=int, default=1, help="seeds drawn at run time")
    parser.add_argument("--out", type=Path)
    args = parser.parse_args()
    cv2.setNumThreads(2)
    rows = speed_rows(args.quick)
    for seed in np.random.SeedSequence().generate_state(args.seeds).tolist():
        rows += edit_rows(int(seed) % 1_000_000)
        rows += [place_row(int(seed) % 1_000_000)]
    for r in rows:
        met = "" if r["met"] is None else ("met" if r["met"] else "MISSED")
        print(f"{r['case']:34s} {r['figure']:22s} {r['value']:10.3f} {r['target']!s:>8} {met}")
    if args.out:
        machine = {"machine": platform.machine(), "python": platform.python_version()}
        machine |= {"numpy": np.__version__, "opencv": cv2.__version__}
        args.out.write_text(json.dumps({"machine": machine, "rows": rows}, indent=1) + "\n")


def row(case: str, figure: str, value: float, target: float | None) -> dict[str, Any]:
    """Return one row; without a target it is for information."""
    met = None if target is None else bool(value <= target)
    return {"case": case, "figure": figure, "value": value, "target": target, "met": met}


def speed_rows(quick: bool) -> list[dict[str, Any]]:
    """Photograph a large die with the settings of `hard`, without the second photographer."""
    preset = load_preset("hard")
    side = 4000 if quick else 8000
    with tempfile.TemporaryDirectory() as folder:
        _compile(Path(folder))
        start_cpu, start = _cpu_s(), time.perf_counter()
        layout = make_layout(1, width_um=side, height_um=side, memory_share=0.255)
        layout_cpu = _cpu_s() - start_cpu
        specimen = make_specimen(layout, preset.specimen, seed=1)
        photographer = preset.photographers[0]
        truth = photograph(
            specimen,
            Path(folder) / "tiles",
            Path(folder) / "truth",
            camera=photographer.camera,
            look=photographer.look,
            seed=1,
            rasters=False,
            threads=2,
        )
        cpu, wall = _cpu_s() - start_cpu, time.perf_counter() - start
        megabytes = sum(p.stat().st_size for p in (Path(folder) / "tiles").iterdir()) / 1e6
    mpx = len(truth.tiles) * truth.lens.width * truth.lens.height / 1e6
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    case = f"{mpx:.0f} Mpx in {len(truth.tiles)} tiles"
    return [
        row(case, "CPU s for 400 Mpx", cpu * FULL_MPX / mpx, TARGETS["cpu_s"]),
        row(case, "wall s", wall, None),
        row(case, "layout CPU s", layout_cpu, None),
        row(case, "peak RSS GiB", peak, TARGETS["peak_rss_gib"]),
        row(case, "MB written", megabytes, None),
    ]


def _compile(folder: Path) -> None:
    """Compile the kernels before the clock starts, on a die of no size."""
    preset = load_preset("hard")
    camera = dataclasses.replace(preset.photographers[0].camera, tile_width=64, tile_height=64)
    layout = make_layout(1, width_um=1760, height_um=1340)
    small = dataclasses.replace(layout, width_um=60, height_um=60)
    specimen = dataclasses.replace(make_specimen(layout, preset.specimen, seed=1), masks=small)
    look = preset.photographers[0].look
    photograph(
        specimen, folder / "c", folder / "ct", camera=camera, look=look, seed=1, rasters=False
    )


def edit_rows(seed: int) -> list[dict[str, Any]]:
    """Hold the edits of a fresh seed against the masks."""
    layout = make_layout(seed)
    after, edits = revise(layout, SAMPLE_EDITS, seed=seed)
    box = (0, 0, layout.width_um, layout.height_um)
    error = 0
    for layer in LAYERS:
        old, new = layout.mask(layer, box) > 0, after.mask(layer, box) > 0
        told = sum(e.added_um2().get(layer, 0) + e.removed_um2().get(layer, 0) for e in edits)
        error += abs(int((old ^ new).sum()) - told)
    case = f"edits of seed {seed}"
    return [row(case, "area error um2", float(error), TARGETS["edit_area_error_um2"])]


def place_row(seed: int) -> dict[str, Any]:
    """Hold the place of a box, photographed from a random side, against the truth."""
    rng = np.random.default_rng(seed)
    box = np.array([[200, 150, 240, 200]])
    specimen = Specimen(AnyMasks({"metal": box}, 420, 340))
    photographer = load_preset("hard").photographers[-1]
    camera = dataclasses.replace(
        photographer.camera,
        um_per_px=float(rng.uniform(0.4, 0.7)),
        angle_deg=float(rng.uniform(0, 360)),
        mirrored=bool(rng.integers(2)),
        vignetting=0.0,
        missing=0,
        dust=0,
        shot_noise=0.0,
        read_noise=0.0,
    )
    # What shifts the light of a box without moving it (relief, blotches, noise) is left out.
    plain = dict.fromkeys(
        ("drift", "film_drift", "mottle", "relief", "grain", "pits", "rough_um"), 0.0
    )
    look = dataclasses.replace(photographer.look, **plain)
    picture, taken, shot = take_picture(specimen, camera=camera, look=look, seed=seed)
    light = (picture[..., 1] / 65535.0) ** 2.2
    corners = np.array([(200, 150), (240, 150), (240, 200), (200, 200)], dtype=float)
    expected = taken.from_die_um(shot, corners)
    y, x = np.mgrid[0 : light.shape[0], 0 : light.shape[1]]
    middle = expected.mean(axis=0)
    near = np.hypot(x - middle[0], y - middle[1]) < 95
    weight = np.clip(light - 0.38, 0, 0.3) * near
    found = np.array([(weight * x).sum(), (weight * y).sum()]) / weight.sum()
    error = float(np.abs(found - middle).max())
    return row(f"box from seed {seed}", "place error px", error, TARGETS["truth_px"])


def _cpu_s() -> float:
    usage = resource.getrusage(resource.RUSAGE_SELF)
    return usage.ru_utime + usage.ru_stime


if __name__ == "__main__":
    main()
