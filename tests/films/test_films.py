from __future__ import annotations

import numpy as np
import pytest

from maskdelta.films import film_colours, likely_films, reflectance
from maskdelta.images import srgb_curve

METAL = np.array([222.0, 214.0, 196.0])


def photographed(films: list[tuple[str, float]], *, exposure: float = 0.9) -> np.ndarray:
    """Colour of a film under a lamp that makes metal look like METAL."""
    lamp = ((METAL / 255 + 0.055) / 1.055) ** 2.4 / 0.91 / exposure
    return 255 * srgb_curve(exposure * lamp * film_colours([films])[0])


@pytest.mark.parametrize("thickness_nm", [120, 310, 470])
def test_the_thickness_of_an_oxide_is_among_the_films_named(thickness_nm):
    found = likely_films(photographed([("oxide", thickness_nm)]), METAL)
    like = next(film for film in found if film.words.endswith("um on silicon"))
    assert like.plausible
    assert abs(float(like.words.split()[2]) - thickness_nm / 1000) <= 0.011


def test_each_kind_is_named_once_and_the_nearest_first():
    found = likely_films(photographed([("oxide", 250)]), METAL)
    assert len(found) == 3
    assert found == sorted(found, key=lambda film: film.difference)
    assert len({film.words.rsplit("um", 1)[-1] for film in found}) == 3


def test_a_colour_that_no_film_has_is_said_to_be_none():
    # a saturated red brighter than any interference on silicon
    assert not any(film.plausible for film in likely_films((255, 0, 0), METAL))


def test_without_metal_as_a_reference_nothing_is_said():
    assert likely_films((90, 90, 90), (0, 200, 200)) == []


def test_a_film_of_no_thickness_changes_nothing():
    nm = np.linspace(400, 700, 7)
    np.testing.assert_allclose(reflectance([("oxide", 0)], nm), reflectance([], nm))


def test_an_unknown_material_is_refused():
    with pytest.raises(KeyError):
        reflectance([("copper", 100)], 500.0)
