"""The chain of transforms from a die's mosaic into the study frame."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from maskdelta.study._registration import Registration
from maskdelta.study._tables import read_json, write_json

__all__ = ["ToStudy", "link_path", "link_to_study"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class ToStudy:
    """Maps px of a die's mosaic to um of the study frame, and back.

    Parameters
    ----------
    die : str
    reference : str
        The die whose mosaic the chain ends in: the study's reference where `linked`, else the die
        itself.
    um_per_px : float
        Scale of the last mosaic of the chain; 1 when unknown, and then `unit` is px.
    unit : str
        um, or px when no scale is known.
    linked : bool
        Whether the die shares the study frame.
    steps : tuple of Registration
        Registrations to follow, each with its direction taken from the names.
    error_um : float
        95 % radius of the chain's error.
    middle_px : (float, float)
        Middle of the die's mosaic.
    """

    die: str
    reference: str
    um_per_px: float
    unit: str = "um"
    linked: bool = True
    steps: tuple[Registration, ...] = ()
    error_um: float = 0.0
    why: str = ""
    middle_px: tuple[float, float] = (0.0, 0.0)

    def to_study(self, points: ArrayLike) -> Array:
        """Map (n, 2) points from mosaic px to um."""
        p = np.asarray(points, float).reshape(-1, 2)
        at = self.die
        for step in self.steps:
            if step.after == at:
                p, at = step.after_to_before(p), step.before
            else:
                p, at = step.before_to_after(p), step.after
        return p * self.um_per_px

    def to_mosaic(self, points: ArrayLike) -> Array:
        """Map (n, 2) points from um to mosaic px."""
        p = np.asarray(points, float).reshape(-1, 2) / self.um_per_px
        at = self.reference
        for step in reversed(self.steps):
            if step.before == at:
                p, at = step.before_to_after(p), step.after
            else:
                p, at = step.after_to_before(p), step.before
        return p

    def um_per_mosaic_px(self, at_px: tuple[float, float] | None = None) -> float:
        """Side in um of one px of the die's mosaic, as seen in the study frame.

        Parameters
        ----------
        at_px : (float, float), optional
            Where; the middle of the mosaic unless given. A keystone changes it over the die.
        """
        x, y = self.middle_px if at_px is None else at_px
        half = 250.0
        p = self.to_study([[x - half, y], [x + half, y], [x, y - half], [x, y + half]])
        across, down = p[1] - p[0], p[3] - p[2]
        return float(np.sqrt(abs(across[0] * down[1] - across[1] * down[0]))) / (2 * half)

    def write(self, path: str | Path) -> None:
        """Write `to_study.json`; the steps are named, their files hold the transforms."""
        write_json(
            path,
            {
                "die": self.die,
                "reference": self.reference,
                "um_per_px": round(self.um_per_px, 9),
                "unit": self.unit,
                "linked": self.linked,
                "steps": [f"{step.before}--{step.after}" for step in self.steps],
                "error_um": round(self.error_um, 4),
                "why": self.why,
                "middle_px": list(self.middle_px),
            },
        )

    @classmethod
    def read(cls, path: str | Path, *, comparisons: str | Path) -> ToStudy:
        """Read `to_study.json`, and the registrations it names below `comparisons`."""
        data = read_json(path)
        steps = tuple(
            Registration.read(Path(comparisons) / name / "registration.json")
            for name in data.pop("steps")
        )
        data["middle_px"] = tuple(data.get("middle_px", (0.0, 0.0)))  # older files have none
        return cls(steps=steps, **data)


def link_path(pairs: Sequence[tuple[str, str]], die: str, reference: str) -> list[tuple[str, str]]:
    """Shortest chain of comparisons from a die to the reference.

    Parameters
    ----------
    pairs : sequence of (str, str)
        Comparisons as before, after.

    Returns
    -------
    list of (str, str)
        The comparisons to follow in order; empty when `die` is the reference or is not linked.
    """
    import networkx

    graph: networkx.Graph[str] = networkx.Graph()
    graph.add_nodes_from([die, reference])
    for before, after in pairs:
        graph.add_edge(before, after, pair=(before, after))
    if not networkx.has_path(graph, die, reference):
        return []
    path = networkx.shortest_path(graph, die, reference)
    return [graph.edges[a, b]["pair"] for a, b in itertools.pairwise(path)]


def link_to_study(
    die: str,
    reference: str,
    steps: Sequence[Registration],
    *,
    own_um_per_px: float | None,
    reference_um_per_px: float | None,
    middle_px: tuple[float, float] = (0.0, 0.0),
) -> ToStudy:
    """Link a die to the study frame by the registrations that lead there.

    Parameters
    ----------
    die, reference : str
    steps : sequence of Registration
        In order; empty when the die is the reference, or when no comparison leads there.
    own_um_per_px, reference_um_per_px : float or None
        Scales of the two mosaics; None when not known.
    middle_px : (float, float)
        Middle of the die's own mosaic.

    Returns
    -------
    ToStudy
        A die that is not linked keeps its own frame, and `why` says so.
    """
    refused = [f"{s.before}--{s.after}" for s in steps if not s.trusted]
    linked = die == reference or (bool(steps) and not refused)
    scale = reference_um_per_px if linked else own_um_per_px
    why = ""
    if refused:
        why = f"the registration {refused[0]} was refused; `{die}` keeps its own frame"
    elif not linked:
        why = f"no comparison leads from `{die}` to `{reference}`; it keeps its own frame"
    errors = [float(s.figures.get("left_out_p95_px", 0.0)) for s in steps] if linked else []
    return ToStudy(
        die=die,
        reference=reference if linked else die,
        um_per_px=scale or 1.0,
        unit="px" if scale is None else "um",
        linked=linked,
        steps=tuple(steps) if linked else (),
        error_um=float(np.sqrt(np.sum(np.square(errors)))) * (scale or 1.0),
        why=why,
        middle_px=middle_px,
    )
