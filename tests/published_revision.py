"""A published pair of layout revisions, magnified and photographed by the phantom's camera.

Source: `openram==1.2.22` and `openram==1.2.23` (BSD-3-Clause), the sense amplifier of the process
`scn4m_subm`: an output buffer was added below, so that the old cell lies in the new one, shifted by
exactly (0, +10.2) um. The layouts are too small for a light microscope; they are magnified so that
the narrowest feature, a contact of 0.4 um, spans 8 px, that is 4 um. The wheels are fetched with
pip, opened as zip files, and never installed.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from contextlib import ExitStack
from pathlib import Path

import gdstk
import numpy as np

from comparing import side_of
from maskdelta.images import eight_bits
from maskdelta.phantom import AnyMasks, load_preset, make_specimen, take_picture
from maskdelta.register import Side
from scoring import made_share
from wheels import fetch_wheel

WHEELS = {
    "1.2.22": "c80be0129ac720c71b4d3760a02912d23c42ff8d2c1311fac392df8ed800710a",
    "1.2.23": "80db658bc8a136b56bbaa8a5a74003c79ee4792e980cd82af5edb43ba16db239",
}
LAYERS = {"diffusion": (43,), "polysilicon": (46,), "contact": (47, 48), "metal": (49,)}
NARROWEST_UM, NARROWEST_PX = 0.4, 8
DIE_UM = (20.0, 67.0)  # unmagnified: the new cell (8 x 43 um) at either place, and field around it
LOWER_LEFT_UM = (6.0, 17.0)  # of the cell on the die, y up; the new one reaches lower by 10.2 um
SHIFT_UM = (0.0, 10.2)


class Photographed:
    """A cell on a die in front of a camera; layout um have y up, die um y down."""

    def __init__(
        self,
        cell: gdstk.Cell,
        number: int,
        seed: int,
        um_per_px: float,
        layers: Mapping[str, tuple[int, ...]] = LAYERS,
    ) -> None:
        preset = load_preset("sample")
        photographer = preset.photographers[number]
        self.magnification = NARROWEST_PX * um_per_px / NARROWEST_UM
        drawn = {
            layer: [
                self.to_die(polygon.points)
                for n in numbers
                for polygon in gdstk.boolean(cell.get_polygons(layer=n, datatype=0), [], "or")
            ]
            for layer, numbers in layers.items()
        }
        masks = AnyMasks(drawn, *(v * self.magnification for v in DIE_UM))
        # the scratches of a preset are meant for a die a hundred times as large
        settings = dataclasses.replace(preset.specimen, scratches=0, wires=0)
        self.specimen = make_specimen(masks, settings, seed=seed)
        picture, self.camera, self.shot = take_picture(
            self.specimen,
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

    def kept(self, layer: str, *, step_um: float = 0.125) -> float:
        """Share of a layer's drawn area that is left where the process has rounded its corners."""
        unbiased = dataclasses.replace(self.specimen, bias_um={})
        whole = (0.0, 0.0, *(v * self.magnification for v in DIE_UM))
        return made_share(unbiased, layer, whole, step_um=step_um)

    def side(self, folder: Path, name: str, stack: ExitStack) -> Side:
        return side_of(self.picture, folder, name, stack)


def fetch_cells(wheels: Path, folder: Path) -> dict[str, gdstk.Cell]:
    """Both revisions by version; wheels stay in one folder, layouts in the other."""
    found = {}
    for version, digest in WHEELS.items():
        name = f"openram-{version}-py3-none-any.whl"
        with fetch_wheel(wheels, f"openram=={version}", name, digest) as wheel:
            path = folder / "sense_amp.gds"
            inside = "openram/technology/scn4m_subm/gds_lib/sense_amp.gds"
            path.write_bytes(wheel.read(inside))
        library = gdstk.read_gds(path)
        assert library.unit == 1e-6
        (found[version],) = library.top_level()
    return found
