"""A layout being edited: what is taken away, what is drawn anew, and the new nets."""

from __future__ import annotations

import copy
import dataclasses
from collections import Counter

import numpy as np
import shapely
from numpy.typing import NDArray

from maskdelta.phantom._canvas import Canvas, Channel
from maskdelta.phantom._connectivity import box_tree, trace_boxes
from maskdelta.phantom._layers import LAMBDA_UM, LAYERS
from maskdelta.phantom._layout import TRANSISTOR_DTYPE, Bit, Box, Layout, Region


class Draft:
    """Changes to a layout, gathered and applied together by `finish`.

    Drawing goes to `canvas` in lambda; `remove` and `replace` work on the boxes of the layout.
    The layout itself and its channels are not written to.
    """

    def __init__(self, layout: Layout) -> None:
        self.layout = layout
        self.canvas = Canvas(
            names=list(layout.net_names),
            parents=list(range(len(layout.net_names))),
            group_count=max(int(g.max(initial=0)) for g in layout.groups.values()),
        )
        self.channels: list[Channel] = copy.deepcopy(list(layout.channels))
        self.gone: dict[str, set[int]] = {name: set() for name in LAYERS}
        self.transistors = layout.transistors.copy()
        self.bits: list[Bit] = list(layout.bits)
        self.regions: list[Region] = list(layout.regions)
        self.text = layout.text

    def find(self, layer: str, box_um: Box) -> list[int]:
        """Return the indices of boxes equal to `box_um`."""
        same = (self.layout.boxes[layer] == np.asarray(box_um)).all(axis=1)
        return [int(i) for i in np.flatnonzero(same) if int(i) not in self.gone[layer]]

    def remove(self, layer: str, index: int) -> None:
        """Take a box away."""
        self.gone[layer].add(int(index))

    def add_um(self, layer: str, box_um: tuple[int, ...], net: int, group: int = 0) -> None:
        """Draw a box given in um."""
        self.canvas.boxes[layer].append(tuple(int(v) for v in box_um))  # type: ignore[arg-type]
        self.canvas.nets[layer].append(int(net))
        self.canvas.groups[layer].append(int(group))

    def group_boxes(self, layer: str, group: int) -> list[int]:
        """Return the indices of the boxes of a group that are still there."""
        found = np.flatnonzero(self.layout.groups[layer] == group)
        return [int(i) for i in found if int(i) not in self.gone[layer]]

    def drop_group(self, group: int) -> None:
        """Take all boxes of a group away."""
        for layer in LAYERS:
            for index in self.group_boxes(layer, group):
                self.remove(layer, index)

    def move_group(self, group: int, dx: int, dy: int) -> None:
        """Move all boxes and transistors of a group, um."""
        for layer in LAYERS:
            for index in self.group_boxes(layer, group):
                box = self.layout.boxes[layer][index] + np.array([dx, dy, dx, dy])
                self.remove(layer, index)
                self.add_um(layer, tuple(box), int(self.layout.nets[layer][index]), group)
        mine = self.transistors["group"] == group
        for name, step in (("x0", dx), ("x1", dx), ("y0", dy), ("y1", dy)):
            self.transistors[name][mine] += step

    def finish(self) -> Layout:
        """Return the edited layout, its nets worked out anew from the boxes."""
        boxes, nets, groups = {}, {}, {}
        for name in LAYERS:
            keep = np.ones(len(self.layout.boxes[name]), dtype=bool)
            keep[list(self.gone[name])] = False
            new = np.array(self.canvas.boxes[name], dtype=np.int32).reshape(-1, 4)
            boxes[name] = np.concatenate([self.layout.boxes[name][keep], new])
            more = np.array([self.canvas.root(n) if n >= 0 else n for n in self.canvas.nets[name]])
            nets[name] = np.concatenate([self.layout.nets[name][keep], more]).astype(np.int32)
            tags = np.array(self.canvas.groups[name], dtype=np.int32)
            groups[name] = np.concatenate([self.layout.groups[name][keep], tags])
        added = np.array(self.canvas.transistors, dtype=np.int64).reshape(-1, 11)
        rows = [tuple(int(v) for v in row) for row in added]
        transistors = np.concatenate([self.transistors, np.array(rows, dtype=TRANSISTOR_DTYPE)])
        names = list(self.canvas.names)
        nets = _renumber(boxes, nets, names)
        layout = dataclasses.replace(
            self.layout,
            boxes=boxes,
            nets=nets,
            groups=groups,
            net_names=tuple(names),
            bits=tuple(self.bits),
            regions=tuple(self.regions),
            channels=tuple(self.channels),
            text=self.text,
        )
        return dataclasses.replace(layout, transistors=_attach(layout, transistors))


def _renumber(
    boxes: dict[str, NDArray[np.int32]], nets: dict[str, NDArray[np.int32]], names: list[str]
) -> dict[str, NDArray[np.int32]]:
    """Give traced nets the numbers of the old nets they mostly consist of."""
    traced = trace_boxes(boxes, nets)
    votes: dict[int, Counter[int]] = {}
    for name, labels in traced.items():
        for label, net in zip(labels.tolist(), nets[name].tolist(), strict=True):
            if label >= 0:
                votes.setdefault(label, Counter())[net] += 1
    numbers: dict[int, int] = {}
    taken: set[int] = set()
    order = sorted(votes, key=lambda k: (-sum(votes[k].values()), k))
    for label in order:
        known = [(-count, net) for net, count in votes[label].items() if net >= 0]
        net = min(known)[1] if known else -1
        if net < 0 or net in taken:
            names.append(f"{names[net]}.part" if net >= 0 else f"metal{label}")
            net = len(names) - 1
        taken.add(net)
        numbers[label] = net
    result = {}
    for name in boxes:
        result[name] = nets[name].copy()
        if name in traced:
            found = np.array([numbers.get(label, -1) for label in traced[name].tolist()])
            result[name] = found.astype(np.int32)
    return result


def _attach(layout: Layout, transistors: NDArray[np.void]) -> NDArray[np.void]:
    """Return transistors whose gate and ends carry the nets of the boxes they touch."""
    result = transistors.copy()
    poly = box_tree(layout.boxes["polysilicon"])
    conducting = np.flatnonzero(layout.nets["diffusion"] >= 0)
    diffusion = box_tree(layout.boxes["diffusion"][conducting])
    for row in result:
        x0, y0, x1, y1 = (int(row[k]) for k in ("x0", "y0", "x1", "y1"))
        upright = x1 - x0 == row["width_um"] and y1 - y0 == row["length_um"]
        if upright and x1 - x0 == y1 - y0:
            upright = _flows_along_y(layout, (x0, y0, x1, y1))
        cx, cy = (x0 + x1) / 2, (y0 + y1) / 2
        row["gate"] = _net_at(layout, "polysilicon", poly, None, (cx, cy))
        d = 0.5 * LAMBDA_UM
        ends = ((cx, y0 - d), (cx, y1 + d)) if upright else ((x0 - d, cy), (x1 + d, cy))
        row["first"] = _net_at(layout, "diffusion", diffusion, conducting, ends[0])
        row["second"] = _net_at(layout, "diffusion", diffusion, conducting, ends[1])
    return result


def _flows_along_y(layout: Layout, box: Box) -> bool:
    """Tell the direction of a square channel: diffusion goes on along the current."""
    x0, y0, x1, _ = box
    return bool(layout.mask("diffusion", (x0, y0 - 1, x1, y0)).any())


def _net_at(
    layout: Layout,
    layer: str,
    tree: shapely.STRtree,
    index: NDArray[np.int_] | None,
    point: tuple[float, float],
) -> int:
    hits = tree.query(shapely.Point(point), predicate="intersects")
    if not len(hits):
        return -1
    hit = int(np.min(hits))
    return int(layout.nets[layer][hit if index is None else index[hit]])
