"""Benchmark of segmenting: phantom dies in one picture each, and real micrographs.

    python tests/benchmarks/segment.py [--seeds N] [--side-um N] [--micrographs FOLDER]
                                       [--out FILE.json]

Each die of the presets is photographed as one finished picture, with 3 swatches a stack, and
scored at each px where the truth, drawn in steps of 0.25 um, lets a layer be seen. F1 leaves out a
ring of 2 px on either side of the layer's true outline, as do the targets; `f1_with_edges` leaves
out none, and `f1_inside` all that is nearer than 3 px to any outline. Scores leave out what is
called unknown, spoiled or hidden; the floor is the share of the die that is left out beyond the
share that truly cannot be seen. Areas are those called, against the true ones. Beside ours, over
the middle of the same die: the nearest mean colour in CIELAB, and pixels classified by a random
forest over multi-scale features, as in scikit-image's gallery. Seeds are drawn at run time.

Real micrographs are scored by intersection over union, with swatches outside the scored area;
outlines are left out by 3 px (register block) and 12 px (home-made device).
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import platform
import resource
import secrets
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parents[1]))

import cv2
import numpy as np
import scipy.ndimage
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from skimage.color import rgb2lab
from skimage.feature import multiscale_basic_features
from sklearn.ensemble import RandomForestClassifier

import micrographs
from array_scenes import Photographed, photographed_die, usual_study
from maskdelta.images import Raster
from maskdelta.phantom import LAYERS
from maskdelta.segment import UNKNOWN, Swatch, segment, swatches_of
from maskdelta.segment._colour_model import fit_colours
from maskdelta.study import Pose, Poses, SegmentSettings, read_json, read_marks

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

SCORED = ("diffusion", "polysilicon", "metal")
SWATCHES = 3
TRUTH_UM_PER_PX = 0.25
RING_PX = 2
SURE = round(0.9 * 255)
TARGETS = {
    **{("ordinary", f"f1_{layer}"): (0.985, "at least") for layer in SCORED},
    **{("hard", f"f1_{layer}"): (0.97, "at least") for layer in SCORED},
    **{("ordinary", f"contact_{k}"): (0.99, "at least") for k in ("recall", "precision")},
    **{("hard", f"contact_{k}"): (0.97, "at least") for k in ("recall", "precision")},
    **{(p, f"floor_{k}"): (0.02, "at most") for p in ("ordinary", "hard") for k in SCORED},
    **{(p, "sure_frac"): (0.9, "at least") for p in ("ordinary", "hard")},
    **{(p, "sure_and_wrong_frac"): (0.002, "at most") for p in ("ordinary", "hard")},
    ("speed", "table_mpx_per_cpu_s"): (25.0, "at least"),
    ("speed", "whole_mpx_per_cpu_s"): (3.0, "at least"),
    ("speed", "peak_mib"): (1024.0, "at most"),
    ("cmos_register_block", "iou_diffusion"): (0.60, "at least"),
    ("cmos_register_block", "iou_polysilicon"): (0.35, "at least"),
    ("homemade_nmos", "iou_metal"): (0.93, "at least"),
    ("homemade_nmos", "iou_diffusion"): (0.60, "at least"),
    ("homemade_nmos", "iou_contact"): (0.30, "at least"),
    ("homemade_nmos", "iou_gate"): (0.40, "at least"),
}
"""The real micrographs' are aims: pure colour clusters, chosen with hindsight, reach less."""


@dataclass(frozen=True)
class Seen:
    """What the truth says at the pixels of a picture, by layer.

    Parameters
    ----------
    there, seen : dict of str to (H, W) bool
        Whether the layer is there, and whether it can be seen.
    inner : (H, W) bool
        Farther than 3 px from any outline that can be seen.
    on_die : (H, W) bool
    """

    there: dict[str, Mask]
    seen: dict[str, Mask]
    inner: Mask
    on_die: Mask


def truth_of(scene: Photographed, shape: tuple[int, int]) -> Seen:
    """Sample the truth's rasters at the pixels of the picture."""
    truth = scene.truth
    file = truth.tiles[0].file
    column, row = (np.zeros(shape, np.float32) for _ in range(2))
    for y in range(0, shape[0], 256):
        v, u = np.mgrid[y : min(y + 256, shape[0]), 0 : shape[1]]
        um = truth.tile_to_die_um(file, np.column_stack([u.ravel(), v.ravel()]))
        at = (um / truth.raster_um_per_px - 0.5).reshape(*u.shape, 2)
        column[y : y + 256], row[y : y + 256] = at[..., 0], at[..., 1]
    out = []
    for name in ("layers", "visible", "spoiled"):
        for plane in np.atleast_3d(truth.raster(name).T).T:
            # the rasters are finer than the picture: the nearest px will do; off the die is 0
            out.append(cv2.remap(plane, column, row, cv2.INTER_NEAREST, borderValue=0) > 0)
    whole = np.ones(plane.shape, np.uint8)
    on_die = cv2.remap(whole, column, row, cv2.INTER_NEAREST, borderValue=0) > 0
    count = len(LAYERS)
    clean = on_die & ~out[-1]
    there = {name: out[k] for k, name in enumerate(LAYERS)}
    seen = {name: out[count + k] & clean for k, name in enumerate(LAYERS)}
    shown = [there[name] & seen[name] for name in (*SCORED, "contact")]
    return Seen(there, seen, ~micrographs.near_outline(shown, 3), on_die)


def f1(called: Mask, true: Mask) -> float:
    """F1 of px called against px true."""
    return float(2 * (called & true).sum() / max(called.sum() + true.sum(), 1))


def objects(called: Mask, true: Mask, seen: Mask, *, reach_px: float = 4.0) -> tuple[float, float]:
    """Recall and precision of shapes whose middles lie within `reach_px` of each other.

    Shapes that can be seen to less than half count for neither.
    """
    middles = []
    for mask in (called, true):
        parts, count = scipy.ndimage.label(mask)
        numbers = np.arange(1, count + 1)
        share = scipy.ndimage.mean(seen, parts, numbers) if count else np.zeros(0)
        places = np.array(scipy.ndimage.center_of_mass(mask, parts, numbers)).reshape(-1, 2)
        middles.append((places, np.asarray(share) >= 0.5))
    (found, found_counts), (drawn, drawn_counts) = middles
    if not len(found) or not len(drawn):
        return 0.0, 0.0
    recall = cKDTree(found).query(drawn[drawn_counts])[0] <= reach_px
    precision = cKDTree(drawn).query(found[found_counts])[0] <= reach_px
    return float(recall.mean()), float(precision.mean())


def typical_area(mask: Mask) -> float:
    """Median area of the shapes of at least 8 px, px."""
    stats = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)[2]
    areas = stats[1:, cv2.CC_STAT_AREA]
    return float(np.median(areas[areas >= 8])) if (areas >= 8).any() else float("nan")


def read_level(folder: Path, name: str) -> NDArray[np.uint8]:
    """All of a raster, (planes, H, W)."""
    with Raster.open(folder / name) as raster:
        return np.asarray(raster.read_level(0))


def score_layers(folder: Path, truth: Seen) -> dict[str, float]:
    """Figures of one segmented die."""
    summary = read_json(folder / "layers.json")
    names, stacks = summary["layers"], summary["stacks"]
    membership = read_level(folder, "layers.ome.tif") > 127
    shown = read_level(folder, "layers_visible.tif") > 0
    sure = read_level(folder, "layers_confidence.tif")[0] > SURE
    label = read_level(folder, "labels.tif")[0]
    known = label < UNKNOWN
    out = {}
    for layer in SCORED:
        k = names.index(layer)
        seen = truth.seen[layer]
        used = seen & shown[k] & known
        called, true = membership[k], truth.there[layer]
        off_ring = used & ~micrographs.near_outline([true], RING_PX)
        out[f"f1_{layer}"] = f1(called & off_ring, true & off_ring)
        out[f"f1_with_edges_{layer}"] = f1(called & used, true & used)
        inner = used & truth.inner
        out[f"f1_inside_{layer}"] = f1(called & inner, true & inner)
        out[f"area_{layer}"] = float((called & used).sum() / (true & used).sum())
        out[f"left_out_{layer}"] = 1 - float(used.sum() / seen.sum())
        shown_here = shown[k] & known & truth.on_die
        out[f"floor_{layer}"] = float((seen.sum() - shown_here.sum()) / truth.on_die.sum())
    k = names.index("contact")
    seen = truth.seen["contact"]
    recall, precision = objects(membership[k] & shown[k], truth.there["contact"], seen & known)
    out |= {"contact_recall": recall, "contact_precision": precision}
    called, true = membership[k] & shown[k], truth.there["contact"]
    out["area_contact"] = typical_area(called) / typical_area(true & seen)
    stack_layers = usual_study().stacks
    wrong = np.zeros(label.shape, bool)
    for layer in SCORED:
        carries = np.array([layer in stack_layers[s].layers for s in stacks])
        hides = np.array([layer in stack_layers[s].hides for s in stacks])
        judged = known & truth.seen[layer]
        called = np.take(np.append(carries, np.zeros(256 - len(stacks), bool)), label)
        hidden = np.take(np.append(hides, np.zeros(256 - len(stacks), bool)), label)
        wrong |= judged & ~hidden & (called != truth.there[layer])
    area = truth.inner & np.any([truth.seen[layer] for layer in SCORED], axis=0)
    out["sure_frac"] = float((sure & known & area).sum() / area.sum())
    out["sure_and_wrong_frac"] = float((sure & wrong & area).sum() / area.sum())
    return out


def peers(
    picture: NDArray[np.uint8], swatches: Sequence[Swatch], truth: Seen, *, side_px: int = 1400
) -> dict[str, float]:
    """F1 of the nearest mean colour and of a random forest, over the middle of the picture."""
    height, width = picture.shape[:2]
    y, x = max(0, (height - side_px) // 2), max(0, (width - side_px) // 2)
    middle = (slice(y, y + side_px), slice(x, x + side_px))
    patches, labels, lab_means = [], [], []
    names = sorted({s.stack for s in swatches})
    for number, name in enumerate(names):
        colours = []
        for swatch in (s for s in swatches if s.stack == name):
            x0, y0, x1, y1 = (int(v) for v in swatch.polygon.bounds)
            around = picture[max(0, y0 - 64) : y1 + 65, max(0, x0 - 64) : x1 + 65]
            v, u = np.mgrid[0 : around.shape[0], 0 : around.shape[1]]
            inside = shapely.contains_xy(swatch.polygon, u + max(0, x0 - 64), v + max(0, y0 - 64))
            patches.append(_features(around)[inside])
            labels.append(np.full(int(inside.sum()), number))
            colours.append(rgb2lab(around)[inside])
        lab_means.append(np.concatenate(colours).mean(0))
    forest = RandomForestClassifier(50, max_depth=10, max_samples=0.05, n_jobs=1, random_state=0)
    forest.fit(np.concatenate(patches), np.concatenate(labels))
    features = _features(picture[middle])
    shape = features.shape[:2]
    by_forest = forest.predict(features.reshape(-1, features.shape[-1])).reshape(shape)
    lab = rgb2lab(picture[middle])
    by_colour = np.argmin([((lab - mean) ** 2).sum(-1) for mean in lab_means], axis=0)
    stacks = usual_study().stacks
    out = {}
    for who, label in (("lab", by_colour), ("forest", by_forest)):
        for layer in SCORED:
            carries = np.array([layer in stacks[name].layers for name in names])
            seen = truth.seen[layer][middle]
            out[f"{who}_f1_{layer}"] = f1(carries[label] & seen, truth.there[layer][middle] & seen)
    return out


def _features(picture: NDArray[np.uint8]) -> NDArray[np.float32]:
    found = multiscale_basic_features(picture, channel_axis=-1, sigma_min=1, sigma_max=8)
    return np.asarray(found, np.float32)


def drawn_swatches(folder: Path, file: str, shape: tuple[int, int]) -> list[Swatch]:
    """Swatches of a die that `photographed_die` wrote as one picture."""
    height, width = shape
    pose = Pose(file, "", width, height, (width - 1) / 2, (height - 1) / 2, 0.0, 1.0)
    return swatches_of(read_marks([str(folder / "m.geojson")]), "d", Poses((pose,)))


def one_die(preset: str, seed: int, which: int, side_um: int | None) -> dict[str, float]:
    """Make, segment and score one die."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        scene, _ = photographed_die(
            preset,
            seed,
            which,
            folder,
            swatches=SWATCHES,
            side_um=side_um,
            truth_um_per_px=TRUTH_UM_PER_PX,
        )
        picture = scene.rasters.mosaic.read_level(0)
        height, width = picture.shape[:2]
        truth = truth_of(scene, (height, width))
        file = scene.truth.tiles[0].file
        swatches = drawn_swatches(folder, file, (height, width))
        return score_layers(folder, truth) | peers(picture, swatches, truth)


def preset_rows(
    preset: str, seeds: Sequence[int], side_um: int | None
) -> Iterator[tuple[str, str, float]]:
    """Case, figure and the mean over seeds; each seed is printed."""
    found = []
    for number, seed in enumerate(seeds):
        found.append(one_die(preset, seed, number % 2, side_um))
        shown = {key: round(value, 4) for key, value in found[-1].items()}
        print(f"{preset} seed {seed}, photographer {number % 2 + 1}: {shown}", flush=True)
    for key in found[0]:
        yield preset, key, float(np.mean([f[key] for f in found]))


def drawn(folder: Path, seed: int) -> dict[str, Any]:
    """Photograph a die for timing; the process that segments it starts afresh."""
    photographed_die("sample", seed, 0, folder)
    return {}


def timed(folder: Path) -> dict[str, float]:
    """CPU-s of the table alone and of all, and MiB at most."""
    study = usual_study()
    with (
        Raster.open(folder / "mosaic.tif") as mosaic,
        Raster.open(folder / "coverage.tif") as coverage,
    ):
        height, width = mosaic.shape
        file = next(p.name for p in sorted((folder / "tiles").iterdir()))
        swatches = drawn_swatches(folder, file, (height, width))
        start = time.process_time()
        segment(
            mosaic,
            coverage,
            swatches,
            folder=folder / "again",
            die="d",
            layers=study.layers,
            stacks=study.stacks,
            settings=SegmentSettings(),
        )
        whole = time.process_time() - start
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        picture = mosaic.read_level(0)
    samples = [(s.stack, _pixels(picture, s)) for s in swatches]
    table = fit_colours(samples).table()
    start = time.process_time()
    for y in range(0, height, 256):
        index = table.index(picture[y : y + 256].astype(np.float32))
        np.take(table.likeliest, index)
        np.take(table.far, index)
    alone = time.process_time() - start
    mpx = height * width / 1e6
    return {
        "mpx": mpx,
        "table_mpx_per_cpu_s": mpx / alone,
        "whole_mpx_per_cpu_s": mpx / whole,
        "peak_mib": peak,
    }


def _pixels(picture: NDArray[np.uint8], swatch: Swatch) -> Array:
    x0, y0, x1, y1 = (int(v) for v in swatch.polygon.bounds)
    return picture[y0 : y1 + 1, x0 : x1 + 1].reshape(-1, 3).astype(float)


def timing(seed: int) -> Iterator[tuple[str, str, float]]:
    """Figures of speed; made and measured in processes of their own."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "again").mkdir()
        found: Mapping[str, Any] = {}
        for work, arguments in ((drawn, (folder, seed)), (timed, (folder,))):
            context = multiprocessing.get_context("spawn")
            with ProcessPoolExecutor(1, mp_context=context) as pool:
                found = pool.submit(work, *arguments).result()
    for key, value in found.items():
        yield "speed", key, value


def real_rows(folder: Path, seed: int) -> Iterator[tuple[str, str, float]]:
    """Intersection over union on real micrographs."""
    for figure, value in micrographs.register_block(folder / "cmos_register_block", seed).items():
        yield "cmos_register_block", figure, value
    for figure, value in micrographs.homemade_nmos(folder / "homemade_nmos").items():
        yield "homemade_nmos", figure, value


def main() -> None:
    """Run the cases and print a row a figure."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=5, help="seeds drawn at run time, a preset")
    parser.add_argument("--side-um", type=int, default=2400, help="side of a square die")
    parser.add_argument("--micrographs", type=Path, help="folder of the real micrographs")
    parser.add_argument("--out", type=Path, help="write the rows as JSON")
    args = parser.parse_args()
    seed = secrets.randbelow(10**6)
    cases: list[Iterator[tuple[str, str, float]]] = []
    if args.micrographs:
        cases.append(real_rows(args.micrographs, seed))
    if args.seeds:
        cases.append(timing(seed))
        for preset in ("ordinary", "hard"):
            seeds = [secrets.randbelow(10**6) for _ in range(args.seeds)]
            cases.append(preset_rows(preset, seeds, args.side_um))
    rows = []
    for case, figure, value in (row for found in cases for row in found):
        target, sense = TARGETS.get((case, figure), (None, ""))
        met = target is None or bool(value >= target if sense == "at least" else value <= target)
        rows.append({"case": case, "figure": figure, "value": value, "target": target, "met": met})
        verdict = "" if target is None else f"{sense} {target}  {'met' if met else 'MISSED'}"
        print(f"{case:20} {figure:26} {value:10.4f}  {verdict}", flush=True)
    if args.out:
        data = {"rows": rows, "python": platform.python_version(), "machine": platform.machine()}
        args.out.write_text(json.dumps(data, indent=1))


if __name__ == "__main__":
    main()
