"""Benchmark of registration: phantom pairs in one picture each, held against their truth.

    python tests/benchmarks/register.py [--quick] [--seeds N] [--side-um N] [--case CASE]
        [--out FILE.json]

Pairs of the presets with all edits, a die half of which is periodic, a moved block, a cracked die,
dies that have nothing to do with one another, and views of one die with metal on and stripped. The
shift of each layer is a fact of the wafer, which `overlay` measures: the first rows are of wafers
without, those `with overlay` of wafers as the presets say, and their error is counted less its
mean, the common shift. Dies of one generator share pads, memory and cells, and their pads lie over
one another where the sides are equal; so unrelated dies are of different sizes, and every other
one has its squares of 0.1 mm dealt out anew. Beside the pairs: OpenCV's SIFT with a RANSAC
homography, OpenCV's ECC, and SimpleITK's similarity and B-spline, with settings as in their own
examples. Seeds are drawn at run time. px are those of the coarser picture.
"""

from __future__ import annotations

import argparse
import dataclasses
import itertools
import json
import os
import platform
import secrets
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parents[1]))

import numpy as np
import shapely
from numpy.typing import NDArray
from register_peers import peers
from register_scenes import (
    Picture,
    break_in_two,
    half_periodic,
    layout_of,
    rearranged,
    stripped,
    take,
)
from shapely import LineString

from comparing import open_side, side_of
from maskdelta.images import Raster, blocks_of
from maskdelta.phantom import SAMPLE_EDITS, Layout, Preset, load_preset, revise
from maskdelta.register import Registered, register
from maskdelta.study import RegisterSettings

Array = NDArray[np.float64]
TARGETS: dict[tuple[str, str], tuple[float, str]] = {
    ("ordinary", "rms_px"): (0.15, "at most"),
    ("ordinary", "p95_px"): (0.3, "at most"),
    ("ordinary with overlay", "rms_px"): (0.15, "at most"),
    ("ordinary with overlay", "p95_px"): (0.3, "at most"),
    ("hard", "rms_px"): (0.35, "at most"),
    ("hard", "p95_px"): (0.7, "at most"),
    ("hard with overlay", "rms_px"): (0.35, "at most"),
    ("hard with overlay", "p95_px"): (0.7, "at most"),
    ("half periodic", "wrong_by_a_pitch"): (0, "at most"),
    ("moved block", "found"): (1, "at least"),
    ("moved block", "displacement_off_px"): (0.5, "at most"),
    ("moved block", "absorbed_frac"): (0.02, "at most"),
    ("cracked", "rms_px"): (0.5, "at most"),
    ("cracked, not marked", "rms_px"): (0.5, "at most"),
    ("cracked, not marked", "cracks_found"): (1, "at least"),
    ("cracked, not marked", "wrong_piece_frac"): (0.02, "at most"),
    ("unrelated", "refused_frac"): (1.0, "at least"),
    ("stripped", "wrong"): (0, "at most"),
    ("any", "truth_inside_95_frac"): (0.9, "at least"),
    ("any", "left_out_inside_95_frac"): (0.9, "at least"),
    ("any", "cpu_s_per_Mpx"): (0.225, "at most"),
    ("any", "peak_rss_MiB"): (1024, "at most"),
}


def laid_over(before: Picture, after: Picture, **more: Any) -> Registered:
    """Register two pictures."""
    with ExitStack() as stack, tempfile.TemporaryDirectory() as folder:
        sides = [
            side_of(p.pixels, Path(folder), name, stack)
            for p, name in ((before, "before"), (after, "after"))
        ]
        return register(
            sides[0], sides[1], names=("a1", "b1"), settings=RegisterSettings(), threads=2, **more
        )


def cost(before: Picture, after: Picture) -> tuple[float, float, float]:
    """CPU seconds of a registration and of reading all of both mosaics once, and peak MiB of a
    process that does nothing else."""
    with ExitStack() as stack, tempfile.TemporaryDirectory() as folder:
        for picture, name in ((before, "before"), (after, "after")):
            side_of(picture.pixels, Path(folder), name, stack)
        done = subprocess.run(
            [sys.executable, __file__, "--cost-of", folder], capture_output=True, check=True
        )
    cpu_s, reading_s, mib = json.loads(done.stdout)
    return cpu_s, reading_s, mib


def cost_of(folder: Path) -> None:
    """Print what `cost` asks for."""
    paths = [(folder / f"{name}.tif", folder / f"{name}_tiles.tif") for name in ("before", "after")]
    with ExitStack() as stack:
        sides = [open_side(pair, stack) for pair in paths]
        started = time.process_time()
        register(sides[0], sides[1], names=("a1", "b1"), settings=RegisterSettings(), threads=2)
        cpu_s = time.process_time() - started
    mib = peak_mib()
    started = time.process_time()
    for path in itertools.chain(*paths):
        with Raster.open(path) as raster:
            for block in blocks_of(raster.shape, 1024):
                raster.read(block)
    print(json.dumps([cpu_s, time.process_time() - started, mib]))


def peak_mib() -> float:
    """Peak resident MiB of this process: `ru_maxrss` also knows of the one that started it."""
    status = Path("/proc/self/status").read_text().split()
    return int(status[status.index("VmHWM:") + 1]) / 1024


def die_points(layout: Layout, leave_out: Any, *, step_um: float = 40.0) -> Array:
    """Grid over the die, um, without boxes and their surroundings, and without the border."""
    x, y = np.meshgrid(
        np.arange(60, layout.width_um - 60, step_um), np.arange(60, layout.height_um - 60, step_um)
    )
    points = np.column_stack([x.ravel(), y.ravel()])
    for x0, y0, x1, y1 in leave_out:
        inside = ((points > [x0 - 20, y0 - 20]) & (points < [x1 + 20, y1 + 20])).all(1)
        points = points[~inside]
    return points


def errors_px(
    to_before: Callable[[Array], Array], before: Picture, after: Picture, points_um: Array
) -> Array:
    """Error (x, y) of a map after -> before at points of the die, px of the coarser picture."""
    miss = before.to_die_um(to_before(after.from_die_um(points_um))) - points_um
    return miss / max(before.um_per_px, after.um_per_px)


def length_rows(miss: Array) -> Iterator[tuple[str, float]]:
    """RMS and 95 % of the lengths of errors."""
    lengths = np.hypot(*miss.T)
    yield "rms_px", float(np.sqrt((lengths**2).mean()))
    yield "p95_px", float(np.percentile(lengths, 95))


def honesty_rows(
    found: Registered, before: Picture, miss: Array, points_um: Array, um_per_px: float
) -> Iterator[tuple[str, float]]:
    """Shares of the true errors and of the left-out residuals inside the 95 % radius."""
    radius_um = found.error.at(before.from_die_um(points_um)) * before.um_per_px
    inside = np.hypot(*miss.T) * um_per_px < radius_um
    yield "truth_inside_95_frac", float(inside.mean())
    used = [row for row in found.residuals if row["weight"] > 0]
    at = np.array([[row["x_px"], row["y_px"]] for row in used])
    left_out = np.hypot(
        [row["left_out_dx_px"] for row in used], [row["left_out_dy_px"] for row in used]
    )
    yield "left_out_inside_95_frac", float((left_out < found.error.at(at)).mean())


def pair_rows(
    preset: Preset, seed: int, *, overlay: bool, beside: bool
) -> Iterator[tuple[str, float]]:
    """A pair of revisions by two photographers."""
    layout = layout_of(preset, seed)
    revised, edits = revise(layout, SAMPLE_EDITS, seed=seed)
    before = take(layout, preset, 0, seed, overlay=overlay)
    after = take(revised, preset, 1, seed, overlay=overlay)
    um_per_px = max(before.um_per_px, after.um_per_px)
    points = die_points(layout, [edit.box_um for edit in edits])

    def scored(miss: Array) -> Array:
        # the common shift of the layers is what `overlay` takes out
        return miss - miss.mean(0) if overlay else miss

    found = laid_over(before, after)
    registration = found.registration
    if not registration.trusted:
        print("  refused:", "; ".join(registration.refused))
        yield "rms_px", float("inf")
    else:
        miss = scored(errors_px(registration.after_to_before, before, after, points))
        yield from length_rows(miss)
        yield from honesty_rows(found, before, miss, points, um_per_px)
    if not beside:
        return
    cpu_s, reading_s, mib = cost(before, after)
    megapixels = (before.pixels[..., 0].size + after.pixels[..., 0].size) / 1e6
    yield "megapixels", megapixels
    yield "cpu_s_per_Mpx", (cpu_s - reading_s) / megapixels
    yield "cpu_s_per_Mpx with reading", cpu_s / megapixels
    yield "peak_rss_MiB", mib
    for peer in peers(before.pixels, after.pixels, longest_px=2600):
        off = float("inf")
        if peer.to_before is not None:
            miss = scored(errors_px(peer.to_before, before, after, points))
            off = float(np.sqrt((miss**2).sum(1).mean()))
        yield f"rms_px by {peer.name}", off
        yield f"cpu_s_per_Mpx by {peer.name}", peer.cpu_s / megapixels


def half_periodic_rows(preset: Preset, seed: int) -> Iterator[tuple[str, float]]:
    """A die half of which is one cell over and over, photographed twice."""
    layout = layout_of(preset, seed)
    masks = half_periodic(layout, seed)
    before, after = take(masks, preset, 0, seed), take(masks, preset, 1, seed)
    registration = laid_over(before, after).registration
    yield "refused", float(not registration.trusted)
    wrong = 0.0
    if registration.trusted:
        miss = errors_px(registration.after_to_before, before, after, die_points(layout, []))
        yield from length_rows(miss)
        wrong = float((np.hypot(*miss.T) > 4).any())  # the pitch is 24 px or more
    yield "wrong_by_a_pitch", wrong


def moved_block_rows(preset: Preset, seed: int) -> Iterator[tuple[str, float]]:
    """A block of a tenth of the side, moved by 8 px in the picture after."""
    layout = layout_of(preset, seed)
    before, after = take(layout, preset, 0, seed), take(layout, preset, 1, seed)
    height, width = after.pixels.shape[:2]
    side = round(0.1 * max(height, width))
    rng = np.random.default_rng(seed)
    x0, y0 = (int(rng.uniform(0.3, 0.6) * v) for v in (width, height))
    pixels = after.pixels.copy()
    pixels[y0 : y0 + side, x0 + 8 : x0 + side + 8] = after.pixels[y0 : y0 + side, x0 : x0 + side]
    plain = laid_over(before, after).registration
    moved = laid_over(before, dataclasses.replace(after, pixels=pixels)).registration
    if not (plain.trusted and moved.trusted):
        yield "found", 0.0
        return
    middle = np.array([[x0 + side / 2, y0 + side / 2]])
    at = plain.after_to_before(middle)
    jump = plain.after_to_before(middle + [8.0, 0.0]) - at
    bent = moved.after_to_before(middle) - at
    yield "absorbed_frac", float(np.hypot(*bent.T)[0] / np.hypot(*jump.T)[0])
    # a group reaches from patch to patch: what holds any of the block has found it
    reach = side / 2 * plain.scale_after_to_before
    (x, y) = at[0]
    groups = [
        g
        for g in moved.groups
        if g["x0_px"] <= x + reach
        and x - reach <= g["x1_px"]
        and g["y0_px"] <= y + reach
        and y - reach <= g["y1_px"]
    ]
    yield "found", float(bool(groups))
    if groups:
        # a point found after, carried back, lies where the block was moved to
        off = np.array([[groups[0]["dx_px"], groups[0]["dy_px"]]]) + jump
        yield "displacement_off_px", float(np.hypot(*off.T)[0])


def cracked_rows(preset: Preset, seed: int, *, marked: bool) -> Iterator[tuple[str, float]]:
    """A die that broke in two between its photographs, with the crack marked or to be found."""
    layout = layout_of(preset, seed)
    before, after = take(layout, preset, 0, seed), take(layout, preset, 1, seed)
    broken = break_in_two(after, seed)
    moved = dataclasses.replace(after, pixels=broken.pixels)
    cracks = ((), (LineString(broken.line),)) if marked else ((), ())
    registration = laid_over(before, moved, cracks=cracks).registration
    yield "refused", float(not registration.trusted)
    if not marked:
        yield "cracks_found", len(registration.figures.get("cracks", []))
    if registration.trusted:
        points = die_points(layout, [])
        there = broken.apply(after.from_die_um(points))
        miss = before.to_die_um(registration.after_to_before(there)) - points
        if not marked:
            # a found crack is right to about a patch: beside it either piece's map may be used
            far = np.abs(shapely.distance(LineString(broken.line), shapely.points(there)))
            wrong = np.hypot(*miss.T) / max(before.um_per_px, after.um_per_px) > 2
            yield "wrong_piece_frac", float(wrong.mean())
            yield "wrong_piece_farthest_um", float(far[wrong].max(initial=0) * after.um_per_px)
            miss = miss[~wrong]
        yield from length_rows(miss / max(before.um_per_px, after.um_per_px))


def unrelated_rows(preset: Preset, pairs: int, seed: int) -> Iterator[tuple[str, float]]:
    """Pairs of dies of different sizes; every other one has its squares dealt out anew."""
    count = next(n for n in range(2, 99) if n * (n - 1) // 2 >= pairs)
    dies = []
    for k in range(count):
        layout = layout_of(preset.resized(1660 + 2 * 37 * k, 2300 - 2 * 61 * k), seed + k)
        masks = rearranged(layout, seed) if k % 2 else layout
        dies.append(take(masks, preset, k // 2 % 2, seed + k))
    refused = 0
    for before, after in list(itertools.combinations(dies, 2))[:pairs]:
        refused += not laid_over(before, after).registration.trusted
    yield "pairs", pairs
    yield "refused_frac", refused / pairs


def stripped_rows(preset: Preset, pairs: int, seed: int) -> Iterator[tuple[str, float]]:
    """One die with metal on and stripped, by two photographers."""
    right = wrong = 0
    for k in range(pairs):
        layout = layout_of(preset, seed + k)
        before = take(layout, preset, 0, seed + k)
        bare = take(stripped(layout), preset, 1, seed + k + 900)
        registration = laid_over(before, bare).registration
        if registration.trusted:
            miss = errors_px(registration.after_to_before, before, bare, die_points(layout, []))
            good = np.sqrt((miss**2).sum(1).mean()) < 1.0
            right, wrong = right + good, wrong + (not good)
    yield "pairs", pairs
    yield "wrong", float(wrong)
    yield "right_frac", right / pairs


def all_rows(
    seeds: list[int], side_um: int, *, quick: bool, cases: list[str]
) -> Iterator[tuple[str, str, float]]:
    """Case, figure and value of everything."""

    def preset_of(name: str) -> Preset:
        preset = load_preset(name)
        return preset.resized(side_um, side_um) if side_um else preset

    small = load_preset("ordinary").resized(1800, 1800)
    for seed in seeds:
        print(f"seed {seed}", flush=True)
        each = {
            "moved block": moved_block_rows(small, seed),
            "half periodic": half_periodic_rows(small, seed),
            "cracked": cracked_rows(small, seed, marked=True),
            "cracked, not marked": cracked_rows(small, seed, marked=False),
        }
        for name in ("ordinary", "hard"):
            for overlay in (False, True):
                case = f"{name} with overlay" if overlay else name
                beside = seed == seeds[0] and not quick
                each[case] = pair_rows(preset_of(name), seed, overlay=overlay, beside=beside)
        for case, rows in each.items():
            if not cases or case in cases:
                yield from ((case, *row) for row in rows)
    last = {
        "unrelated": unrelated_rows(small, 3 if quick else 20, seeds[0]),
        "stripped": stripped_rows(small, 1 if quick else 10, seeds[0]),
    }
    for case, rows in last.items():
        if not cases or case in cases:
            yield from ((case, *row) for row in rows)


def main() -> None:
    """Run the cases and print a row a figure."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="one seed, small dies, no peers")
    parser.add_argument("--seeds", type=int, default=5, help="seeds drawn at run time")
    parser.add_argument("--side-um", type=int, default=0, help="side of the dies of the pairs")
    parser.add_argument("--case", action="append", default=[], help="only this case; repeatable")
    parser.add_argument("--out", type=Path, help="write the rows as JSON")
    parser.add_argument("--cost-of", type=Path, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.cost_of:
        cost_of(args.cost_of)
        return
    side = args.side_um or (1800 if args.quick else 0)
    seeds = [secrets.randbelow(10**6) for _ in range(1 if args.quick else args.seeds)]
    rows: list[dict[str, Any]] = []
    for case, figure, value in all_rows(seeds, side, quick=args.quick, cases=args.case):
        target, sense = TARGETS.get((case, figure), TARGETS.get(("any", figure), (None, "")))
        met = target is None or (value >= target if sense == "at least" else value <= target)
        rows.append({"case": case, "figure": figure, "value": value, "target": target, "met": met})
        verdict = "" if target is None else f"{sense} {target}  {'met' if met else 'MISSED'}"
        print(f"{case:22} {figure:38} {value:10.4f}  {verdict}", flush=True)
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
