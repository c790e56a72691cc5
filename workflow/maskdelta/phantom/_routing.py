"""Route the channel between two rows: horizontal metal, vertical polysilicon."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence

from maskdelta.phantom._canvas import Canvas, Channel, Segment

FROM_ABOVE = 1
FROM_BELOW = -1
_CLEARANCE = 3

Pin = tuple[int, int, int]
"""(column centre, FROM_ABOVE or FROM_BELOW, net)."""


def assign_tracks(pins: Iterable[Pin]) -> list[tuple[int, int, list[tuple[int, int]]]]:
    """Give every net with two pins or more a track, by the left-edge algorithm.

    Pins of the two sides never share a column, so nothing constrains the order of tracks, and
    taking the spans by their left edge needs as many tracks as the densest column has nets.

    Returns
    -------
    list of (net, track, pins)
        In the order of the spans' left edges.
    """
    by_net: dict[int, list[tuple[int, int]]] = defaultdict(list)
    for column, side, net in pins:
        by_net[net].append((column, side))
    spans = sorted((min(p)[0], max(p)[0], net) for net, p in by_net.items() if len(p) > 1)
    ends: list[int] = []
    routed = []
    for left, right, net in spans:
        track = next((t for t, end in enumerate(ends) if end + 4 + _CLEARANCE <= left), len(ends))
        if track == len(ends):
            ends.append(right)
        ends[track] = right
        routed.append((net, track, sorted(by_net[net])))
    return routed


def track_count(routed: Sequence[tuple[int, int, list[tuple[int, int]]]]) -> int:
    """Return how many tracks a routing needs."""
    return max((track for _, track, _ in routed), default=-1) + 1


def draw_segment(
    canvas: Canvas, channel: Channel, *, net: int, track: int, pins: Sequence[tuple[int, int]]
) -> Segment:
    """Draw one line of a channel with its contacts and its legs to the rows."""
    group = canvas.begin_group()
    y = channel.track_y(track)
    columns = [column for column, _ in pins]
    x0, x1 = min(columns) - 2, max(columns) + 2
    canvas.box("metal", x0, y, x1, y + 4, net)
    for column, side in pins:
        draw_leg(canvas, channel, net=net, y=y, column=column, side=side)
    canvas.end_group()
    segment = Segment(net, track, x0, x1, tuple(pins), group)
    channel.segments.append(segment)
    return segment


def draw_leg(canvas: Canvas, channel: Channel, *, net: int, y: int, column: int, side: int) -> None:
    """Draw the polysilicon from a pin to the track at `y`, and the contact there."""
    canvas.metal_contact(column - 2, y, "polysilicon", net)
    if side == FROM_ABOVE:
        canvas.box("polysilicon", column - 1, channel.y0, column + 1, y, net)
    else:
        canvas.box("polysilicon", column - 1, y + 4, column + 1, channel.y1, net)


def crossings(channel: Channel) -> Iterator[tuple[Segment, Segment, int]]:
    """Yield (line, other line, column) where a leg of the other passes below the line.

    Crossings too close to the ends of the line for a pad are left out.
    """
    for line in channel.segments:
        for other in channel.segments:
            if other.net == line.net:
                continue
            for column, side in other.pins:
                above = side == FROM_ABOVE
                crosses = line.track < other.track if above else line.track > other.track
                if crosses and line.x0 + 8 <= column <= line.x1 - 8:
                    yield line, other, column


def draw_options(canvas: Canvas, channel: Channel, *, most: int = 2) -> None:
    """Draw pads of polysilicon below foreign lines, as designers leave them for later ties."""
    found = list(crossings(channel))
    step = max(1, len(found) // max(1, most))
    for line, other, column in found[: step * most : step]:
        y = channel.track_y(line.track)
        canvas.box("polysilicon", column - 2, y, column + 2, y + 4, other.net)
        channel.options.append((column, y))


def free_track(channel: Channel, x0: int, x1: int) -> int:
    """Return the first track that is free between x0 and x1 (lambda), or -1."""
    for track in range(channel.tracks):
        if all(
            segment.track != track or segment.x1 + _CLEARANCE <= x0 or x1 + _CLEARANCE <= segment.x0
            for segment in channel.segments
        ):
            return track
    return -1
