"""Named sets of settings, kept as data beside this module."""

from __future__ import annotations

import dataclasses
import tomllib
from dataclasses import dataclass
from importlib import resources
from typing import Any

from maskdelta.phantom._films import Films
from maskdelta.phantom._paint import LookSettings
from maskdelta.phantom._specimen import SpecimenSettings
from maskdelta.phantom._stage import CameraSettings


@dataclass(frozen=True)
class DieSettings:
    """Arguments of `make_layout`."""

    width_um: int
    height_um: int
    memory_share: float
    text: str


@dataclass(frozen=True)
class Photographer:
    """One photographer: how the pictures look, and how they are taken."""

    look: LookSettings
    camera: CameraSettings


@dataclass(frozen=True)
class Preset:
    """All settings of a phantom study: the first photographer takes revision A."""

    name: str
    die: DieSettings
    specimen: SpecimenSettings
    photographers: tuple[Photographer, ...]

    def resized(self, width_um: int, height_um: int) -> Preset:
        """Return the same settings for a die of another size."""
        die = dataclasses.replace(self.die, width_um=width_um, height_um=height_um)
        return dataclasses.replace(self, die=die)


def load_preset(name: str) -> Preset:
    """Load a preset: ``sample``, ``ordinary`` or ``hard``."""
    table = tomllib.loads(
        resources.files("maskdelta.phantom").joinpath("presets.toml").read_text(encoding="utf-8")
    )
    if name not in table:
        raise ValueError(f"preset {name!r}; expected one of {', '.join(sorted(table))}")
    entry = table[name]
    return Preset(
        name,
        DieSettings(**entry["die"]),
        SpecimenSettings(**entry["specimen"]),
        tuple(_photographer(item) for item in entry["photographer"]),
    )


def _photographer(item: dict[str, Any]) -> Photographer:
    look = dict(item["look"])
    look["films"] = Films(**look["films"])
    for key in ("white", "outline"):
        look[key] = tuple(look[key])
    return Photographer(LookSettings(**look), CameraSettings(**item["camera"]))
