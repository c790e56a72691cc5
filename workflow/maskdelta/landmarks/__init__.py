"""A mosaic -> places that a person may want to name: periodic areas, pads, lettering."""

from maskdelta.landmarks._lettering import find_lettering
from maskdelta.landmarks._pads import find_pads
from maskdelta.landmarks._periodic import PeriodicArea, find_periodic
from maskdelta.landmarks._proposals import Proposal, propose_landmarks, write_landmarks

__all__ = [
    "PeriodicArea",
    "Proposal",
    "find_lettering",
    "find_pads",
    "find_periodic",
    "propose_landmarks",
    "write_landmarks",
]
