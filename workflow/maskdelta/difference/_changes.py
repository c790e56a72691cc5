"""Regions -> changes: grouped, named, ranked near landmarks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import shapely
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from shapely.geometry.base import BaseGeometry

from maskdelta.difference._regions import Region
from maskdelta.difference._specimens import Seen
from maskdelta.register import ErrorMap
from maskdelta.study import Mark, ToStudy, Verdict

__all__ = ["Change", "Landmark", "group_regions", "landmark_of", "rank_changes"]


@dataclass(frozen=True)
class Landmark:
    """A labelled place in um of the study frame with the distance it reaches."""

    label: str
    geometry: BaseGeometry
    reach_um: float

    @property
    def area(self) -> BaseGeometry:
        """The area looked at: the landmark's own, or a disc of its reach around a point."""
        return self.geometry if self.geometry.area > 0 else self.geometry.buffer(self.reach_um)


def landmark_of(mark: Mark, reach_um: float) -> Landmark:
    """A landmark from a mark in the study frame."""
    return Landmark(mark.label, mark.geometry, mark.reach_um or reach_um)


@dataclass(frozen=True)
class Change:
    """Regions that belong together.

    Parameters
    ----------
    regions : tuple of Region
        px of the raster before.
    x_um, y_um : float
        Centroid of the changed area, study frame.
    box_um : (x0, y0, x1, y1)
    added_um2, removed_um2 : float
    error_um : float
    evidence, affinity : float
        Means of the regions', weighted by area; see `Region`.
    landmark : str
        Nearest landmark within its reach; empty where none.
    landmark_distance_um, landmark_bearing_deg : float or None
        Direction from the landmark as the study frame shows it: 0 up, 90 to the right; none inside
        it.
    score : float
        What the ranking sorts by.
    verdict : Verdict or None
    kind : str
        Word of `classify`; empty until it has been asked.
    moved_um : (float, float) or None
        Displacement, for the kind `moved`.
    seen : Seen
        In which specimens it shows.
    """

    regions: tuple[Region, ...]
    layers: tuple[str, ...]
    x_um: float
    y_um: float
    box_um: tuple[float, float, float, float]
    added_um2: float
    removed_um2: float
    error_um: float
    evidence: float
    affinity: float
    landmark: str = ""
    landmark_distance_um: float | None = None
    landmark_bearing_deg: float | None = None
    score: float = 0.0
    verdict: Verdict | None = None
    kind: str = ""
    moved_um: tuple[float, float] | None = None
    seen: Seen = field(default_factory=Seen)

    @property
    def changed_um2(self) -> float:
        """Added and removed area together."""
        return self.added_um2 + self.removed_um2

    @property
    def balance(self) -> str:
        """added, removed, or altered when both are more than a tenth."""
        share = self.added_um2 / max(self.changed_um2, 1e-12)
        return "added" if share > 0.9 else "removed" if share < 0.1 else "altered"

    @property
    def rejected(self) -> bool:
        """Whether a person said that this is no change."""
        return self.verdict is not None and self.verdict.ruling == "rejected"

    def since_verdict(self, least_um2: float) -> str:
        """What is no longer as it was when judged, in words; empty when nothing is.

        Areas count as altered when they differ by more than a tenth and by more than `least_um2`.
        """
        if self.verdict is None:
            return ""
        words = []
        was = self.verdict.area_um2
        if was is not None and abs(self.changed_um2 - was) > max(0.1 * was, least_um2):
            words.append(f"area was {was:.1f}, is {self.changed_um2:.1f}")
        if set(self.verdict.layers) != set(self.layers):
            words.append(f"layers were {' '.join(self.verdict.layers)}")
        return "; ".join(words)

    @property
    def name(self) -> str:
        """Lasting name: layers and place to one um."""
        return f"{'+'.join(self.layers)}@{self.x_um:.0f},{self.y_um:.0f}"


def group_regions(regions: Sequence[Region], *, distance_px: float) -> list[list[Region]]:
    """Groups of regions whose boxes lie within a distance of each other."""
    if not regions:
        return []
    tree = shapely.STRtree([shapely.box(*r.box) for r in regions])
    boxes = np.array([shapely.box(*r.box) for r in regions])
    pairs = tree.query(boxes, predicate="dwithin", distance=distance_px)
    graph = coo_matrix(
        (np.ones(pairs.shape[1]), (pairs[0], pairs[1])), (len(regions), len(regions))
    )
    count, member = connected_components(graph, directed=False)
    groups: list[list[Region]] = [[] for _ in range(count)]
    for region, number in zip(regions, member, strict=True):
        groups[number].append(region)
    return groups


def make_change(
    regions: Sequence[Region],
    layers: Sequence[str],
    origin: tuple[int, int],
    link: ToStudy,
    error: ErrorMap,
) -> Change:
    """Measure a group in the study frame.

    Parameters
    ----------
    regions : sequence of Region
    layers : sequence of str
        Names by number.
    origin : (int, int)
        Of the raster in the mosaic frame.
    link : ToStudy
        Of the die before.
    error : ErrorMap
    """
    area = np.array([r.area_px for r in regions], float)
    centres = np.array([[r.x, r.y] for r in regions]) + origin
    middle = (centres * area[:, None]).sum(0) / area.sum()
    corners = np.array([[b.x0, b.y0, b.x1, b.y1] for b in (r.box for r in regions)], float)
    x0, y0 = corners[:, :2].min(0) + origin - 0.5
    x1, y1 = corners[:, 2:].max(0) + origin - 0.5
    first = centres[0][None]
    outline = link.to_study(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]))
    (bx0, by0), (bx1, by1) = outline.min(0), outline.max(0)
    (x_um, y_um), *_ = link.to_study(middle[None])
    um_per_px = link.um_per_mosaic_px((float(middle[0]), float(middle[1])))
    unit = um_per_px**2
    return Change(
        regions=tuple(regions),
        layers=tuple(layers[k] for k in sorted({r.layer for r in regions})),
        x_um=float(x_um),
        y_um=float(y_um),
        box_um=(float(bx0), float(by0), float(bx1), float(by1)),
        added_um2=float(area[[r.sign == 1 for r in regions]].sum() * unit),
        removed_um2=float(area[[r.sign == 2 for r in regions]].sum() * unit),
        error_um=float(error.at(first)[0] * um_per_px),
        evidence=float(np.average([r.evidence for r in regions], weights=area)),
        affinity=float(np.average([r.affinity for r in regions], weights=area)),
    )


def rank_changes(changes: Sequence[Change], landmarks: Sequence[Landmark]) -> list[Change]:
    """Sort changes by area near landmarks.

    The rule: changed area / (1 + distance to the nearest landmark / that landmark's reach).
    Without landmarks it is the changed area. Ties go by place, top to bottom. Changes that a person
    has rejected come last.
    """
    ranked = []
    for change in changes:
        box = shapely.box(*change.box_um)
        apart = [
            (mark.geometry.distance(box) / mark.reach_um, n) for n, mark in enumerate(landmarks)
        ]
        if not apart:
            ranked.append(replace(change, score=change.changed_um2))
            continue
        relative, nearest = min(apart)
        mark = landmarks[nearest]
        within = relative <= 1
        ranked.append(
            replace(
                change,
                score=change.changed_um2 / (1 + relative),
                landmark=mark.label if within else "",
                landmark_distance_um=relative * mark.reach_um if within else None,
                landmark_bearing_deg=_bearing_deg(mark.geometry, box) if within else None,
            )
        )
    return sorted(ranked, key=lambda c: (c.rejected, -round(c.score, 6), c.y_um, c.x_um))


def _bearing_deg(geometry: BaseGeometry, box: BaseGeometry) -> float | None:
    """Direction of the shortest way from a landmark to a change; none where they touch."""
    (x0, y0), (x1, y1) = shapely.shortest_line(geometry, box).coords
    if (x0, y0) == (x1, y1):
        return None
    return float(np.degrees(np.arctan2(x1 - x0, y0 - y1)) % 360)
