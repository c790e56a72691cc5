"""How far overlapping tiles agree on the stacks, in words for the page of a die."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from maskdelta.report._words import listing, number, percent, plain_name, plural
from maskdelta.study import read_json

__all__ = ["Sentence", "agreement_of"]

_GOOD = 0.99


@dataclass(frozen=True)
class Sentence:
    """A sentence of the page, and whether it is a warning."""

    text: str
    warns: bool = False


def agreement_of(folder: Path, view: str) -> list[Sentence]:
    """What the tiles of a view say of its layers; nothing where that was not looked at.

    Parameters
    ----------
    folder : path
        Of the view's results.
    view : str
        Its name.
    """
    path = folder / "tile_agreement.json"
    if not path.is_file():
        return []
    data = read_json(path)
    share = data["agree_frac"]
    if share is None:
        return [Sentence(f"No two tiles of the view {view} overlap where its layers are known.")]
    text = (
        f"Where tiles of the view {view} overlap, {percent(share, 2)} of {number(data['px'])} px "
        f"away from edges have the colour of the same stack in both tiles, in "
        f"{plural(data['patches'], 'patch', 'patches')} looked at.{_worst(data)}{_mixed(data)}"
    )
    if share >= _GOOD:
        return [Sentence(text)]
    text += (
        " That is little: look at focus and exposure of these tiles, and at the swatches of these "
        "stacks."
    )
    return [Sentence(text, warns=True)]


def _worst(data: Mapping[str, Any]) -> str:
    worst = data["worst"]
    if worst is None or worst["agree_frac"] == 1:
        return ""
    share = percent(worst["agree_frac"], 1)
    return f" Least of all agree {worst['file_a']} and {worst['file_b']}, by {share}."


def _mixed(data: Mapping[str, Any]) -> str:
    if not data["mixed"]:
        return ""
    return f" Mixed up most: {listing([plain_name(name) for name in data['mixed'][0]['stacks']])}."
