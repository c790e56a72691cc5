"""Benchmark of what is claimed to be seen: squares drawn into the masks, photographed, looked for.

    python tests/benchmarks/sensitivity.py [--quick] [--seeds N] [--preset NAME] [--side-um N]
                                           [--keep FOLDER] [--studies FOLDER...] [--out FILE.json]

The stage plants changes into finished pictures and says what it would have seen. Here the same
kinds of change are drawn into the masks after, whole um a side, etched and photographed by the
phantom's camera and sent through the whole pipeline: no part of this shares code or assumptions
with planting. Of squares from a layer's claim to a quarter above it, 90 to 99 % should be found; of
larger ones no fewer. Seeds are drawn at run time and printed.
"""

from __future__ import annotations

import dataclasses
import sys
import tempfile
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parent))

import cv2
import numpy as np
import shapely
import shapely.geometry
from numpy.typing import NDArray
from scipy.stats import binomtest

from maskdelta.phantom import LAYERS, Layout
from maskdelta.study import read_json, read_table, write_json
from scoring import Die
from study import make_and_run, options, preset_of, seeds_of, write_rows

TARGETS = {"found_from_claim_frac": (0.9, "at least"), "found_above_frac": (0.9, "at least")}
GROUNDS = {
    "diffusion": ((), ("diffusion", "polysilicon", "metal", "buried_contact", "pad_opening")),
    "polysilicon": ((), ("diffusion", "polysilicon", "metal", "buried_contact", "pad_opening")),
    "metal": ((), ("metal", "pad_opening")),
    "contact": (("metal",), ("contact", "pad_opening", "buried_contact")),
}
"""By layer: what must lie below a square, and what must not lie within the margin around it."""
SIDES_UM = {"contact": (2, 3, 4, 5, 6)}
OTHER_SIDES_UM = (3, 4, 5, 6, 7, 8, 9, 10)
MARGIN_UM, APART_UM = 4, 40


def squares(layout: Layout, rng: np.random.Generator, *, most: int) -> list[dict[str, Any]]:
    """Squares of each layer on free places, alone, layers and sizes in turn."""
    box = (0, 0, layout.width_um, layout.height_um)
    masks = {layer: layout.mask(layer, box) for layer in LAYERS}
    taken = np.ones((layout.height_um, layout.width_um), np.uint8)
    taken[20:-20, 20:-20] = 0
    found: list[dict[str, Any]] = []
    for number in range(most):
        layer = list(GROUNDS)[number % len(GROUNDS)]
        sides = SIDES_UM.get(layer, OTHER_SIDES_UM)
        side = sides[number // len(GROUNDS) % len(sides)]
        below, apart = GROUNDS[layer]
        margin = 1 if below else MARGIN_UM
        bad = np.logical_or.reduce([masks[name] for name in apart])
        bad = cv2.dilate(bad.astype(np.uint8), np.ones((2 * MARGIN_UM + 1,) * 2, np.uint8))
        free = (bad == 0) & (taken == 0)
        kernel = np.ones((side + 2 * margin,) * 2, np.uint8)
        fits = cv2.erode(free.astype(np.uint8), np.ones((side, side), np.uint8)) > 0
        for name in below:
            fits &= cv2.erode(masks[name], kernel) > 0
        places = np.argwhere(fits)
        if not len(places):
            continue
        y, x = (int(v) - side // 2 for v in places[rng.integers(len(places))])
        found.append({"layer": layer, "box_um": [x, y, x + side, y + side], "side_um": side})
        taken[max(y - APART_UM, 0) : y + APART_UM, max(x - APART_UM, 0) : x + APART_UM] = 1
    return found


def drawn(layout: Layout, *, folder: Path, seed: int, most: int) -> Layout:
    """The layout with squares added; what was drawn is written into the folder."""
    found = squares(layout, np.random.default_rng([seed, 77]), most=most)
    folder.mkdir(parents=True, exist_ok=True)
    write_json(folder / "squares.json", {"squares": found})
    boxes, nets, groups = dict(layout.boxes), dict(layout.nets), dict(layout.groups)
    for layer in GROUNDS:
        new = np.array([s["box_um"] for s in found if s["layer"] == layer], np.int32).reshape(-1, 4)
        boxes[layer] = np.concatenate([boxes[layer], new])
        nets[layer] = np.append(nets[layer], np.full(len(new), -1, nets[layer].dtype))
        groups[layer] = np.append(groups[layer], np.zeros(len(new), groups[layer].dtype))
    return dataclasses.replace(layout, boxes=boxes, nets=nets, groups=groups)


def looked_for(folder: Path) -> dict[str, NDArray[np.float64]]:
    """By layer (n, 2): side, um, and whether it was found, of the squares seen in both dies."""
    dies = [Die.read(folder, name) for name in ("a1", "b1")]
    um_per_px = read_json(folder / "results/dies/a1/to_study.json")["um_per_px"]
    features = read_json(folder / "results/comparisons/a1--b1/changes.geojson")["features"]
    found: dict[str, list[tuple[float, float]]] = {layer: [] for layer in GROUNDS}
    for square in read_json(folder / "squares.json")["squares"]:
        x0, y0, x1, y1 = square["box_um"]
        x, y = np.meshgrid(np.arange(x0 + 0.5, x1), np.arange(y0 + 0.5, y1))
        points = np.column_stack([x.ravel(), y.ravel()])
        if not all(die.seen(square["layer"], points).all() for die in dies):
            continue
        middle = dies[0].to_mosaic(np.array([[(x0 + x1) / 2, (y0 + y1) / 2]]))[0] * um_per_px
        hit = any(
            f["properties"]["layer"] == square["layer"]
            and f["properties"]["state"] == "added"
            and _near(f["geometry"], middle, square["side_um"])
            for f in features
        )
        found[square["layer"]].append((square["side_um"], hit))
    return {layer: np.array(rows, float).reshape(-1, 2) for layer, rows in found.items()}


def _near(geometry: dict[str, Any], point: NDArray[np.float64], reach: float) -> bool:
    shape = shapely.geometry.shape(geometry)
    return bool(shape.distance(shapely.Point(*point)) < reach / 2)


def rows_of(case: str, folder: Path) -> Iterator[tuple[str, str, float]]:
    """Case, figure and value of one study, layer by layer; sizes are printed."""
    claims = {
        row["layer"]: row["smallest_seen_um"]
        for row in read_table(folder / "results/comparisons/a1--b1/sensitivity.csv", "sensitivity")
    }
    near, above = np.zeros((0, 2)), np.zeros((0, 2))
    for layer, seen in looked_for(folder).items():
        claim = claims.get(layer)
        sizes = {
            int(side): f"{int(seen[seen[:, 0] == side, 1].sum())}/{int((seen[:, 0] == side).sum())}"
            for side in np.unique(seen[:, 0])
        }
        print(f"{case:40} {layer:12} claim {claim} um; found by side: {sizes}", flush=True)
        if claim is not None:
            # whole um: the first size at or above the claim
            at = seen[(seen[:, 0] >= claim) & (seen[:, 0] < max(1.25 * claim, claim + 1))]
            near = np.concatenate([near, at])
            above = np.concatenate([above, seen[seen[:, 0] >= claim]])
    for figure, seen in (("found_from_claim_frac", near), ("found_above_frac", above)):
        if len(seen):
            low, high = binomtest(int(seen[:, 1].sum()), len(seen)).proportion_ci()
            print(f"{case:40} {figure}: {len(seen)} squares, 95 % interval {low:.2f} to {high:.2f}")
            yield case, figure, float(seen[:, 1].mean())


def main() -> None:
    """Score the studies and print a row a figure."""
    parser = options(__doc__.splitlines()[0], quick="one seed", seeds=3)
    parser.add_argument("--studies", type=Path, nargs="+", help="finished studies to score")
    args = parser.parse_args()
    preset = preset_of(args)
    rows: list[dict[str, Any]] = []
    seeds = seeds_of(args)
    for seed in [] if args.studies else seeds:
        with tempfile.TemporaryDirectory() as scrap:
            folder = (args.keep or Path(scrap)) / f"squares-{seed}"
            redraw = partial(drawn, folder=folder, seed=seed, most=280)
            make_and_run(seed, folder, preset, null=True, redraw=redraw)
            show(rows_of(f"{preset.name}, seed {seed}", folder), rows)
    for folder in args.studies or []:
        show(rows_of(folder.name, folder), rows)
    write_rows(args.out, rows)


def show(found: Iterator[tuple[str, str, float]], rows: list[dict[str, Any]]) -> None:
    """Print figures and keep them as rows."""
    for case, figure, value in found:
        target, sense = TARGETS[figure]
        met = value >= target
        rows.append({"case": case, "figure": figure, "value": value, "target": target, "met": met})
        print(f"{case:40} {figure:24} {value:7.3f}  {sense} {target} {'met' if met else 'MISSED'}")


if __name__ == "__main__":
    main()
