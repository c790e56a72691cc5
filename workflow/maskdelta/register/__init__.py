"""Two mosaics -> the map between them with its local error."""

from maskdelta.register._control import Side
from maskdelta.register._error_map import ErrorMap
from maskdelta.register._guess import point_pairs
from maskdelta.register._register import Registered, register

__all__ = ["ErrorMap", "Registered", "Side", "point_pairs", "register"]
