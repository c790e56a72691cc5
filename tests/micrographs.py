"""Real micrographs whose layers are known: swatches on them, and how well they are segmented.

Sources, none of which is part of this repository:

`homemade_nmos`: photographs and drawn masks of home-made NMOS devices
(github.com/Louis2099/gitbook, CERN-OHL-S-2.0; its licence lies beside it).
`cmos_register_block`: a photograph of a block without its metal and a hand trace of it
(github.com/emu-russia/SEGAChips, CC0).
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from array_scenes import save, usual_study
from maskdelta.images import Raster, read_picture
from maskdelta.segment import UNKNOWN, Swatch, segment
from maskdelta.study import SegmentSettings

Box = tuple[float, float, float, float]
Mask = NDArray[np.bool_]

# places in the photographs of `homemade_nmos` were read off at this scale
SCALE = 0.45
PHOTOGRAPHS = {"a": "photo5_finished_a.jpg", "b": "photo6_finished_b.jpg"}
SWATCHES = {
    "a": {
        "field_oxide": [
            (480, 115, 590, 155),
            (780, 120, 920, 170),
            (440, 330, 580, 355),
            (780, 325, 960, 350),
            (790, 500, 940, 540),
            (500, 535, 590, 555),
        ],
        "diffusion": [
            (400, 235, 460, 295),
            (590, 235, 660, 290),
            (840, 225, 880, 280),
            (410, 400, 475, 460),
            (600, 400, 665, 460),
        ],
        "gate": [
            (367, 230, 379, 300),
            (684, 230, 696, 300),
            (373, 400, 387, 465),
            (689, 395, 703, 460),
        ],
        "metal": [
            (225, 240, 295, 300),
            (490, 235, 560, 290),
            (235, 480, 300, 570),
            (220, 130, 280, 210),
            (460, 640, 580, 690),
            (60, 140, 110, 240),
        ],
    },
    "b": {
        "field_oxide": [
            (500, 330, 600, 365),
            (820, 350, 960, 385),
            (280, 550, 380, 575),
            (520, 550, 640, 575),
            (520, 745, 620, 785),
            (840, 720, 960, 765),
        ],
        "diffusion": [
            (450, 430, 505, 510),
            (630, 430, 700, 510),
            (450, 610, 510, 680),
            (640, 610, 700, 680),
            (875, 600, 925, 670),
        ],
        "gate": [
            (405, 430, 419, 520),
            (725, 420, 739, 500),
            (412, 590, 427, 680),
            (728, 590, 742, 680),
        ],
        "metal": [
            (270, 350, 330, 440),
            (530, 385, 600, 430),
            (280, 700, 350, 780),
            (540, 665, 610, 715),
            (200, 100, 420, 150),
            (700, 160, 850, 230),
        ],
    },
}
# holes in the oxide below the metal of device a, seen as its sagging
CONTACTS: Sequence[Box] = (
    (358, 142, 386, 170),
    (238, 255, 268, 283),
    (518, 247, 548, 275),
    (912, 232, 942, 260),
    (244, 418, 274, 446),
    (524, 409, 554, 437),
)


def iou(called: Mask, true: Mask, scored: Mask) -> float:
    """Intersection over union of px called and px true, over the px scored."""
    either = ((called | true) & scored).sum()
    return float((called & true & scored).sum() / max(either, 1))


def labelled(
    picture: NDArray[np.uint8],
    swatches: Sequence[tuple[str, Box]],
    settings: SegmentSettings,
) -> tuple[NDArray[np.uint8], tuple[str, ...]]:
    """Segment one picture; the label of each px, and the stacks they number."""
    study = usual_study()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with (
            save(folder, "mosaic", picture) as mosaic,
            save(folder, "cover", np.ones((1, *picture.shape[:2]), np.uint8), ("tile",)) as cover,
        ):
            figures = segment(
                mosaic,
                cover,
                [Swatch(stack, shapely.box(*place)) for stack, place in swatches],
                folder=folder,
                die="d",
                layers=study.layers,
                stacks=study.stacks,
                settings=settings,
                threads=2,
            )
        with Raster.open(folder / "labels.tif") as raster:
            return np.asarray(raster.read_level(0)[0]), tuple(figures["stacks"])


def register_block(folder: Path, seed: int, *, each: int = 6) -> dict[str, float]:
    """Diffusion and polysilicon of the block, swatches from its right third, scored at its left.

    The trace is good to about 3 px, which are left out on both sides of an outline.
    """
    picture = read_picture(folder / "poly_photo.jpg")
    trace = cv2.imread(str(folder / "label_diff1_poly2.png"), cv2.IMREAD_UNCHANGED)
    rng = np.random.default_rng(seed)
    border = 2 * trace.shape[1] // 3
    names = ("field_oxide", "diffusion", "polysilicon")
    swatches = [
        (name, place)
        for k, name in enumerate(names)
        for place in drawn_inside(trace == k, border, rng, each)
    ]
    label, stacks = labelled(picture, swatches, SegmentSettings())
    scored = ~near_outline([trace == k for k in range(3)], 3)
    scored[:, border - 50 :] = False
    out = {
        f"iou_{name}": iou(label == stacks.index(name), trace == k, scored)
        for k, name in enumerate(names)
        if k
    }
    out["left_out"] = float((label[scored] >= UNKNOWN).mean())
    return out


def drawn_inside(mask: Mask, x0: int, rng: np.random.Generator, count: int) -> list[Box]:
    """Squares well inside a shape, right of x0, where it is wide, as a person would draw them."""
    inside = mask.astype(np.uint8)
    inside[:, :x0] = 0
    deep = cv2.distanceTransform(inside, cv2.DIST_C, 3) - 3
    ys, xs = np.nonzero(deep >= 6)
    places = []
    for n in rng.choice(len(xs), count, replace=False):
        half = min(float(deep[ys[n], xs[n]]), 30.0)
        x, y = float(xs[n]), float(ys[n])
        places.append((x - half, y - half, x + half, y + half))
    return places


def homemade_nmos(folder: Path) -> dict[str, float]:
    """Layers of device a against its drawn masks, each brought to the photograph by its own fit.

    Scored inside the drawn field, outside the swatches; diffusion and gate where no metal is
    drawn over them. Outlines are left out by 12 px, twice what the fit is good for.
    """
    picture = read_picture(folder / PHOTOGRAPHS["a"])
    fit = json.loads((folder / "ground_truth.json").read_text(encoding="utf-8"))
    true = {
        layer: _drawn_mask(folder, layer, fit, picture.shape[:2])
        for layer in ("metal", "gate", "diffusion", "contact")
    }
    places = [(s, box) for s, boxes in SWATCHES["a"].items() for box in boxes]
    places += [("contact", box) for box in CONTACTS]
    swatches = [(stack, tuple(np.array(box) / SCALE)) for stack, box in places]
    label, stacks = labelled(picture, swatches, SegmentSettings(edge_px=8, debris_px=8))
    scored = _warped(np.full((540, 960), 255, np.uint8), np.eye(3), fit, picture.shape[:2])
    scored &= ~near_outline(list(true.values()), 12)
    for _, (x0, y0, x1, y1) in swatches:
        scored[int(y0) : int(y1) + 1, int(x0) : int(x1) + 1] = False
    bare = scored & ~true["metal"]
    study = usual_study()

    def called(layer: str) -> Mask:
        chosen = [k for k, name in enumerate(stacks) if layer in study.stacks[name].layers]
        return np.isin(label, chosen)

    gate = label == stacks.index("gate")
    contact = label == stacks.index("contact")
    return {
        "iou_metal": iou(called("metal"), true["metal"], scored),
        "iou_diffusion": iou(called("diffusion"), true["diffusion"], bare),
        "iou_gate": iou(gate, true["gate"] & true["diffusion"], bare),
        "iou_contact": iou(contact, true["contact"], scored),
        "left_out": float((label[scored] >= UNKNOWN).mean()),
    }


def _drawn_mask(folder: Path, layer: str, fit: Any, shape: tuple[int, int]) -> Mask:
    """A drawn mask as this device was etched, at the px of the photograph."""
    drawn = cv2.imread(str(folder / f"mask_{layer}.png"), cv2.IMREAD_GRAYSCALE)
    per_layer = fit["layer_fit"][layer]
    inside = cv2.distanceTransform((drawn > 127).astype(np.uint8), cv2.DIST_L2, 5)
    outside = cv2.distanceTransform((drawn <= 127).astype(np.uint8), cv2.DIST_L2, 5)
    grown = (outside - inside <= per_layer["grow_mask_px"]).astype(np.uint8) * 255
    own = np.vstack([per_layer["affine_mask_px"], [0, 0, 1]])
    return _warped(grown, own, fit, shape)


def _warped(
    mask: NDArray[np.uint8], own: NDArray[np.float64], fit: Any, shape: tuple[int, int]
) -> Mask:
    matrix = np.array(fit["H_mask_to_photo5_finished_a"]) @ own
    return np.asarray(cv2.warpPerspective(mask, matrix, shape[::-1]) > 127)


def near_outline(masks: Sequence[Mask], px: int) -> Mask:
    """What lies within some px of the outline of any of the masks."""
    square = np.ones((2 * px + 1, 2 * px + 1), np.uint8)
    near = np.zeros(masks[0].shape, bool)
    for mask in masks:
        plane = mask.astype(np.uint8)
        near |= cv2.dilate(plane, square) != cv2.erode(plane, square)
    return near
