"""What is needed to repeat a study."""

from __future__ import annotations

import importlib.metadata
import platform
from collections.abc import Mapping
from glob import glob
from pathlib import Path
from typing import Any

import maskdelta
from maskdelta.images import file_sha256
from maskdelta.study import Poses, write_json

__all__ = ["write_provenance"]

_LIBRARIES = (
    "numpy",
    "scipy",
    "scikit-image",
    "opencv-python-headless",
    "tifffile",
    "imagecodecs",
    "pydantic",
    "shapely",
    "snakemake",
)


def write_provenance(path: str | Path, results: str | Path, study: Mapping[str, Any]) -> None:
    """Write inputs by hash, settings and versions; nothing that differs between equal runs.

    Parameters
    ----------
    path : path
    results : path
        Folder of the results.
    study : mapping
        The expanded configuration.
    """
    inputs = {}
    for poses in sorted(Path(results).glob("dies/*/*/tiles.csv")):
        die, view = poses.parts[-3:-1]
        inputs[f"{die}/{view}"] = {tile.file: tile.sha256 for tile in Poses.read(poses)}
    marks = sorted({file for pattern in study["marks"] for file in glob(pattern)})
    write_json(
        path,
        {
            "inputs": inputs,
            "marks": {file: file_sha256(file) for file in marks},
            "settings": dict(study),
            "versions": {
                "maskdelta": maskdelta.__version__,
                "python": platform.python_version(),
                **{name: importlib.metadata.version(name) for name in _LIBRARIES},
            },
        },
    )
