"""Two mosaics -> the map between them with its local error."""

from maskdelta.register._control import Side
from maskdelta.register._register import ErrorMap, Registered, point_pairs, register

__all__ = ["ErrorMap", "Registered", "Side", "point_pairs", "register"]
