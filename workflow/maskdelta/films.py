"""Colours that thin films on silicon have in white light: advice for naming a stack.

Oxide, nitride and polysilicon are coloured by interference. Which film has which thickness
cannot be told from a colour alone, and several films share one: what is said here helps a person
to name a swatch and never decides a layer.

Sources: transfer-matrix method of colour-science (Byrnes 2016); index of silicon dioxide,
Malitson, J. Opt. Soc. Am. 55:1205 (1965); of silicon nitride, Philipp, J. Electrochem. Soc.
120:295 (1973); of silicon, Green, Sol. Energy Mater. Sol. Cells 92:1305 (2008), as the registry's
package `refractiveindex` carries them. Polysilicon is taken for crystalline silicon.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from skimage.color import deltaE_ciede2000, rgb2lab

from maskdelta.images import srgb_curve, srgb_inverse

__all__ = ["FilmMatch", "film_colours", "likely_films", "reflectance", "refractive_index"]

Array = NDArray[np.float64]

_SILICON_NM = np.arange(400.0, 701.0, 20.0)
_SILICON_N = (
    *(5.613, 5.119, 4.812, 4.587, 4.419, 4.294, 4.193, 4.112),
    *(4.045, 3.988, 3.940, 3.898, 3.861, 3.828, 3.798, 3.772),
)
_SILICON_K = (
    *(0.296, 0.176, 0.107, 0.07138, 0.055, 0.04417, 0.03642, 0.03029),
    *(0.02576, 0.02252, 0.01993, 0.01737, 0.01543, 0.0135, 0.01191, 0.01053),
)
# bare aluminium in the visible, common practice, no source
_METAL_REFLECTANCE = 0.91
# colours farther apart than this are not alike, whatever the lamp and the camera do
_PLAUSIBLE = 15.0


@dataclass(frozen=True)
class FilmMatch:
    """A film whose colour is like one that was seen.

    Parameters
    ----------
    words : str
    difference : float
        CIEDE2000 colour difference.
    """

    words: str
    difference: float

    @property
    def plausible(self) -> bool:
        """Whether the colours are alike at all."""
        return self.difference <= _PLAUSIBLE


def refractive_index(material: str, wavelength_nm: ArrayLike) -> NDArray[np.complex128]:
    """Complex index n + ik at wavelengths from 400 to 700 nm.

    Parameters
    ----------
    material : {"air", "oxide", "nitride", "silicon"}
    wavelength_nm : (n,) float

    Raises
    ------
    KeyError
        For another material.
    """
    nm = np.asarray(wavelength_nm, float)
    um2 = (nm / 1000) ** 2
    if material == "air":
        return np.ones(nm.shape, complex)
    if material == "silicon":
        n, k = (np.interp(nm, _SILICON_NM, values) for values in (_SILICON_N, _SILICON_K))
        return np.asarray(n + 1j * k)
    terms = {
        "oxide": ((0.6961663, 0.0684043), (0.4079426, 0.1162414), (0.8974794, 9.896161)),
        "nitride": ((2.8939, 0.13967),),
    }[material]
    square = 1 + sum(b * um2 / (um2 - c**2) for b, c in terms)
    return np.asarray(np.sqrt(square), complex)


def reflectance(
    films: Sequence[tuple[str, float]], wavelength_nm: ArrayLike, *, substrate: str = "silicon"
) -> Array:
    """Reflectance of films on a substrate in air, at right angles, 0..1.

    Parameters
    ----------
    films : sequence of (material, thickness in nm)
        From the top; none for the bare substrate.
    wavelength_nm : (n,) float
    substrate : str

    Returns
    -------
    (n,) float64
    """
    from colour.phenomena import multilayer_tmm  # takes a second to load

    nm = np.atleast_1d(np.asarray(wavelength_nm, float))
    # a film of no thickness stands for none: the library wants at least one
    films = films or (("oxide", 0.0),)
    media = ["air", *(material for material, _ in films), substrate]
    index = np.stack([refractive_index(material, nm) for material in media])
    found, _ = multilayer_tmm(index, [thickness for _, thickness in films], nm)
    return np.asarray(found[:, 0, 0].mean(-1), float)


def film_colours(stacks: Sequence[Sequence[tuple[str, float]]]) -> Array:
    """Linear sRGB of films on silicon under CIE D65, a perfect mirror being (1, 1, 1).

    Parameters
    ----------
    stacks : sequence of films, as `reflectance` takes them

    Returns
    -------
    (n, 3) float64
        CIE 1931 observer; outside 0..1 where the colour lies outside sRGB.
    """
    nm, weights = _observer()
    spectra = np.stack([reflectance(films, nm) for films in stacks])
    return spectra @ weights


@cache
def _observer() -> tuple[Array, Array]:
    """Wavelengths, and the weights that turn a spectrum into linear sRGB."""
    import colour

    nm = np.arange(400.0, 701.0, 10.0)
    shape = colour.SpectralShape(400, 700, 10)
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape)
    light = colour.SDS_ILLUMINANTS["D65"].copy().align(shape)
    xyz = observer.values * light.values[:, None]
    xyz = xyz / xyz[:, 1].sum()
    rgb = xyz @ colour.RGB_COLOURSPACES["sRGB"].matrix_XYZ_to_RGB.T
    # cut off at both ends, and tabulated: a mirror is white by definition
    return nm, rgb / rgb.sum(0)


def _catalogue() -> Iterator[tuple[str, list[tuple[str, float]]]]:
    """Kinds of films of old processes, and their thicknesses."""
    for oxide in (0, *range(20, 1501, 10)):
        words = f"oxide of {oxide / 1000:.2f} um on silicon" if oxide else "bare silicon"
        yield words, [("oxide", oxide)]
    for below, name in ((100, "gate oxide"), (800, "field oxide")):
        for silicon in (300, 400, 500):
            for oxide in range(0, 1001, 20):
                words = f"oxide of {oxide / 1000:.2f} um on polysilicon over {name}"
                yield words, [("oxide", oxide), ("silicon", silicon), ("oxide", below)]
    for nitride in range(100, 1001, 50):
        for oxide in range(50, 1001, 50):
            words = f"nitride of {nitride / 1000:.2f} um over oxide of {oxide / 1000:.2f} um"
            yield words, [("nitride", nitride), ("oxide", oxide)]


@cache
def _tabulated() -> tuple[tuple[str, ...], Array]:
    words, stacks = zip(*_catalogue(), strict=True)
    return words, _lab(film_colours(stacks))


def _lab(linear: Array) -> Array:
    return np.asarray(rgb2lab(srgb_curve(np.clip(linear, 0, 1))))


def likely_films(colour: ArrayLike, metal: ArrayLike, *, most: int = 3) -> list[FilmMatch]:
    """Films whose predicted colour is nearest to one in a photograph, one of each kind.

    The photograph's own metal is the reference for exposure and white: aluminium reflects all
    colours nearly alike. The lamp's spectrum, the aperture and the glass above are not known.

    Parameters
    ----------
    colour, metal : (3,) float
        sRGB-encoded, 0..255, of the film and of plain metal in the same photograph.
    most : int

    Returns
    -------
    list of FilmMatch
        Nearest first; none when the metal is black in a channel.
    """
    seen, white = (srgb_inverse(np.asarray(v, float) / 255) for v in (colour, metal))
    if (white <= 0).any():
        return []
    words, table = _tabulated()
    lab = _lab(_METAL_REFLECTANCE * seen / white)
    difference = deltaE_ciede2000(np.broadcast_to(lab, table.shape), table)
    out: dict[str, FilmMatch] = {}
    for k in np.argsort(difference, kind="stable"):
        kind = "".join(c for c in words[k] if not c.isdigit())
        out.setdefault(kind, FilmMatch(words[k], float(difference[k])))
        if len(out) == most:
            break
    return list(out.values())
