"""Benchmark of the difference stage: edits found, false, their areas and kinds, beside naive peers.

    python tests/benchmarks/difference.py [--quick] [--seeds N] [--preset NAME] [--side-um N]
                                          [--keep FOLDER] [--studies FOLDER...] [--out FILE.json]

Makes studies on seeds drawn at run time and printed, runs the whole pipeline on each, once on the
same masks photographed twice, and once on masks whose ROM was programmed anew (half of its bits
flipped and nothing else); `--studies` scores finished ones instead, as `study.py --keep`
leaves them. The peers see the same mosaics: absolute colour difference after a SIFT registration
(Lowe 2004) with Otsu's threshold (1979), an opening and components; and the difference of
nearest-colour class maps after the same registration. Their settings were searched on seed 445056.
"""

from __future__ import annotations

import argparse
import csv
import dataclasses
import sys
import tempfile
from collections.abc import Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parent))

import cv2
import numpy as np
import shapely
import shapely.geometry

from maskdelta.images import Raster
from maskdelta.phantom import AnyMasks, Layout, Specimen
from maskdelta.study import apply_affine, fit_similarity, read_json, read_table, write_json
from scoring import Die, made_share, score_study, visible_edit_share
from study import make_and_run, options, preset_of, run_one, seeds_of, write_rows

TARGETS = {
    "recall": (1.0, "at least"),
    "false_changes": (1, "at most"),
    "f": (0.95, "at least"),
    "kinds_right": (0.9, "at least"),
    "areas_right": (0.9, "at least"),
    "layer_mpx_per_cpu_s": (25.0, "at least"),
    "peak_rss_mib": (1024.0, "at most"),
    "sensitivity_cpu_share": (1.0, "at most"),
}
PROGRAMMED_TARGETS = {"bits_found_frac": (1.0, "at least"), "false_changes": (3, "at most")}
KINDS = {
    "rom_bit": {"array bit", "contact new", "contact gone"},
    "contact_gone": {"contact gone"},
    "contact_new": {"contact new", "added"},  # with its pad where none was left for it
    "line_rerouted": {"moved", "altered"},
    "transistor_widened": {"widened"},
    "circuit_added": {"added"},
    "line_unconnected": {"cut", "removed"},
    "block_moved": {"moved"},
    "lettering": {"lettering"},
}
PEER_OPENING_PX, PEER_LEAST_PX = 5, 60


class Study:
    """A finished study: its truth and its places."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.dies = [Die.read(folder, name) for name in ("a1", "b1")]
        self.pair = folder / "results/comparisons/a1--b1"
        self.um_per_px = read_json(folder / "results/dies/a1/to_study.json")["um_per_px"]
        mosaic, die = self.dies[0].centres()
        self._to_study = fit_similarity(die, mosaic * self.um_per_px)

    def edits(self) -> Iterator[tuple[dict[str, Any], tuple[float, float, float, float]]]:
        """Edits at least half visible in both, with their boxes in the study frame."""
        for edit in self.dies[1].truth.edits:
            if visible_edit_share(edit, *self.dies) >= 0.5:
                x0, y0, x1, y1 = edit["box_um"]
                corners = self.to_study([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
                yield edit, (*(corners.min(0) - 3), *(corners.max(0) + 3))

    def to_study(self, die_um: Any) -> np.ndarray:
        """Places on the die before in um of the study frame."""
        return apply_affine(self._to_study, die_um)


def kinds_of(study: Study) -> dict[str, Any]:
    """How many edits have the right kind, by their largest change."""
    rows = read_table(study.pair / "changes.csv", "changes")
    right, wrong = 0, []
    for edit, (x0, y0, x1, y1) in study.edits():
        hits = [
            r
            for r in rows
            if r["x0_um"] < x1 and r["x1_um"] > x0 and r["y0_um"] < y1 and r["y1_um"] > y0
        ]
        if hits:
            largest = max(hits, key=lambda r: r["added_um2"] + r["removed_um2"])
            good = largest["kind"] in KINDS[edit["kind"]]
            right += good
            wrong += [] if good else [f"{edit['kind']}: {largest['kind']}"]
    return {"right": right, "judged": right + len(wrong), "wrong": wrong}


def areas_of(study: Study) -> dict[str, Any]:
    """Area found over true visible area, by edit, layer and direction.

    True is what lies on the dies: drawn shapes with corners as round as the process leaves them,
    and edges midway between those of both wafers (`process.json`, which `study.py` writes). A
    contact of 4 um keeps nine tenths of what is drawn. Right is within 10 %, or 8 px2, for contacts
    8 px2 each.
    """
    features = read_json(study.pair / "changes.geojson")["features"]
    shapes = [shapely.geometry.shape(f["geometry"]) for f in features]
    allowed_um2 = 8 * study.um_per_px**2
    errors, right = [], []
    for edit, box in study.edits():
        window = shapely.box(*box)
        for state in ("added", "removed"):
            for layer, boxes in edit[state].items():
                drawn, true = drawn_and_visible_um2(study, layer, boxes, state)
                if true < 0.95 * drawn:  # partly hidden or spoiled: what counts is not sharp
                    continue
                found = sum(
                    shape.intersection(window).area
                    for feature, shape in zip(features, shapes, strict=True)
                    if (feature["properties"]["layer"], feature["properties"]["state"])
                    == (layer, state)
                )
                true *= made_share_of(study, layer, boxes)
                errors.append(found / true - 1)
                objects = len(boxes) if layer == "contact" else 1
                right.append(abs(found - true) <= max(0.1 * true, allowed_um2 * objects))
    return {"errors": errors, "right": sum(right), "judged": len(right)}


def made_share_of(
    study: Study, layer: str, boxes: Sequence[Sequence[float]], *, step_um: float = 0.1
) -> float:
    """Area that the process makes of boxes (um), over the area drawn."""
    processes = [read_json(die.truth.folder / "process.json") for die in study.dies]
    corners = np.array(boxes, float)
    margin = 4.0
    low, high = corners[:, :2].min(0) - margin, corners[:, 2:].max(0) + margin
    polygons = [
        np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]) - low for x0, y0, x1, y1 in corners
    ]
    masks = AnyMasks({layer: polygons}, *(high - low))
    specimen = Specimen(
        masks,
        bias_um={layer: float(np.mean([p["bias_um"][layer] for p in processes]))},
        rounding_um=processes[0]["rounding_um"],
    )
    whole = (0.0, 0.0, *(np.ceil((high - low) / step_um) * step_um))
    return made_share(specimen, layer, whole, step_um=step_um)


def drawn_and_visible_um2(
    study: Study, layer: str, boxes: Sequence[Sequence[float]], state: str
) -> tuple[int, int]:
    """Area of boxes (um), and that in which the layer can be seen in both dies.

    A buried contact is drawn larger than what it joins and shows only where it joins it.
    """
    x, y = np.concatenate(
        [
            np.stack(np.meshgrid(np.arange(x0 + 0.5, x1), np.arange(y0 + 0.5, y1))).reshape(2, -1)
            for x0, y0, x1, y1 in boxes
        ],
        axis=1,
    )
    points = np.column_stack([x, y])
    shows = np.ones(len(points), bool)
    if layer == "buried_contact":
        die = study.dies[state == "added"]
        shows = die.present("polysilicon", points) & die.present("diffusion", points)
    seen = np.all([d.seen(layer, points) for d in study.dies], axis=0)
    return int(shows.sum()), int((shows & seen).sum())


def costs_of(study: Study) -> dict[str, float]:
    """From Snakemake's own records of the jobs, with their start."""
    logs = study.folder / "results/logs/a1--b1"
    rows = {}
    for job in ("difference", "rank_changes", "sensitivity"):
        with open(logs / f"{job}.tsv", encoding="utf-8") as file:
            rows[job] = next(csv.DictReader(file, delimiter="\t"))
    cpu = {job: float(row["cpu_time"]) for job, row in rows.items()}
    with Raster.open(study.folder / "results/dies/a1/layers.ome.tif") as layers:
        layer_mpx = len(layers.planes) * layers.shape[0] * layers.shape[1] / 1e6
    return {
        "layer_mpx_per_cpu_s": layer_mpx / (cpu["difference"] + cpu["rank_changes"]),
        "peak_rss_mib": max(float(row["max_rss"]) for row in rows.values()),
        "sensitivity_cpu_share": cpu["sensitivity"] / cpu["difference"],
    }


def peers_of(study: Study) -> dict[str, Any]:
    """Recall and false boxes of the two naive peers."""
    before, after = (
        read_mosaic(study.folder / f"results/dies/{die}/top/mosaic.ome.tif") for die in ("a1", "b1")
    )
    warp = sift_registration(before, after)
    if warp is None:
        return {"colour difference": None, "class maps": None}
    height, width = before.shape[:2]
    moved = cv2.warpPerspective(after, warp, (width, height))
    seen = (before.max(-1) > 0) & (moved.max(-1) > 0)
    apart = cv2.absdiff(before, moved).max(-1)
    _, changed = cv2.threshold(apart, 0, 1, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    classes = [class_map(p, study.folder, die) for p, die in ((before, "a1"), (moved, "b1"))]
    masks = {
        "colour difference": (changed > 0) & seen,
        "class maps": (classes[0] != classes[1]) & seen,
    }
    return {name: score_boxes(study, mask) for name, mask in masks.items()}


def read_mosaic(path: Path) -> np.ndarray:
    """The whole picture."""
    with Raster.open(path) as raster:
        return raster.read_level(0)


def sift_registration(before: np.ndarray, after: np.ndarray) -> np.ndarray | None:
    """Homography from after to before, from SIFT matches of pictures half as large, with RANSAC."""
    half = np.diag([0.5, 0.5, 1.0])
    sift = cv2.SIFT_create(nfeatures=20000)
    found = []
    for picture in (before, after):
        grey = cv2.cvtColor(cv2.resize(picture, None, fx=0.5, fy=0.5), cv2.COLOR_RGB2GRAY)
        found.append(sift.detectAndCompute(grey, None))
    (points_b, about_b), (points_a, about_a) = found
    matcher = cv2.FlannBasedMatcher({"algorithm": 1, "trees": 4}, {"checks": 64})
    pairs = matcher.knnMatch(about_a, about_b, k=2)
    good = [m for m, other in pairs if m.distance < 0.8 * other.distance]
    if len(good) < 10:
        return None
    here = np.float32([points_a[m.queryIdx].pt for m in good])
    there = np.float32([points_b[m.trainIdx].pt for m in good])
    cv2.setRNGSeed(1)
    warp, _ = cv2.findHomography(here, there, cv2.RANSAC, 3.0)
    return None if warp is None else np.linalg.inv(half) @ warp @ half


def class_map(picture: np.ndarray, folder: Path, die: str) -> np.ndarray:
    """Number of the stack nearest in colour, in the same order for both dies."""
    colours = read_json(folder / f"results/dies/{die}/layers.json")["colour"]
    names = sorted(colours)
    smooth = cv2.GaussianBlur(picture, (0, 0), 1.0).astype(np.float32)
    apart = np.stack([((smooth - np.float32(colours[n])) ** 2).sum(-1) for n in names])
    return apart.argmin(0).astype(np.uint8)


def score_boxes(study: Study, mask: np.ndarray) -> dict[str, Any]:
    """Recall and false boxes of a mask in the frame of the mosaic before."""
    kernel = np.ones((PEER_OPENING_PX,) * 2, np.uint8)
    opened = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, kernel)
    _, _, stats, _ = cv2.connectedComponentsWithStats(opened, connectivity=8)
    x, y, width, height, area = stats[1:].T
    kept = area >= PEER_LEAST_PX
    with Raster.open(study.folder / "results/dies/a1/layers.ome.tif") as frame:
        origin = np.array(frame.origin)
    low = (np.column_stack([x, y])[kept] + origin) * study.um_per_px
    high = low + np.column_stack([width, height])[kept] * study.um_per_px
    used = np.zeros(len(low), bool)
    found = total = 0
    for _, (x0, y0, x1, y1) in study.edits():
        hits = ((low < [x1, y1]) & (high > [x0, y0])).all(1)
        used |= hits
        found += bool(hits.any())
        total += 1
    false = int((~used).sum())
    return {"recall": found / max(total, 1), "false": false, "f": f_score(found, total, false)}


def f_score(found: int, total: int, false: int) -> float:
    """Harmonic mean of recall and precision; 1 where there was nothing and nothing was found."""
    return 2 * found / (total + found + false) if total + false else 1.0


def score(folder: Path, *, peers: bool) -> dict[str, Any]:
    """All figures of one study."""
    study, figures = Study(folder), score_study(folder)
    kinds, areas = kinds_of(study), areas_of(study)
    found = {
        "recall": figures["edits_found"] / figures["edits"] if figures["edits"] else None,
        "false_changes": figures["false_changes"],
        "f": f_score(figures["edits_found"], figures["edits"], figures["false_changes"]),
        "kinds_right": kinds["right"] / kinds["judged"] if kinds["judged"] else None,
        "areas_right": areas["right"] / areas["judged"] if areas["judged"] else None,
        **costs_of(study),
    }
    more = {
        "kinds": kinds,
        "areas": areas,
        "missed": figures["missed"],
        "excess_not_comparable": figures["excess_not_comparable"],
        "peers": peers_of(study) if peers else {},
    }
    return {"figures": found, "more": more}


def show(case: str, result: dict[str, Any]) -> list[dict[str, Any]]:
    """Print the figures of one study; rows for the file."""
    rows = []
    for name, value in result["figures"].items():
        if value is None:
            continue
        target, sense = TARGETS[name]
        met = bool(value >= target if sense == "at least" else value <= target)
        rows.append({"case": case, "figure": name, "value": value, "target": target, "met": met})
        word = "met" if met else "MISSED"
        print(f"{case:40} {name:22} {value:9.3f}  {sense} {target}  {word}")
    more = result["more"]
    kinds, areas = more["kinds"], more["areas"]
    errors = np.array(areas["errors"]) if areas["errors"] else np.zeros(1)
    print(f"{case:40} kinds {kinds['right']} of {kinds['judged']}; wrong: {kinds['wrong']}")
    print(
        f"{case:40} areas {areas['right']} of {areas['judged']}; relative error "
        f"{np.median(errors):+.3f} (median), {np.percentile(np.abs(errors), 90):.3f} (90 % below)"
    )
    print(f"{case:40} missed {more['missed']}, excess {more['excess_not_comparable']}")
    for name, found in more["peers"].items():
        words = (
            "not registered"
            if found is None
            else f"recall {found['recall']:.2f}, {found['false']} false, F {found['f']:.3f}"
        )
        print(f"{case:40} peer {name}: {words}", flush=True)
    return rows


def programmed_anew(layout: Layout, *, folder: Path, seed: int) -> Layout:
    """The layout with half of its bits flipped; their places are written into the folder."""
    rng = np.random.default_rng([seed, 5])
    contacts = layout.boxes["contact"]
    keep = np.ones(len(contacts), bool)
    added, flipped = [], []
    for bit in layout.bits:
        if rng.random() < 0.5:
            continue
        flipped.append(list(bit.box_um))
        own = (contacts == np.array(bit.box_um)).all(1)
        if own.any() != bool(bit.value):
            raise ValueError(f"bit {bit} and the contacts of the layout disagree")
        if bit.value:
            keep &= ~own
        else:
            added.append(bit.box_um)
    folder.mkdir(parents=True, exist_ok=True)
    write_json(folder / "flipped.json", {"boxes_um": flipped})
    drawn = {
        "boxes": (contacts[keep], np.array(added, contacts.dtype).reshape(-1, 4)),
        "nets": (layout.nets["contact"][keep], np.full(len(added), -1, np.int32)),
        "groups": (layout.groups["contact"][keep], np.zeros(len(added), np.int32)),
    }
    return dataclasses.replace(
        layout,
        **{
            name: dict(getattr(layout, name)) | {"contact": np.concatenate(parts)}
            for name, parts in drawn.items()
        },
    )


def programmed_rows(case: str, folder: Path) -> list[dict[str, Any]]:
    """How many flipped bits were found, of those seen in both dies, and changes elsewhere."""
    study = Study(folder)
    boxes = np.array([(*b[:2],) for b in read_json(folder / "flipped.json")["boxes_um"]], float)
    middles = boxes + 2.0
    seen = np.all([die.seen("contact", middles) for die in study.dies], axis=0)
    at = study.to_study(middles)
    changes = read_table(study.pair / "changes.csv", "changes")
    centres = np.array([[r["x_um"], r["y_um"]] for r in changes]).reshape(-1, 2)
    apart = np.hypot(*np.moveaxis(centres[:, None] - at[None], -1, 0))
    figures = {
        "bits_found_frac": float((apart.min(0) < 3)[seen].mean()),
        "false_changes": int((apart.min(1) >= 3).sum()),
    }
    print(f"{case:40} {int(seen.sum())} of {len(at)} flipped bits are seen in both dies")
    rows = []
    for name, value in figures.items():
        target, sense = PROGRAMMED_TARGETS[name]
        met = bool(value >= target if sense == "at least" else value <= target)
        rows.append({"case": case, "figure": name, "value": value, "target": target, "met": met})
        word = "met" if met else "MISSED"
        print(f"{case:40} {name:22} {value:9.3f}  {sense} {target}  {word}", flush=True)
    return rows


def cases(args: argparse.Namespace) -> Iterator[tuple[str, Path]]:
    """Names and folders of finished studies, made as they are asked for."""
    if args.studies:
        yield from ((folder.name, folder) for folder in args.studies)
        return
    preset = preset_of(args)
    seeds = seeds_of(args)
    print("seeds", *seeds)
    wanted = [(seed, False) for seed in seeds] + ([] if args.quick else [(seeds[0], True)])
    for seed, null in wanted:
        with tempfile.TemporaryDirectory() as scrap:
            folder = (args.keep or Path(scrap)) / f"{seed}{'-null' * null}"
            run_one(seed, folder, preset, null=null)
            yield f"{preset.name}, {'same masks twice' if null else 'edited'}, seed {seed}", folder
    if not args.quick:
        with tempfile.TemporaryDirectory() as scrap:
            folder = (args.keep or Path(scrap)) / f"{seeds[0]}-programmed"
            redraw = partial(programmed_anew, folder=folder, seed=seeds[0])
            make_and_run(seeds[0], folder, preset, null=True, redraw=redraw)
            yield f"{preset.name}, ROM programmed anew, seed {seeds[0]}", folder


def main() -> None:
    """Score the studies and print a row a figure."""
    parser = options(__doc__.splitlines()[0], quick="one seed, no null pair, no peers", seeds=5)
    parser.add_argument("--studies", type=Path, nargs="+", help="finished studies to score")
    args = parser.parse_args()
    rows = []
    for case, folder in cases(args):
        if (folder / "flipped.json").exists():
            rows += programmed_rows(case, folder)
        else:
            rows += show(case, score(folder, peers=not args.quick))
    write_rows(args.out, rows)


if __name__ == "__main__":
    main()
