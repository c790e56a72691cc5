"""Reading arrays held against a mask ROM that somebody else's generator laid out.

Source
------
`openram==1.2.48` (BSD-3-Clause), see `generated_rom.py`. The layout is too small for a light
microscope: it is magnified so that a contact, 0.22 um, spans 8 px, that is 4 um and more, and
photographed by the phantom's camera. What the ROM must hold are the random bytes that were given
to the generator; how its rows and columns hold them is the generator's published arrangement.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from pathlib import Path

import gdstk
import numpy as np
import pytest

from array_scenes import marked, photographed
from comparing import Segmented, compare
from generated_rom import (
    NARROWEST_UM,
    PACKAGE,
    SHA256,
    WHEEL,
    GeneratedRom,
    bits_of,
    generate,
)
from maskdelta.arrays import compare_bits, find_lattice, read_bits, words_of
from maskdelta.phantom import load_preset, make_specimen
from maskdelta.study import (
    UNREADABLE,
    ArraySettings,
    ArrayWords,
    BitMatrix,
    Stack,
    read_table,
)
from wheels import fetch_wheel

pytestmark = pytest.mark.outside

NARROWEST_PX = 8
STRAP_UM = 0.7  # its length, over the gate
WORDS_PER_ROW = 4
HIDDEN = ("diffusion", "polysilicon")
STACKS = {
    "field_oxide": Stack(),
    "diffusion": Stack(layers=("diffusion",)),
    "polysilicon": Stack(layers=("polysilicon",)),
    "gate": Stack(layers=("diffusion", "polysilicon")),
    "metal": Stack(layers=("metal",), hides=HIDDEN),
    "contact": Stack(layers=("metal", "contact"), hides=HIDDEN, dot=True),
}
CHANGED = [(1, 7), (4, 30), (7, 0), (8, 17), (15, 31)]  # both sides of the strip of taps


@pytest.fixture(scope="module")
def wheel(pytestconfig):
    folder = pytestconfig.cache.mkdir("wheels")
    with fetch_wheel(folder, PACKAGE, WHEEL, SHA256) as found:
        yield found


@pytest.fixture(scope="module")
def pair(wheel, tmp_path_factory):
    """Two images of 64 random bytes that differ in five bits, with their bits."""
    rng = np.random.default_rng(64)
    before = bits_of(rng.bytes(64), WORDS_PER_ROW)
    after = before.copy()
    for cell in CHANGED:
        after[cell] ^= 1
    folder = tmp_path_factory.mktemp("roms")
    return [
        (bits, laid_out(wheel, bits, folder / name))
        for name, bits in (("before", before), ("after", after))
    ]


def laid_out(wheel, bits: np.ndarray, folder: Path, words_per_row: int = WORDS_PER_ROW):
    """The generator's layout of some bits."""
    rows = bits.reshape(len(bits), 8, words_per_row).transpose(0, 2, 1)
    return GeneratedRom.read(generate(wheel, np.packbits(rows).tobytes(), folder))


@dataclass(frozen=True)
class Reading:
    """Bits as read, and which of them dirt touches in truth."""

    bits: BitMatrix
    dirty: np.ndarray


def photograph_and_read(
    rom: GeneratedRom, folder: Path, preset_name: str, number: int, seed: int, *, dirt: bool
) -> Reading:
    """From the layout to its bits: row 0 is the one at the bottom, as in the generator."""
    preset = load_preset(preset_name)
    photographer = preset.photographers[number]
    scale = NARROWEST_PX * photographer.camera.um_per_px / NARROWEST_UM
    # the scratches of a preset are meant for a die a hundred times as large
    made = dataclasses.replace(preset.specimen, scratches=0, wires=0)
    if not dirt:
        made = dataclasses.replace(made, debris_per_mm2=0.0)
    specimen = make_specimen(rom.masks(scale), made, seed=seed)
    scene = photographed(
        specimen,
        folder,
        camera=photographer.camera,
        look=photographer.look,
        seed=seed,
        layers=("diffusion", "polysilicon", "metal", "contact"),
        stacks=STACKS,
        truth_rasters=False,
    )
    settings = ArraySettings.model_validate(
        {
            # the strip of taps: how wide it is, the fit must find
            "rows": {"count": len(rom.y_um), "gap_every": 8},
            "columns": {"count": len(rom.x_um)},
            # no strap of metal over the gate: 1
            "bit": {"layer": "metal", "absent": True, "size_um": STRAP_UM * scale},
        }
    )
    places = rom.places_um(scale)
    half = 0.5 * settings.bit.size_um
    dirty = [
        specimen.dirt.spoiled((x - half, y - half, x + half, y + half), 0.5, least=0.05).any()
        for x, y in places.reshape(-1, 2)
    ]
    with scene.rasters as rasters:
        corners = marked(scene.places_px(places), np.random.default_rng(seed))
        fit = find_lattice(rasters.mosaic, corners, settings)
        read = read_bits(rasters, fit.lattice, settings.bit, um_per_px=scene.um_per_px)
    return Reading(read.bits, np.reshape(dirty, places.shape[:2]))


def test_the_two_images_differ_in_five_straps_of_metal(pair):
    """Or else the generator did not lay out what the photographs are held to."""
    (_, old), (_, new) = pair
    for layer in ("diffusion", "polysilicon", "contact"):
        assert not gdstk.boolean(old.polygons[layer], new.polygons[layer], "not")
        assert not gdstk.boolean(new.polygons[layer], old.polygons[layer], "not")
    places = np.array([(old.x_um[c], old.y_um[r]) for r, c in CHANGED])
    found = []
    for a, b in ((old, new), (new, old)):
        found += gdstk.boolean(a.polygons["metal"], b.polygons["metal"], "not")
    boxes = np.array([p.bounding_box() for p in found])
    np.testing.assert_allclose(boxes[:, 1] - boxes[:, 0], [(0.26, 0.68)] * 5, atol=2e-3)
    middles = boxes.mean(1)
    assert np.hypot(*(middles[:, None] - places[None]).T).min(0).max() < 0.05  # um


def test_the_lattice_is_not_even(pair):
    (_, rom), _ = pair
    steps = np.diff(rom.y_um)
    np.testing.assert_allclose(np.delete(steps, 7), 1.63, atol=1e-6)
    assert steps[7] == pytest.approx(2.32)


@pytest.fixture(scope="module")
def photographs(pair, tmp_path_factory):
    """Folders of both images photographed, and what was read."""
    found = []
    for seed, (_, rom) in enumerate(pair, start=21):
        folder = tmp_path_factory.mktemp(f"photograph-{seed}")
        found.append((folder, photograph_and_read(rom, folder, "sample", 0, seed, dirt=False)))
    return found


def test_512_of_512_bits_and_the_five_that_differ(pair, photographs):
    read = []
    for (bits, _), (_, found) in zip(pair, photographs, strict=True):
        assert int((found.bits.value == bits).sum()) == bits.size == 512
        read.append(found.bits)
    compared = compare_bits(*read)
    changed = {tuple(map(int, cell)) for cell in np.argwhere(compared.state != "")}
    assert changed == set(CHANGED)
    assert (compared.state[tuple(np.transpose(CHANGED))] == "changed").all()


def test_five_changes_of_metal_and_nothing_else(pair, photographs, tmp_path):
    """As a person compares them who does not know that it is a memory."""
    um_per_px = load_preset("sample").photographers[0].camera.um_per_px
    dies = [Segmented(f / "mosaic.tif", f / "coverage.tif", f) for f, _ in photographs]
    compare(*dies, tmp_path, um_per_px=um_per_px)
    rows = [r for r in read_table(tmp_path / "regions.csv", "regions") if r["listed"]]
    assert [row["layer"] for row in rows] == ["metal"] * 5
    (before, _), (after, _) = pair
    gained = [bool(before[cell]) and not after[cell] for cell in CHANGED]  # 1 is no strap
    assert sorted(row["state"] == "added" for row in rows) == sorted(gained)
    # a strap is 0.26 x 0.68 um; metal comes out a px too narrow, so that the gap is too wide
    area_um2 = np.array([row["area_px"] for row in rows]) * (NARROWEST_UM / NARROWEST_PX) ** 2
    assert area_um2 == pytest.approx(0.26 * 0.68, rel=0.3)


def test_what_is_unreadable_lies_under_dirt(pair, tmp_path):
    (bits, rom), _ = pair
    found = photograph_and_read(rom, tmp_path, "ordinary", 1, 33, dirt=True)
    known = found.bits.value != UNREADABLE
    assert (found.bits.value == bits)[known].all()
    assert (known | found.dirty).all()
    assert found.dirty.sum() < 10


def test_the_words_are_the_bytes_that_were_given(pair):
    (bits, _), _ = pair
    wanted = np.random.default_rng(64).bytes(64)
    words = words_of(bits, ArrayWords(per_line=WORDS_PER_ROW, first_bit="high"))
    assert bytes(int(word.hex, 16) for word in words) == wanted


@pytest.mark.slow
def test_2048_bits(wheel, tmp_path):
    """Run with `pytest -m slow tests/outside/test_rom_outside.py`."""
    words_per_row = 8
    bits = bits_of(np.random.default_rng(256).bytes(256), words_per_row)
    rom = laid_out(wheel, bits, tmp_path / "rom", words_per_row)
    found = photograph_and_read(rom, tmp_path / "photo", "ordinary", 0, 23, dirt=False)
    assert int((found.bits.value == bits).sum()) == bits.size == 2048
