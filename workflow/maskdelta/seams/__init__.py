"""Seams that an earlier joining left inside finished pictures."""

from maskdelta.seams._seams import Seams, find_seams

__all__ = ["Seams", "find_seams"]
