"""Bond pads with what stands beside them: open-drain drivers, inputs, supplies."""

from __future__ import annotations

from dataclasses import dataclass

from maskdelta.phantom._canvas import Canvas

PAD = 40
PAD_PITCH = 96
RING = 52
"""Depth of the border that pads take, lambda."""
DRIVER_LINE = 58
"""Where, along the edge, the polysilicon line of a pad meets the core."""


@dataclass(frozen=True)
class Edge:
    """One side of the die: u runs along it, v from the core (v = 0) outwards."""

    canvas: Canvas
    side: str
    u0: int
    v0: int

    def _place(self, u0: int, v0: int, u1: int, v1: int) -> tuple[int, int, int, int]:
        a, b = self.u0 + u0, self.u0 + u1
        if self.side == "bottom":
            return a, self.v0 + v0, b, self.v0 + v1
        if self.side == "top":
            return a, self.v0 - v1, b, self.v0 - v0
        if self.side == "right":
            return self.v0 + v0, a, self.v0 + v1, b
        return self.v0 - v1, a, self.v0 - v0, b

    def box(self, layer: str, u0: int, v0: int, u1: int, v1: int, net: int = -1) -> None:
        """Draw a box given along and across the edge."""
        self.canvas.box(layer, *self._place(u0, v0, u1, v1), net)

    def contact(self, u: int, v: int, layer: str, net: int) -> None:
        """Draw a contact whose corner nearest the origin is (u, v)."""
        x0, y0, _, _ = self._place(u, v, u + 4, v + 4)
        self.canvas.metal_contact(x0, y0, layer, net)

    def transistor(
        self,
        box: tuple[int, int, int, int],
        *,
        gate: int,
        ends: tuple[int, int],
        along_v: bool,
        depletion: bool = False,
    ) -> None:
        """Draw a transistor; `ends` are at lower and upper u (or v)."""
        upright = self.side in ("bottom", "top")
        if along_v and self.side in ("top", "left"):
            ends = ends[::-1]
        self.canvas.transistor(
            self._place(*box),
            gate=gate,
            ends=ends,
            along_y=along_v == upright,
            depletion=depletion,
        )

    def region(self, name: str, kind: str, box: tuple[int, int, int, int]) -> None:
        """Name a place beside the edge."""
        self.canvas.region(name, kind, self._place(*box))


def draw_pad(edge: Edge, net: int, name: str) -> None:
    """Draw the pad and its opening."""
    edge.box("metal", 0, 6, PAD, 6 + PAD, net)
    edge.box("pad_opening", 3, 9, PAD - 3, 3 + PAD, net)
    edge.region(name, "pad", (0, 6, PAD, 6 + PAD))


def draw_supply(edge: Edge, net: int, *, bus: int) -> None:
    """Join the pad to the bus that runs along the core, `bus` lambda deep."""
    edge.box("metal", 8, -bus, PAD - 8, 6, net)


def draw_driver(edge: Edge, pad: int, *, ground: int, line: int, bus: int, name: str) -> None:
    """Draw a wide open-drain transistor in two fingers; its gate line crosses below the bus."""
    edge.canvas.begin_group()
    for u in (46, 66):
        edge.box("metal", u, 0, u + 4, 40, ground)
        edge.box("diffusion", u, 8, u + 6 if u == 46 else u + 4, 40, ground)
        for v in range(9, 37, 6):
            edge.contact(u, v, "diffusion", ground)
    edge.box("diffusion", 64, 8, 66, 40, ground)
    edge.transistor((52, 8, 54, 40), gate=line, ends=(ground, pad), along_v=False)
    edge.transistor((62, 8, 64, 40), gate=line, ends=(pad, ground), along_v=False)
    edge.box("diffusion", 54, 8, 62, 40, pad)
    edge.box("metal", 56, 9, 60, 46, pad)
    for v in range(9, 37, 6):
        edge.contact(56, v, "diffusion", pad)
    edge.box("metal", PAD, 43, 56, 46, pad)
    for u in (52, 62):
        edge.box("polysilicon", u, 3, u + 2, 42, line)
    edge.box("polysilicon", 52, 3, 64, 5, line)
    edge.box("polysilicon", 57, -bus, 59, 5, line)
    edge.region(name, "driver", (46, 3, 70, 46))
    edge.canvas.end_group()


def draw_input(edge: Edge, pad: int, *, bus: int, supply: int = -1) -> None:
    """Draw an input: a strip of diffusion as a series resistor, a pull-up where supply is near."""
    if supply >= 0:
        edge.contact(44, 2, "diffusion", supply)
        edge.box("metal", 44, 0, 48, 2, supply)
        edge.box("diffusion", 45, 6, 47, 12, supply)
        edge.transistor(
            (45, 12, 47, 28), gate=pad, ends=(supply, pad), along_v=True, depletion=True
        )
        edge.box("polysilicon", 43, 12, 49, 33, pad)
        edge.box("buried_contact", 43, 28, 49, 34, pad)
        edge.box("diffusion", 45, 28, 47, 40, pad)
    edge.contact(44, 40, "diffusion", pad)
    edge.box("metal", PAD, 40, 44, 44, pad)
    edge.box("diffusion", 48, 39, 60, 45, pad)
    edge.box("diffusion", 55, 22, 61, 45, pad)
    edge.contact(56, 18, "diffusion", pad)
    edge.box("diffusion", 55, 21, 61, 23, pad)
    edge.box("metal", 56, 10, 60, 18, pad)
    edge.contact(56, 8, "polysilicon", pad)
    edge.box("polysilicon", 57, -bus, 59, 8, pad)
