"""Overlay: a shift and a line-width bias that were put in are measured."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.special import ndtr

from maskdelta.images import Output, write_rasters
from maskdelta.overlay import LayerOverlay, Overlay, measure_overlay
from maskdelta.study import LayerStack, OverlaySettings, Registration

SHAPE = (640, 800)
ORIGIN = (11, -7)
UM_PER_PX = 0.5
LAYERS = ("metal", "polysilicon", "diffusion")
SAME = Registration("a1", "b1", np.eye(2, 3))


def shapes(seed: int) -> np.ndarray:
    """Rectangles (x0, y0, x1, y1), one in each cell of 40 px, never touching."""
    rng = np.random.default_rng(seed)
    rows = [
        (x + rng.uniform(6, 12), y + rng.uniform(6, 12), x + rng.uniform(26, 33), y + 30.0)
        for y in range(0, SHAPE[0], 40)
        for x in range(0, SHAPE[1], 40)
    ]
    return np.array(rows)


def drawn(boxes: np.ndarray, dx: float = 0, dy: float = 0, grow: float = 0) -> np.ndarray:
    """Membership with edges of exactly known place, soft by a Gaussian of 1 px."""
    out = np.zeros(SHAPE)
    for x0, y0, x1, y1 in boxes + np.array([dx - grow, dy - grow, dx + grow, dy + grow]):
        x = np.arange(max(int(x0) - 6, 0), min(int(x1) + 7, SHAPE[1]))
        y = np.arange(max(int(y0) - 6, 0), min(int(y1) + 7, SHAPE[0]))
        across = ndtr(x - x0) * ndtr(x1 - x)
        down = ndtr(y - y0) * ndtr(y1 - y)
        out[y[0] : y[-1] + 1, x[0] : x[-1] + 1] += np.outer(down, across)
    return np.rint(255 * np.minimum(out, 1)).astype(np.uint8)


def layer_stack(folder: Path, planes: list[np.ndarray], *, hidden: int | None = None) -> LayerStack:
    stack = LayerStack(folder)
    member = np.stack(planes)
    seen = np.full_like(member, 255)
    if hidden is not None:
        seen[hidden] = 0
    write_rasters(
        [
            Output(stack.membership, np.uint8, LAYERS),
            Output(stack.visible, np.uint8, LAYERS, "nearest"),
        ],
        lambda b: (member[:, b.y0 : b.y1, b.x0 : b.x1], seen[:, b.y0 : b.y1, b.x0 : b.x1]),
        shape=SHAPE,
        origin=ORIGIN,
        um_per_px=UM_PER_PX,
    )
    return stack


@pytest.fixture(scope="module")
def stacks(tmp_path_factory) -> tuple[LayerStack, LayerStack]:
    folder = tmp_path_factory.mktemp("stacks")
    metal, poly, diffusion = (shapes(seed) for seed in (1, 2, 3))
    before = [drawn(metal), drawn(poly), drawn(diffusion)]
    after = [drawn(metal, 0.6, -0.4), drawn(poly, grow=0.5), drawn(diffusion)]
    return layer_stack(folder / "a1", before), layer_stack(folder / "b1", after)


def measured(before: LayerStack, after: LayerStack, *, um: float = 2.0, threads: int = 1):
    settings = OverlaySettings(max_shift_um=um)
    return measure_overlay(before, after, SAME, settings=settings, threads=threads)


def test_shift_and_growth_that_were_put_in_are_measured(stacks) -> None:
    overlay = measured(*stacks)
    assert overlay.um_per_px == UM_PER_PX
    metal, poly, same = (overlay.layers[name] for name in LAYERS)
    # 0.1 px: linear in the shift, which the second pass has made small
    assert (metal.dx_px, metal.dy_px) == pytest.approx((0.6, -0.4), abs=0.1)
    assert metal.grow_px == pytest.approx(0, abs=0.15)  # corners are not straight edges
    assert (poly.dx_px, poly.dy_px) == pytest.approx((0, 0), abs=0.1)  # as above
    assert poly.grow_px == pytest.approx(0.5, abs=0.15)  # corners, as above
    # the same bytes leave nothing to measure but rounding
    assert (same.dx_px, same.dy_px, same.grow_px) == pytest.approx((0, 0, 0), abs=1e-6)
    assert metal.patches == 12  # 4 x 3 of 192 px, all with edges


@pytest.mark.parametrize("own", [True, False])
def test_edges_that_two_layers_share_do_not_tell_where_one_lies(tmp_path: Path, own: bool) -> None:
    boxes = shapes(1)
    joined, single = boxes[::2], boxes[1::2] if own else boxes[:0]

    def planes(metal: tuple[float, float], poly: tuple[float, float]) -> list[np.ndarray]:
        # where both end together, the labels of either end where the metal does
        both = drawn(joined, *metal)
        return [both, both | drawn(single, *poly), np.zeros(SHAPE, np.uint8)]

    before = layer_stack(tmp_path / "a1", planes((0, 0), (0, 0)))
    after = layer_stack(tmp_path / "b1", planes((0.6, -0.4), (-0.5, 0.5)))
    poly = measured(before, after).layers["polysilicon"]
    assert poly.shared is (not own)  # a plain bool, which JSON can write
    expected = (-0.5, 0.5) if own else (0.6, -0.4)
    assert (poly.dx_px, poly.dy_px) == pytest.approx(expected, abs=0.1)  # as above


def test_swapping_the_dies_changes_only_signs(stacks) -> None:
    there, back = measured(*stacks), measured(*reversed(stacks))
    for name in LAYERS:
        one, other = there.layers[name], back.layers[name]
        # each side is resampled once in one direction only: 0.02 px of the interpolation
        assert one.dx_px == pytest.approx(-other.dx_px, abs=0.02)
        assert one.dy_px == pytest.approx(-other.dy_px, abs=0.02)
        assert one.grow_px == pytest.approx(-other.grow_px, abs=0.02)


def test_a_shift_beyond_belief_is_capped(stacks) -> None:
    overlay = measured(*stacks, um=0.1)
    assert overlay.layers["metal"].dx_px == pytest.approx(0.2)  # 0.1 um at 0.5 um per px
    assert overlay.layers["metal"].dy_px == pytest.approx(-0.2)


def test_edges_under_another_layer_do_not_tell_how_wide_lines_on_bare_ground_are(
    tmp_path: Path,
) -> None:
    boxes = shapes(3)
    # two of five cells in each patch lie under polysilicon, where edges are told 0.6 px too far out
    under = (boxes[:, 0] % 200) < 75
    poly = drawn(np.array([(x, -9, x + 80, SHAPE[0] + 9) for x in range(0, SHAPE[1], 200)], float))
    none = np.zeros(SHAPE, np.uint8)

    def planes(grow: float) -> list[np.ndarray]:
        return [none, poly, drawn(boxes[under], grow=grow) | drawn(boxes[~under])]

    stacks = [layer_stack(tmp_path / f"{n}1", planes(0.6 * n)) for n in (0, 1)]
    diffusion = measured(*stacks).layers["diffusion"]
    assert diffusion.patches >= 8
    assert diffusion.grow_px == pytest.approx(0, abs=0.01)  # 0.28 by all edges


def test_a_layer_that_cannot_be_seen_is_not_measured(stacks, tmp_path: Path) -> None:
    planes = [drawn(shapes(seed)) for seed in (1, 2, 3)]
    overlay = measured(stacks[0], layer_stack(tmp_path / "c1", planes, hidden=1))
    assert overlay.layers["polysilicon"] == LayerOverlay()
    assert overlay.layers["metal"].patches >= 8


def test_the_number_of_threads_does_not_matter(stacks) -> None:
    assert measured(*stacks, threads=2) == measured(*stacks)


@pytest.mark.parametrize("um_per_px", [0.37, None])
def test_overlay_reads_back(tmp_path: Path, um_per_px: float | None) -> None:
    written = Overlay(
        {"metal": LayerOverlay(0.6, -0.4, 0.125, 12, 0.03, True), "contact": LayerOverlay()},
        um_per_px,
    )
    written.write(tmp_path / "overlay.json")
    read = Overlay.read(tmp_path / "overlay.json")
    assert read.um_per_px == um_per_px
    assert set(read.layers) == {"metal", "contact"}
    assert read.layers["contact"] == LayerOverlay()
    metal = read.layers["metal"]
    assert (metal.patches, metal.shared) == (12, True)
    # five decimals of a um
    found = (metal.dx_px, metal.dy_px, metal.grow_px, metal.sd_px)
    assert found == pytest.approx((0.6, -0.4, 0.125, 0.03), abs=2e-5)
