"""Correlation over all shifts equals the slow obvious way."""

from __future__ import annotations

import numpy as np

from maskdelta.survey._correlate import (
    Window,
    _score_map,
    find_peaks,
    padded_shape,
    spectrum_of,
)


def test_equals_the_correlation_of_each_overlap():
    rng = np.random.default_rng(0)
    a = rng.normal(50, 20, (13, 17)).astype(np.float32)
    b = rng.normal(80, 5, (11, 12)).astype(np.float32)
    padded = padded_shape([a.shape, b.shape])
    window = Window(-9, -8, 14, 10)
    score, _ = _score_map(spectrum_of(a, padded), spectrum_of(b, padded), window, 0.1)
    for j, y in enumerate(range(-8, 11)):
        for i, x in enumerate(range(-9, 15)):
            of_a = a[max(0, y) : y + 11, max(0, x) : x + 12]
            of_b = b[max(0, -y) :, max(0, -x) :][: of_a.shape[0], : of_a.shape[1]]
            if of_a.size < 0.1 * b.size:
                assert np.isnan(score[j, i])
            else:
                expected = np.corrcoef(of_a.ravel(), of_b.ravel())[0, 1]
                np.testing.assert_allclose(score[j, i], expected, atol=1e-4)  # single precision


def test_all_shifts_of_a_lattice_are_kept():
    cell = np.random.default_rng(1).normal(0, 1, (8, 8)).astype(np.float32)
    tiled = np.tile(cell, (6, 6))
    padded = padded_shape([tiled.shape])
    spectrum = spectrum_of(tiled, padded)
    peaks, rival = find_peaks(spectrum, spectrum, Window(-12, -12, 12, 12), min_overlap_frac=0.1)
    assert len(peaks) == 9
    assert rival > 0.99
    assert {(round(p.x) % 8, round(p.y) % 8) for p in peaks} == {(0, 0)}
