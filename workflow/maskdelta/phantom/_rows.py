"""Plan rows of random logic: which cells stand where, and what drives what."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from maskdelta.phantom._canvas import Canvas
from maskdelta.phantom._cells import (
    PIN_DOWN,
    PIN_UP,
    ROW_HEIGHT,
    SLOT,
    gate_slots,
)
from maskdelta.phantom._routing import (
    FROM_ABOVE,
    FROM_BELOW,
    Pin,
    assign_tracks,
    track_count,
)

_KINDS: tuple[tuple[str, tuple[int, ...], float], ...] = (
    ("gate", (1,), 0.24),
    ("gate", (1, 1), 0.22),
    ("gate", (1, 1, 1), 0.07),
    ("gate", (2,), 0.16),
    ("gate", (2, 1), 0.07),
    ("gate", (2, 2), 0.03),
    ("pass", (), 0.03),
    ("latch", (), 0.08),
    ("feed", (), 0.10),
    ("blank", (), 0.02),
)


SPARE_TRACKS = 2
LATCH_SLOTS = 4


@dataclass
class RowCell:
    """A cell of a row before it is drawn.

    ``inputs`` are nets that something has to drive (-1: still to be chosen); ``output`` leaves
    upwards; a feed whose ``output`` is set and which has no inputs carries a line down.
    """

    kind: str
    slot: int
    branches: tuple[int, ...] = ()
    inputs: list[int] = field(default_factory=list)
    output: int = -1
    width: int = 4
    used: bool = False

    @property
    def slots(self) -> int:
        """Number of slots the cell takes."""
        return {"gate": gate_slots(self.branches), "pass": 2}.get(self.kind, 1)


@dataclass
class LogicPlan:
    """Rows of cells, top to bottom, and the pins of the channel below each row."""

    rows: list[list[RowCell]]
    pins: list[list[Pin]]

    def height(self) -> int:
        """Return the height the rows and their channels need, lambda."""
        return sum(
            ROW_HEIGHT + channel_height(track_count(assign_tracks(pins)) + SPARE_TRACKS)
            for pins in self.pins
        )


def channel_height(tracks: int) -> int:
    """Return the height of a channel, lambda."""
    return 7 * tracks + 6


def random_row(
    canvas: Canvas, name: str, slots: int, rng: np.random.Generator, *, gap_slots: int = 0
) -> list[RowCell]:
    """Fill a row with random cells, leaving one gap of `gap_slots` slots somewhere."""
    shares = np.array([share for _, _, share in _KINDS])
    cells: list[RowCell] = []
    gap_at = int(rng.integers(2, max(3, slots - gap_slots - 2))) if gap_slots else -1
    slot = 0
    while slot < slots:
        if gap_at >= 0 and slot >= gap_at:
            slot, gap_at = slot + gap_slots, -1
            continue
        kind, branches, _ = _KINDS[rng.choice(len(_KINDS), p=shares / shares.sum())]
        if slot == 0:
            # One feed-through at least, so that the channel below is never out of reach.
            kind, branches = "feed", ()
        limit = gap_at if gap_at >= 0 else slots
        if kind == "latch" and slot + LATCH_SLOTS <= limit:
            cells += _latch(canvas, f"{name}.s{slot}", slot)
            slot += LATCH_SLOTS
            continue
        cell = RowCell(kind, slot, branches, width=int(rng.choice([2, 3, 4, 4])))
        if kind == "latch" or slot + cell.slots > limit:
            cell = RowCell("gate", slot, (1,))
        if cell.kind in ("gate", "pass"):
            cell.output = canvas.net(f"{name}.s{slot}")
            cell.inputs = [-1] * (2 if cell.kind == "pass" else gate_slots(cell.branches))
        if cell.kind != "blank":
            cells.append(cell)
        slot += cell.slots
    return cells


def _latch(canvas: Canvas, name: str, slot: int) -> list[RowCell]:
    """Return a dynamic latch: a pass transistor whose output is led down to an inverter."""
    stored, inverted = canvas.net(f"{name}.latch"), canvas.net(f"{name}.latchn")
    return [
        RowCell("pass", slot, inputs=[-1, -1], output=stored),
        RowCell("feed", slot + 2, output=stored),
        RowCell("gate", slot + 3, (1,), inputs=[stored], output=inverted),
    ]


def plan_logic(
    canvas: Canvas,
    rows: list[list[RowCell]],
    external: list[tuple[int, int]],
    *,
    x0: int,
    rng: np.random.Generator,
    external_sinks: list[tuple[int, int]],
) -> LogicPlan:
    """Choose a driver for every open input and list the pins of every channel.

    A driver is looked for among the outputs that end in the same channel, then among those one
    channel away, led through a row by a feed-through; near ones first, so that lines stay short
    as a designer would have kept them.

    Parameters
    ----------
    external
        (column, net) of lines that enter the lowest channel from below.
    external_sinks
        (column, net) of lines that leave through the lowest channel and need a driver.
    """
    pins: list[list[Pin]] = [[] for _ in rows]
    drivers = [_drivers(rows, channel, x0) for channel in range(len(rows))]
    drivers[-1] += external
    # A cell may name an output of this block as its input, as the inverter of a latch does.
    chosen = {cell.output: cell.output for row in rows for cell in row if cell.output >= 0}
    used: set[int] = set()
    pins[-1] += [(column, FROM_BELOW, net) for column, net in external]
    for channel, row in enumerate(rows):
        for cell in row:
            for index, net in enumerate(cell.inputs):
                column = x0 + (cell.slot + index) * SLOT + PIN_DOWN
                driver = chosen.get(net, -1) if net >= 0 else -1
                if driver < 0:
                    driver = _choose_driver(
                        rows, drivers, channel, column, cell.output, x0, rng, used
                    )
                if net >= 0:
                    canvas.join(net, driver)
                    chosen[net] = driver
                cell.inputs[index] = driver
                pins[channel].append((column, FROM_ABOVE, driver))
    for column, net in external_sinks:
        driver = _choose_driver(rows, drivers, len(rows) - 1, column, -1, x0, rng, used)
        canvas.join(net, driver)
        pins[-1].append((column, FROM_BELOW, driver))
    _add_driver_pins(rows, pins, x0)
    return LogicPlan(rows, pins)


def _drivers(rows: list[list[RowCell]], channel: int, x0: int) -> list[tuple[int, int]]:
    """Return (column, net) of the outputs that end in a channel by themselves."""
    found = [
        (x0 + cell.slot * SLOT + PIN_DOWN, cell.output)
        for cell in rows[channel]
        if cell.kind == "feed" and cell.output >= 0 and not cell.inputs
    ]
    if channel + 1 < len(rows):
        found += [
            (x0 + cell.slot * SLOT + PIN_UP, cell.output)
            for cell in rows[channel + 1]
            if cell.kind in ("gate", "pass")
        ]
    return found


def _choose_driver(
    rows: list[list[RowCell]],
    drivers: list[list[tuple[int, int]]],
    channel: int,
    column: int,
    own: int,
    x0: int,
    rng: np.random.Generator,
    used: set[int],
) -> int:
    near = [d for d in drivers[channel] if d[1] != own]
    if near and rng.random() < 0.8:
        return _pick_near(near, column, rng, used)
    for other, row in _neighbours(channel, len(rows), rng):
        candidates = [d for d in drivers[other] if d[1] != own]
        feeds = [cell for cell in rows[row] if cell.kind == "feed" and cell.output < 0]
        if candidates and feeds:
            feed = min(feeds, key=lambda cell: abs(x0 + cell.slot * SLOT - column))
            if abs(x0 + feed.slot * SLOT - column) > 20 * SLOT and near:
                continue
            net = _pick_near(candidates, x0 + feed.slot * SLOT, rng, used)
            feed.output = net
            # Once the line has been led through, others may use it there as well.
            drivers[channel].append((x0 + feed.slot * SLOT + PIN_DOWN, net))
            return net
    # At worst a gate is fed back to itself: an oscillator.
    near = near or drivers[channel]
    if not near:
        raise ValueError(f"channel {channel}: no output within reach of column {column}")
    return _pick_near(near, column, rng, used)


def _neighbours(channel: int, count: int, rng: np.random.Generator) -> list[tuple[int, int]]:
    """Return (other channel, row between) in random order."""
    found = []
    if channel > 0:
        found.append((channel - 1, channel))
    if channel + 1 < count:
        found.append((channel + 1, channel + 1))
    return found if rng.random() < 0.5 else found[::-1]


def _pick_near(
    drivers: list[tuple[int, int]], column: int, rng: np.random.Generator, used: set[int]
) -> int:
    """Pick an output close by, mostly one that drives nothing yet."""
    ranked = sorted(drivers, key=lambda d: abs(d[0] - column))
    fresh = [d for d in ranked if d[1] not in used]
    if fresh and rng.random() < 0.75:
        ranked = fresh
    net = ranked[min(int(rng.geometric(0.3)) - 1, len(ranked) - 1)][1]
    used.add(net)
    return net


def _add_driver_pins(rows: list[list[RowCell]], pins: list[list[Pin]], x0: int) -> None:
    """Add the pins of outputs and feeds wherever their channel needs them."""
    for channel, row in enumerate(rows):
        for cell in row:
            if cell.kind != "feed" or cell.output < 0 or cell.inputs:
                continue
            if channel > 0 and not cell.used:
                pins[channel - 1].append((x0 + cell.slot * SLOT + PIN_UP, FROM_BELOW, cell.output))
            pins[channel].append((x0 + cell.slot * SLOT + PIN_DOWN, FROM_ABOVE, cell.output))
    for channel in range(len(rows) - 1):
        wanted = {net for _, _, net in pins[channel]}
        for cell in rows[channel + 1]:
            if cell.kind in ("gate", "pass") and cell.output in wanted:
                cell.used = True
                column = x0 + cell.slot * SLOT + PIN_UP
                pins[channel].append((column, FROM_BELOW, cell.output))
