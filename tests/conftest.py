"""Fixtures for all tests."""

from __future__ import annotations

import os

# threads of linear algebra that wait for each other make small systems 30 times as slow
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pytest


@pytest.fixture
def rng() -> np.random.Generator:
    """A generator with a fixed seed: the tests repeat."""
    return np.random.default_rng(20261125)
