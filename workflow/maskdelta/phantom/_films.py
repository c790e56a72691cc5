"""Colours of thin films on silicon, from interference, in linear camera RGB."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_WAVELENGTH_UM = np.linspace(0.41, 0.69, 57)
_TABLE_UM = np.array([0.40, 0.45, 0.50, 0.55, 0.60, 0.65, 0.70])
# Silicon after Green 2008; the same is used for polysilicon, whose grains absorb a little more.
_SILICON = np.array([5.57, 4.67, 4.30, 4.08, 3.94, 3.85, 3.78]) + 1j * np.array(
    [0.387, 0.14, 0.073, 0.044, 0.027, 0.017, 0.012]
)
_ALUMINIUM = np.array([0.49, 0.62, 0.77, 0.96, 1.20, 1.47, 1.83]) + 1j * np.array(
    [4.86, 5.47, 6.08, 6.69, 7.26, 7.79, 8.31]
)


@dataclass(frozen=True)
class Films:
    """Thicknesses of the films of a finished die, um, as one photographer's specimen has them."""

    glass_um: float
    field_um: float
    diffusion_um: float
    gate_um: float
    polysilicon_um: float
    over_poly_um: float


def stack_colours(
    films: Films,
    *,
    white: tuple[float, float, float],
    warmth: float = 0.0,
    saturation: float = 0.8,
) -> Mapping[str, NDArray[np.float64]]:
    """Compute what colour each stack has under the lamp.

    Normal reflectance of the layers by the characteristic matrix (Abeles 1950), averaged over a
    spread of 5 % in thickness, which stands for the cone of light of the objective.

    Parameters
    ----------
    films
        Thicknesses.
    white
        Gains of red, green and blue that the photographer's camera applied.
    warmth
        0 for a lamp like daylight, 1 for one that gives hardly any blue.
    saturation
        How far the camera's colour matrix pushes colours away from grey, as all cameras do.

    Returns
    -------
    mapping of stack name to (3,) linear RGB; bare aluminium is about 0.9 before the gains.
    """
    silicon = np.interp(_WAVELENGTH_UM, _TABLE_UM, _SILICON.real) + 1j * np.interp(
        _WAVELENGTH_UM, _TABLE_UM, _SILICON.imag
    )
    silicon = silicon.astype(np.complex128)
    poly = (silicon + 0.06j).astype(np.complex128)
    metal = np.interp(_WAVELENGTH_UM, _TABLE_UM, _ALUMINIUM.real) + 1j * np.interp(
        _WAVELENGTH_UM, _TABLE_UM, _ALUMINIUM.imag
    )
    metal = metal.astype(np.complex128)
    oxide = _silica(_WAVELENGTH_UM).astype(np.complex128)
    thick = films.glass_um
    over = films.over_poly_um + thick
    spectra = {
        "field_oxide": [(oxide, films.field_um + thick)],
        "diffusion": [(oxide, films.diffusion_um + thick)],
        "polysilicon": [(oxide, over), (poly, films.polysilicon_um), (oxide, films.field_um * 0.7)],
        "gate": [(oxide, over), (poly, films.polysilicon_um), (oxide, films.gate_um)],
        "buried_contact": [(oxide, over), (poly, films.polysilicon_um * 1.06)],
    }
    colours = {
        name: _camera_rgb(_mean_reflectance(stack, silicon), warmth)
        for name, stack in spectra.items()
    }
    glass = _camera_rgb(_mean_reflectance([(oxide, thick)], metal), warmth)
    colours["metal"] = glass * 0.84
    colours["pad_opening"] = _camera_rgb(_reflectance([], metal), warmth)
    colours["contact"] = glass * np.array([0.52, 0.45, 0.38])
    gains = np.asarray(white)
    return {name: _saturate(colour * gains, saturation) for name, colour in colours.items()}


def _saturate(rgb: NDArray[np.float64], amount: float) -> NDArray[np.float64]:
    grey = rgb.mean()
    # Bright glare keeps its tint: the matrix acts on what is left of the range.
    room = amount * np.clip(1.2 - grey, 0.2, 1.0)
    return np.clip(rgb + room * (rgb - grey), 0.004, 1.6)


def _silica(wavelength_um: NDArray[np.float64]) -> NDArray[np.float64]:
    """Refractive index of SiO2 after Malitson 1965, eq. (1)."""
    square = wavelength_um**2
    total = np.ones_like(square)
    for strength, pole in ((0.6961663, 0.0684043), (0.4079426, 0.1162414), (0.8974794, 9.896161)):
        total += strength * square / (square - pole**2)
    return np.sqrt(total)


def _mean_reflectance(
    stack: list[tuple[NDArray[np.complex128], float]], substrate: NDArray[np.complex128]
) -> NDArray[np.float64]:
    scales = np.linspace(0.95, 1.05, 7)
    return np.mean(
        [_reflectance([(n, d * s) for n, d in stack], substrate) for s in scales], axis=0
    )


def _reflectance(
    stack: list[tuple[NDArray[np.complex128], float]], substrate: NDArray[np.complex128]
) -> NDArray[np.float64]:
    """Reflectance of films (index, um), outermost first, on a substrate, seen from air."""
    b = np.ones_like(substrate)
    c = substrate.copy()
    for index, thickness in reversed(stack):
        phase = 2 * np.pi * index * thickness / _WAVELENGTH_UM
        cosine, sine = np.cos(phase), np.sin(phase)
        b, c = cosine * b - 1j * sine / index * c, cosine * c - 1j * index * sine * b
    return np.abs((b - c) / (b + c)) ** 2


def _camera_rgb(spectrum: NDArray[np.float64], warmth: float) -> NDArray[np.float64]:
    """Weigh a spectrum by three overlapping camera bands and the lamp."""
    lamp = 1 + warmth * 1.6 * (_WAVELENGTH_UM - 0.56) / 0.14 * 0.5
    rgb = []
    for centre, width in ((0.605, 0.036), (0.538, 0.034), (0.465, 0.028)):
        band = np.exp(-0.5 * ((_WAVELENGTH_UM - centre) / width) ** 2)
        rgb.append((spectrum * band * lamp).sum() / band.sum())
    return np.array(rgb)
