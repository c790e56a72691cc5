"""What an earlier run fixed: poses, pairs and flat field that a rerun keeps."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from maskdelta.study import Pose, Poses, StitchSettings, write_json
from maskdelta.survey import FlatField

__all__ = ["Anchor"]


@dataclass(frozen=True)
class Anchor:
    """An earlier placement.

    Parameters
    ----------
    poses : Poses or None
        None when there is no earlier run, or when it was made with other settings.
    pairs : sequence of mapping
        Rows of its table `pairs`.
    flat_field : FlatField or None
    """

    poses: Poses | None = None
    pairs: Sequence[Mapping[str, Any]] = ()
    flat_field: FlatField | None = None

    def write(self, path: str | Path, *, settings: StitchSettings) -> None:
        """Write the anchor, whole or not at all: a killed run leaves the earlier one."""
        if self.poses is None or self.flat_field is None:
            raise ValueError("an anchor without poses and flat field cannot be written")
        path = Path(path)
        part = path.with_name(path.name + ".part")
        write_json(
            part,
            {
                "settings": _digest(settings),
                "tiles": [vars(pose) for pose in self.poses.placed],
                "pairs": [dict(pair) for pair in self.pairs],
                "flat_field": self.flat_field.to_mapping(),
            },
        )
        part.replace(path)

    @classmethod
    def read(cls, path: str | Path, *, settings: StitchSettings) -> Anchor:
        """Read an anchor; empty when there is none, or `refit` or other settings void it."""
        try:
            data = json.loads(Path(path).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return cls()
        if settings.refit or data.get("settings") != _digest(settings):
            return cls()
        poses = Poses(tuple(Pose(**row) for row in data["tiles"]))
        flat_field = FlatField.from_mapping(data["flat_field"])
        return cls(poses, data["pairs"], flat_field)


def _digest(settings: StitchSettings) -> str:
    text = settings.model_dump_json(exclude={"refit"})
    return hashlib.sha256(text.encode()).hexdigest()[:16]
