"""The fitted colours of a die as a function from pictures to layers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.images import Box
from maskdelta.segment._alike import Lookalike
from maskdelta.segment._colour_model import ColourModel, ColourTable
from maskdelta.segment._drift import DriftField
from maskdelta.segment._labels import label_stacks
from maskdelta.segment._layers import BlockLabels, layers_of, nothing_photographed
from maskdelta.segment._outlines import Edges
from maskdelta.segment._rules import HALO_PX, DotSizes, LayerRules, strips_of
from maskdelta.study import SegmentSettings, Stack, read_json

__all__ = ["Labeller"]

_SMOOTH_HALO_PX = 4
_NEAR_HALO_PX = 40


@dataclass(frozen=True)
class Labeller:
    """What was fitted to one die: enough to label any picture of it, also an altered one.

    Parameters
    ----------
    model : ColourModel
    drift : DriftField
    rules : LayerRules
        Stacks in the order of the model.
    dots : DotSizes
    settings : SegmentSettings
    edges : Edges
    alike : tuple of Lookalike
    """

    model: ColourModel
    drift: DriftField
    rules: LayerRules
    dots: DotSizes
    settings: SegmentSettings
    edges: Edges
    alike: tuple[Lookalike, ...] = ()

    MARGIN_PX = HALO_PX + _SMOOTH_HALO_PX
    """How far a picture must reach beyond the box that is labelled."""
    NEAR_PX = _NEAR_HALO_PX + _SMOOTH_HALO_PX
    """The same where all that is wanted is what most of a box shows."""
    SMOOTHING_PX = 0.8
    """Sigma of the blur against grain."""

    @property
    def table(self) -> ColourTable:
        """The model as a look-up table."""
        return self.model.table()

    def label(
        self,
        picture: NDArray[np.uint8],
        covered: NDArray[np.bool_],
        left_out: NDArray[np.bool_],
        box: Box,
    ) -> BlockLabels:
        """Label a box.

        Parameters
        ----------
        picture : (h + 2 MARGIN_PX, w + 2 MARGIN_PX, 3) uint8
            Picture over the box grown by `MARGIN_PX`.
        covered, left_out : (h + 2 MARGIN_PX, w + 2 MARGIN_PX) bool
            Photographed; to be called spoiled whatever it shows.
        box : Box
            In the mosaic frame.
        """
        if not covered.any():
            return nothing_photographed(box.shape, self.rules)
        label, cost = self._stacks(picture, covered, left_out, box)
        return layers_of(label, cost, self.rules, rim_px=HALO_PX)

    def label_only(
        self,
        picture: NDArray[np.uint8],
        covered: NDArray[np.bool_],
        left_out: NDArray[np.bool_],
        box: Box,
    ) -> NDArray[np.uint8]:
        """(h, w) labels of a box, which `label` gives among much else.

        Those within some px of its border may be others, since less is seen around the box: it
        need only reach `NEAR_PX` beyond.
        """
        label, _ = self._stacks(picture, covered, left_out, box, halo_px=_NEAR_HALO_PX)
        return label[_NEAR_HALO_PX:-_NEAR_HALO_PX, _NEAR_HALO_PX:-_NEAR_HALO_PX]

    def _stacks(
        self,
        picture: NDArray[np.uint8],
        covered: NDArray[np.bool_],
        left_out: NDArray[np.bool_],
        box: Box,
        *,
        halo_px: int = HALO_PX,
    ) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
        """Labels and costs over a box grown by a halo."""
        cut = (slice(_SMOOTH_HALO_PX, -_SMOOTH_HALO_PX),) * 2
        colour = self._colour(picture, box.grown(halo_px))
        return label_stacks(
            colour,
            covered[cut],
            left_out[cut],
            self.table,
            self.rules,
            self.dots,
            settings=self.settings,
            alike=self.alike,
            edges=self.edges,
        )

    def _colour(self, picture: NDArray[np.uint8], box: Box) -> NDArray[np.float32]:
        """Colour over a box, smoothed and freed from drift; the picture reaches farther."""
        out = np.empty((*box.shape, 3), np.float32)
        for rows in strips_of(box.height):
            part = smoothed(picture[rows.start : rows.stop + 2 * _SMOOTH_HALO_PX])
            inner = part[_SMOOTH_HALO_PX:-_SMOOTH_HALO_PX, _SMOOTH_HALO_PX:-_SMOOTH_HALO_PX]
            place = Box(box.x0, box.y0 + rows.start, box.x1, box.y0 + rows.stop)
            np.divide(inner, self.drift.over(place), out=out[rows])
        return out

    def to_json(self) -> dict[str, Any]:
        """Everything fitted, to full precision."""
        return {
            "stacks": list(self.model.stacks),
            "mean": self.model.mean.tolist(),
            "covariance": self.model.covariance.tolist(),
            "drift": self.drift.coefficients.tolist(),
            "drift_box": list(self.drift.box),
            "dot_px": [None if np.isinf(area) else float(area) for area in self.dots.usual],
            "dot_least_px": self.dots.least.tolist(),
            "edges": self.edges.to_json(),
            "alike": [asdict(pair) for pair in self.alike],
        }

    @classmethod
    def read(
        cls,
        path: str | Path,
        *,
        layers: Sequence[str],
        stacks: Mapping[str, Stack],
        settings: SegmentSettings,
    ) -> Labeller:
        """Read a die's layers.json; the settings are those it was made under."""
        data = read_json(path)["fitted"]
        names = tuple(data["stacks"])
        return cls(
            ColourModel(names, np.array(data["mean"]), np.array(data["covariance"])),
            DriftField(Box(*data["drift_box"]), np.array(data["drift"])),
            LayerRules.of(names, layers, stacks),
            DotSizes(
                np.array([np.inf if area is None else area for area in data["dot_px"]]),
                np.array(data["dot_least_px"]),
            ),
            settings,
            Edges.of(data["edges"]),
            tuple(Lookalike(**pair) for pair in data["alike"]),
        )


def smoothed(picture: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Colour 0..255, smoothed against grain."""
    return cv2.GaussianBlur(picture.astype(np.float32), (0, 0), Labeller.SMOOTHING_PX)
