"""The layers of one die as files."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from maskdelta.study._tables import read_json

__all__ = ["LaidPhotograph", "LayerStack"]


@dataclass(frozen=True)
class LaidPhotograph:
    """Where the photograph of a further view lies, in the frame of the main one; see `lay_view`."""

    folder: Path

    @property
    def mosaic(self) -> Path:
        """RGB, 8 bits."""
        return self.folder / "laid.ome.tif"

    @property
    def labels(self) -> Path:
        """SPOILED where the px shown is debris or damage, else 0."""
        return self.folder / "laid_labels.tif"


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

    def seen_in(self) -> dict[str, LaidPhotograph]:
        """By layer, the photograph of a further view that shows it; the others are in the main one.

        Empty for a die whose layers come from one view.
        """
        views = read_json(self.summary).get("merged", {}).get("seen_in", {})
        return {layer: LaidPhotograph(self.folder / view) for layer, view in views.items()}
