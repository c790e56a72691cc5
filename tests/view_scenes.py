"""Views of one phantom die: metal on, and stripped of it."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.images import Raster
from maskdelta.phantom import (
    LAYERS,
    STACKS,
    AnyMasks,
    CameraSettings,
    LookSettings,
    Preset,
    Specimen,
    Truth,
    make_layout,
    make_specimen,
    photograph,
)
from maskdelta.phantom._marks import ignore_features, swatch_features
from maskdelta.study import LayerStack, read_json

STRIPPED = ("metal", "pad_opening")


@dataclass(frozen=True)
class DieViews:
    """A die as received and after its metal was stripped, and how each was photographed."""

    top: Specimen
    bare: Specimen
    cameras: tuple[CameraSettings, CameraSettings]
    look: LookSettings


def die_views(preset: Preset, masks: AnyMasks, *, seed: int, which: int = 0) -> DieViews:
    """Make one specimen of some masks, with metal on and stripped.

    Dirt comes and goes with the metal; the wafer's own departures from the masks stay. `which`
    photographer took the first view; the second one has the camera of the other, and the same
    lamp.
    """
    without = {
        name: np.zeros_like(image) if name in STRIPPED else image
        for name, image in masks.layers.items()
    }
    made = make_specimen(masks, preset.specimen, seed=seed)
    bare = dataclasses.replace(
        made,
        masks=AnyMasks(without, masks.width_um, masks.height_um),
        dirt=make_specimen(masks, preset.specimen, seed=seed + 1).dirt,
    )
    photographer, other = preset.photographers[which], preset.photographers[1 - which]
    return DieViews(made, bare, (photographer.camera, other.camera), photographer.look)


def cut_masks(preset: Preset, seed: int, box_um: tuple[int, int, int, int]) -> AnyMasks:
    """A box of a preset's die, which itself cannot be made smaller than 1.6 mm.

    Each layer is an image of 1 um a px; that is exact, since all is drawn in um.
    """
    die = preset.die
    layout = make_layout(
        seed,
        width_um=die.width_um,
        height_um=die.height_um,
        memory_share=die.memory_share,
        text=die.text,
    )
    x0, y0, x1, y1 = box_um
    box = (float(x0), float(y0), float(x1), float(y1))
    images = {layer: layout.mask(layer, box, um_per_px=1.0) for layer in LAYERS}
    return AnyMasks(images, x1 - x0, y1 - y0)


def write_views(
    views: DieViews,
    folder: Path,
    truth_folder: Path,
    *,
    die: str,
    seed: int,
    tile_px: tuple[int, int] = (1024, 768),
) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """Photograph both views as tiles, `<folder>/<die>/top` and `bare`.

    Returns
    -------
    dict, list of dict
        What the configuration says of the views, and the marks that a person would draw.
    """
    settings: dict[str, Any] = {}
    marks: list[dict[str, Any]] = []
    rng = np.random.default_rng([seed, 61])
    for number, (view, specimen) in enumerate((("top", views.top), ("bare", views.bare))):
        camera = dataclasses.replace(
            views.cameras[number], tile_width=tile_px[0], tile_height=tile_px[1]
        )
        truth = photograph(
            specimen,
            folder / die / view,
            truth_folder / die / view,
            camera=camera,
            look=views.look,
            seed=seed * 10 + number,
            die=die,
            raster_um_per_px=0.5,
        )
        rows, columns = (1 + max(getattr(t, k) for t in truth.tiles) for k in ("row", "column"))
        order = "snake_rows" if camera.order == "snake" else "raster_rows"
        grid = {"rows": rows, "columns": columns, "order": order, "overlap_frac": camera.overlap}
        settings[view] = {"tiles": f"{folder.name}/{die}/{view}/*.jpg", "grid": grid}
        wanted = [name for name in STACKS if view == "top" or name not in STRIPPED]
        marks += swatch_features(truth, specimen, die=die, view=view, stacks=wanted, rng=rng)
        marks += ignore_features(truth, specimen, die=die, view=view)
    settings["top"]["um_per_px"] = views.cameras[0].um_per_px
    settings["bare"]["stripped_layers"] = list(STRIPPED)
    return settings, marks


@dataclass(frozen=True)
class HiddenScore:
    """How much of a layer is told where the metal hides it, and how well.

    Attributes
    ----------
    hidden_frac
        Share of the die, photographed and free of dirt, where the layer is not told.
    told_frac
        Share of what the metal truly hides where the layer is told all the same.
    f1
        Of px called against px true where the metal truly hides the layer and it is told.
    f1_off_edges
        The same at least 1 um from the layer's true outline.
    """

    hidden_frac: float
    told_frac: float
    f1: float
    f1_off_edges: float


def score_hidden(
    layers: LayerStack,
    truth: Truth,
    places_px: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    layer: str,
) -> HiddenScore:
    """Hold a layer against the truth under metal, at one point a um.

    Parameters
    ----------
    layers : LayerStack
        In the frame of the metal-on view.
    truth : Truth
        Of that view.
    places_px : callable
        (n, 2) um of the die -> px of its mosaic; NaN where not photographed.
    layer : str
    """
    step = truth.raster_um_per_px
    every = round(1 / step)
    plane = LAYERS.index(layer)
    there = truth.raster("layers")[plane] > 0
    near = cv2.morphologyEx(there.view(np.uint8), cv2.MORPH_GRADIENT, np.ones((5, 5), np.uint8)) > 0
    names = read_json(layers.summary)["layers"]
    rows, columns = np.mgrid[: there.shape[0] : every, : there.shape[1] : every]
    um = (np.column_stack([columns.ravel(), rows.ravel()]) + 0.5) * step
    px = places_px(um)
    good = np.isfinite(px).all(1)
    x, y = np.round(px[good]).astype(int).T

    def sampled(path: Path) -> NDArray[np.uint8]:
        with Raster.open(path) as raster:
            whole = raster.read_level(0)[names.index(layer)]
            ox, oy = raster.origin
        return whole[np.clip(y - oy, 0, len(whole) - 1), np.clip(x - ox, 0, whole.shape[1] - 1)]

    def true(raster: NDArray[Any]) -> NDArray[np.bool_]:
        return np.asarray(raster[::every, ::every].ravel()[good] > 0)

    told = sampled(layers.visible) > 0
    called = told & (sampled(layers.membership) > 127)
    clean = ~true(truth.raster("spoiled"))
    hidden = clean & ~true(truth.raster("visible")[plane])
    is_there, off_edges = true(there), ~true(near)

    def f1(where: NDArray[np.bool_]) -> float:
        both = (called & is_there & where).sum()
        return float(2 * both / max((called & where).sum() + (is_there & where).sum(), 1))

    known = hidden & told
    return HiddenScore(
        hidden_frac=float(1 - told[clean].mean()),
        told_frac=float((told & hidden).sum() / max(hidden.sum(), 1)),
        f1=f1(known),
        f1_off_edges=f1(known & off_edges),
    )


def hide_edits(
    masks: AnyMasks, rng: np.random.Generator, *, count: int = 3, apart_um: int = 60
) -> tuple[AnyMasks, list[tuple[int, int, int, int]]]:
    """Add patches of diffusion wholly under metal, where nothing else lies; their boxes, um."""
    images = {name: np.asarray(image) for name, image in masks.layers.items()}
    diffusion, edits = images["diffusion"].copy(), []
    beside = [images[name] for name in ("diffusion", "polysilicon", "contact")]
    for _ in range(200_000):
        w, h = ((8, 8), (8, 12), (12, 8))[int(rng.integers(3))]
        x, y = (int(rng.integers(60, side - 80)) for side in (masks.width_um, masks.height_um))
        around = np.s_[y - 4 : y + h + 4, x - 4 : x + w + 4]
        near = [e for e in edits if abs(x - e[0]) < apart_um and abs(y - e[1]) < apart_um]
        if near or not images["metal"][y : y + h, x : x + w].all():
            continue
        if not any(image[around].any() for image in beside):
            edits.append((x, y, x + w, y + h))
            diffusion[y : y + h, x : x + w] = 1
        if len(edits) == count:
            break
    return dataclasses.replace(masks, layers=images | {"diffusion": diffusion}), edits
