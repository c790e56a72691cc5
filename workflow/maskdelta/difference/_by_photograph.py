"""Layers of one comparison that are looked at in other photographs than the main ones."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from maskdelta.difference._difference import Differences
from maskdelta.difference._inputs import DiePair
from maskdelta.difference._regions import Region

__all__ = ["by_photograph", "joined"]


def by_photograph(pair: DiePair, planes: Sequence[str]) -> list[DiePair]:
    """The pair, once for each two photographs that show some of its layers.

    What lies under metal is seen in the views without it. A second look in the photographs with
    metal on would find metal in both, whatever the layers below do, and call them unchanged.
    Layers that a further view of both dies shows are therefore looked at in these; where only one
    die has such a view, the layer is compared only where both main views show it, and looked at
    there.

    Parameters
    ----------
    pair : DiePair
    planes : sequence of str
        Layers of the stacks, in order.

    Returns
    -------
    list of DiePair
        Whose settings name the layers; those of the main photographs first. All layers of a pair
        without further views are in one.
    """
    before, after = pair.before.seen_in(), pair.after.seen_in()
    groups: dict[tuple[Path, ...], tuple[DiePair, list[str]]] = {}
    for name in planes:
        if pair.settings.layers and name not in pair.settings.layers:
            continue
        found = pair
        if name in before and name in after:
            seen = (before[name], after[name])
            found = replace(pair, mosaics=[s.mosaic for s in seen], labels=[s.labels for s in seen])
        key = tuple(Path(path) for path in found.mosaics)
        groups.setdefault(key, (found, []))[1].append(name)
    return [
        replace(found, settings=found.settings.model_copy(update={"layers": tuple(names)}))
        for found, names in groups.values()
    ]


def joined(parts: Sequence[Differences], planes: Sequence[str]) -> Differences:
    """What was found in several photographs as one list; layers in the order of the stacks."""
    found = {name for part in parts for name in part.layers}
    layers = tuple(name for name in planes if name in found)

    def renumbered(part: Differences, regions: Sequence[Region]) -> list[Region]:
        return [replace(r, layer=layers.index(part.layers[r.layer])) for r in regions]

    return Differences(
        layers,
        [region for part in parts for region in renumbered(part, part.regions)],
        [region for part in parts for region in renumbered(part, part.doubtful)],
    )
