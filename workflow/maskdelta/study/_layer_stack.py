"""The layers of one die as files."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

__all__ = ["LayerStack"]


@dataclass(frozen=True)
class LayerStack:
    """Where the layer files of a die lie; see `segment` for what they hold."""

    folder: Path

    @property
    def membership(self) -> Path:
        """A plane a layer, 0..255."""
        return self.folder / "layers.ome.tif"

    @property
    def visible(self) -> Path:
        """A plane a layer, 255 where presence or absence can be seen."""
        return self.folder / "layers_visible.tif"

    @property
    def inferred(self) -> Path:
        """A plane a layer, 255 where it is continued under what hides it."""
        return self.folder / "layers_inferred.tif"

    @property
    def confidence(self) -> Path:
        """Probability of the label, 0..255."""
        return self.folder / "layers_confidence.tif"

    @property
    def labels(self) -> Path:
        """Index of the stack."""
        return self.folder / "labels.tif"

    @property
    def summary(self) -> Path:
        """Planes, colours, confusion of the swatches."""
        return self.folder / "layers.json"
