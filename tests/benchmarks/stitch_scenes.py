"""Dies of memory arrays for the benchmark of stitching, and which places nobody could know.

Arrays of three kinds: one of identical cells, one with an odd cell here and there, one programmed.
The truth about what can be known comes from the drawing, never from the stage.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import imagecodecs
import numpy as np
import scipy.ndimage
import scipy.sparse
import scipy.sparse.csgraph
from numpy.typing import NDArray

Box = tuple[int, int, int, int]
Picture = NDArray[np.uint8]


@dataclass(frozen=True)
class Block:
    """An array of a die: its box (x0, y0, x1, y1) in px and the px of a cell."""

    box: Box
    pitch: tuple[int, int]
    odd_frac: float


@dataclass(frozen=True)
class Tile:
    """A photograph and where its centre truly lies, px."""

    name: str
    column: int
    row: int
    centre: tuple[float, float]
    size: tuple[int, int]

    def box(self) -> tuple[float, float, float, float]:
        """Its outline, x0, y0, x1, y1."""
        (x, y), (w, h) = self.centre, self.size
        return x - w / 2, y - h / 2, x + w / 2, y + h / 2


def draw_die(
    seed: int, shape: tuple[int, int], odd_fracs: tuple[float, ...]
) -> tuple[Picture, list[Block]]:
    """Crossing lines at random, and side by side an array for each share of odd cells.

    Returns
    -------
    die : (H, W) uint8
    blocks : list of Block
    """
    rng = np.random.default_rng([seed, 1])
    height, width = shape
    die = np.full(shape, 120, np.float32)
    for _ in range(height * width // 900):
        y, x = rng.integers(0, height), rng.integers(0, width)
        long, wide = rng.integers(20, 90), rng.integers(6, 14)
        h, w = (wide, long) if rng.random() < 0.5 else (long, wide)
        die[y : y + h, x : x + w] = rng.uniform(50, 220)
    room = width // max(len(odd_fracs), 1)
    blocks = []
    for k, odd_frac in enumerate(odd_fracs):
        pitch = (int(rng.integers(20, 33)), int(rng.integers(20, 33)))
        margin = int(0.06 * room), int(0.12 * height)
        columns = (room - 2 * margin[0]) // pitch[0]
        rows = (height - 2 * margin[1]) // pitch[1]
        x0, y0 = k * room + margin[0], margin[1]
        cell, odd = _cells(rng, pitch)
        which = rng.random((rows, columns)) < odd_frac
        plain = np.tile(cell, (rows, columns))
        other = np.tile(odd, (rows, columns))
        chosen = np.kron(which, np.ones(pitch[::-1], bool))
        box = (x0, y0, x0 + columns * pitch[0], y0 + rows * pitch[1])
        die[box[1] : box[3], box[0] : box[2]] = np.where(chosen, other, plain)
        blocks.append(Block(box, pitch, odd_frac))
    return np.rint(np.clip(cv2.GaussianBlur(die, (0, 0), 1.1), 0, 255)).astype(np.uint8), blocks


def _cells(rng: np.random.Generator, pitch: tuple[int, int]) -> tuple[NDArray, NDArray]:
    """A cell of a line, a square and a contact, and the same with the square programmed."""
    w, h = pitch
    cell = np.full((h, w), rng.uniform(90, 120), np.float32)
    cell[3:10, 2 : w - 3] = rng.uniform(160, 200)
    cell[12 : h - 3, w // 3 : w // 3 + 7] = 60
    cell[4:8, 5:9] = 225
    odd = cell.copy()
    odd[12 : h - 3, w // 3 : w // 3 + 7] = 200
    return cell, odd


def photograph(
    die: Picture,
    folder: Path,
    seed: int,
    *,
    size: tuple[int, int],
    overlap_frac: float,
    stage_frac: float,
    noise: float = 3.0,
    exposure: float = 0.04,
    colour: bool = False,
) -> list[Tile]:
    """Write tiles on a grid, each off by up to `stage_frac` of its width along x and y.

    Each tile has read noise and an exposure of its own, and dust that stays in its place in the
    tile. In `colour` the die is bluish, and each channel has its own noise.
    """
    rng, grain = np.random.default_rng([seed, 2]), np.random.default_rng([seed, 4])
    width, height = size
    reach = stage_frac * width
    room = np.array(die.shape[::-1]) - 2 * (reach + 4) - size
    step = np.array(size) * (1 - overlap_frac)
    columns, rows = (int(v) for v in room // step + 1)
    folder.mkdir(parents=True, exist_ok=True)
    spline = scipy.ndimage.spline_filter(die.astype(np.float32), 3, output=np.float32)
    dust = _dust(rng, size)
    tiles = []
    for row in range(rows):
        for column in range(columns):
            corner = reach + 4 + step * [column, row] + rng.uniform(-reach, reach, 2)
            x0, y0 = np.floor(corner).astype(int) - 3
            part = spline[y0 : y0 + height + 8, x0 : x0 + width + 8]
            seen = scipy.ndimage.shift(part, (y0 - corner[1], x0 - corner[0]), prefilter=False)
            seen = seen[:height, :width] * dust * np.exp(rng.normal(0, exposure))
            if colour:
                seen = seen[..., None] * [0.8, 0.9, 1.0]
                seen = seen + grain.normal(0, noise, seen.shape)
            else:
                seen = seen + rng.normal(0, noise, seen.shape)
            name = f"r{row:02d}c{column:02d}.png"
            levels = np.clip(np.rint(seen), 0, 255).astype(np.uint8)
            (folder / name).write_bytes(imagecodecs.png_encode(levels, 1))
            centre = corner + (np.array(size) - 1) / 2
            tiles.append(Tile(name, column, row, (float(centre[0]), float(centre[1])), size))
    return tiles


def _dust(rng: np.random.Generator, size: tuple[int, int], *, specks: int = 3) -> NDArray:
    """Share of the light that soft specks on the sensor let through, (H, W)."""
    y, x = np.mgrid[: size[1], : size[0]]
    through = np.ones((size[1], size[0]))
    for _ in range(specks):
        cx, cy = rng.uniform(0.05, 0.95, 2) * size
        wide = rng.uniform(3, 7)
        through *= 1 - 0.25 * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * wide**2))
    return through


def overview_of(die: Picture, path: Path, seed: int, *, ratio: float, angle_deg: float) -> None:
    """The whole die through a weaker lens, a little turned, with its own noise; written as PNG."""
    t = np.deg2rad(angle_deg)
    turn = np.array([[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]]) / ratio
    middle = np.array(die.shape[::-1]) / 2
    size = np.ceil(np.array(die.shape[::-1]) / ratio * 1.06 + 40).astype(int)
    to_view = np.column_stack([turn, size / 2 - turn @ middle])
    soft = cv2.GaussianBlur(die.astype(np.float32), (0, 0), 0.5 * ratio)
    seen = cv2.warpAffine(soft, to_view, size.tolist(), borderValue=30.0)
    seen = 20 + 0.75 * seen + np.random.default_rng([seed, 3]).normal(0, 2, seen.shape)
    path.write_bytes(imagecodecs.png_encode(np.clip(np.rint(seen), 0, 255).astype(np.uint8), 1))


def undecidable(die: Picture, blocks: list[Block], tiles: list[Tile]) -> tuple[set[str], set[str]]:
    """Tiles whose place no overlap can tell from one that is some pitches off.

    An overlap tells when at every shift by whole pitches (two at most, each way) at least 24 px of
    what both tiles would show there differ by 20 levels: an odd cell, or what lies around the
    array. Half an odd cell's square is less.

    Returns
    -------
    no_overlap_tells : set of str
        Tiles of which no overlap tells.
    not_tied : set of str
        Tiles that no chain of such overlaps ties to the largest group: these hold the others
        besides clusters that are sure of one another only.
    """
    pairs = _overlapping(tiles)
    least = np.full(len(pairs), np.inf)
    for block in blocks:
        mine = [k for k, (a, b) in enumerate(pairs) if _touches(tiles[a], tiles[b], block)]
        steps = [(i, j) for i in range(-2, 3) for j in range(-2, 3) if i or j]
        for i, j in steps:
            shift = (i * block.pitch[0], j * block.pitch[1])
            table = _differing(die, shift)
            for k in mine:
                least[k] = min(
                    least[k], _seen(table, tiles[pairs[k][0]], tiles[pairs[k][1]], shift)
                )
    tells = least >= 24
    told = {end for k in np.flatnonzero(tells) for end in pairs[k]}
    alone = {tile.name for k, tile in enumerate(tiles) if k not in told}
    rows = [pairs[k] for k in np.flatnonzero(tells)]
    index = np.array(rows, int).reshape(-1, 2)
    graph = scipy.sparse.csr_matrix(
        (np.ones(len(index)), (index[:, 0], index[:, 1])), (len(tiles), len(tiles))
    )
    group = scipy.sparse.csgraph.connected_components(graph, directed=False)[1]
    largest = np.bincount(group).argmax()
    return alone, {tile.name for k, tile in enumerate(tiles) if group[k] != largest}


def _overlapping(tiles: list[Tile], *, least_px: float = 20.0) -> list[tuple[int, int]]:
    boxes = np.array([tile.box() for tile in tiles])
    low = np.maximum(boxes[:, None, :2], boxes[None, :, :2])
    high = np.minimum(boxes[:, None, 2:], boxes[None, :, 2:])
    a, b = np.nonzero(np.triu((high - low).min(2) > least_px, 1))
    return list(zip(a.tolist(), b.tolist(), strict=True))


def _touches(a: Tile, b: Tile, block: Block) -> bool:
    """Whether the overlap reaches into the array; the others are told by what lies around it."""
    one, two = a.box(), b.box()
    low = np.maximum(np.maximum(one[:2], two[:2]), block.box[:2])
    high = np.minimum(np.minimum(one[2:], two[2:]), block.box[2:])
    return bool((high > low).all())


def _differing(die: Picture, shift: tuple[int, int]) -> NDArray[np.int32]:
    """Summed-area table of the px that differ from those `shift` before them."""
    dx, dy = shift
    moved = np.full(die.shape, -1000, np.int16)
    h, w = die.shape
    there = np.s_[max(0, dy) : h + min(0, dy), max(0, dx) : w + min(0, dx)]
    here = np.s_[max(0, -dy) : h + min(0, -dy), max(0, -dx) : w + min(0, -dx)]
    moved[there] = die[here]
    differs = (np.abs(die.astype(np.int16) - moved) > 20).astype(np.uint8)
    return cv2.integral(differs, sdepth=cv2.CV_32S)


def _seen(table: NDArray[np.int32], a: Tile, b: Tile, shift: tuple[int, int]) -> float:
    """Px that differ where a meets b, were b laid `shift` farther than it is."""
    one, two = np.array(a.box()), np.array(b.box()) + np.array([*shift, *shift])
    x0, y0 = np.ceil(np.maximum(one[:2], two[:2])).astype(int)
    x1, y1 = np.floor(np.minimum(one[2:], two[2:])).astype(int)
    if min(x1 - x0, y1 - y0) < 8:
        return np.inf  # this place is out of the question: nothing would overlap
    return float(table[y1, x1] - table[y0, x1] - table[y1, x0] + table[y0, x0])
