"""Content hashes that make a rule stale when what it relies on changes."""

from __future__ import annotations

import hashlib
import importlib.resources
from collections.abc import Sequence

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
        for file in sorted(root.joinpath(package).iterdir(), key=lambda f: f.name):
            if file.is_file() and not file.name.endswith((".pyc", ".md")):
                digest.update(file.name.encode())
                digest.update(file.read_bytes())
    return digest.hexdigest()[:16]


def marks_digest(marks: Sequence[Mark], role: str, dies: Sequence[str] = ()) -> str:
    """Hash of the marks of one role, of some dies or of all: edits elsewhere rerun nothing."""
    digest = hashlib.sha256()
    for mark in marks:
        if mark.role == role and (not dies or mark.die in dies):
            parts = (mark.label, mark.die, mark.view, mark.frame, mark.tile, mark.stack)
            digest.update(repr((*parts, mark.reach_um)).encode())
            digest.update(shapely.to_wkb(mark.geometry))
    return digest.hexdigest()[:16]
