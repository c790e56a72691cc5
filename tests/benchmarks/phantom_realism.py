"""Put 12 phantom crops beside 12 real micrographs at equal pixels per feature, and measure both.

    python tests/benchmarks/phantom_realism.py --micrographs DIR --out DIR

DIR holds `cmos_register_block` (metal removed, lines about 5.5 px wide) and `homemade_nmos`
(finished, shrunk here to 24 px a line). Half of the phantom's dies are photographed with their
metal left out, as the register block was. Nothing real is kept but the side-by-side picture in
the folder given.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.phantom import (
    LAYERS,
    AnyMasks,
    Camera,
    Layout,
    Photographer,
    Specimen,
    load_preset,
    make_layout,
    make_specimen,
)

Image = NDArray[np.uint8]
SIDE = 240
LINE_UM = 4.0
BLOCK_PX, DEVICE_PX = 5.5, 24.0
"""Width of a line in the two sets of real pictures, after shrinking, px."""
BLOCK_PLACES = ((1050, 500), (1500, 1700), (2450, 900), (600, 2000), (2150, 2450), (3050, 1300))
DEVICE_PLACES = ((330, 150), (500, 250), (650, 130))
"""Left upper corners of the real crops, chosen for structure and little dirt."""


def main() -> None:
    """Cut, photograph, measure, print and draw."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--micrographs", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    real, real_spread = real_crops(args.micrographs)
    made, made_spread = phantom_crops()
    sheet = np.concatenate(
        [_sheet(real), np.full((_sheet(real).shape[0], 12, 3), 255, np.uint8), _sheet(made)], axis=1
    )
    cv2.imwrite(str(args.out / "realism.png"), cv2.cvtColor(sheet, cv2.COLOR_RGB2BGR))
    rows = []
    for name, part in (
        ("lines 5.5 px, no metal", slice(0, 6)),
        ("lines 24 px, metal", slice(6, 12)),
    ):
        for figure, measure in (
            ("noise, grey levels", noise_level),
            ("edge width 10-90 %, px", edge_width_px),
            ("power spectrum slope", spectrum_slope),
        ):
            pair = [float(np.median([measure(c) for c in crops[part]])) for crops in (real, made)]
            rows.append({"case": name, "figure": figure, "real": pair[0], "phantom": pair[1]})
    for layer in sorted(real_spread):
        rows.append(
            {
                "case": f"within {layer}",
                "figure": "colour spread, Lab",
                "real": real_spread[layer],
                "phantom": made_spread[layer],
            }
        )
    print(f"{'case':26s} {'figure':26s} {'real':>8s} {'phantom':>8s}")
    for r in rows:
        print(f"{r['case']:26s} {r['figure']:26s} {r['real']:8.2f} {r['phantom']:8.2f}")
    (args.out / "realism.json").write_text(json.dumps(rows, indent=1) + "\n")


def real_crops(folder: Path) -> tuple[list[Image], dict[str, float]]:
    """Return six crops of the register block and six of finished devices, and colour spreads."""
    block = _read(folder / "cmos_register_block" / "poly_photo.jpg")
    crops = [block[y : y + SIDE, x : x + SIDE] for x, y in BLOCK_PLACES]
    for name in ("photo5_finished_a.jpg", "photo6_finished_b.jpg"):
        picture = _read(folder / "homemade_nmos" / name)
        scale = DEVICE_PX / 65.0  # the gates of these devices are about 65 px wide
        small = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        crops += [small[y : y + SIDE, x : x + SIDE] for x, y in DEVICE_PLACES]
    label = cv2.imread(
        str(folder / "cmos_register_block" / "label_diff1_poly2.png"), cv2.IMREAD_UNCHANGED
    )
    spread = {
        name: colour_spread(block, label == value, BLOCK_PLACES)
        for name, value in (("field_oxide", 0), ("diffusion", 1), ("polysilicon", 2))
    }
    return crops, spread


def phantom_crops() -> tuple[list[Image], dict[str, float]]:
    """Return twelve crops like the real ones, from two photographers, and colour spreads."""
    preset = load_preset("ordinary")
    layout = make_layout(21)
    bare = _without(layout, ("metal", "contact", "pad_opening"))
    crops: list[Image] = []
    spreads: dict[str, list[float]] = {"field_oxide": [], "diffusion": [], "polysilicon": []}
    rom = next(r.box_um for r in layout.regions if r.kind == "rom")
    logic = [r.box_um for r in layout.regions if r.kind == "logic"]
    memory = next(r.box_um for r in layout.regions if r.kind == "memory")
    places = [rom[:2], logic[1][:2], logic[0][:2], memory[:2], (rom[0], rom[1] + 60), logic[1][:2]]
    for index, place in enumerate(places):
        crop, labels = _shoot(bare, preset.photographers[index % 2], BLOCK_PX, place, index)
        crops.append(crop)
        for name, mask in labels.items():
            if mask.sum() > 200:
                spreads[name].append(colour_spread(crop, mask, ((0, 0),)))
    places = [rom[:2], (logic[1][0] + 60, logic[1][1] + 60), memory[:2]]
    for index, place in enumerate(places * 2):
        crop, _ = _shoot(layout, preset.photographers[index // 3], DEVICE_PX, place, 10 + index)
        crops.append(crop)
    return crops, {name: float(np.median(values)) for name, values in spreads.items()}


def _without(layout: Layout, layers: tuple[str, ...]) -> AnyMasks:
    """Return a layout with some layers left out."""
    kept = {n: layout.boxes[n] for n in LAYERS if n not in layers}
    return AnyMasks(kept, layout.width_um, layout.height_um)


def _shoot(
    masks: Layout | AnyMasks,
    photographer: Photographer,
    line_px: float,
    place_um: tuple[float, float],
    seed: int,
) -> tuple[Image, dict[str, NDArray[np.bool_]]]:
    """Photograph a crop whose left upper corner lies at a place, with masks of its layers."""
    um_per_px = LINE_UM / line_px
    settings = dataclasses.replace(
        photographer.camera,
        um_per_px=um_per_px,
        tile_width=SIDE,
        tile_height=SIDE,
        angle_deg=0.0,
        stage_error=0.0,
        vignetting=0.0,
        overlap=0.2,
        lens_px=0.0,
        file_format="png",
        # Each picture was taken with a lens that suits its scale, as photographers choose it.
        blur_um=0.85 * um_per_px,
    )
    specimen: Specimen = make_specimen(masks, load_preset("ordinary").specimen, seed=seed)
    # A lens for higher magnification has a wider aperture and draws thinner lines at steps.
    outline_um = photographer.look.outline_um if um_per_px > 0.4 else 0.25
    look = dataclasses.replace(photographer.look, outline_um=outline_um)
    camera = Camera(specimen, settings, look, seed)
    wanted = np.array(place_um) + SIDE / 2 * um_per_px
    centre = np.array([[(SIDE - 1) / 2, (SIDE - 1) / 2]])
    shot = min(
        camera.shots,
        key=lambda s: float(np.abs(camera.to_die_um(s, centre)[0] - wanted).max()),
    )
    image = _jpeg(camera.take(shot))
    x0, y0 = camera.to_die_um(shot, np.array([[-0.5, -0.5]]))[0]
    box = (x0, y0, x0 + SIDE * um_per_px, y0 + SIDE * um_per_px)
    have = {n: specimen.made_mask(n, box, um_per_px=um_per_px) > 0 for n in LAYERS}
    bare = ~have["metal"]
    return image, {
        "field_oxide": bare & ~have["diffusion"] & ~have["polysilicon"],
        "diffusion": bare & have["diffusion"] & ~have["polysilicon"],
        "polysilicon": bare & have["polysilicon"] & ~have["diffusion"],
    }


def _jpeg(image: NDArray[np.generic]) -> Image:
    """Store and read once as JPEG, as the real pictures were."""
    _, data = cv2.imencode(
        ".jpg",
        cv2.cvtColor(np.asarray(image, dtype=np.uint8), cv2.COLOR_RGB2BGR),
        [cv2.IMWRITE_JPEG_QUALITY, 92],
    )
    return cv2.cvtColor(cv2.imdecode(data, cv2.IMREAD_COLOR), cv2.COLOR_BGR2RGB).astype(np.uint8)


def _read(path: Path) -> Image:
    return cv2.cvtColor(cv2.imread(str(path)), cv2.COLOR_BGR2RGB).astype(np.uint8)


def _sheet(crops: list[Image]) -> Image:
    rows = [np.concatenate(crops[i : i + 3], axis=1) for i in range(0, 12, 3)]
    return np.concatenate(rows, axis=0)


def noise_level(crop: Image) -> float:
    """Estimate noise from the quietest fifth of 8 px blocks (Immerkaer 1996 in each), levels."""
    grey = cv2.cvtColor(crop, cv2.COLOR_RGB2GRAY).astype(np.float64)
    kernel = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], dtype=np.float64)
    residual = np.abs(cv2.filter2D(grey, -1, kernel))[4:-4, 4:-4]
    side = residual.shape[0] // 8 * 8
    blocks = residual[:side, :side].reshape(side // 8, 8, side // 8, 8).mean(axis=(1, 3))
    return float(np.sqrt(np.pi / 2) / 6 * np.quantile(blocks, 0.2))


def edge_width_px(crop: Image) -> float:
    """Return the median 10-90 % width of the clearest straight edges along rows and columns."""
    grey = cv2.cvtColor(crop, cv2.COLOR_RGB2GRAY).astype(np.float64)
    widths = [w for picture in (grey, grey.T) for w in _row_edges(picture)]
    return float(np.median(widths)) if widths else float("nan")


def _row_edges(grey: NDArray[np.float64], reach: int = 8) -> list[float]:
    smooth = cv2.blur(grey, (1, 5))  # along the edge only
    slope = np.gradient(smooth, axis=1)
    least = np.quantile(np.abs(slope), 0.95)
    found = []
    for y in range(4, grey.shape[0] - 4, 4):
        for x in range(reach, grey.shape[1] - reach):
            s = abs(slope[y, x])
            if s < least or s < np.abs(slope[y, x - 3 : x + 4]).max():
                continue
            width = _rise(smooth[y, x - reach : x + reach + 1])
            if width > 0:
                found.append(width)
    return found


def _rise(profile: NDArray[np.float64]) -> float:
    """Return the 10-90 % width of the monotonic run around the middle, 0 if there is none."""
    middle = len(profile) // 2
    if profile[middle + 1] < profile[middle - 1]:
        profile = profile[::-1]
    low = high = middle
    while low > 0 and profile[low - 1] < profile[low]:
        low -= 1
    while high < len(profile) - 1 and profile[high + 1] > profile[high]:
        high += 1
    if low == 0 or high == len(profile) - 1 or high - low < 2:
        return 0.0
    run = profile[low : high + 1]
    share = (run - run[0]) / (run[-1] - run[0])
    return float(np.diff(np.interp([0.1, 0.9], share, np.arange(len(run))))[0])


def spectrum_slope(crop: Image) -> float:
    """Return the slope of log power over log frequency between 0.03 and 0.35 cycles a px."""
    grey = cv2.cvtColor(crop, cv2.COLOR_RGB2GRAY).astype(np.float64)
    window = np.hanning(SIDE)[:, None] * np.hanning(SIDE)[None]
    power = np.abs(np.fft.fft2((grey - grey.mean()) * window)) ** 2
    f = np.fft.fftfreq(SIDE)
    radius = np.hypot(f[:, None], f[None])
    edges = np.geomspace(0.03, 0.35, 14)
    index = np.digitize(radius, edges)
    means = np.array([power[index == k].mean() for k in range(1, len(edges))])
    centres = np.sqrt(edges[:-1] * edges[1:])
    return float(np.polyfit(np.log(centres), np.log(means), 1)[0])


def colour_spread(
    image: Image, mask: NDArray[np.bool_], places: tuple[tuple[int, int], ...]
) -> float:
    """Return the root sum of the variances of L, a, b inside a layer, away from its edges."""
    inner = cv2.erode(mask.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    spreads = []
    for x, y in places:
        part = (slice(y, y + SIDE), slice(x, x + SIDE))
        lab = cv2.cvtColor(image[part].astype(np.float32) / 255, cv2.COLOR_RGB2LAB)
        values = lab[inner[part]]
        if len(values) > 100:
            # Quartiles, since both pictures hold dirt that belongs to no layer.
            iqr = np.subtract(*np.quantile(values, [0.75, 0.25], axis=0)) / 1.349
            spreads.append(float(np.sqrt((iqr**2).sum())))
    return float(np.median(spreads))


if __name__ == "__main__":
    main()
