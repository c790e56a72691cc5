"""Seams that an earlier joining left inside finished pictures, alone and against another die."""

from maskdelta.seams._jumps import find_jumps
from maskdelta.seams._seams import Seams, find_seams

__all__ = ["Seams", "find_jumps", "find_seams"]
