"""What lies along the rim of what hides others.

The dark line around metal has the colour of polysilicon on many dies. Where a line of polysilicon
goes under metal, the line around the metal joins it, and the label flares along the rim by two or
three px to either side; where two outlines run close together, a sliver comes about that has no
body at all. What is seen in the rim alone, and goes no farther out, may be what lies beyond it.
What either would look like in the rim is known from the die's own outlines (`_profile.py`), and
the luma there says which of the two it is. A layer is never added by this.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from maskdelta.segment._alike import among
from maskdelta.segment._compiled import compiled
from maskdelta.segment._distances import distance_to
from maskdelta.segment._outlines import RIM_PX, sampled
from maskdelta.segment._rules import EIGHTHS, NO_BORDER, UNKNOWN, LayerRules

__all__ = ["clear_rims"]


def clear_rims(
    cost: NDArray[np.uint8],
    label: NDArray[np.uint8],
    luma: NDArray[np.float32],
    body_luma: NDArray[np.float64],
    rim_luma: NDArray[np.float32],
    rules: LayerRules,
    *,
    rim_px: int = 3,
    odds: int = 10,
) -> None:
    """Give what is seen along rims alone to what lies beyond; changes `cost`.

    Parameters
    ----------
    cost : (K, H, W) uint8
        Tenths of a log unit.
    label : (H, W) uint8
        The cheapest stack, UNKNOWN or more where there is none.
    luma : (H, W) float32
        Freed from drift, 0..255.
    body_luma : (K,) float64
        Of the stacks, away from edges.
    rim_luma : (K, K) float32
        As `Edges` has it.
    rules : LayerRules
    rim_px : int
        How far the outline of what hides others reaches: twice the blur of a sharp photograph.
    odds : int
        By how much, tenths of a log unit, what lies beyond is likelier: a rim does not show much.
    """
    if not rim_luma.any():
        return
    reach = rim_px + 1
    apart = distance_to(among(label, rules.hiding))
    inner = np.zeros(label.shape, bool)
    amid = (slice(reach, -reach),) * 2
    inner[amid] = (apart[amid] > 0) & (apart[amid] <= EIGHTHS * rim_px) & (label[amid] < UNKNOWN)
    places = np.flatnonzero(inner)
    beyond = np.empty(len(places), np.uint8)
    _look_beyond(
        label,
        np.ascontiguousarray(luma),
        apart,
        rules.fewer(),
        body_luma.astype(np.float32),
        rim_luma,
        EIGHTHS * rim_px,
        places,
        beyond,
    )
    found = beyond < UNKNOWN
    place = places[found]
    planes = cost.reshape(len(cost), -1)
    own = label.reshape(-1)[place]
    planes[:, place] = NO_BORDER
    planes[own, place] = odds
    planes[beyond[found], place] = 0


@compiled
def _look_beyond(
    label: NDArray[np.uint8],
    luma: NDArray[np.float32],
    apart: NDArray[np.uint8],
    fewer: NDArray[np.bool_],
    body_luma: NDArray[np.float32],
    rim_luma: NDArray[np.float32],
    rim: int,
    places: NDArray[np.intp],
    beyond: NDArray[np.uint8],
) -> None:
    """Fill in what lies beyond the rim of px `places`, 255 where they are what they are."""
    width = label.shape[1]
    flat, light, far = label.ravel(), luma.ravel(), apart.ravel()
    for n in range(len(places)):
        place = places[n]
        beyond[n] = 255
        dx = float(far[place + 1]) - float(far[place - 1])
        dy = float(far[place + width]) - float(far[place - width])
        length = np.sqrt(dx * dx + dy * dy)
        if length == 0:
            continue
        dx, dy = dx / length, dy / length
        away = far[place] / EIGHTHS
        there = _moved(place, width, dx, dy, rim / EIGHTHS + 1 - away)
        own, other = flat[place], flat[there]
        if far[there] < rim or not fewer[own, other]:
            continue
        hiding = flat[_moved(place, width, dx, dy, -away)]
        if hiding >= len(rim_luma):
            continue
        as_own, as_other = rim_luma[hiding, own], rim_luma[hiding, other]
        if as_own == 0 or as_other == 0:
            continue
        # half a px: the edge lies between two px
        step = RIM_PX + 0.5 - away
        seen = sampled(light, place, width, step * dx, step * dy)
        gain = light[there] / body_luma[other]
        if 2 * abs(seen - gain * as_other) < abs(seen - gain * as_own):
            beyond[n] = other


@compiled
def _moved(place: int, width: int, dx: float, dy: float, by: float) -> int:
    """The px nearest to one moved along a direction."""
    return place + int(np.rint(by * dx)) + width * int(np.rint(by * dy))
