"""Was the grid walked in the order that the configuration says?"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from maskdelta.errors import StitchError
from maskdelta.study import Grid, SurveySettings, ViewSettings
from maskdelta.survey._look import Look
from maskdelta.survey._neighbours import Neighbour, pair_up
from maskdelta.survey._places import grid_cells, nominal_places

__all__ = ["check_order"]

_ORDERS = ("raster_rows", "snake_rows", "raster_columns", "snake_columns")


def check_order(
    looks: Sequence[Look],
    names: Sequence[str],
    neighbours: Sequence[Neighbour],
    grid: Grid,
    settings: SurveySettings,
    threads: int,
) -> None:
    """Refuse a grid in which few neighbours correlate, and say which order would fit.

    The other orders are tried only when fewer than three quarters of the
    tiles' direct neighbours correlate.

    Raises
    ------
    StitchError
        When another order fits clearly better, or none fits at all.
    """
    if grid.rows < 2 or grid.columns < 2:
        return
    share = _share(names, neighbours, grid)
    if share >= 0.75:
        return
    others = [order for order in _ORDERS if order != grid.order]
    shares = [_share_with(looks, names, grid, order, settings, threads) for order in others]
    best = int(np.argmax(shares))
    if shares[best] >= max(0.6, 1.25 * share):
        raise StitchError(
            f"the tiles do not fit the grid order `{grid.order}`: {100 * share:.0f} % of the "
            f"neighbours correlate, with `{others[best]}` it would be {100 * shares[best]:.0f} %; "
            f"set `grid.order: {others[best]}`."
        )
    if share < 0.1:
        raise StitchError(
            f"only {100 * share:.0f} % of the tiles that should be neighbours correlate; check "
            "`grid` (rows, columns, order, overlap_frac) and whether the tiles belong together."
        )


def _share_with(
    looks: Sequence[Look],
    names: Sequence[str],
    grid: Grid,
    order: str,
    settings: SurveySettings,
    threads: int,
) -> float:
    """The share of direct neighbours that would correlate with another order of the grid."""
    other = grid.model_copy(update={"order": order})
    size = np.median([[look.width_px, look.height_px] for look in looks], axis=0).astype(int)
    view = ViewSettings(tiles="*", grid=other)
    pairing = pair_up(
        looks,
        nominal_places(names, (int(size[0]), int(size[1])), view),
        min_overlap_frac=settings.min_overlap_frac,
        search_frac=settings.search_frac,
        threads=threads,
    )
    return _share(names, pairing.neighbours, other)


def _share(names: Sequence[str], neighbours: Sequence[Neighbour], grid: Grid) -> float:
    """Share of the direct neighbours in the grid that correlate."""
    cells: list[NDArray[np.int_]] = [np.array(cell) for cell in grid_cells(names, grid)]
    direct = [p for p in neighbours if np.abs(cells[p.a] - cells[p.b]).sum() == 1]
    expected = grid.rows * (grid.columns - 1) + grid.columns * (grid.rows - 1)
    return sum(pair.confident for pair in direct) / expected
