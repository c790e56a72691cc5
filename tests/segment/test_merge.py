"""Merging two views: what one hides comes from the other, and contradictions are not believed."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from maskdelta.images import Raster, write_raster
from maskdelta.register import ErrorMap
from maskdelta.segment import SegmentedView, merge_views
from maskdelta.segment._merge import Told, merge_told
from maskdelta.study import LayerStack, Registration, SegmentSettings, write_json

SHAPE = (60, 80)
REACH = 2


def told(
    present: np.ndarray, seen: np.ndarray | None = None, confidence: int | np.ndarray = 240
) -> Told:
    everywhere = np.ones(present.shape, bool)
    return Told(
        present.astype(np.uint8) * 255,
        everywhere if seen is None else seen,
        np.broadcast_to(np.asarray(confidence, np.uint8), present.shape),
    )


def box(x0: int, y0: int, x1: int, y1: int, shape: tuple[int, int] = SHAPE) -> np.ndarray:
    mask = np.zeros(shape, bool)
    mask[y0:y1, x0:x1] = True
    return mask


LINE = box(0, 20, 80, 30)
METAL = box(30, 0, 50, 60)


def test_what_the_first_hides_comes_from_the_second() -> None:
    first = told(LINE & ~METAL, ~METAL)
    merged = merge_told(first, told(LINE, confidence=200), reach_px=REACH)
    np.testing.assert_array_equal(merged.both.told, True)
    np.testing.assert_array_equal(merged.both.present, LINE)
    np.testing.assert_array_equal(merged.second, METAL)
    np.testing.assert_array_equal(merged.both.confidence[METAL], 200)
    np.testing.assert_array_equal(merged.both.confidence[~METAL], 240)
    assert not merged.at_odds.any()


def test_what_neither_shows_stays_untold() -> None:
    dirt = box(35, 15, 45, 35)
    merged = merge_told(told(LINE & ~METAL, ~METAL), told(LINE, ~dirt), reach_px=REACH)
    np.testing.assert_array_equal(merged.both.told, ~(METAL & dirt))


@pytest.mark.parametrize("swapped", [False, True])
@pytest.mark.parametrize("odd", ["speck", "hole", "lost end"])
def test_a_contradiction_is_not_believed(odd: str, swapped: bool) -> None:
    place = {
        "speck": box(60, 40, 66, 46),
        "hole": box(60, 21, 66, 29),
        "lost end": box(70, 20, 80, 30),
    }[odd]
    other = LINE | place if odd == "speck" else LINE & ~place
    sides = (told(LINE), told(other, confidence=255))
    merged = merge_told(*sides[:: -1 if swapped else 1], reach_px=REACH)
    # grown by the reach, a contradiction fills what differs, and nothing else
    np.testing.assert_array_equal(merged.at_odds, other != LINE)
    assert not merged.both.told[merged.at_odds].any()
    assert not merged.both.confidence[merged.at_odds].any()
    np.testing.assert_array_equal(merged.both.present, LINE & other)


def test_outlines_within_reach_are_one_and_stay_those_of_the_first() -> None:
    moved = np.roll(LINE, REACH, axis=0)
    merged = merge_told(told(LINE), told(moved, confidence=255), reach_px=REACH)
    assert not merged.at_odds.any()
    np.testing.assert_array_equal(merged.both.present, LINE)
    # farther off it is another line
    far = np.roll(LINE, 2 * REACH + 1, axis=0)
    assert merge_told(told(LINE), told(far), reach_px=REACH).at_odds.any()


def test_off_outlines_the_more_confident_counts() -> None:
    block = box(20, 10, 60, 50)
    sure = np.where(box(0, 0, 40, 60), 250, 100).astype(np.uint8)
    merged = merge_told(told(block, confidence=180), told(block, confidence=sure), reach_px=REACH)
    assert merged.second[30, 30]
    assert merged.both.confidence[30, 30] == 250
    assert not merged.second[30, 50]
    assert merged.both.confidence[30, 50] == 180
    assert not merged.second[11, 30]  # beside the outline


def test_a_contradiction_needs_both_to_see() -> None:
    """What may lie under the metal of the first is no contradiction of what lies beside it."""
    first = told(LINE & box(0, 0, 30, 60), ~METAL)
    second = told(LINE & box(0, 0, 33, 60))
    assert not merge_told(first, second, reach_px=REACH).at_odds.any()


# --- files ----------------------------------------------------------------------------------------

LAYERS = ("diffusion", "contact", "metal")
SIZE = (700, 900)
ORIGIN = (512, -512)
# the further view is turned by a quarter: its px (x, y) is px (y, 699 - x) of the main picture
TURN = np.array([[0.0, 1.0, ORIGIN[0]], [-1.0, 0.0, 699.0 + ORIGIN[1]]])


def write_view(
    folder: Path,
    present: dict[str, np.ndarray],
    seen: dict[str, np.ndarray],
    *,
    label: np.ndarray | None = None,
    confidence: int = 240,
    origin: tuple[int, int] = (0, 0),
    unmarked: tuple[str, ...] = (),
) -> LayerStack:
    """Layer files of a view, as `segment` writes them."""
    layers = LayerStack(folder)
    shape = next(iter(present.values())).shape
    stacks = {
        layers.membership: (np.stack([present[n] for n in LAYERS]) * np.uint8(255), LAYERS),
        layers.visible: (np.stack([seen[n] for n in LAYERS]) * np.uint8(255), LAYERS),
        layers.inferred: (np.stack([~seen[n] for n in LAYERS]) * np.uint8(255), LAYERS),
        layers.confidence: (np.full((1, *shape), confidence, np.uint8), ("confidence",)),
        layers.labels: (np.zeros((1, *shape), np.uint8) if label is None else label, ("label",)),
    }
    for path, (planes, names) in stacks.items():
        write_raster(
            path,
            lambda b, planes=planes: planes[:, b.y0 : b.y1, b.x0 : b.x1],
            shape=shape,
            dtype=np.uint8,
            planes=names,
            origin=origin,
            reduce="nearest",
        )
    write_json(
        layers.summary,
        {"die": "a1", "layers": list(LAYERS), "not_covered_by_swatches": list(unmarked)},
    )
    return layers


def turned(mask: np.ndarray) -> np.ndarray:
    """A mask of the main picture in the frame of the further view."""
    return np.ascontiguousarray(np.rot90(mask, -1))


class Views:
    """A die with lines of diffusion that cross lines of metal, in two views on disk."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.diffusion, self.metal, self.contact = (np.zeros(SIZE, bool) for _ in range(3))
        for y in range(40, 660, 40):
            self.diffusion[y : y + 12] = True
        for x in range(40, 860, 60):
            self.metal[:, x : x + 20] = True
            self.contact[40:660:40, x + 6 : x + 14] = True
        self.dirt = box(300, 200, 340, 240, SIZE)
        self.label = np.zeros((1, *SIZE), np.uint8)
        self.label[0, :, 880:] = 255  # never photographed in the main view
        self.photographed = self.label[0] == 0
        seen = dict.fromkeys(LAYERS, self.photographed & ~self.dirt)
        seen |= {"diffusion": seen["metal"] & ~self.metal}
        self.seen = seen
        everything = {"diffusion": self.diffusion, "metal": self.metal, "contact": self.contact}
        self.main = SegmentedView(
            "top",
            write_view(
                folder / "top",
                {k: v & seen[k] for k, v in everything.items()},
                seen,
                label=self.label,
                origin=ORIGIN,
            ),
        )

    def bare(self, **more: object) -> SegmentedView:
        """The view without metal; it sees nothing of the contacts but specks elsewhere."""
        wrong = np.roll(self.contact, 12, axis=1) if "contact" in more else self.contact
        present = {"diffusion": self.diffusion, "metal": self.metal & False, "contact": wrong}
        present = {k: turned(v) for k, v in present.items()}
        seen = {k: np.ones_like(v) for k, v in present.items()}
        layers = write_view(
            self.folder / "bare", present, seen, confidence=200, unmarked=("metal",)
        )
        error = np.full((11, 15), 0.5)
        error[:, 10:] = more.get("far", 0.5)  # px of the main view from x 640 on
        with Raster.open(self.main.layers.labels) as raster:
            box = raster.box
        registration = Registration(
            "a1",
            "a1",
            TURN,
            figures={"left_out_p95_px": 0.6, "patches_tried": 90, "patches_agree": 70},
            refused=tuple(more.get("refused", ())),
        )
        stripped = more.get("stripped", ())
        return SegmentedView("bare", layers, stripped, registration, ErrorMap(box, 64, error))

    def merge(self, *further: SegmentedView, name: str = "merged", **more: object):
        figures = merge_views(
            "a1", self.main, further, self.folder / name, settings=SegmentSettings(), **more
        )
        return figures, LayerStack(self.folder / name)


def pixels(path: Path) -> np.ndarray:
    with Raster.open(path) as raster:
        assert raster.origin == ORIGIN
        return raster.read_level(0)


@pytest.fixture(scope="module")
def views(tmp_path_factory) -> Views:
    return Views(tmp_path_factory.mktemp("views"))


def test_diffusion_under_metal_and_dirt_comes_from_the_bare_view(views: Views) -> None:
    figures, layers = views.merge(views.bare())
    seen, present = pixels(layers.visible), pixels(layers.membership) > 127
    inner = np.zeros(SIZE, bool)
    inner[1:-1, 1:-1] = True  # at the rim of the bare picture there is nothing to blend with
    np.testing.assert_array_equal(seen[0][inner] == 255, views.photographed[inner])
    there = inner & views.photographed
    np.testing.assert_array_equal(present[0][there], views.diffusion[there])
    # a view that has no swatch of metal says nothing of it
    np.testing.assert_array_equal(seen[2] == 255, views.seen["metal"])
    np.testing.assert_array_equal(pixels(layers.labels), views.label)
    inferred = pixels(layers.inferred)
    assert not (inferred & seen).any()
    hidden = views.metal[there].mean()
    shares = figures["merged"]["layers"]["diffusion"]
    assert shares["from"]["bare"] == pytest.approx((views.metal | views.dirt)[there].mean(), 0.02)
    assert shares["from"]["top"] == pytest.approx(1 - hidden, 0.02)
    assert shares["hidden_frac"] < 0.005
    assert shares["at_odds_frac"] == 0
    assert shares["shown"]["top"] == pytest.approx(shares["from"]["top"], 0.02)
    assert shares["shown"]["bare"] > 0.98
    # the photograph to look at is the one that shows more of the layer
    assert figures["merged"]["seen_in"] == {"diffusion": "bare"}
    assert figures["not_covered_by_swatches"] == []
    # a px is as sure as the view that is least sure of a layer taken from it
    sure = pixels(layers.confidence)[0]
    assert (sure[views.metal & there] == 200).all()
    assert (sure[~views.metal & ~views.dirt & there] == 240).all()


def test_nothing_is_taken_where_the_registration_does_not_reach(views: Views) -> None:
    _, layers = views.merge(views.bare(far=9.0), name="far")
    seen = pixels(layers.visible)[0] == 255
    np.testing.assert_array_equal(seen[:, 640:], views.seen["diffusion"][:, 640:])
    assert seen[1:-1, :640].all()


def test_a_refused_view_is_left_out_with_a_sentence(views: Views) -> None:
    figures, layers = views.merge(views.bare(refused=["too few patches"]), name="refused")
    assert figures["merged"]["views"][1]["why"] == (
        "a1: the view bare could not be laid over the view top (too few patches), so nothing was "
        "taken from it."
    )
    for mine, main in zip(
        (layers.membership, layers.visible, layers.confidence, layers.labels),
        (
            views.main.layers.membership,
            views.main.layers.visible,
            views.main.layers.confidence,
            views.main.layers.labels,
        ),
        strict=True,
    ):
        np.testing.assert_array_equal(pixels(mine), pixels(main))


def test_a_view_that_contradicts_the_main_one_all_over_is_not_asked(views: Views) -> None:
    figures, layers = views.merge(views.bare(contact="elsewhere"), name="odd")
    record = figures["merged"]["views"][1]
    assert list(record["distrusted"]) == ["contact"]
    assert record["distrusted"]["contact"] > 0.9
    assert record["told"] == ["diffusion"]
    present, seen = pixels(layers.membership)[1] > 127, pixels(layers.visible)[1] == 255
    np.testing.assert_array_equal(seen, views.seen["contact"])
    np.testing.assert_array_equal(present, views.contact & views.seen["contact"])


def test_a_stripped_layer_cannot_be_told(views: Views) -> None:
    main = SegmentedView("top", views.main.layers, ("contact",))
    figures = merge_views("a1", main, [], views.folder / "alone", settings=SegmentSettings())
    assert not pixels(LayerStack(views.folder / "alone").visible)[1].any()
    assert figures["merged"]["layers"]["contact"]["hidden_frac"] == 1
    _, layers = views.merge(views.bare(stripped=("contact",)), name="stripped")
    np.testing.assert_array_equal(pixels(layers.visible)[1] == 255, views.seen["contact"])


def test_blocks_and_threads_leave_no_trace(views: Views) -> None:
    bare = views.bare()
    whole, once = views.merge(bare, name="whole")
    parts, blocks = views.merge(bare, name="blocks", block_px=512, threads=2)
    assert json.dumps(whole) == json.dumps(parts)
    for name in ("membership", "visible", "inferred", "confidence", "labels"):
        one, other = getattr(once, name), getattr(blocks, name)
        np.testing.assert_array_equal(pixels(one), pixels(other))
