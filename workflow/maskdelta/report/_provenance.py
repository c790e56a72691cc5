"""What is needed to repeat a study."""

from __future__ import annotations

import importlib.metadata
import platform
import re
from collections.abc import Mapping
from glob import glob
from pathlib import Path
from typing import Any

import maskdelta
from maskdelta.images import file_sha256
from maskdelta.study import Poses, write_json

__all__ = ["write_provenance"]


def write_provenance(path: str | Path, results: str | Path, study: Mapping[str, Any]) -> None:
    """Write inputs by hash, settings and versions; nothing that differs between equal runs.

    Parameters
    ----------
    path : path
    results : path
        Folder of the results.
    study : mapping
        The expanded configuration.

    Notes
    -----
    Paths below the working folder are written relative to it; of others only the last two parts
    are kept, so that the file tells nothing of the machine.
    """
    inputs = {}
    for poses in sorted(Path(results).glob("dies/*/*/tiles.csv")):
        die, view = poses.parts[-3:-1]
        inputs[f"{die}/{view}"] = {tile.file: tile.sha256 for tile in Poses.read(poses)}
    write_json(
        path,
        {
            "inputs": inputs,
            "files": {_portable(file): file_sha256(file) for file in _files(study)},
            "settings": _without_machine(study),
            "versions": _versions(),
        },
    )


def _files(study: Mapping[str, Any]) -> list[str]:
    """Files besides the tiles that the results depend on: marks, positions, a person's tables."""
    patterns = [*study.get("marks", ())]
    patterns += [study[key] for key in ("verdicts", "bit_corrections") if study.get(key)]
    patterns += [
        view[key]
        for die in study.get("dies", {}).values()
        for view in die.get("views", {}).values()
        for key in ("positions", "overview")
        if view.get(key)
    ]
    return sorted({file for pattern in patterns for file in glob(pattern)})


def _portable(text: str) -> str:
    """A path without the machine's own folders."""
    path = Path(text)
    if not path.is_absolute():
        return text
    try:
        return path.relative_to(Path.cwd()).as_posix()
    except ValueError:
        return "/".join(("\N{HORIZONTAL ELLIPSIS}", *path.parts[-2:]))


def _without_machine(value: Any) -> Any:
    """Settings with portable paths."""
    if isinstance(value, Mapping):
        return {str(key): _without_machine(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple):
        return [_without_machine(entry) for entry in value]
    return _portable(value) if isinstance(value, str) else value


def _versions() -> dict[str, str]:
    """Versions of Python, of maskdelta and of the libraries it needs to run."""
    needed = importlib.metadata.requires("maskdelta") or []
    names = [re.split(r"[\s<>=!~;\[(]", line)[0] for line in needed if "extra ==" not in line]
    found = {name: importlib.metadata.version(name) for name in names}
    return {"maskdelta": maskdelta.__version__, "python": platform.python_version(), **found}
