"""Which regions are listed, which are doubtful, and which are slips of the segmentation."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

from maskdelta.difference._edges import EdgeLook, learn_edges
from maskdelta.difference._inputs import Inputs
from maskdelta.difference._look import ShapeLook
from maskdelta.difference._regions import Region
from maskdelta.difference._second_look import SecondLook
from maskdelta.difference._spacing import measure_spacing_px, measure_width_px
from maskdelta.images import Raster
from maskdelta.study import DifferenceSettings

__all__ = ["SecondLooks", "judge"]


def judge(
    regions: list[Region],
    settings: DifferenceSettings,
    least_px: float,
    is_dot: Callable[[Region], bool] = lambda _: False,
) -> tuple[list[Region], list[Region], list[Region]]:
    """Regions to report, doubtful ones, and those where both photographs show the same.

    The last are slips of the segmentation: the layers differ, but the colours are those that
    unchanged places have for each other. What `is_dot` knows as a dot that only one photograph
    shows is listed even beside debris, or in colours somewhat usual for each other.
    """
    kept: list[Region] = []
    doubtful: list[Region] = []
    alike: list[Region] = []
    for region in regions:
        if region.affinity > settings.max_affinity / 2:
            alike.append(region)
            continue
        doubt = _doubt(region, settings, least_px)
        if doubt in ("usual colours", "near debris") and is_dot(region):
            doubt = ""
        if doubt:
            doubtful.append(replace(region, doubt=doubt))
        else:
            kept.append(region)
    return kept, doubtful, alike


def _doubt(region: Region, settings: DifferenceSettings, least_px: float) -> str:
    """Why a region is not listed; empty when it is."""
    if region.area_px < least_px or region.core_px < 3:
        return "small"
    if region.near_spoiled > 0.5:
        return "near debris"
    if region.soft_outline > settings.max_soft_frac:
        return "soft outline"
    if region.evidence < settings.min_evidence:
        return "weak evidence"
    if region.affinity > settings.max_affinity:
        return "usual colours"
    return ""


@dataclass(frozen=True)
class SecondLooks:
    """What is measured once for the looks at spacing, edges and shapes.

    Parameters
    ----------
    edges : EdgeLook
    spacing_px, width_px : dict of int to int
        Smallest spacing and width by plane.
    shapes : (ShapeLook, ShapeLook), optional
        What the shapes of both dies look like, where layers need it that are no dots.
    """

    edges: EdgeLook
    spacing_px: dict[int, int]
    width_px: dict[int, int]
    shapes: tuple[ShapeLook, ShapeLook] | None = None

    @classmethod
    def learn(cls, inputs: Inputs, layers: Iterable[int]) -> SecondLooks:
        """Measure for some of the compared layers, given by number."""
        before, after = inputs.before, inputs.after
        layers = set(layers)
        planes = {inputs.planes[layer] for layer in layers}
        spacing, width = (
            {plane: measure(before.membership, before.visible, plane) for plane in planes}
            for measure in (measure_spacing_px, measure_width_px)
        )
        return cls(
            learn_edges(before.mosaic, after.mosaic, inputs.registration.before_to_after),
            spacing,
            width,
            inputs.shapes() if layers - set(inputs.dots) else None,
        )

    def split(
        self,
        regions: list[Region],
        doubted: list[Region],
        states: Raster,
        inputs: Inputs,
        *,
        distance_px: float,
    ) -> tuple[list[Region], list[Region]]:
        """Regions that stand and those in doubt; `states` are of all layers before any doubt.

        `doubted` were in doubt before.
        """
        edges = replace(self.edges, before=inputs.before.mosaic, after=inputs.after.mosaic)
        shapes = self.shapes
        before = inputs.before.membership
        look = SecondLook(
            states,
            before,
            inputs.planes,
            self.spacing_px,
            edges,
            self.width_px,
            inputs.is_dot,
            {layer: looks[0].small_px for layer, looks in inputs.dots.items()},
            inputs.along_seam,
            inputs.on_odd_ground,
            inputs.unlike_dots,
            lambda region, own, box: (
                shapes is not None and inputs.unlike_shapes(region, own, box, shapes)
            ),
            inputs.over_cover,
            inputs.settings.max_soft_frac,
        )
        return look.split(regions, distance_px=distance_px, doubted=doubted)
