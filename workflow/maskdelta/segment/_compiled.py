"""Loops over px made into machine code.

For what numpy could do only in dozens of passes over a block, or by way of lists of half its px.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

import numba

__all__ = ["compiled"]

F = TypeVar("F", bound=Callable[..., object])


def compiled(function: F) -> F:
    """Compile a function of arrays at its first call; it does not hold the interpreter's lock.

    The machine code is kept on disk, beside the module or in the user's cache, where either can be
    written.
    """
    try:
        kept: F = numba.njit(nogil=True, cache=True)(function)
    except RuntimeError:  # no place to keep it
        kept = numba.njit(nogil=True)(function)
    return kept
