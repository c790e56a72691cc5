"""Views of one die merged: each layer from the view that shows it."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from maskdelta.images import Output, write_rasters
from maskdelta.register import ErrorMap
from maskdelta.segment._merger import MOST_BLOCK_PX, LaidView, LayerRasters, Merger
from maskdelta.study import LayerStack, Registration, SegmentSettings, read_json, write_json

__all__ = ["SegmentedView", "merge_views"]


@dataclass(frozen=True)
class SegmentedView:
    """One view of a die after its segmentation.

    Parameters
    ----------
    name : str
    layers : LayerStack
    stripped : collection of str
        Layers that had been stripped off before it was photographed.
    registration : Registration, optional
        From this view (after) to the main one (before); None for the main view.
    error : ErrorMap, optional
        Of that registration.
    """

    name: str
    layers: LayerStack
    stripped: Collection[str] = ()
    registration: Registration | None = None
    error: ErrorMap | None = None

    @property
    def refused(self) -> tuple[str, ...]:
        """Why the view cannot be laid over the main one; empty when it can."""
        return () if self.registration is None else self.registration.refused

    def shown(self, layers: Sequence[str]) -> set[str]:
        """Layers that the view tells of: those that some swatch of it shows."""
        unmarked = read_json(self.layers.summary)["not_covered_by_swatches"]
        return {name for name in layers if name not in unmarked and name not in self.stripped}


def merge_views(
    die: str,
    main: SegmentedView,
    further: Sequence[SegmentedView],
    folder: str | Path,
    *,
    settings: SegmentSettings,
    most_at_odds: float = 0.2,
    block_px: int = 2048,
    threads: int = 1,
) -> dict[str, Any]:
    """Write the layer files of a die from those of its views, in the frame of the main one.

    See `merge_told` for the px that several views show. A view tells of a layer only where one of
    its swatches shows it. A further view that contradicts the main one on a layer too often is
    wrong about it, or the main one is; it then tells nothing of that layer, so that merging leaves
    no layer worse than the main view alone. Labels are those of the main view, and what that did
    not photograph stays not photographed. The confidence of a px is the least among the views that
    any of its layers was taken from.

    Parameters
    ----------
    die : str
        For messages.
    main : SegmentedView
    further : sequence of SegmentedView
        One whose registration was refused is left out, and the summary says so.
    folder : path
        Written are the same files as by `segment`; layers.json holds what the main view's holds,
        and `merged` besides.
    settings : SegmentSettings
    most_at_odds : float
        Contradicted share of what either view shows of a layer, in patches all over the die, above
        which the further view tells nothing of it.
    block_px, threads : int

    Returns
    -------
    dict
        What layers.json holds.
    """
    figures = read_json(main.layers.summary)
    names = tuple(figures["layers"])
    used = [view for view in further if not view.refused]
    marked = [view.shown(names) for view in (main, *used)]
    elsewhere = set().union(*marked)
    # without any swatch of a layer nothing changes: it stays empty, and the summary warns of it
    unmarked = {name for name in names if name not in elsewhere and name not in main.stripped}
    shown = [marked[0] | unmarked, *marked[1:]]
    out = LayerStack(Path(folder))
    with ExitStack() as stack:
        merger = Merger(
            LayerRasters.open(main.layers, stack),
            [_laid(view, stack, settings) for view in used],
            np.array([[name in told for name in names] for told in shown]),
        )
        at_odds = merger.at_odds_frac(threads=threads)
        merger = merger.without(at_odds > most_at_odds)
        write_rasters(
            [
                Output(out.membership, np.uint8, names),
                Output(out.visible, np.uint8, names, "nearest"),
                Output(out.inferred, np.uint8, names, "nearest"),
                Output(out.confidence, np.uint8, ("confidence",)),
                Output(out.labels, np.uint8, ("label",), "nearest"),
            ],
            merger.render,
            shape=merger.main.labels.shape,
            origin=merger.main.labels.origin,
            um_per_px=merger.main.labels.um_per_px,
            block_px=min(block_px, MOST_BLOCK_PX),
            threads=threads,
        )
    odd = [
        {n: round(float(v), 4) for n, v in zip(names, share, strict=True) if v > most_at_odds}
        for share in at_odds
    ]
    records = [{"view": main.name, "told": sorted(marked[0]), "distrusted": {}, "why": ""}]
    records += [_refused(die, main, view) for view in further if view.refused]
    records += [_record(*row) for row in zip(used, marked[1:], odd, strict=True)]
    shares = merger.shares(names, [view.name for view in (main, *used)])
    figures |= {
        "not_covered_by_swatches": sorted(set(names) - elsewhere),
        "merged": {"views": records, "layers": shares, "seen_in": _seen_in(main.name, shares)},
    }
    write_json(out.summary, figures)
    return figures


def _seen_in(main: str, shares: dict[str, Any], *, more: float = 1.1) -> dict[str, str]:
    """By layer, the view that shows most of it, where that is not the main one.

    It must show `more` times as much: a view in another light shows what the main one does, and
    the fewer photographs are looked at the better.
    """
    found = {}
    for layer, row in shares.items():
        most = max(row["shown"], key=lambda view: row["shown"][view])
        if row["shown"][most] > more * row["shown"][main]:
            found[layer] = most
    return found


def _laid(view: SegmentedView, stack: ExitStack, settings: SegmentSettings) -> LaidView:
    assert view.registration is not None
    assert view.error is not None
    return LaidView(
        LayerRasters.open(view.layers, stack),
        view.registration,
        view.error,
        most_error_px=settings.merge_error_px,
        edge_px=settings.edge_px,
    )


def _refused(die: str, main: SegmentedView, view: SegmentedView) -> dict[str, Any]:
    why = (
        f"{die}: the view {view.name} could not be laid over the view {main.name} "
        f"({'; '.join(view.refused)}), so nothing was taken from it."
    )
    return {"view": view.name, "told": [], "distrusted": {}, "why": why}


def _record(view: SegmentedView, marked: set[str], odd: dict[str, float]) -> dict[str, Any]:
    """What a further view was used for, and how well it lies over the main one."""
    assert view.registration is not None
    wanted = ("patches_tried", "patches_agree", "left_out_rms_px", "left_out_p95_px")
    known = {k: v for k, v in view.registration.figures.items() if k in wanted}
    told = sorted(marked - odd.keys())
    return {"view": view.name, "told": told, "distrusted": odd, "why": "", **known}
