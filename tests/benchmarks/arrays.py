"""Benchmark of reading arrays: phantom dies in one picture each, segmented and read bit by bit.

    python tests/benchmarks/arrays.py [--quick] [--seeds N] [--out FILE.json]

Each die of the presets is photographed as one finished picture (stitching has a benchmark of its
own), segmented with swatches, and its arrays are read from three corner cells marked 2 px off.
Truth comes from the layout; a bit is truly covered where the phantom's dirt or breakage covers a
quarter of its place, and the bound on unreadable bits is 0.2 % or the covered share, whichever is
more. The lattice is also proposed without marks, from the contacts inside an
outline drawn around each array. Seeds are drawn at run time.
"""

from __future__ import annotations

import argparse
import itertools
import json
import multiprocessing
import os
import platform
import resource
import secrets
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parents[1]))

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from array_scenes import draw_scene, marked, photographed_die, settings_of
from maskdelta.arrays import (
    Corner,
    DieRasters,
    find_dots,
    find_lattice,
    propose_lattice,
    read_bits,
)
from maskdelta.images import Raster
from maskdelta.phantom import programmed_arrays
from maskdelta.segment import SPOILED
from maskdelta.study import ArraySettings

TARGETS = {
    ("ordinary", "wrong"): (0.0, "at most"),
    ("ordinary", "unreadable_beyond_bound_frac"): (0.0, "at most"),
    ("hard", "wrong_frac"): (1e-4, "at most"),
    ("hard", "unreadable_beyond_covered_frac"): (0.01, "at most"),
    ("hard", "wrong_outside_most_doubtful"): (0.0, "at most"),
    ("marks", "lattice_right_frac"): (1.0, "at least"),
    ("proposed", "lattice_right_frac"): (0.9, "at least"),
    ("time", "seconds_32768_bits"): (10.0, "at most"),
}


def covered(truth: Any, x_um: NDArray[Any], y_um: NDArray[Any]) -> NDArray[np.bool_]:
    """(rows, columns) whether dirt or breakage covers a quarter of the 8 um around a contact."""
    spoiled = truth.raster("spoiled").astype(np.float32)
    share = cv2.blur(spoiled, (9, 9))
    step = truth.raster_um_per_px
    r = np.clip((y_um / step).astype(int), 0, share.shape[0] - 1)
    c = np.clip((x_um / step).astype(int), 0, share.shape[1] - 1)
    return np.asarray(share[np.ix_(r, c)] > 0.25)


def read_die(preset: str, seed: int, which: int) -> dict[str, Any]:
    """Figures of all arrays of one die."""
    keys = ("bits", "wrong", "unreadable", "covered", "outside", "lost", "proposed", "arrays")
    total = dict.fromkeys(keys, 0)
    seconds = 0.0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        scene, layout = photographed_die(preset, seed, which, folder)
        rng = np.random.default_rng([seed, which])
        for array in programmed_arrays(layout):
            grid = np.stack(np.meshgrid(array.x_um, array.y_um), -1)
            places = scene.places_px(grid)
            start = time.perf_counter()
            settings = settings_of(array)
            fit = find_lattice(scene.rasters.mosaic, marked(places, rng), settings)
            read = read_bits(scene.rasters, fit.lattice, settings.bit, um_per_px=scene.um_per_px)
            seconds += time.perf_counter() - start
            total["arrays"] += 1
            total["proposed"] += proposed_right(scene.rasters, places)
            bits = read.bits
            wrong = (bits.value >= 0) & (bits.value != array.bits)
            total["bits"] += bits.value.size
            total["wrong"] += int(wrong.sum())
            total["unreadable"] += bits.unreadable
            total["covered"] += int(covered(scene.truth, array.x_um, array.y_um).sum())
            # unreadable bits come first in the order of doubt, and are no readings
            doubt = bits.rank - bits.unreadable
            total["outside"] += int((wrong & (doubt > max(1, 0.01 * bits.value.size))).sum())
            miss = np.hypot(*np.moveaxis(read.lattice.centres() - places, -1, 0))
            if miss.max() > 4:
                total["lost"] += 1
                print(f"   {array.name}: lattice off by up to {miss.max():.1f} px", flush=True)
            if wrong.any() or bits.unreadable:
                where = np.argwhere(wrong)[:5].tolist()
                print(
                    f"   {array.name}: {int(wrong.sum())} wrong {where}, "
                    f"{bits.unreadable} unreadable, separation {read.separation:.1f}",
                    flush=True,
                )
    return {**total, "seconds": seconds}


def proposed_right(rasters: DieRasters, places: NDArray[np.float64]) -> bool:
    """Whether a lattice proposed without marks holds the true cells and no others."""
    steps = [np.hypot(*np.diff(line, axis=0).T).min() for line in (places[0], places[:, 0])]
    corners = places[[0, 0, -1, -1], [0, -1, -1, 0]]
    outline = shapely.Polygon(corners).buffer(0.3 * min(steps))
    contacts = rasters.layers.planes.index("contact")
    proposal = propose_lattice(*find_dots(rasters.layers, contacts, outline))
    if proposal.why:
        return False
    settings = ArraySettings.model_validate(proposal.settings())
    lattice = find_lattice(rasters.mosaic, proposal.corners(), settings).lattice
    cells = lattice.centres().reshape(-1, 2)
    miss, _ = cKDTree(cells).query(places.reshape(-1, 2))
    return len(cells) == places.size // 2 and bool(miss.max() < min(steps) / 4)


def preset_rows(preset: str, seeds: list[int]) -> Iterator[tuple[str, str, float]]:
    """Case, figure and value of all seeds of a preset together; each seed is printed."""
    sums: dict[str, float] = {}
    for number, seed in enumerate(seeds):
        found = read_die(preset, seed, number % 2)
        print(f"{preset} seed {seed}, photographer {number % 2 + 1}: {found}", flush=True)
        sums = {key: sums.get(key, 0) + value for key, value in found.items()}
    bits = sums["bits"]
    yield preset, "bits", bits
    yield preset, "wrong", sums["wrong"]
    yield preset, "wrong_frac", sums["wrong"] / bits
    yield preset, "unreadable_frac", sums["unreadable"] / bits
    yield preset, "covered_frac", sums["covered"] / bits
    beyond = (sums["unreadable"] - sums["covered"]) / bits
    yield preset, "unreadable_beyond_covered_frac", beyond
    bound = max(0.002, sums["covered"] / bits)
    yield preset, "unreadable_beyond_bound_frac", max(sums["unreadable"] / bits - bound, 0.0)
    yield preset, "wrong_outside_most_doubtful", sums["outside"]
    yield preset, "seconds_a_die", sums["seconds"] / len(seeds)
    yield preset, "arrays", sums["arrays"]
    yield "proposed", "lattice_right_frac", sums["proposed"] / sums["arrays"]


def trials(seed: int, count: int) -> Iterator[tuple[str, str, float]]:
    """Lattices from three cells marked 2 px off, on drawn arrays of many shapes."""
    rng = np.random.default_rng(seed)
    right = 0
    for _ in range(count):
        rows, columns = (int(v) for v in rng.integers(8, 40, 2))
        pitch = float(rng.uniform(14, 30))
        every = int(rng.integers(3, 9))
        gap = float(rng.uniform(0.3, 1.2))
        x = pitch * (np.arange(columns) + gap * (np.arange(columns) // every))
        bits = rng.integers(0, 2, (rows, columns)).astype(np.int8)
        settings = ArraySettings.model_validate(
            {
                "rows": {"count": rows},
                "columns": {"count": columns, "gap_every": every},
                "bit": {"size_um": 0.45 * pitch},
            }
        )
        with tempfile.TemporaryDirectory() as name:
            scene = draw_scene(
                Path(name), bits, rng, x_px=x, pitch_px=pitch, angle_deg=float(rng.normal(0, 3))
            )
            corners = marked(scene.centres_px, rng)
            fit = find_lattice(scene.rasters.mosaic, corners, settings)
            read = read_bits(scene.rasters, fit.lattice, settings.bit, um_per_px=1.0)
            miss = np.hypot(*np.moveaxis(read.lattice.centres() - scene.centres_px, -1, 0))
            right += bool(miss.max() < pitch / 4)
    yield "marks", "lattice_right_frac", right / count


def drawn(folder: Path, shape: tuple[int, int], seed: int) -> list[Corner]:
    """Draw an array in a folder; its marks."""
    rng = np.random.default_rng(seed)
    bits = rng.integers(0, 2, shape).astype(np.int8)
    np.save(folder / "bits.npy", bits)
    return marked(draw_scene(folder, bits, rng).centres_px, rng)


def timed(folder: Path, corners: list[Corner]) -> tuple[float, float, float, int]:
    """Seconds and CPU-s from open rasters to bits, MiB at most, and bits that are not right."""
    bits = np.load(folder / "bits.npy")
    rows, columns = bits.shape
    settings = ArraySettings.model_validate(
        {"rows": {"count": rows}, "columns": {"count": columns}, "bit": {"size_um": 9}}
    )
    names = ("mosaic", "coverage", "layers", "labels")
    with DieRasters(*(Raster.open(folder / f"{n}.tif") for n in names), spoiled=SPOILED) as rasters:
        start, start_cpu = time.perf_counter(), time.process_time()
        fit = find_lattice(rasters.mosaic, corners, settings)
        read = read_bits(rasters, fit.lattice, settings.bit, um_per_px=1.0)
        seconds, cpu = time.perf_counter() - start, time.process_time() - start_cpu
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return seconds, cpu, peak, int((read.bits.value != bits).sum())


def timing(seed: int) -> Iterator[tuple[str, str, float]]:
    """32,768 and 100,000 bits; drawn and read in processes of their own."""
    for shape in ((128, 256), (250, 400)):
        bits = shape[0] * shape[1]
        with tempfile.TemporaryDirectory() as name:
            results = []
            for work, arguments in ((drawn, (shape, seed)), (timed, ())):
                context = multiprocessing.get_context("spawn")
                with ProcessPoolExecutor(1, mp_context=context) as pool:
                    given = arguments or (results[-1],)
                    results.append(pool.submit(work, Path(name), *given).result())
        seconds, cpu, peak, wrong = results[-1]
        yield "time", f"seconds_{bits}_bits", seconds
        yield "time", f"cpu_seconds_{bits}_bits", cpu
        yield "time", f"peak_mib_{bits}_bits", peak
        yield "time", f"wrong_or_unreadable_{bits}_bits", wrong


def main() -> None:
    """Run the cases and print a row a figure."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="no whole dies, ten trials")
    parser.add_argument("--seeds", type=int, default=5, help="seeds drawn at run time, a preset")
    parser.add_argument("--out", type=Path, help="write the rows as JSON")
    args = parser.parse_args()
    seed = secrets.randbelow(10**6)
    print(f"seed of the drawn arrays: {seed}")
    found = itertools.chain(timing(seed), trials(seed, 10 if args.quick else 50))
    if not args.quick:
        for preset in ("ordinary", "hard"):
            seeds = [secrets.randbelow(10**6) for _ in range(args.seeds)]
            found = itertools.chain(found, preset_rows(preset, seeds))
    rows = []
    for case, figure, value in found:
        target, sense = TARGETS.get((case, figure), (None, ""))
        met = target is None or bool(value >= target if sense == "at least" else value <= target)
        rows.append({"case": case, "figure": figure, "value": value, "target": target, "met": met})
        verdict = "" if target is None else f"{sense} {target}  {'met' if met else 'MISSED'}"
        print(f"{case:10} {figure:32} {value:12.5f}  {verdict}", flush=True)
    if args.out:
        data = {"rows": rows, "python": platform.python_version(), "machine": platform.machine()}
        args.out.write_text(json.dumps(data, indent=1))


if __name__ == "__main__":
    main()
