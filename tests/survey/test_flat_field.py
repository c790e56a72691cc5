"""Shading is recovered from overlaps."""

from __future__ import annotations

import numpy as np
import pytest

from maskdelta.errors import MaskdeltaError
from maskdelta.survey import FlatField, survey
from tile_scenes import SURVEY, grid, make_die, shaded, shading, take_tiles, write


@pytest.mark.parametrize("seed", [0, 1])
def test_residual_shading_is_small_with_25_tiles(tmp_path, seed):
    """The stage's aim: at most 0.3 % RMS where the shading is 11 %."""
    cuts, _ = shaded(take_tiles(make_die((900, 1150), seed=seed), 5, 5, seed=seed), seed=seed)
    result = survey(write(tmp_path, cuts), view=grid(5, 5), settings=SURVEY, threads=2)
    true = np.log(shading(cuts[0].pixels.shape[:2]))
    gain = np.log(result.flat_field.gain(cuts[0].pixels.shape[:2]))
    assert np.std(true) == pytest.approx(0.11, abs=0.02)
    for channel in range(3):
        left = gain[..., channel] + true
        slope = np.stack(np.meshgrid(*(np.linspace(-1, 1, n) for n in left.shape[::-1])), -1)
        fit, *_ = np.linalg.lstsq(
            np.column_stack([np.ones(left.size), slope.reshape(-1, 2)]), left.ravel(), rcond=None
        )
        ramp = np.std(slope.reshape(-1, 2) @ fit[1:])
        assert np.sqrt(max(np.var(left) - ramp**2, 0)) < 0.003
        # exposures that scatter by 5 % leave so much of a slope undecided, by chance of their draw
        assert np.std(left) < 0.006


def test_no_shading_gives_none(tmp_path):
    files = write(tmp_path, take_tiles(make_die((700, 900)), 4, 4))
    result = survey(files, view=grid(4, 4), settings=SURVEY)
    # 16 tiles of 0.06 Mpx: noise of the overlaps' ratios leaves about 0.3 %
    assert np.std(np.log(result.flat_field.gain((60, 80)))) < 0.004


def test_it_can_be_switched_off(tmp_path):
    cuts, _ = shaded(take_tiles(make_die()))
    settings = SURVEY.model_copy(update={"flat_field": "none"})
    result = survey(write(tmp_path, cuts), view=grid(), settings=settings)
    np.testing.assert_array_equal(result.flat_field.gain((5, 7)), np.ones((5, 7, 3), np.float32))


def test_gain_is_the_inverse_of_the_polynomial():
    field = FlatField(2, np.tile([0.1, 0.0, -0.3, 0.0, 0.0], (3, 1)))  # u, v, u^2, uv, v^2
    u = (np.arange(9) - 4) / 4.5
    expected = np.exp(-(0.1 * u - 0.3 * u * u))
    np.testing.assert_allclose(field.gain((5, 9))[2, :, 1], expected, rtol=1e-6)


def test_reads_what_it_wrote_and_refuses_other_files(tmp_path):
    field = FlatField(1, np.array([[0.1, 0.2], [0.3, -0.4], [0.0, 0.5]]), 0.01)
    field.write(tmp_path / "flat_field.json")
    again = FlatField.read(tmp_path / "flat_field.json")
    np.testing.assert_array_equal(again.coefficients, field.coefficients)
    (tmp_path / "other.json").write_text("[]", encoding="utf-8")
    with pytest.raises(MaskdeltaError, match="not a flat field"):
        FlatField.read(tmp_path / "other.json")
