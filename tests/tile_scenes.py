"""Small invented dies, and tiles of them with exact places, for tests of survey and stitch."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import imagecodecs
import numpy as np

from maskdelta.images import linear_to_srgb, srgb_to_linear
from maskdelta.study import Grid, StitchSettings, SurveySettings, ViewSettings

PATTERN = r"r(?P<row>\d+)c(?P<column>\d+)"
SCRIPT = Path(__file__).parents[1] / "scripts" / "cut_tiles.py"


def _load_cutter() -> Any:
    spec = importlib.util.spec_from_file_location("cut_tiles", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    sys.modules["cut_tiles"] = module
    spec.loader.exec_module(module)
    return module


cutter = _load_cutter()


def make_die(
    shape: tuple[int, int] = (640, 820),
    *,
    seed: int = 0,
    array: tuple[int, int, int, int] | None = None,
    pitch: int = 24,
    odd_frac: float = 0.0,
) -> np.ndarray:
    """Crossing lines at random, and in the box `array` (x0, y0, x1, y1) cells that repeat.

    A share `odd_frac` of the cells differs. (H, W, 3) uint8.
    """
    rng = np.random.default_rng(seed)
    die = np.full((*shape, 3), 120, np.float32)
    for _ in range(shape[0] * shape[1] // 900):
        y, x = rng.integers(0, shape[0]), rng.integers(0, shape[1])
        long, wide = rng.integers(20, 90), rng.integers(6, 14)
        h, w = (wide, long) if rng.random() < 0.5 else (long, wide)
        die[y : y + h, x : x + w] = rng.uniform(50, 220, 3)
    if array is not None:
        x0, y0, x1, y1 = array
        cell = np.full((pitch, pitch), 100, np.float32)
        cell[3:11, 2:20], cell[13:21, 8:14], cell[5:8, 5:9] = 180, 60, 220
        other = cell.copy()
        other[13:21, 8:14] = 200
        for y in range(y0, y1 - pitch + 1, pitch):
            for x in range(x0, x1 - pitch + 1, pitch):
                which = other if rng.random() < odd_frac else cell
                die[y : y + pitch, x : x + pitch] = which[..., None]
    return np.rint(np.clip(cv2.GaussianBlur(die, (0, 0), 1.1), 0, 255)).astype(np.uint8)


def take_tiles(
    die: np.ndarray,
    rows: int = 3,
    columns: int = 3,
    *,
    overlap_frac: float = 0.25,
    jitter_px: float = 5.0,
    noise: float = 2.0,
    seed: int = 1,
    whole_px: bool = False,
) -> list[Any]:
    """Tiles with read noise of their own."""
    cuts = cutter.cut_tiles(
        die,
        rows=rows,
        columns=columns,
        overlap_frac=overlap_frac,
        jitter_px=jitter_px,
        seed=seed,
        whole_px=whole_px,
    )
    rng = np.random.default_rng(seed + 100)
    if not noise:
        return cuts
    return [
        replace(
            c,
            pixels=np.clip(c.pixels + rng.normal(0, noise, c.pixels.shape), 0, 255).astype(
                np.uint8
            ),
        )
        for c in cuts
    ]


def shading(shape: tuple[int, int]) -> np.ndarray:
    """Vignetting of 11 % RMS in linear light, (H, W)."""
    h, w = shape
    u, v = np.meshgrid(
        (np.arange(w) - (w - 1) / 2) / (w / 2), (np.arange(h) - (h - 1) / 2) / (w / 2)
    )
    return 1 - 0.24 * (u * u + v * v) + 0.08 * u - 0.05 * v + 0.03 * u * v


def shaded(cuts: Sequence[Any], *, seed: int = 0, spread: float = 0.05) -> tuple[list[Any], Any]:
    """The tiles as a microscope with vignetting and unsteady exposure shows them; and exposures."""
    rng = np.random.default_rng(seed)
    field = 0.8 * shading(cuts[0].pixels.shape[:2])
    exposures = np.exp(rng.normal(0, spread, len(cuts)))
    out = []
    for cut, exposure in zip(cuts, exposures, strict=True):
        linear = srgb_to_linear(cut.pixels) * (field * exposure)[..., None].astype(np.float32)
        out.append(replace(cut, pixels=linear_to_srgb(linear, cut.pixels.dtype)))
    return out, exposures


def write(folder: Path, cuts: Iterable[Any]) -> list[Path]:
    """Write tiles as PNG; their paths, sorted."""
    folder.mkdir(parents=True, exist_ok=True)
    for cut in cuts:
        pixels = np.ascontiguousarray(cut.pixels)
        (folder / cut.name).write_bytes(imagecodecs.png_encode(pixels, 1))
    return sorted(folder.glob("*.png"))


def grid(rows: int = 3, columns: int = 3, overlap: float = 0.25, **more: Any) -> ViewSettings:
    """A view whose tiles lie on a grid."""
    return ViewSettings(
        tiles="*", grid=Grid(rows=rows, columns=columns, overlap_frac=overlap, **more)
    )


def errors_px(poses: Any, cuts: Iterable[Any], *, island: int = 0) -> dict[str, float]:
    """Distance of each placed tile of an island from its true place, after one common shift.

    The shift is fitted to the tiles that are not flagged.
    """
    truth = {cut.name: np.array([cut.centre_x_px, cut.centre_y_px]) for cut in cuts}
    tiles = [p for p in poses.placed if p.file in truth and p.island == island]
    apart = np.array([[p.centre_x_px, p.centre_y_px] - truth[p.file] for p in tiles])
    sure = np.array([not p.modulo_pitch for p in tiles])
    apart -= np.median(apart[sure] if sure.any() else apart, axis=0)
    return {p.file: float(np.hypot(*d)) for p, d in zip(tiles, apart, strict=True)}


SURVEY = SurveySettings()
STITCH = StitchSettings()
NOWHERE = ViewSettings(tiles="*")
