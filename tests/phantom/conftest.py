"""Layouts that several tests look at, and nets extracted from masks by labelling."""

from __future__ import annotations

from collections.abc import Callable

import networkx as nx
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from maskdelta.phantom import ALL_KINDS, LAYERS, Edit, Layout, make_layout, revise

_UM = 2.0
_CONDUCTORS = ("diffusion", "polysilicon", "metal")


@pytest.fixture(scope="session")
def layout() -> Layout:
    """Return a die of the default size."""
    return make_layout(3)


@pytest.fixture(scope="session")
def revised(layout: Layout) -> tuple[Layout, tuple[Edit, ...]]:
    """Return the die after one edit of every kind, and the edits."""
    return revise(layout, ALL_KINDS, seed=3)


@pytest.fixture(scope="session")
def compare_with_masks() -> Callable[[Layout], None]:
    """Return the check that nets and transistors are those of the masks."""
    return _compare_with_truth


def _extract(
    layout: Layout,
) -> tuple[dict[str, NDArray[np.int32]], dict[tuple[str, int], int], NDArray[np.int32], int]:
    """Label conductors and channels of a layout.

    Returns
    -------
    labels, net_of, channels, count
        Per conductor its labelled image; net of each (conductor, label); labelled channels and
        their number.
    """
    box = (0, 0, layout.width_um, layout.height_um)
    m = {name: layout.mask(name, box, um_per_px=_UM) > 0 for name in LAYERS}
    channel = m["diffusion"] & m["polysilicon"] & ~m["buried_contact"]
    images = {
        "diffusion": m["diffusion"] & ~channel,
        "polysilicon": m["polysilicon"],
        "metal": m["metal"],
    }
    labels, graph = {}, nx.Graph()
    for name, image in images.items():
        labels[name], count = ndimage.label(image)
        graph.add_nodes_from((name, k) for k in range(1, count + 1))
    joints = [
        ("metal", "diffusion", m["contact"]),
        ("metal", "polysilicon", m["contact"]),
        ("diffusion", "polysilicon", m["buried_contact"]),
    ]
    for a, b, where in joints:
        where = where & (labels[a] > 0) & (labels[b] > 0)
        pairs = np.unique(np.stack([labels[a][where], labels[b][where]], axis=1), axis=0)
        graph.add_edges_from(((a, int(i)), (b, int(j))) for i, j in pairs)
    net_of = {
        node: number
        for number, nodes in enumerate(nx.connected_components(graph))
        for node in nodes
    }
    channels, count = ndimage.label(channel)
    return labels, net_of, channels, count


def _compare_with_truth(layout: Layout) -> None:
    """Assert that the layout's nets and transistors are those of its masks."""
    labels, net_of, channels, count = _extract(layout)
    to_truth: dict[int, int] = {}
    to_found: dict[int, int] = {}
    for name in _CONDUCTORS:
        for box, net in zip(layout.boxes[name], layout.nets[name].tolist(), strict=True):
            if net < 0:
                continue
            x, y = (int(v) for v in (box[:2] + box[2:]) / (2 * _UM))
            found = net_of[name, int(labels[name][y, x])]
            assert to_truth.setdefault(found, net) == net, layout.net_names[net]
            assert to_found.setdefault(net, found) == found, layout.net_names[net]
    assert len(to_truth) == len(set(net_of.values()))
    assert count == len(layout.transistors)
    seen = set()
    for row in layout.transistors:
        x0, y0, x1, y1 = (int(row[k] / _UM) for k in ("x0", "y0", "x1", "y1"))
        window = channels[y0:y1, x0:x1]
        assert (window == window[0, 0]).all()
        assert window[0, 0] > 0
        seen.add(int(window[0, 0]))
        assert window.size == np.count_nonzero(channels[y0 - 1 : y1 + 1, x0 - 1 : x1 + 1])
        assert row["width_um"] * row["length_um"] == window.size * _UM**2
        assert to_truth[net_of["polysilicon", int(labels["polysilicon"][y0, x0])]] == row["gate"]
        around = labels["diffusion"][y0 - 1 : y1 + 1, x0 - 1 : x1 + 1]
        ends = {to_truth[net_of["diffusion", int(k)]] for k in np.unique(around) if k}
        assert ends == {int(row["first"]), int(row["second"])}
        implant = layout.mask(
            "implant", (int(row["x0"]), int(row["y0"]), int(row["x1"]), int(row["y1"]))
        )
        assert implant.all() == bool(row["depletion"])
    assert len(seen) == count
