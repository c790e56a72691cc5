"""How large a px of a mosaic is: from the configuration, or from lines of known length."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from maskdelta.study._marks import Mark, mark_in_mosaic
from maskdelta.study._poses import Poses

__all__ = ["Scale", "scale_of_view"]

# standard deviation of one end of a line drawn by hand, px
_END_PX = 2.0


@dataclass(frozen=True)
class Scale:
    """Scale of a mosaic.

    Parameters
    ----------
    um_per_px : float or None
        None when nothing tells it.
    error_frac : float or None
        Standard deviation as a share of the scale; None when it is not known.
    source : str
        Where it comes from, for people.
    """

    um_per_px: float | None = None
    error_frac: float | None = None
    source: str = "not known"


def scale_of_view(
    um_per_px: float | None, marks: Sequence[Mark], die: str, view: str, poses: Poses
) -> Scale:
    """Scale of one view of a die.

    What the configuration says goes before what was drawn. Of several lines the longer counts for
    more (least squares through the origin); the error is that of ends drawn 2 px off, or what the
    lines differ by where that is more.

    Parameters
    ----------
    um_per_px : float or None
        As configured.
    marks : sequence of Mark
        Those of the role `scale` and of this view are used.
    die, view : str
    poses : Poses
        Of the view.
    """
    if um_per_px is not None:
        return Scale(um_per_px, None, "the configuration")
    drawn = [
        (moved.geometry.length, mark.length_um)
        for mark in marks
        if mark.role == "scale" and (mark.die, mark.view) == (die, view)
        for moved in [mark_in_mosaic(mark, poses)]
        if moved is not None
    ]
    if not drawn:
        return Scale()
    px, um = np.array(drawn, float).T
    scale = float(px @ um / (px @ px))
    per_line = np.sqrt(2) * _END_PX
    if len(px) > 1:
        left = (um / scale - px) @ (um / scale - px) / (len(px) - 1)
        per_line = max(per_line, float(np.sqrt(left)))
    error = per_line / float(np.sqrt(px @ px))
    lines = "a line" if len(px) == 1 else f"{len(px)} lines"
    return Scale(scale, error, f"{lines} of known length")
