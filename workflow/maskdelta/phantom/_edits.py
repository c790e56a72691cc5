"""Turn one revision into the next: edits by kind, placed at random, with exact truth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from maskdelta.phantom._draft import Draft
from maskdelta.phantom._edit_kinds import MAKERS, EditRequest
from maskdelta.phantom._layers import LAYERS
from maskdelta.phantom._layout import Box, Layout


@dataclass(frozen=True)
class Edit:
    """Truth of one edit.

    Attributes
    ----------
    number
        From 1.
    kind, meaning
        What was done and why.
    box_um
        Bounding box of all changed geometry.
    added, removed
        Layer to boxes (x0, y0, x1, y1) um that gained, or lost, the layer; disjoint.
    """

    number: int
    kind: str
    meaning: str
    box_um: Box
    added: dict[str, list[tuple[int, int, int, int]]]
    removed: dict[str, list[tuple[int, int, int, int]]]

    def added_um2(self) -> dict[str, int]:
        """Return the area gained by layer."""
        return {name: _area(boxes) for name, boxes in self.added.items()}

    def removed_um2(self) -> dict[str, int]:
        """Return the area lost by layer."""
        return {name: _area(boxes) for name, boxes in self.removed.items()}


SAMPLE_EDITS: tuple[EditRequest, ...] = (
    EditRequest("rom_bit", "corrects the first wrong note of the melody", "melody ROM"),
    EditRequest("rom_bit", "corrects the second wrong note of the melody", "melody ROM"),
    EditRequest("contact_gone", "takes a stage out of the tempo divider, which halves it"),
    EditRequest("line_rerouted", "leads the tempo line past the stage taken out"),
    EditRequest("transistor_widened", "strengthens a pad driver", "bottom"),
    EditRequest("circuit_added", "adds a reset that debounces the button"),
    EditRequest("contact_new", "ties two enable lines together"),
    EditRequest("line_unconnected", "leaves a test line open"),
    EditRequest("block_moved", "moves the process monitor"),
    EditRequest("lettering", "counts the revision"),
)
"""The scenario of the sample: a doorbell chip whose second mask set mends its melody."""


ALL_KINDS: tuple[EditRequest, ...] = tuple(
    EditRequest(kind)
    for kind in (
        "rom_bit",
        "contact_gone",
        "contact_new",
        "line_rerouted",
        "transistor_widened",
        "block_moved",
        "circuit_added",
        "line_unconnected",
        "lettering",
    )
)
"""One edit of every kind."""


def revise(
    layout: Layout, edits: Sequence[EditRequest | str], *, seed: int
) -> tuple[Layout, tuple[Edit, ...]]:
    """Make the next revision of a layout.

    Places are drawn by seed among those where an edit makes sense; edits keep a distance of
    16 um from one another.

    Parameters
    ----------
    layout
        The revision before; it is left as it is.
    edits
        What to change, in this order.
    seed
        Same seed, same edits.

    Returns
    -------
    layout, edits
        The revision after, with its nets, transistors and bits, and the truth of each edit.
    """
    rng = np.random.default_rng([seed, 51])
    draft = Draft(layout)
    taken: list[Box] = []
    requests = [EditRequest(e) if isinstance(e, str) else e for e in edits]
    for request in requests:
        if request.kind not in MAKERS:
            raise ValueError(f"edit {request.kind!r}; expected one of {', '.join(MAKERS)}")
    # What needs most room goes first, whatever its number.
    order = sorted(range(len(requests)), key=lambda i: list(MAKERS).index(requests[i].kind))
    windows: dict[int, Box] = {}
    for index in order:
        request = requests[index]
        windows[index] = MAKERS[request.kind](draft, request, taken, rng)
        taken.append(windows[index])
    after = draft.finish()
    return after, tuple(
        _truth(index + 1, request, layout, after, windows[index])
        for index, request in enumerate(requests)
    )


def _truth(number: int, request: EditRequest, before: Layout, after: Layout, window: Box) -> Edit:
    """Compare both revisions inside the window of an edit, um by um."""
    x0, y0, x1, y1 = (int(v) for v in window)
    box = (x0 - 4, y0 - 4, x1 + 4, y1 + 4)
    added: dict[str, list[tuple[int, int, int, int]]] = {}
    removed: dict[str, list[tuple[int, int, int, int]]] = {}
    everything: list[tuple[int, int, int, int]] = []
    for layer in LAYERS:
        old, new = before.mask(layer, box) > 0, after.mask(layer, box) > 0
        for mask, into in ((new & ~old, added), (old & ~new, removed)):
            boxes = _boxes_of(mask, box[0], box[1])
            if boxes:
                into[layer] = boxes
                everything += boxes
    points = np.array(everything)
    low, high = points[:, :2].min(axis=0), points[:, 2:].max(axis=0)
    outline = (float(low[0]), float(low[1]), float(high[0]), float(high[1]))
    return Edit(number, request.kind, request.meaning, outline, added, removed)


def _boxes_of(mask: NDArray[np.bool_], x: int, y: int) -> list[tuple[int, int, int, int]]:
    """Cut a mask (1 um a pixel) into disjoint boxes, row by row, joining equal runs."""
    done: list[tuple[int, int, int, int]] = []
    open_runs: dict[tuple[int, int], int] = {}
    for row in range(mask.shape[0] + 1):
        line = mask[row] if row < mask.shape[0] else np.zeros(mask.shape[1], dtype=bool)
        edges = np.flatnonzero(np.diff(np.concatenate([[False], line, [False]]).astype(np.int8)))
        runs = {(int(a), int(b)) for a, b in edges.reshape(-1, 2)}
        for run in sorted(set(open_runs) - runs):
            done.append((x + run[0], y + open_runs.pop(run), x + run[1], y + row))
        for run in sorted(runs - set(open_runs)):
            open_runs[run] = row
    return done


def _area(boxes: Sequence[tuple[int, int, int, int]]) -> int:
    return sum((x1 - x0) * (y1 - y0) for x0, y0, x1, y1 in boxes)
