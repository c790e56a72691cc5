"""The smooth map is held to the most strain allowed, and still follows what it may."""

from __future__ import annotations

import numpy as np

from maskdelta.images import Box
from maskdelta.register._fit import Fit, fit_map, max_strain

BOX = Box(0, 0, 3600, 3600)
MOST = 0.008


def fitted(amplitude_px: float) -> tuple[Fit, float]:
    """The fit to waves that strain by `amplitude_px` / 430, and its RMS error, px."""
    rng = np.random.default_rng(3)
    x, y = np.meshgrid(np.arange(100.0, 3600, 170), np.arange(100.0, 3600, 170))
    after = np.column_stack([x.ravel(), y.ravel()])
    before = after + amplitude_px * np.sin(2 * np.pi * after / 2700.0 + [0.4, 1.3])
    seen = before + rng.normal(0, 0.05, after.shape)
    fit = fit_map(seen, after, box=BOX, spacings_px=[3600.0, 1800.0, 1080.0], max_strain_frac=MOST)
    reached = fit.plane.apply(after)
    left = before - reached - fit.warp.at(reached)
    return fit, float(np.sqrt((left**2).sum(1).mean()))


def test_a_map_that_strains_too_much_is_made_stiffer_and_not_refused():
    free, rms_free = fitted(1.5)
    assert not free.strain_capped
    held, rms_held = fitted(2.0)
    assert held.strain_capped
    assert max_strain(held.warp, BOX) <= MOST
    # the plane alone leaves 2 px, which was the answer before
    assert rms_free < 0.2
    assert rms_held < 0.7
