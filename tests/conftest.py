"""Fixtures for all tests."""

from __future__ import annotations

import numpy as np
import pytest


@pytest.fixture
def rng() -> np.random.Generator:
    """A generator with a fixed seed: the tests repeat."""
    return np.random.default_rng(20261125)
