"""Benchmark of overlay: shift and width of each layer of phantom pairs, held against the wafers'.

    python tests/benchmarks/overlay.py [--quick] [--seeds N] [--side-um N] [--preset NAME]
        [--out FILE.json]

Both dies of a pair are photographed as one picture each, segmented with 3 swatches a stack,
registered and measured. The truth is what the wafers were made with: where a layer of the die
after lies beyond that of the die before, plus what the map itself is off in the mean, since a
shift is told on top of the map. Width is twice what an edge lies farther out, that of contacts
what the process makes of them, since their round corners move farther than their sides. A layer is
scored
where 20 patches or more were measured at edges of its own. px are those of the coarser picture.
Seeds are drawn at run time.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import secrets
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parents[1]))

import cv2
import numpy as np
from numpy.typing import NDArray

from array_scenes import Photographed, photographed, usual_study
from comparing import open_side
from maskdelta.overlay import Overlay, measure_overlay
from maskdelta.phantom import (
    SAMPLE_EDITS,
    Layout,
    Preset,
    Specimen,
    load_preset,
    make_layout,
    make_specimen,
    revise,
)
from maskdelta.register import register
from maskdelta.study import LayerStack, OverlaySettings, RegisterSettings, Registration

Array = NDArray[np.float64]
LEAST_PATCHES = 20
TARGETS = {"shift_off_px": 0.1, "width_off_px": 0.2}
"""At most, for each layer."""


@dataclass(frozen=True)
class Die:
    """A specimen, its photograph, and the folder of its layers."""

    specimen: Specimen
    scene: Photographed
    folder: Path


def one_die(masks: Any, preset: Preset, which: int, seed: int, folder: Path) -> Die:
    """Make, photograph and segment a die as one of the preset's photographers does."""
    photographer = preset.photographers[which]
    specimen = make_specimen(masks, preset.specimen, seed=seed * 10 + which)
    study = usual_study()
    folder.mkdir()
    scene = photographed(
        specimen,
        folder,
        camera=photographer.camera,
        look=photographer.look,
        seed=seed * 10 + which,
        layers=study.layers,
        stacks=study.stacks,
        swatches=3,
        truth_rasters=False,
        threads=2,
    )
    return Die(specimen, scene, folder)


def measured(before: Die, after: Die) -> tuple[Registration, Overlay, float]:
    """The registration, the overlay, and CPU seconds of the latter."""
    with ExitStack() as stack:
        sides = [
            open_side((d.folder / "mosaic.tif", d.folder / "coverage.tif"), stack)
            for d in (before, after)
        ]
        registration = register(
            sides[0], sides[1], names=("a1", "b1"), settings=RegisterSettings(), threads=2
        ).registration
    if not registration.trusted:
        return registration, Overlay({}, None), 0.0
    started = time.process_time()
    overlay = measure_overlay(
        LayerStack(before.folder),
        LayerStack(after.folder),
        registration,
        settings=OverlaySettings(max_shift_um=4.0),  # no scale is written: it counts as px
        threads=2,
    )
    return registration, overlay, time.process_time() - started


def true_shifts(
    before: Die, after: Die, registration: Registration, points_um: Array
) -> dict[str, Array]:
    """Mean shift of each layer on top of the map, (2,) px of the picture before."""
    at = before.scene.places_px(points_um)
    shifts = {}
    for layer, (x, y) in after.specimen.overlay_um.items():
        moved = np.array([x, y]) - before.specimen.overlay_um[layer]
        there = registration.after_to_before(after.scene.places_px(points_um + moved))
        shifts[layer] = (there - at).mean(0)
    return shifts


def rows_of(preset: Preset, seed: int) -> Iterator[tuple[str, str, float]]:
    """Layer, figure and value of a pair."""
    d = preset.die
    layout: Layout = make_layout(
        seed,
        width_um=d.width_um,
        height_um=d.height_um,
        memory_share=d.memory_share,
        text=d.text,
    )
    revised, _ = revise(layout, SAMPLE_EDITS, seed=seed)
    with tempfile.TemporaryDirectory() as name:
        before = one_die(layout, preset, 0, seed, Path(name) / "before")
        after = one_die(revised, preset, 1, seed, Path(name) / "after")
        registration, overlay, cpu_s = measured(before, after)
        if not registration.trusted:
            print("  refused:", "; ".join(registration.refused))
            yield "all", "refused", 1.0
            return
        x, y = np.meshgrid(
            np.arange(60.0, d.width_um - 60, 60), np.arange(60.0, d.height_um - 60, 60)
        )
        points = np.column_stack([x.ravel(), y.ravel()])
        shifts = true_shifts(before, after, registration, points)
        yield from layer_rows(before, after, overlay, shifts)
        yield "all", "cpu_s", cpu_s


def layer_rows(
    before: Die, after: Die, overlay: Overlay, shifts: dict[str, Array]
) -> Iterator[tuple[str, str, float]]:
    """What each layer was measured wrong by."""
    scale = before.scene.um_per_px / max(before.scene.um_per_px, after.scene.um_per_px)
    for name, found in overlay.layers.items():
        yield name, "patches", found.patches
        yield name, "shared", float(found.shared)
        if found.shared or found.patches < LEAST_PATCHES:
            continue
        off = np.array([found.dx_px, found.dy_px]) - shifts[name]
        grown = made_growth_um(before, after, name)
        wider = 2 * (found.grow_px - grown / before.scene.um_per_px)
        yield name, "true_shift_px", float(np.hypot(*shifts[name]) * scale)
        yield name, "shift_off_px", float(np.hypot(*off) * scale)
        yield name, "true_width_px", 2 * grown / before.scene.um_per_px * scale
        yield name, "width_off_px", float(abs(wider) * scale)


def made_growth_um(before: Die, after: Die, layer: str, *, um_per_px: float = 0.125) -> float:
    """How much farther out the edges of a layer lie after."""
    if layer != "contact":
        return after.specimen.bias_um[layer] - before.specimen.bias_um[layer]
    masks = before.specimen.masks
    middle = (float(masks.width_um) / 2, float(masks.height_um) / 2)
    box = (middle[0] - 150, middle[1] - 150, middle[0] + 150, middle[1] + 150)
    radii = []
    for die in (before, after):
        made = die.specimen.made_mask(layer, box, um_per_px=um_per_px)
        _, _, stats, _ = cv2.connectedComponentsWithStats(made, connectivity=8)
        radii.append(np.median(np.sqrt(stats[1:, cv2.CC_STAT_AREA] / np.pi)) * um_per_px)
    return float(radii[1] - radii[0])


def main() -> None:
    """Run the pairs and print a row a figure."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="one seed, small dies")
    parser.add_argument("--seeds", type=int, default=5, help="seeds drawn at run time")
    parser.add_argument("--side-um", type=int, default=0, help="side of the dies")
    parser.add_argument("--preset", action="append", default=[], help="only this; repeatable")
    parser.add_argument("--out", type=Path, help="write the rows as JSON")
    args = parser.parse_args()
    seeds = [secrets.randbelow(10**6) for _ in range(1 if args.quick else args.seeds)]
    side = args.side_um or (1800 if args.quick else 2400)
    rows: list[dict[str, Any]] = []
    for seed in seeds:
        for preset_name in args.preset or ("ordinary", "hard"):
            print(f"seed {seed}, {preset_name}", flush=True)
            preset = load_preset(preset_name).resized(side, side)
            for layer, figure, value in rows_of(preset, seed):
                target = TARGETS.get(figure)
                met = target is None or value <= target
                rows.append(
                    {
                        "case": f"{preset_name}, {layer}",
                        "figure": figure,
                        "value": value,
                        "target": target,
                        "met": met,
                    }
                )
                verdict = (
                    "" if target is None else f"at most {target}  {'met' if met else 'MISSED'}"
                )
                print(f"{preset_name:9} {layer:16} {figure:14} {value:9.4f}  {verdict}", flush=True)
    if args.out:
        data = {
            "rows": rows,
            "seeds": seeds,
            "python": platform.python_version(),
            "machine": platform.machine(),
        }
        args.out.write_text(json.dumps(data, indent=1))


if __name__ == "__main__":
    main()
