"""Benchmark of registration: phantom pairs in one picture each, held against their truth.

    python tests/benchmarks/register.py [--quick] [--seeds N] [--side-um N] [--out FILE.json]

Pairs of the presets with all edits, a die half of which is periodic, a moved block, dies that have
nothing to do with one another, and views of one die with metal on and stripped. The shift of each
layer is a fact of the wafer, which `overlay` measures: the first rows are of wafers without, those
`with overlay` of wafers as the presets say, and their error is counted less its mean, the common
shift. Dies of one generator share pads, memory and cells, and their pads lie over one another
where the sides are equal; so unrelated dies are of different sizes, and one of each pair is drawn
at 0.8 of the scale: an answer is wrong where it lays cells of one over those of the other.
Beside the pairs: OpenCV's SIFT with a RANSAC homography, OpenCV's ECC, and SimpleITK's similarity,
with settings as in their own examples. Seeds are drawn at run time. px are those of the coarser
picture.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import os
import platform
import secrets
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parents[1]))

import cv2
import numpy as np
import SimpleITK
from numpy.typing import NDArray

from maskdelta.images import Raster, eight_bits, write_raster
from maskdelta.phantom import (
    SAMPLE_EDITS,
    Layout,
    Preset,
    load_preset,
    make_layout,
    make_specimen,
    revise,
    take_picture,
)
from maskdelta.register import Registered, Side, register
from maskdelta.study import RegisterSettings, Registration

Array = NDArray[np.float64]
TARGETS: dict[tuple[str, str], tuple[float, str]] = {
    ("ordinary", "rms_px"): (0.15, "at most"),
    ("ordinary", "p95_px"): (0.3, "at most"),
    ("hard", "rms_px"): (0.35, "at most"),
    ("hard", "p95_px"): (0.7, "at most"),
    ("half periodic", "wrong_by_a_pitch"): (0, "at most"),
    ("moved block", "found"): (1, "at least"),
    ("moved block", "displacement_off_px"): (0.5, "at most"),
    ("moved block", "absorbed_frac"): (0.02, "at most"),
    ("unrelated", "refused_frac"): (1.0, "at least"),
    ("stripped", "wrong"): (0, "at most"),
    ("error map", "inside_95_frac"): (0.9, "at least"),
}


@dataclass(frozen=True)
class Picture:
    """A finished picture of a die, and the way from its px to um of the die."""

    pixels: NDArray[np.uint8]
    um_per_px: float
    to_die_um: Callable[[Array], Array]
    from_die_um: Callable[[Array], Array]


class Stripped:
    """A layout without its metal."""

    def __init__(self, layout: Layout) -> None:
        self._layout = layout
        self.width_um, self.height_um = layout.width_um, layout.height_um

    def mask(self, layer: str, box_um: Any, *, um_per_px: float = 1.0) -> NDArray[np.uint8]:
        """Mask of a layer; metal and the openings over it are gone."""
        mask = self._layout.mask(layer, box_um, um_per_px=um_per_px)
        return np.zeros_like(mask) if layer in ("metal", "pad_opening") else mask


def take(masks: Any, preset: Preset, which: int, seed: int) -> Picture:
    """Photograph masks as one of the preset's photographers does."""
    photographer = preset.photographers[which]
    # the shift of each layer is a fact of the wafer, which `overlay` measures, and no error here
    settled = dataclasses.replace(preset.specimen, overlay_um=0.0)
    specimen = make_specimen(masks, settled, seed=seed * 10 + which)
    picture, camera, shot = take_picture(
        specimen, camera=photographer.camera, look=photographer.look, seed=seed * 10 + which
    )
    return Picture(
        eight_bits(picture),
        photographer.camera.um_per_px,
        lambda p: camera.to_die_um(shot, p),
        lambda p: camera.from_die_um(shot, p),
    )


def side_of(picture: Picture, folder: Path, name: str, stack: ExitStack) -> Side:
    """Write a picture as a mosaic, and open it."""
    shape = picture.pixels.shape[:2]
    write_raster(
        folder / f"{name}.tif",
        lambda b: picture.pixels[b.y0 : b.y1, b.x0 : b.x1],
        shape=shape,
        dtype=np.uint8,
    )
    write_raster(
        folder / f"{name}_tiles.tif",
        lambda b: np.ones((1, *b.shape), np.uint16),
        shape=shape,
        dtype=np.uint16,
        planes=("tile",),
        reduce="nearest",
    )
    opened = [stack.enter_context(Raster.open(folder / f"{name}{k}.tif")) for k in ("", "_tiles")]
    return Side(*opened)


def laid_over(before: Picture, after: Picture) -> tuple[Registered, float]:
    """Register two pictures; also CPU seconds."""
    with ExitStack() as stack, tempfile.TemporaryDirectory() as folder:
        sides = [
            side_of(p, Path(folder), name, stack)
            for p, name in ((before, "before"), (after, "after"))
        ]
        started = time.process_time()
        found = register(
            sides[0], sides[1], names=("a1", "b1"), settings=RegisterSettings(), threads=2
        )
        return found, time.process_time() - started


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
    """Error of a map after -> before at points of the die, px of the coarser picture."""
    miss = before.to_die_um(to_before(after.from_die_um(points_um))) - points_um
    return np.hypot(*miss.T) / max(before.um_per_px, after.um_per_px)


def peers(before: Picture, after: Picture) -> dict[str, Callable[[Array], Array] | None]:
    """Maps after -> before by general-purpose libraries, on pictures of at most 2000 px."""
    scale = 2000 / max(*before.pixels.shape, *after.pixels.shape)
    small = [
        cv2.cvtColor(
            cv2.resize(p.pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA),
            cv2.COLOR_RGB2GRAY,
        )
        for p in (before, after)
    ]

    def full(matrix: Array) -> Callable[[Array], Array]:
        def apply(points: Array) -> Array:
            reduced = (points + 0.5) * scale - 0.5
            there = cv2.perspectiveTransform(reduced[None].astype(float), matrix)[0]
            return (there + 0.5) / scale - 0.5

        return apply

    sift = _sift(*small)
    found: dict[str, Callable[[Array], Array] | None] = {
        "SIFT + RANSAC": None if sift is None else full(sift)
    }
    if sift is not None:
        # ECC and SimpleITK refine a start; alone they find no turn of 92 degrees
        ecc = _ecc(*small, sift)
        found["ECC"] = None if ecc is None else full(ecc)
        itk = _similarity(*small, sift)
        found["SimpleITK similarity"] = None if itk is None else full(itk)
    return found


def _sift(before: NDArray[np.uint8], after: NDArray[np.uint8]) -> Array | None:
    detector = cv2.SIFT_create(8000)
    (kb, db), (ka, da) = (detector.detectAndCompute(p, None) for p in (before, after))
    pairs = cv2.BFMatcher().knnMatch(da, db, k=2)
    good = [m for m, n in pairs if m.distance < 0.75 * n.distance]
    if len(good) < 8:
        return None
    source = np.array([ka[m.queryIdx].pt for m in good])
    target = np.array([kb[m.trainIdx].pt for m in good])
    matrix, _ = cv2.findHomography(source, target, cv2.RANSAC, 3.0)
    return matrix


def _ecc(before: NDArray[np.uint8], after: NDArray[np.uint8], start: Array) -> Array | None:
    warp = np.linalg.inv(start)
    warp = (warp / warp[2, 2]).astype(np.float32)
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 50, 1e-6)
    try:
        _, warp = cv2.findTransformECC(before, after, warp, cv2.MOTION_HOMOGRAPHY, stop, None, 5)
    except cv2.error:
        return None
    return np.linalg.inv(warp.astype(float))


def _similarity(before: NDArray[np.uint8], after: NDArray[np.uint8], start: Array) -> Array | None:
    size = (before.shape[1], before.shape[0])
    moved = cv2.warpPerspective(after, start, size)
    fixed, moving = (SimpleITK.GetImageFromArray(p.astype(np.float32)) for p in (before, moved))
    method = SimpleITK.ImageRegistrationMethod()
    method.SetMetricAsMattesMutualInformation(32)
    method.SetMetricSamplingStrategy(method.RANDOM)
    method.SetMetricSamplingPercentage(0.05, 1)
    method.SetInterpolator(SimpleITK.sitkLinear)
    method.SetOptimizerAsRegularStepGradientDescent(1.0, 1e-4, 100)
    method.SetOptimizerScalesFromPhysicalShift()
    middle = SimpleITK.Similarity2DTransform()
    middle.SetCenter((size[0] / 2, size[1] / 2))
    method.SetInitialTransform(middle, inPlace=True)
    try:
        method.Execute(fixed, moving)
    except RuntimeError:
        return None
    corners = np.array([[0, 0], [size[0], 0], [0, size[1]], size], float)
    there = np.array([middle.TransformPoint(c) for c in corners.tolist()])
    back = cv2.getPerspectiveTransform(there.astype(np.float32), corners.astype(np.float32))
    return back @ start


def layout_of(preset: Preset, seed: int) -> Layout:
    """The die that a preset describes."""
    d = preset.die
    return make_layout(
        seed,
        width_um=d.width_um,
        height_um=d.height_um,
        memory_share=d.memory_share,
        text=d.text,
    )


def pair_rows(case: str, preset: Preset, seed: int, *, beside: bool) -> Iterator[tuple[str, float]]:
    """A pair of revisions by two photographers."""
    before_layout = layout_of(preset, seed)
    after_layout, edits = revise(before_layout, SAMPLE_EDITS, seed=seed)
    before, after = take(before_layout, preset, 0, seed), take(after_layout, preset, 1, seed)
    found, cpu = laid_over(before, after)
    registration = found.registration
    points = die_points(before_layout, [edit.box_um for edit in edits])
    megapixels = (before.pixels[..., 0].size + after.pixels[..., 0].size) / 1e6
    yield f"cpu_s_per_Mpx (seed {seed})", cpu / megapixels
    if not registration.trusted:
        print("  refused:", "; ".join(registration.refused))
        yield "rms_px", float("inf")
        return
    miss = errors_px(registration.after_to_before, before, after, points)
    if case == "half periodic":
        yield "wrong_by_a_pitch", float((miss > 4).any())
    yield "rms_px", float(np.sqrt((miss**2).mean()))
    yield "p95_px", float(np.percentile(miss, 95))
    miss_px = miss * max(before.um_per_px, after.um_per_px) / before.um_per_px
    inside = miss_px < found.error.at(before.from_die_um(points))
    yield "inside_95_frac", float(inside.mean())
    if beside:
        for name, to_before in peers(before, after).items():
            miss = np.array([np.inf])
            if to_before is not None:
                miss = errors_px(to_before, before, after, points)
            yield f"rms_px by {name}", float(np.sqrt((miss**2).mean()))


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
    plain, _ = laid_over(before, after)
    moved, _ = laid_over(before, dataclasses.replace(after, pixels=pixels))
    if not (plain.registration.trusted and moved.registration.trusted):
        yield "found", 0.0
        return
    middle = np.array([[x0 + side / 2, y0 + side / 2]])
    jump = plain.registration.after_to_before(middle + [8.0, 0.0])
    jump -= plain.registration.after_to_before(middle)
    bent = moved.registration.after_to_before(middle) - plain.registration.after_to_before(middle)
    yield "absorbed_frac", float(np.hypot(*bent.T)[0] / np.hypot(*jump.T)[0])
    at = plain.registration.after_to_before(middle)[0]
    groups = [
        g
        for g in moved.registration.groups
        if g["x0_px"] <= at[0] <= g["x1_px"] and g["y0_px"] <= at[1] <= g["y1_px"]
    ]
    yield "found", float(bool(groups))
    if groups:
        # a point found after, carried back, lies where the block was moved to
        off = np.array([[groups[0]["dx_px"], groups[0]["dy_px"]]]) + jump
        yield "displacement_off_px", float(np.hypot(*off.T)[0])


def rough_error(
    registration: Registration, before: Picture, after: Picture, layout: Layout
) -> float:
    """RMS error of a trusted registration, px of the coarser picture."""
    miss = errors_px(registration.after_to_before, before, after, die_points(layout, []))
    return float(np.sqrt((miss**2).mean()))


def many_rows(preset: Preset, count: int, seed: int) -> Iterator[tuple[str, str, float]]:
    """Pairs that do not belong together, and views with metal on and stripped."""
    refused = wrong = good = 0
    for k in range(count):
        first, second = (layout_of(preset, seed + 2 * k + n) for n in (0, 1))
        before = take(first, preset, 0, seed + k)
        found, _ = laid_over(before, take(second, preset, 1, seed + k + 500))
        refused += not found.registration.trusted
        if k % 2:
            continue
        bare = take(Stripped(first), preset, 1, seed + k + 900)
        found, _ = laid_over(before, bare)
        if found.registration.trusted:
            right = rough_error(found.registration, before, bare, first) < 1.0
            good, wrong = good + right, wrong + (not right)
    yield "unrelated", "refused_frac", refused / count
    yield "stripped", "wrong", float(wrong)
    yield "stripped", "right_frac", good / max((count + 1) // 2, 1)


def main() -> None:
    """Run the cases and print a row a figure."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="one small pair a preset, no peers")
    parser.add_argument("--seeds", type=int, default=5, help="seeds drawn at run time")
    parser.add_argument("--side-um", type=int, default=0, help="side of the dies of the pairs")
    parser.add_argument("--out", type=Path, help="write the rows as JSON")
    args = parser.parse_args()
    side = 1800 if args.quick else args.side_um
    seeds = [secrets.randbelow(10**6) for _ in range(1 if args.quick else args.seeds)]
    rows: list[dict[str, Any]] = []

    def report(case: str, figure: str, value: float) -> None:
        target, sense = TARGETS.get((case, figure), (None, ""))
        if figure == "inside_95_frac":
            target, sense = TARGETS["error map", figure]
        met = target is None or (value >= target if sense == "at least" else value <= target)
        rows.append({"case": case, "figure": figure, "value": value, "target": target, "met": met})
        verdict = "" if target is None else f"{sense} {target}  {'met' if met else 'MISSED'}"
        print(f"{case:14} {figure:34} {value:10.4f}  {verdict}", flush=True)

    for seed in seeds:
        for name in ("ordinary", "hard", "half periodic"):
            preset = load_preset("ordinary" if name == "half periodic" else name)
            if name == "half periodic":
                preset = dataclasses.replace(
                    preset, die=dataclasses.replace(preset.die, memory_share=0.5)
                )
            preset = preset.resized(side, side) if side else preset
            beside = not args.quick and seed == seeds[0]
            for figure, value in pair_rows(name, preset, seed, beside=beside):
                report(name, figure, value)
        small = load_preset("ordinary").resized(1800, 1800)
        for figure, value in moved_block_rows(small, seed):
            report("moved block", figure, value)
    tiny = load_preset("ordinary").resized(1700, 1700)
    for case, figure, value in many_rows(tiny, 2 if args.quick else 20, seeds[0]):
        report(case, figure, value)
    if args.out:
        data = {"rows": rows, "python": platform.python_version(), "machine": platform.machine()}
        args.out.write_text(json.dumps(data, indent=1))


if __name__ == "__main__":
    main()
