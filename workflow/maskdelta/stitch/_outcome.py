"""What became of each tile: poses, tables, figures and sentences."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskdelta.errors import StitchError
from maskdelta.stitch._account import figures_of, notes_of, pair_rows, strain_of
from maskdelta.stitch._graph import Links, covariances, variance_factor
from maskdelta.stitch._join import Placed
from maskdelta.stitch._pairs import Measured
from maskdelta.stitch._tiles import Tiles
from maskdelta.study import Pose, Poses

__all__ = ["outcome"]

Array = NDArray[np.float64]


def outcome(
    tiles: Tiles,
    measured: Measured,
    placed: Placed,
    earlier_pairs: Sequence[Mapping[str, Any]],
) -> tuple[Poses, list[dict[str, Any]], dict[str, Any], tuple[str, ...]]:
    """Poses, rows of `pairs`, figures and notes of a placement."""
    group = _final_groups(tiles, placed)
    _refuse_if_nothing_holds(tiles, measured, group)
    centres, gauge = _in_mosaic(tiles, placed.centres, group, lens=measured.lens.term)
    links, kept = _links(measured, placed)
    distance = np.hypot(*(links.shift - (centres[links.b] - centres[links.a])).T)
    fixed = tiles.held.copy()
    fixed[gauge] = True
    variance = covariances(links, links.weight, fixed, placed.group)
    variance *= variance_factor(links, distance, fixed, placed.group)
    rms = _rms_by_tile(links, distance, len(tiles.names))
    exposure = _exposures(tiles)
    poses = []
    for k in range(len(tiles.names)):
        earlier = tiles.earlier[k]
        if earlier is not None:
            poses.append(replace(earlier, file=tiles.names[k]))
            continue
        why = _why(tiles, measured, placed, group, k)
        poses.append(
            _pose(
                tiles,
                k,
                centres[k],
                variance[k],
                rms[k],
                group[k],
                placed,
                exposure[k],
                why,
                measured.lens.term,
            )
        )
    rows = pair_rows(tiles, measured, placed, centres, group, earlier_pairs)
    result = Poses.of(poses)
    strain = strain_of(tiles, measured, placed, centres)
    figures = figures_of(result, measured, kept, distance, strain)
    return result, rows, figures, notes_of(result, strain, measured)


def _final_groups(tiles: Tiles, placed: Placed) -> NDArray[np.int_]:
    """Island of each tile, by size; -1 for tiles that nothing holds."""
    out = np.full(len(tiles.names), -1)
    number = 0
    for k in range(int(placed.group.max(initial=-1)) + 1):
        members = np.flatnonzero((placed.group == k) & (tiles.copy_of < 0))
        alone = len(members) == 1 and (tiles.copy_of < 0).sum() > 1
        if not len(members) or (alone and not tiles.held[members].any()):
            continue
        out[members] = number
        number += 1
    return out


def _refuse_if_nothing_holds(tiles: Tiles, measured: Measured, group: NDArray[np.int_]) -> None:
    if (group >= 0).any():
        return
    best = max((found[0].score for found in measured.hypotheses if found), default=0.0)
    raise StitchError(
        f"none of {len(tiles.names)} tiles could be tied to another: {len(measured.pairs)} pairs "
        f"were compared, the best correlates {best:.2f}; check that the tiles overlap and belong "
        "to one die."
    )


def _in_mosaic(
    tiles: Tiles, centres: Array, group: NDArray[np.int_], *, lens: float
) -> tuple[Array, int]:
    """Centres in the mosaic frame and the tile that fixes it.

    Without held tiles the upper left tile of the largest group lies on whole px, and the frame
    begins at (0, 0) with the px before the first one that a tile shows. Islands keep their nominal
    place against the largest group; where none is known they are set beside it.
    """
    out = centres.copy()
    members = np.flatnonzero(group == 0)
    if tiles.held.any():
        gauge = int(np.flatnonzero(tiles.held)[0])
    else:
        corner = (out - (tiles.sizes - 1) / 2)[members].sum(1)
        gauge = int(members[np.argmin(np.round(corner, 1))])
        out += (tiles.sizes[gauge] - 1) / 2 - out[gauge]
    if not tiles.held.any():
        low = (out - (tiles.sizes - 1) / 2)[group >= 0].min(0)
        # a lens that stretches moves the tiles' corners outwards
        stretch = max(lens, 0.0) * np.hypot(*tiles.sizes.max(0)) / 2
        out += np.ceil(np.round(-low + stretch, 3))
    if tiles.nominal is None:
        right = float((out + tiles.sizes / 2)[members, 0].max())
        for number in range(1, int(group.max()) + 1):
            island = np.flatnonzero(group == number)
            low = (out - tiles.sizes / 2)[island].min(0)
            room = np.median(tiles.sizes[:, 0])
            out[island] += np.rint([right + room, 0] - low)
            right = float((out + tiles.sizes / 2)[island, 0].max())
    return out, gauge


def _links(measured: Measured, placed: Placed) -> tuple[Links, NDArray[np.int_]]:
    """Links in use, and their numbers among the pairs."""
    kept = np.flatnonzero(placed.chosen >= 0)
    used = [measured.hypotheses[k][placed.chosen[k]] for k in kept]
    links = Links(
        np.array([measured.pairs[k][0] for k in kept], int),
        np.array([measured.pairs[k][1] for k in kept], int),
        np.array([h.shift for h in used], float).reshape(-1, 2),
        np.array([1 / h.sd_px**2 for h in used], float),
    )
    return links, kept


def _rms_by_tile(links: Links, distance: Array, count: int) -> list[float | None]:
    square = np.zeros(count)
    number = np.zeros(count, int)
    for end in (links.a, links.b):
        np.add.at(square, end, distance**2)
        np.add.at(number, end, 1)
    return [
        round(float(np.sqrt(s / n)), 3) if n else None for s, n in zip(square, number, strict=True)
    ]


def _exposures(tiles: Tiles) -> Array:
    """Exposures of the survey, brought to the scale of the tiles that are held."""
    found = np.array([row["exposure"] for row in tiles.rows], float)
    if not tiles.held.any():
        return found
    before = np.array([p.exposure if p is not None else 1.0 for p in tiles.earlier])
    return found * float(np.exp(np.median(np.log(before / found)[tiles.held])))


def _pose(
    tiles: Tiles,
    k: int,
    centre: Array,
    variance: float,
    rms: float | None,
    group: int,
    placed: Placed,
    exposure: float,
    why: str,
    lens: float,
) -> Pose:
    """The pose of a tile, rounded as it is written."""
    row = tiles.rows[k]
    known = {
        "file": tiles.names[k],
        "sha256": row["sha256"],
        "width_px": row["width_px"],
        "height_px": row["height_px"],
        "lens": round(lens, 7),
        "focus": row["focus"],
        "exposure": round(float(exposure), 5),
        "why": why,
    }
    if group < 0:
        status = "rejected" if tiles.copy_of[k] >= 0 or k in placed.conflicts else "unplaced"
        return Pose(**known, angle_deg=None, scale=None, island=-1, status=status)
    return Pose(
        **known,
        centre_x_px=round(float(centre[0]), 4) + 0.0,
        centre_y_px=round(float(centre[1]), 4) + 0.0,
        var_x_px2=round(float(variance), 9),
        cov_xy_px2=0.0,
        var_y_px2=round(float(variance), 9),
        island=int(group),
        modulo_pitch=bool(placed.modulo[k]),
        residual_px=rms,
    )


def _why(tiles: Tiles, measured: Measured, placed: Placed, group: NDArray[np.int_], k: int) -> str:
    if tiles.copy_of[k] >= 0:
        return f"same file as {tiles.names[tiles.copy_of[k]]}"
    if group[k] < 0:
        if k in placed.conflicts:
            return placed.conflicts[k]
        return _why_alone(tiles, measured, k)
    parts = []
    if group[k] > 0:
        how = "by its nominal place" if tiles.nominal is not None else "beside the others"
        parts.append(f"island {group[k]}: no pair ties it to the largest group, laid {how}")
    if placed.modulo[k]:
        parts.append("known only up to whole pitches of an array")
    return "; ".join(parts)


def _why_alone(tiles: Tiles, measured: Measured, k: int) -> str:
    best, other = 0.0, ""
    for (a, b), found in zip(measured.pairs, measured.hypotheses, strict=True):
        if k in (a, b) and found and found[0].score > best:
            best, other = found[0].score, tiles.names[b if a == k else a]
    if not other:
        return "no neighbour was found"
    return (
        f"no trusted pair: the best correlates {best:.2f} with {other}, good pairs of this view "
        f"reach {measured.typical:.2f}"
    )
