"""Two mosaics -> the map between them with its local error."""

from maskdelta.register._control import Side
from maskdelta.register._error_map import ErrorMap
from maskdelta.register._marked import crack_lines, point_pairs
from maskdelta.register._register import register
from maskdelta.register._registered import Registered

__all__ = ["ErrorMap", "Registered", "Side", "crack_lines", "point_pairs", "register"]
