"""Registration: a known map is found again, redrawn parts do not bend it, doubt is said so."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from shapely import LineString

from maskdelta.errors import RegistrationRefused
from maskdelta.images import Box, Raster, write_raster
from maskdelta.register import ErrorMap, Registered, Side, register
from maskdelta.register._blocks import common_shift
from maskdelta.register._control import in_strips, measure
from maskdelta.register._cracks import split
from maskdelta.register._features import FeatureMatch
from maskdelta.register._find_crack import lost_part, trace_crack
from maskdelta.register._fit import Plane
from maskdelta.register._pair import Pair
from maskdelta.register._spectrum import match_spectra
from maskdelta.register._verify import Verified, verify
from maskdelta.study import (
    RegisterSettings,
    Registration,
    apply_affine,
    invert_affine,
    read_table,
)

HEIGHT, WIDTH = 900, 1200
BEFORE_AT, AFTER_AT = (7, -12), (-30, 21)
# the default spacing is for dies of thousands of px
SETTINGS = RegisterSettings(spacing_px=80, patch_px=64, feature_px=1300)
BLOCK = (420, 330, 660, 570)  # x0, y0, x1, y1 in the picture before


def manhattan(seed: int, *, shape: tuple[int, int] = (HEIGHT, WIDTH)) -> np.ndarray:
    rng = np.random.default_rng(seed)
    image = np.full((*shape, 3), (70, 90, 110), np.uint8)
    for _ in range(900):
        x, y = rng.integers(0, shape[1]), rng.integers(0, shape[0])
        long, short = rng.integers(20, 120), rng.integers(6, 24)
        w, h = (long, short) if rng.random() < 0.5 else (short, long)
        image[y : y + h, x : x + w] = rng.integers(30, 226, 3)
    return cv2.GaussianBlur(image, (0, 0), 1.2)


def known_map() -> tuple[np.ndarray, tuple[int, int]]:
    """Map of array px before -> after (turn 92 deg, mirror, scale 0.85); size (w, h) after."""
    turn = np.deg2rad(92)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    linear = 0.85 * rotation @ np.diag([-1.0, 1.0])
    corners = np.array([[0, 0], [WIDTH, 0], [WIDTH, HEIGHT], [0, HEIGHT]], float) @ linear.T
    shift = 6.3 - corners.min(0)
    size = np.ceil(np.ptp(corners, axis=0) + 12).astype(int)
    return np.column_stack([linear, shift]), (int(size[0]), int(size[1]))


MATRIX, SIZE = known_map()


def photographed(image: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The picture under the known map in other colours, and where it shows anything."""
    moved = cv2.warpAffine(image, MATRIX, SIZE, flags=cv2.INTER_CUBIC)
    covered = cv2.warpAffine(np.full(image.shape[:2], 255, np.uint8), MATRIX, SIZE) == 255
    coloured = np.clip(moved[..., ::-1] * np.array([0.8, 0.95, 0.7]) + 12, 0, 255)
    return np.where(covered[..., None], coloured, 0).astype(np.uint8), covered


def move_block(image: np.ndarray, dx: int) -> np.ndarray:
    x0, y0, x1, y1 = BLOCK
    out = image.copy()
    out[y0:y1, x0 + dx : x1 + dx] = image[y0:y1, x0:x1]
    return out


def truth(points: np.ndarray) -> np.ndarray:
    """Places after of points before, both in their mosaic frames."""
    return apply_affine(MATRIX, points - BEFORE_AT) + AFTER_AT


def grid() -> np.ndarray:
    x, y = np.meshgrid(np.arange(60, WIDTH - 50, 30), np.arange(60, HEIGHT - 50, 30))
    return np.column_stack([x.ravel(), y.ravel()]) + np.array(BEFORE_AT, float)


def misses(registration: Registration, points: np.ndarray) -> np.ndarray:
    """Distance in px of the mosaic before."""
    return np.hypot(*(registration.after_to_before(truth(points)) - points).T)


def rms(values: np.ndarray) -> float:
    return float(np.sqrt((values**2).mean()))


class Table:
    """Writes pictures as mosaics and keeps them open."""

    def __init__(self, folder: Path, stack: ExitStack) -> None:
        self._folder, self._stack, self._count = folder, stack, 0

    def side(
        self, image: np.ndarray, origin: tuple[int, int], covered: np.ndarray | None = None
    ) -> Side:
        self._count += 1
        if covered is None:
            covered = np.ones(image.shape[:2], bool)
        tile = covered.astype(np.uint16)[None]
        shape = (image.shape[0], image.shape[1])
        mosaic, coverage = (self._folder / f"{n}{self._count}.tif" for n in ("mosaic", "coverage"))
        write_raster(
            mosaic,
            lambda b: image[b.y0 : b.y1, b.x0 : b.x1],
            shape=shape,
            dtype=np.uint8,
            origin=origin,
        )
        write_raster(
            coverage,
            lambda b: tile[:, b.y0 : b.y1, b.x0 : b.x1],
            shape=shape,
            dtype=np.uint16,
            planes=("tile",),
            origin=origin,
            reduce="nearest",
        )
        opened = [self._stack.enter_context(Raster.open(path)) for path in (mosaic, coverage)]
        return Side(*opened)


@pytest.fixture(scope="module")
def table(tmp_path_factory) -> Iterator[Table]:
    with ExitStack() as stack:
        yield Table(tmp_path_factory.mktemp("mosaics"), stack)


@pytest.fixture(scope="module")
def before(table: Table) -> Side:
    return table.side(manhattan(1), BEFORE_AT)


@pytest.fixture(scope="module")
def after(table: Table) -> Side:
    image, covered = photographed(manhattan(1))
    return table.side(image, AFTER_AT, covered)


def run(before: Side, after: Side, **more) -> Registered:
    return register(before, after, names=("a1", "b1"), settings=SETTINGS, **more)


@pytest.fixture(scope="module")
def plain(before: Side, after: Side) -> Registered:
    return run(before, after)


def test_a_turned_mirrored_reduced_recoloured_picture_is_laid_over(plain: Registered) -> None:
    registration = plain.registration
    assert registration.trusted, registration.refused
    assert registration.mirror
    # one 12th px of the parabola at each of some 100 patches, and cv2's 1/32 px steps
    assert rms(misses(registration, grid())) < 0.15
    assert registration.scale_after_to_before == pytest.approx(1 / 0.85, rel=1e-4)  # 0.1 px in 1200


def test_a_picture_taken_askew_is_laid_over(table: Table, before: Side) -> None:
    image = manhattan(1)
    bend = np.array([[1.0, 0, 0], [0, 1, 0], [1.5e-5, 1e-5, 1]])  # 1.8 and 0.9 % from edge to edge
    askew = bend @ np.vstack([MATRIX, [0, 0, 1]])
    moved = cv2.warpPerspective(image, askew, SIZE, flags=cv2.INTER_CUBIC)
    covered = cv2.warpPerspective(np.full(image.shape[:2], 255, np.uint8), askew, SIZE) == 255
    side = table.side(np.where(covered[..., None], moved, 0).astype(np.uint8), AFTER_AT, covered)
    registration = run(before, side).registration
    assert registration.trusted, registration.refused
    assert registration.figures["keystone_px"] > 2
    there = cv2.perspectiveTransform((grid() - BEFORE_AT)[None], askew)[0] + AFTER_AT
    back = registration.after_to_before(there)
    assert rms(np.hypot(*(back - grid()).T)) < 0.2  # 0.15 of the plain case, two more unknowns
    np.testing.assert_allclose(registration.before_to_after(back), there, atol=1e-3)


def test_both_directions_of_the_map_agree(plain: Registered) -> None:
    there = plain.registration.before_to_after(grid())
    back = plain.registration.after_to_before(there)
    np.testing.assert_allclose(back, grid(), atol=1e-3)  # a fixed-point iteration that contracts


def test_the_error_map_covers_the_true_error(plain: Registered) -> None:
    inside = misses(plain.registration, grid()) <= plain.error.at(grid())
    assert inside.mean() >= 0.95  # it is a 95 % radius


def test_the_number_of_threads_does_not_matter(
    before: Side, after: Side, plain: Registered
) -> None:
    again = run(before, after, threads=2)
    np.testing.assert_array_equal(
        again.registration.affine_after_to_before, plain.registration.affine_after_to_before
    )
    assert again.registration.figures == plain.registration.figures
    assert again.residuals == plain.residuals


def test_what_is_written_reads_back(plain: Registered, tmp_path: Path) -> None:
    plain.write(tmp_path)
    read = Registration.read(tmp_path / "registration.json")
    # written with ten decimals, over 1200 px
    np.testing.assert_allclose(
        read.after_to_before(truth(grid())),
        plain.registration.after_to_before(truth(grid())),
        atol=1e-4,
    )
    assert len(read_table(tmp_path / "residuals.csv", "residuals")) == len(plain.residuals)


def with_moved_block(table: Table, before: Side, dx: int) -> Registration:
    image, covered = photographed(move_block(manhattan(1), dx))
    return run(before, table.side(image, AFTER_AT, covered)).registration


@pytest.fixture(scope="module")
def moved_by_8(table: Table, before: Side) -> Registration:
    return with_moved_block(table, before, 8)


def test_a_moved_block_does_not_bend_the_rest(moved_by_8: Registration) -> None:
    assert moved_by_8.trusted, moved_by_8.refused
    x0, y0, x1, y1 = np.array(BLOCK) + np.tile(BEFORE_AT, 2)
    points = grid()
    x, y = points.T
    # half a patch and the 8 px: farther away no patch saw the block
    away = (x < x0 - 40) | (x > x1 + 40) | (y < y0 - 40) | (y > y1 + 40)
    # a warp that followed the block would bend the rest by px
    assert rms(misses(moved_by_8, points[away])) < 0.3


def check_group(registration: Registration, dx: int) -> None:
    x0, y0, x1, y1 = np.array(BLOCK) + np.tile(BEFORE_AT, 2)
    assert registration.groups
    group = max(registration.groups, key=lambda g: g["points"])
    assert x0 <= (group["x0_px"] + group["x1_px"]) / 2 <= x1 + dx
    assert y0 <= (group["y0_px"] + group["y1_px"]) / 2 <= y1
    # moved to the right after: such a place was farther left before. Patches at the border of the
    # block see some of what did not move, and the median of nine patches holds several of them
    assert group["dx_px"] == pytest.approx(-dx, abs=0.6)
    assert group["dy_px"] == pytest.approx(0, abs=0.2)  # as above, but nothing moved that way


def test_a_block_moved_by_4_px_is_named(table: Table, before: Side) -> None:
    check_group(with_moved_block(table, before, 4), 4)


def test_a_block_moved_by_8_px_is_named(moved_by_8: Registration) -> None:
    check_group(moved_by_8, 8)


def test_unrelated_pictures_are_refused(table: Table) -> None:
    small = (450, 600)  # every hypothesis is tried on every level: a large picture takes long
    before, after = (table.side(manhattan(seed, shape=small), BEFORE_AT) for seed in (3, 4))
    found = run(before, after)
    assert not found.registration.trusted
    assert all("mark three point pairs" in reason for reason in found.registration.refused)
    with pytest.raises(RegistrationRefused, match="a1--b1"):
        found.registration.before_to_after(grid())
    assert not found.residuals


def test_dies_that_share_a_block_are_refused_unless_a_person_knows_better(table: Table) -> None:
    small = (450, 600)
    first, second = (manhattan(seed, shape=small) for seed in (5, 6))
    second[100:320, 100:340] = first[100:320, 100:340]  # a third of what patches see
    before, after = (table.side(image, BEFORE_AT) for image in (first, second))
    alone = run(before, after).registration
    assert not alone.trusted
    assert "the dies may be unrelated" in alone.refused[0]
    corners = np.array([[110, 110], [330, 110], [330, 310], [110, 310]], float) + BEFORE_AT
    told = run(before, after, point_pairs=(corners, corners)).registration
    assert told.trusted, told.refused
    # the mean of some ten patches of a tenth of a px each, at the corners of the block
    np.testing.assert_allclose(told.after_to_before(corners), corners, atol=0.3)


def test_point_pairs_take_the_place_of_features(
    before: Side, after: Side, plain: Registered
) -> None:
    places = np.array([[150, 140], [1050, 180], [600, 780], [200, 700]], float)
    clicks = truth(places) + np.array([[1.5, -1], [-1, 1], [0.5, 1.5], [-1, -1.5]])
    found = run(before, after, point_pairs=(places, clicks))
    assert found.registration.trusted, found.registration.refused
    assert found.registration.mirror
    assert found.registration.figures["features"]["kind"] == "point pairs"
    # as without them: patches refine what a person clicked a px or two off
    assert rms(misses(found.registration, grid())) < 0.15


def test_wrong_point_pairs_are_refused(before: Side, after: Side) -> None:
    places = np.array([[150, 140], [1050, 180], [600, 780]], float)
    found = run(before, after, point_pairs=(places, truth(places[::-1])))
    assert not found.registration.trusted


def under_metal(image: np.ndarray, seed: int) -> np.ndarray:
    """The picture with wide lines of metal over it, through which nothing shows."""
    rng = np.random.default_rng(seed)
    metal = np.zeros(image.shape[:2], np.uint8)
    for _ in range(140):
        x, y = rng.integers(0, image.shape[1]), rng.integers(0, image.shape[0])
        long, short = rng.integers(60, 300), rng.integers(14, 30)
        w, h = (long, short) if rng.random() < 0.5 else (short, long)
        metal[y : y + h, x : x + w] = 1
    assert 0.3 < metal.mean() < 0.6
    cover = cv2.GaussianBlur(metal.astype(np.float32), (0, 0), 1.2)[..., None]
    return (image * (1 - cover) + np.array([235, 230, 215]) * cover).astype(np.uint8)


def test_spectra_find_the_turn_scale_and_mirror(table: Table, after: Side) -> None:
    metal = table.side(under_metal(manhattan(1), 8), BEFORE_AT)
    guesses = match_spectra(Pair(metal, after, SETTINGS))
    off = [
        np.hypot(*(apply_affine(g.affine_after_to_before, truth(grid())) - grid()).T).max()
        for g in guesses
    ]
    best = int(np.argmin(off))
    assert guesses[best].mirror
    # a quarter of a degree and 0.6 % at the corners, 750 px away, and a px of the square
    assert off[best] < 10


def test_a_view_stripped_of_its_metal_is_laid_over(table: Table, after: Side) -> None:
    registration = run(table.side(under_metal(manhattan(1), 8), BEFORE_AT), after).registration
    assert registration.trusted, registration.refused
    assert rms(misses(registration, grid())) < 0.3  # half of the outlines are covered


def test_a_straight_edge_is_no_control_point(table: Table, rng) -> None:
    """It fits anywhere along itself, with a correlation as high as any."""
    image = np.full((300, 300, 3), 60, np.uint8)
    image[:, 150:] = 180
    sides = []
    for _ in range(2):
        grain = rng.normal(0, 2, image.shape)
        sides.append(
            table.side(cv2.GaussianBlur(image, (0, 0), 1) + grain.astype(np.uint8), (0, 0))
        )
    options = {"patch_px": 64, "search_px": 10}
    points = np.array([[150.0, 150]])
    found = measure(*sides, points, lambda p: p, **options)
    assert (len(found), found.tried) == (0, 0)
    for side in range(2):  # with a corner it is one
        corner = image.copy()
        corner[:160, 150:] = 60
        sides[side] = table.side(cv2.GaussianBlur(corner, (0, 0), 1), (0, 0))
    found = measure(*sides, points, lambda p: p, **options)
    assert (len(found), found.tried) == (1, 1)
    np.testing.assert_allclose(found.after_px, points, atol=0.05)


def test_the_shift_of_a_block_is_that_of_most_of_its_points(rng) -> None:
    moved = np.array([[-8.0, 1.0]]) + rng.normal(0, 0.1, (6, 2))
    strays = rng.uniform(-30, 30, (5, 2))
    np.testing.assert_allclose(common_shift(np.vstack([strays, moved])), [-8, 1], atol=0.2)


CRACK = np.array([[560.0, 0.0], [600, 420], [640, 899]])  # array px before, from edge to edge


def torn_off() -> np.ndarray:
    """Map of array px before -> after of what lies right of the crack.

    Moved by 40 px (20 um at the usual half um a px) along x, with 6 more along y, and turned by
    half a degree about the middle.
    """
    turn = np.deg2rad(0.5)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    middle = np.array([600.0, 450.0])
    moved = np.column_stack([rotation, middle - rotation @ middle + [40, 6]])
    return MATRIX[:, :2] @ moved + np.column_stack([np.zeros((2, 2)), MATRIX[:, 2]])


@pytest.fixture(scope="module")
def cracked(table: Table) -> tuple[Side, LineString]:
    """A die that broke before it was photographed, and the crack as a person marks it."""
    image = manhattan(1)
    left = np.zeros((HEIGHT, WIDTH), np.uint8)
    outline = np.vstack([[[0, 0]], CRACK, [[0, HEIGHT]]]).astype(np.int32)
    cv2.fillPoly(left, [outline], 255)
    size = (SIZE[0], SIZE[1] + 60)
    room = np.array([[0.0, 0, 0], [0, 0, 45]])  # the torn-off part goes up in the picture after
    picture, covered = np.zeros((*size[::-1], 3), np.uint8), np.zeros(size[::-1], bool)
    for part, matrix in ((left, MATRIX), (255 - left, torn_off())):
        here = cv2.warpAffine(part, matrix + room, size) == 255
        picture[here] = cv2.warpAffine(image, matrix + room, size, flags=cv2.INTER_CUBIC)[here]
        covered |= here
    # amid the gap, drawn roughly and not quite to the edges
    line = np.mean([apply_affine(m + room, CRACK) for m in (MATRIX, torn_off())], axis=0)
    line[[0, -1]] += 0.05 * (line[1] - line[[0, -1]])
    marked = LineString(line + AFTER_AT + np.array([[1, 2], [-2, 1], [2, -1]]))
    return table.side(picture, AFTER_AT, covered), marked


def where_after(points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Places on the cracked die of points before, and which are torn off."""
    at = points - BEFORE_AT
    torn = at[:, 0] > np.interp(at[:, 1], CRACK[:, 1], CRACK[:, 0])
    both = [apply_affine(m, at) + [0, 45] + AFTER_AT for m in (MATRIX, torn_off())]
    return np.where(torn[:, None], both[1], both[0]), torn


@pytest.mark.parametrize("marked", [True, False])
def test_a_cracked_die_is_laid_over_piece_by_piece(
    before: Side, cracked: tuple[Side, LineString], tmp_path: Path, marked: bool
) -> None:
    side, line = cracked
    found = run(before, side, **({"cracks": ((), (line,))} if marked else {}))
    registration = found.registration
    assert registration.trusted, registration.refused
    assert len(registration.fragments) == 2
    assert len(registration.figures.get("cracks", [])) == (not marked)
    found.write(tmp_path)
    read = Registration.read(tmp_path / "registration.json")
    points = grid()
    there, torn = where_after(points)
    miss = np.hypot(*(read.after_to_before(there) - points).T)
    # a found crack is right to a patch
    off = np.abs(points[:, 0] - BEFORE_AT[0] - np.interp(points[:, 1], CRACK[:, 1], CRACK[:, 0]))
    sure = off > (0 if marked else 40)
    for part in (torn & sure, ~torn & sure):
        assert rms(miss[part]) < 0.3  # twice the plain case: half of the patches each
    assert miss[sure].max() < 0.5 + 0.3  # half a px, and the corners, where no patch lies
    clear = np.abs(points[:, 0] - BEFORE_AT[0] - 600) > 100
    np.testing.assert_allclose(read.before_to_after(points)[clear], there[clear], atol=0.8)
    # beside the crack nothing is promised
    at_crack = np.array([[600.0, 420.0]]) + BEFORE_AT
    assert found.error.at(at_crack)[0] > 10 * np.median(found.error.radius_px)
    assert (miss <= found.error.at(points)).mean() >= 0.95


def full_map(matrix: np.ndarray) -> FeatureMatch:
    """A map of array px before -> after as a first guess between the mosaics."""
    x, y = BEFORE_AT
    there = np.column_stack([matrix[:, :2], matrix[:, 2] + AFTER_AT + np.array([0, 45])])
    there[:, 2] -= there[:, :2] @ [x, y]
    return FeatureMatch(invert_affine(there), True, 90, 100, 0.5, "brightness")


def test_a_crack_that_nobody_marked_is_traced(
    before: Side, cracked: tuple[Side, LineString]
) -> None:
    settings = RegisterSettings(spacing_px=80, patch_px=32, feature_px=1300)
    pair = Pair(before, cracked[0], settings)
    (main,) = verify(pair, [full_map(MATRIX)])
    lost = lost_part(pair, main)
    assert lost is not None
    assert lost.before.area.area == pytest.approx((WIDTH / 2) * HEIGHT, rel=0.15)
    (other,) = verify(lost, [full_map(torn_off())])
    found = trace_crack(pair, main, other)
    assert found is not None
    course = np.array(found.before.coords) - BEFORE_AT
    inside = (course[:, 1] > 0) & (course[:, 1] < HEIGHT)
    off = course[inside, 0] - np.interp(course[inside, 1], CRACK[:, 1], CRACK[:, 0])
    assert np.abs(off).max() < 40  # a patch and what is hidden beside the crack
    assert abs(found.turned_deg) == pytest.approx(0.5, abs=0.05)
    assert np.hypot(*found.moved_px) == pytest.approx(np.hypot(40, 6), abs=3)
    # the same map twice is no crack, nor is a copy far away
    assert trace_crack(pair, main, replace(other, plane=main.plane)) is None
    far = replace(other, plane=Plane.of(main.plane.affine + [[0, 0, 300], [0, 0, 0]]))
    assert trace_crack(pair, main, far) is None


@pytest.mark.parametrize(
    ("lost", "parted"),
    [
        (lambda x, y: x > 700, True),
        (lambda x, y: (x > 400) & (x < 700) & (y > 300) & (y < 600), False),  # a block redrawn
        (lambda x, y: (x + y) % 160 < 80, False),  # another die
        (lambda x, y: x > 2000, False),
    ],
)
def test_a_part_is_lost_where_a_line_parts_it_off(before: Side, lost, parted: bool) -> None:
    x, y = (v.ravel() for v in np.meshgrid(np.arange(40, 1200, 40.0), np.arange(40, 900, 40.0)))
    places = np.column_stack([x, y]) + BEFORE_AT
    agree = places[~lost(x, y)]
    found = Verified(full_map(MATRIX), Plane.of(MATRIX), agree, places, 0.0, 0.9)
    assert (lost_part(Pair(before, before, SETTINGS), found) is not None) == parted


@pytest.mark.parametrize(
    ("lines", "areas"),
    [
        ([], [1.0]),
        ([[(30, -5), (30, 50), (30, 105)]], [0.7, 0.3]),
        ([[(30, 10), (30, 50)]], [0.7, 0.3]),  # carried on to the edges
        # the second ends at the first, and is carried on to it, not beyond
        ([[(50, 0), (50, 100)], [(95, 40), (60, 40)]], [0.5, 0.3, 0.2]),
        ([[(0.2, 0), (0.2, 100)]], [0.998]),  # a sliver is no piece
    ],
)
def test_cracks_part_a_die(lines: list, areas: list[float]) -> None:
    pieces = split(Box(0, 0, 100, 100), [LineString(line) for line in lines])
    np.testing.assert_allclose([p.area / 1e4 for p in pieces], areas, atol=1e-6)


@pytest.mark.parametrize("origin", [(-128, 64), (7, -12)])
def test_the_error_map_reads_back(rng, tmp_path: Path, origin: tuple[int, int]) -> None:
    x, y = origin
    written = ErrorMap(Box(x, y, x + 320, y + 256), 64, rng.uniform(0, 9, (4, 5)))
    written.write(tmp_path / "error.tif")
    read = ErrorMap.read(tmp_path / "error.tif")
    assert (read.box, read.step_px) == (written.box, written.step_px)
    np.testing.assert_allclose(read.radius_px, written.radius_px, atol=6e-4)  # half of 0.001 px
    points = rng.uniform(0, 256, (50, 2)) + origin
    np.testing.assert_allclose(read.at(points), written.at(points), atol=6e-4)  # half of 0.001 px


def test_points_are_looked_at_in_strips(rng) -> None:
    points = rng.uniform(0, 5000, (200, 2))
    order = in_strips(points, wide_px=2000)
    assert sorted(order) == list(range(200))
    x, y = points[order].T
    assert (np.diff(x // 2000) >= 0).all()
    for strip in range(3):
        assert (np.diff(y[x // 2000 == strip]) >= 0).all()


def test_nothing_is_lost_where_nothing_was_looked_at(before: Side) -> None:
    none = np.zeros((0, 2))
    found = Verified(full_map(MATRIX), Plane.of(MATRIX), none, none, 0.0, 0.0)
    assert lost_part(Pair(before, before, SETTINGS), found) is None
