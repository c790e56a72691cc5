"""A drawing board on the lambda grid that remembers which net every shape belongs to."""

from __future__ import annotations

from dataclasses import dataclass, field

from maskdelta.phantom._layers import LAMBDA_UM, LAYERS

CHANNEL = -1
"""Net number of shapes that conduct nothing by themselves (channels, cuts, implants)."""

_UM = LAMBDA_UM


@dataclass(frozen=True)
class Segment:
    """One horizontal metal line of a channel with the pins it serves (lambda).

    ``pins`` holds (column centre, +1 for a pin of the row above, -1 for one of the row below).
    """

    net: int
    track: int
    x0: int
    x1: int
    pins: tuple[tuple[int, int], ...]
    group: int


@dataclass
class Channel:
    """Space between two rows: tracks of metal, joined to the rows by polysilicon (lambda)."""

    name: str
    x0: int
    x1: int
    y0: int
    y1: int
    tracks: int
    segments: list[Segment] = field(default_factory=list)
    options: list[tuple[int, int]] = field(default_factory=list)
    """Pads (column, y) below a foreign line, where a contact alone would tie the two."""

    def track_y(self, track: int) -> int:
        """Return the upper edge of a track, lambda."""
        return self.y0 + 3 + 7 * track


@dataclass(frozen=True)
class Gap:
    """Empty slots in a row, between its rails, in which a circuit could be added (lambda)."""

    x: int
    y: int
    slots: int
    supply: int
    ground: int
    above: int
    below: int


@dataclass
class Canvas:
    """Collect boxes, transistors and net names while a die is being drawn.

    Coordinates are lambda, x right and y down; everything is stored in whole um. A canvas is
    handed through the generators and closed once by `make_layout`.
    """

    boxes: dict[str, list[tuple[int, int, int, int]]] = field(
        default_factory=lambda: {name: [] for name in LAYERS}
    )
    nets: dict[str, list[int]] = field(default_factory=lambda: {name: [] for name in LAYERS})
    groups: dict[str, list[int]] = field(default_factory=lambda: {name: [] for name in LAYERS})
    transistors: list[tuple[int, ...]] = field(default_factory=list)
    names: list[str] = field(default_factory=list)
    bits: list[tuple[str, int, int, int, int, int, int, int]] = field(default_factory=list)
    regions: list[tuple[str, str, tuple[int, int, int, int]]] = field(default_factory=list)
    parents: list[int] = field(default_factory=list)
    channels: list[Channel] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)
    group: int = 0
    group_count: int = 0

    def net(self, name: str) -> int:
        """Create a net and return its number."""
        self.names.append(name)
        self.parents.append(len(self.parents))
        return len(self.names) - 1

    def root(self, net: int) -> int:
        """Return the number under which a net that was joined to others is known."""
        while self.parents[net] != net:
            self.parents[net] = self.parents[self.parents[net]]
            net = self.parents[net]
        return net

    def join(self, net: int, into: int) -> None:
        """Make `net` another name of `into`."""
        self.parents[self.root(net)] = self.root(into)

    def begin_group(self) -> int:
        """Give the shapes drawn from now on a common tag, and return it."""
        self.group_count += 1
        self.group = self.group_count
        return self.group

    def end_group(self) -> None:
        """Return to the untagged background."""
        self.group = 0

    def box(self, layer: str, x0: int, y0: int, x1: int, y1: int, net: int = CHANNEL) -> None:
        """Draw one box (lambda, half-open) on a layer."""
        if x1 <= x0 or y1 <= y0:
            return
        self.boxes[layer].append((x0 * _UM, y0 * _UM, x1 * _UM, y1 * _UM))
        self.nets[layer].append(net)
        self.groups[layer].append(self.group)

    def transistor(
        self,
        box: tuple[int, int, int, int],
        *,
        gate: int,
        ends: tuple[int, int],
        along_y: bool,
        depletion: bool = False,
    ) -> None:
        """Draw the channel of a transistor (diffusion under the gate) and record it.

        Parameters
        ----------
        box
            The channel, lambda.
        gate
            Net of the gate.
        ends
            Nets at the two ends: above and below if `along_y`, else left and right.
        along_y
            Whether current flows along y; then the width is measured along x.
        depletion
            Whether the channel is implanted.
        """
        x0, y0, x1, y1 = box
        self.box("diffusion", x0, y0, x1, y1)
        if depletion:
            self.box("implant", x0 - 1, y0 - 1, x1 + 1, y1 + 1)
        width, length = (x1 - x0, y1 - y0) if along_y else (y1 - y0, x1 - x0)
        self.transistors.append(
            (
                *(v * _UM for v in box),
                gate,
                ends[0],
                ends[1],
                width * _UM,
                length * _UM,
                int(depletion),
                self.group,
            )
        )

    def metal_contact(self, x: int, y: int, layer: str, net: int) -> None:
        """Draw a 2 x 2 cut with its 4 x 4 pads in metal and in `layer`; (x, y) is the corner."""
        self.box("metal", x, y, x + 4, y + 4, net)
        self.box(layer, x, y, x + 4, y + 4, net)
        self.box("contact", x + 1, y + 1, x + 3, y + 3, net)

    def region(self, name: str, kind: str, box: tuple[int, int, int, int]) -> None:
        """Name a place (box in lambda) for use as a landmark."""
        x0, y0, x1, y1 = box
        self.regions.append((name, kind, (x0 * _UM, y0 * _UM, x1 * _UM, y1 * _UM)))
