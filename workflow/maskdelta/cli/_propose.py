"""Propose the lattice of an array that a person has only outlined."""

from __future__ import annotations

import glob
import json
from pathlib import Path

import shapely
import yaml

from maskdelta.arrays import LatticeProposal, find_dots, propose_lattice
from maskdelta.errors import ArrayError
from maskdelta.images import Raster
from maskdelta.study import Frames, StudySettings, read_marks, read_study

__all__ = ["propose_array"]


def propose_array(config: str, die: str, label: str, *, layer: str = "contact") -> list[str]:
    """Propose rows, columns and three marks for an outlined array.

    The marks go to `results/dies/<die>/proposed/<label>.geojson`; a person who agrees copies the
    file to where the study's marks are, and the settings into the configuration.

    Parameters
    ----------
    config : str
    die : str
        Whose mosaic and layers are looked at; they must have been made.
    label : str
        Of the landmark that outlines the array.
    layer : str
        Whose dots set the bits.

    Returns
    -------
    list of str
        Lines for the person.

    Raises
    ------
    ArrayError
        When the outline or the layer is missing, or no lattice can be proposed.
    """
    study = read_study(config)
    if die not in study.dies:
        raise ArrayError(f"`{die}` is not under `dies` ({', '.join(study.dies)}).")
    outline = _outline(study, die, label)
    folder = Path("results/dies") / die
    with Raster.open(folder / "layers.ome.tif") as layers:
        if layer not in layers.planes:
            raise ArrayError(f"`{layer}` is not under `layers` ({', '.join(layers.planes)}).")
        dots, radius = find_dots(layers, layers.planes.index(layer), outline)
    proposal = propose_lattice(dots, radius)
    if proposal.why:
        raise ArrayError(
            f"no lattice is proposed for `{label}`: {proposal.why}; check the outline, or mark "
            "three corner cells (role `array_corner`) and count rows and columns."
        )
    path = folder / "proposed" / f"{label.replace('/', '_')}.geojson"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(_features(proposal, die, label), indent=1), encoding="utf-8")
    settings = {"arrays": {label: proposal.settings()}}
    return [
        f"# {100 * proposal.explained:.1f} % of {len(dots)} dots lie on the cells proposed; first",
        "# or last lines without a set bit cannot be seen. If you agree, add to the configuration:",
        *yaml.safe_dump(settings, sort_keys=False, default_flow_style=None).splitlines(),
        f"# and copy {path} to your marks ({', '.join(study.marks)}).",
    ]


def _outline(study: StudySettings, die: str, label: str) -> shapely.Polygon:
    """The landmark with the label, in the mosaic frame of the die."""
    links = glob.glob("results/dies/*/to_study.json")
    if f"results/dies/{die}/to_study.json" not in links:
        raise ArrayError(f"`{die}` has no results yet; run `maskdelta run` first.")
    frames = Frames(glob.glob("results/dies/*/*/tiles.csv"), links, "results/comparisons")
    named = [m for m in read_marks(study.marks) if m.role == "landmark" and m.label == label]
    moved = [frames.in_mosaic(mark, die) for mark in named]
    found = [m.geometry for m in moved if m and isinstance(m.geometry, shapely.Polygon)]
    if not found:
        raise ArrayError(
            f"no landmark `{label}` outlines a place of `{die}`; draw a polygon around the array, "
            "halfway to what lies beside it (role `landmark`)."
        )
    return found[0]


def _features(proposal: LatticeProposal, die: str, label: str) -> dict[str, object]:
    """Three corner cells as GeoJSON."""
    features = [
        {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": [round(v, 2) for v in corner.at_px]},
            "properties": {
                "role": "array_corner",
                "label": label,
                "frame": "mosaic",
                "die": die,
                "row": corner.row,
                "column": corner.column,
            },
        }
        for corner in proposal.corners()
    ]
    return {"type": "FeatureCollection", "features": features}
