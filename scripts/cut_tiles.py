"""Cut a finished picture into overlapping tiles with known places, to try the stitching on it.

    python scripts/cut_tiles.py picture.jpg tiles/ --rows 4 --columns 5 --overlap 0.2 --seed 3

The tiles are resampled by cubic B-splines, so that they lie between the pixels of the picture.
Their true places go into a table OUTSIDE the folder of the tiles, `<folder>.truth.csv`.
"""

from __future__ import annotations

import argparse
import csv
from dataclasses import dataclass
from pathlib import Path

import imagecodecs
import numpy as np
import scipy.ndimage
from numpy.typing import NDArray

from maskdelta.images import full_scale, read_picture

Picture = NDArray[np.uint8] | NDArray[np.uint16]


@dataclass(frozen=True)
class Cut:
    """A tile and where its centre lies in the picture, px."""

    name: str
    pixels: Picture
    centre_x_px: float
    centre_y_px: float


def cut_tiles(
    picture: Picture,
    *,
    rows: int,
    columns: int,
    overlap_frac: float = 0.2,
    jitter_px: float = 10.0,
    seed: int = 0,
    whole_px: bool = False,
) -> list[Cut]:
    """Cut a picture into rows x columns overlapping tiles of one size.

    Parameters
    ----------
    picture : (H, W, 3) uint8 or uint16
    rows, columns : int
    overlap_frac : float
        Overlap of neighbours as a share of the tile, before the stage error.
    jitter_px : float
        Each tile is off its place on the grid by up to this along x and y.
    seed : int
    whole_px : bool
        Cut at whole pixels: the tiles are then exact copies.

    Returns
    -------
    list of Cut
        Row by row; the names carry row and column.
    """
    rng = np.random.default_rng(seed)
    size = np.array(picture.shape[1::-1])
    room = size - 2 * (jitter_px + 4)
    counts = np.array([columns, rows])
    tile = np.floor(room / (counts - (counts - 1) * overlap_frac)).astype(int)
    step = np.where(counts > 1, (room - tile) / np.maximum(counts - 1, 1), 0)
    splines = [] if whole_px else [_spline(picture[..., c]) for c in range(picture.shape[2])]
    cuts = []
    for row in range(rows):
        for column in range(columns):
            corner = jitter_px + 4 + step * [column, row] + rng.uniform(-1, 1, 2) * jitter_px
            corner = np.rint(corner) if whole_px else np.round(corner, 3)
            if whole_px:
                x, y = corner.astype(int)
                pixels = picture[y : y + tile[1], x : x + tile[0]].copy()
            else:
                planes = [_read(spline, corner, tile) for spline in splines]
                top = full_scale(picture.dtype)
                pixels = np.rint(np.clip(np.stack(planes, -1), 0, top)).astype(picture.dtype)
            centre = corner + (tile - 1) / 2
            name = f"r{row:02d}c{column:02d}.png"
            cuts.append(Cut(name, pixels, float(centre[0]), float(centre[1])))
    return cuts


def _spline(plane: NDArray) -> NDArray[np.float32]:
    return scipy.ndimage.spline_filter(plane.astype(np.float32), 3, output=np.float32)


def _read(spline: NDArray[np.float32], corner: NDArray, tile: NDArray) -> NDArray[np.float32]:
    """Values of a tile whose first px lies at `corner` (x, y)."""
    x0, y0 = np.floor(corner).astype(int) - 3
    part = spline[y0 : y0 + tile[1] + 8, x0 : x0 + tile[0] + 8]
    shift = (-(corner[1] - y0), -(corner[0] - x0))
    moved = scipy.ndimage.shift(part, shift, order=3, prefilter=False, mode="nearest")
    return moved[: tile[1], : tile[0]]


def write_cuts(cuts: list[Cut], folder: Path) -> Path:
    """Write tiles as PNG, and their true places beside the folder; returns that table's path."""
    folder.mkdir(parents=True, exist_ok=True)
    for cut in cuts:
        (folder / cut.name).write_bytes(imagecodecs.png_encode(cut.pixels, 1))
    truth = folder.parent / f"{folder.name}.truth.csv"
    with open(truth, "w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["file", "centre_x_px", "centre_y_px"])
        for cut in cuts:
            writer.writerow([cut.name, f"{cut.centre_x_px:.4f}", f"{cut.centre_y_px:.4f}"])
    return truth


def main() -> None:
    """Read the command line, cut, write."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("picture", type=Path)
    parser.add_argument("folder", type=Path, help="where the tiles go; the truth goes beside it")
    parser.add_argument("--rows", type=int, default=4)
    parser.add_argument("--columns", type=int, default=4)
    parser.add_argument("--overlap", type=float, default=0.2, help="share of the tile")
    parser.add_argument("--jitter", type=float, default=10.0, help="stage error, px")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--whole-px", action="store_true", help="cut at whole pixels")
    options = parser.parse_args()
    cuts = cut_tiles(
        read_picture(options.picture),
        rows=options.rows,
        columns=options.columns,
        overlap_frac=options.overlap,
        jitter_px=options.jitter,
        seed=options.seed,
        whole_px=options.whole_px,
    )
    truth = write_cuts(cuts, options.folder)
    print(f"{len(cuts)} tiles in {options.folder}, their true places in {truth}")


if __name__ == "__main__":
    main()
