"""Content hashes that make a rule stale when what it relies on changes."""

from __future__ import annotations

import hashlib
import importlib.resources
from collections.abc import Iterator, Sequence
from importlib.resources.abc import Traversable

import shapely

from maskdelta.study import Mark

__all__ = ["code_digest", "marks_digest"]


def code_digest(*packages: str) -> str:
    """Hash of the source of packages of maskdelta.

    Snakemake does not follow imports; a rule that has this among its params is run again exactly
    when the content of these packages changes.

    Parameters
    ----------
    *packages : str
        Names below `maskdelta`, such as "register".
    """
    digest = hashlib.sha256()
    root = importlib.resources.files("maskdelta")
    for package in packages:
        for file in _files(root.joinpath(package)):
            digest.update(file.name.encode())
            digest.update(file.read_bytes())
    return digest.hexdigest()[:16]


def _files(folder: Traversable) -> Iterator[Traversable]:
    """Source files of a folder and the folders in it (page templates), in a fixed order."""
    for entry in sorted(folder.iterdir(), key=lambda f: f.name):
        if entry.is_dir():
            yield from _files(entry)
        elif not entry.name.endswith((".pyc", ".md")):
            yield entry


def marks_digest(marks: Sequence[Mark], role: str, dies: Sequence[str] = ()) -> str:
    """Hash of the marks of one role, of some dies or of all: edits elsewhere rerun nothing."""
    digest = hashlib.sha256()
    for mark in marks:
        if mark.role == role and (not dies or mark.die in dies):
            parts = (mark.label, mark.die, mark.view, mark.frame, mark.tile, mark.stack)
            numbers = (mark.reach_um, mark.row, mark.column, mark.value, mark.length_um)
            digest.update(repr((*parts, *numbers)).encode())
            digest.update(shapely.to_wkb(mark.geometry))
    return digest.hexdigest()[:16]
