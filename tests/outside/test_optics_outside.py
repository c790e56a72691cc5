"""Colours of thin films and colour differences against published values.

Sources
-------
Sharma, Wu & Dalal, "The CIEDE2000 color-difference formula", Color Res. Appl. 30:21 (2005),
table 1: its 34 pairs, written down from memory and held to its four decimals.
IEC 61966-2-1:1999, 5.2: the sRGB curve.
Malitson, J. Opt. Soc. Am. 55:1205 (1965): index of fused silica at three spectral lines.
Green, Sol. Energy Mater. Sol. Cells 92:1305 (2008): silicon, 0.348 reflected at 632.8 nm.
Born & Wolf, Principles of Optics, 7th ed., 1.6.4: the closed (Airy) formula for one film.
Pliskin & Conrad, IBM J. Res. Dev. 8:43 (1964): the order of colours of growing oxide; the names
are a matter of taste, their order is not.
"""

from __future__ import annotations

import numpy as np
import pytest
from skimage.color import deltaE_ciede2000, rgb2lab

from maskdelta.films import film_colours, reflectance, refractive_index
from maskdelta.images import srgb_curve, srgb_inverse

pytestmark = pytest.mark.outside

SHARMA = """
50 2.6772 -79.7751 50 0 -82.7485 2.0425
50 3.1571 -77.2803 50 0 -82.7485 2.8615
50 2.8361 -74.0200 50 0 -82.7485 3.4412
50 -1.3802 -84.2814 50 0 -82.7485 1.0000
50 -1.1848 -84.8006 50 0 -82.7485 1.0000
50 -0.9009 -85.5211 50 0 -82.7485 1.0000
50 0 0 50 -1 2 2.3669
50 -1 2 50 0 0 2.3669
50 2.4900 -0.0010 50 -2.4900 0.0009 7.1792
50 2.4900 -0.0010 50 -2.4900 0.0010 7.1792
50 2.4900 -0.0010 50 -2.4900 0.0011 7.2195
50 2.4900 -0.0010 50 -2.4900 0.0012 7.2195
50 -0.0010 2.4900 50 0.0009 -2.4900 4.8045
50 -0.0010 2.4900 50 0.0010 -2.4900 4.8045
50 -0.0010 2.4900 50 0.0011 -2.4900 4.7461
50 2.5 0 50 0 -2.5 4.3065
50 2.5 0 73 25 -18 27.1492
50 2.5 0 61 -5 29 22.8977
50 2.5 0 56 -27 -3 31.9030
50 2.5 0 58 24 15 19.4535
50 2.5 0 50 3.1736 0.5854 1.0000
50 2.5 0 50 3.2972 0 1.0000
50 2.5 0 50 1.8634 0.5757 1.0000
50 2.5 0 50 3.2592 0.3350 1.0000
60.2574 -34.0099 36.2677 60.4626 -34.1751 39.4387 1.2644
63.0109 -31.0961 -5.8663 62.8187 -29.7946 -4.0864 1.2630
61.2901 3.7196 -5.3901 61.4292 2.2480 -4.9620 1.8731
35.0831 -44.1164 3.7933 35.0232 -40.0716 1.5901 1.8645
22.7233 20.0904 -46.6940 23.0331 14.9730 -42.5619 2.0373
36.4612 47.8580 18.3852 36.2715 50.5065 21.2231 1.4146
90.8027 -2.0831 1.4410 91.1528 -1.6435 0.0447 1.4441
90.9257 -0.5406 -0.9208 88.6381 -0.8985 -0.7239 1.5381
6.7747 -0.2908 -2.4247 5.8714 -0.0985 -2.2286 0.6377
2.0776 0.0795 -1.1350 0.9033 -0.0636 -0.5514 0.9082
"""
# nm of oxide in the chart, from violet round to violet again: one turn of hue, then the next
ORDERS = ((270, 300, 320, 340, 360, 390), (420, 460, 490, 520))


def test_colour_differences_of_the_published_pairs():
    pairs = np.array(SHARMA.split(), float).reshape(34, 7)
    found = deltaE_ciede2000(pairs[:, :3], pairs[:, 3:6])
    np.testing.assert_allclose(found, pairs[:, 6], atol=1e-4)


def test_the_srgb_curve_of_the_standard():
    # the break of the curve and its ends, IEC 61966-2-1, 5.2
    np.testing.assert_allclose(srgb_inverse([0, 0.04045, 1]), [0, 0.04045 / 12.92, 1], atol=1e-12)
    encoded = np.linspace(0, 1, 101)
    np.testing.assert_allclose(srgb_curve(srgb_inverse(encoded)), encoded, atol=1e-6)
    assert srgb_inverse(0.5) == pytest.approx(((0.5 + 0.055) / 1.055) ** 2.4)


def test_index_of_fused_silica_at_spectral_lines():
    # F, d and the line of the helium-neon laser
    index = refractive_index("oxide", [486.1, 587.6, 632.8])
    np.testing.assert_allclose(index.real, [1.46313, 1.45846, 1.45702], atol=1e-5)
    assert not index.imag.any()


def test_bare_silicon_reflects_what_its_index_says():
    assert reflectance([], 632.8)[0] == pytest.approx(0.348, abs=1e-3)


@pytest.mark.parametrize("thickness_nm", [50, 300, 777])
@pytest.mark.parametrize("film", ["oxide", "nitride"])
def test_one_film_agrees_with_the_closed_formula(film, thickness_nm):
    nm = np.array([420.0, 550.0, 690.0])
    n1, n2 = refractive_index(film, nm), refractive_index("silicon", nm)
    r01, r12 = (1 - n1) / (1 + n1), (n1 - n2) / (n1 + n2)
    turn = np.exp(4j * np.pi * n1 * thickness_nm / nm)
    closed = np.abs((r01 + r12 * turn) / (1 + r01 * r12 * turn)) ** 2
    np.testing.assert_allclose(reflectance([(film, thickness_nm)], nm), closed, rtol=1e-9)


@pytest.mark.parametrize("thicknesses_nm", ORDERS)
def test_oxide_takes_the_colours_of_the_chart_in_its_order(thicknesses_nm):
    linear = film_colours([[("oxide", nm)] for nm in thicknesses_nm])
    _, a, b = rgb2lab(srgb_curve(np.clip(linear, 0, 1))).T
    hue = np.rad2deg(np.unwrap(np.arctan2(b, a)))
    # violet, blue, green, yellow: hue angle falls all the way
    assert (np.diff(hue) < -10).all()
