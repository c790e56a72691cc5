"""A second look at candidates that does not rest on the layers: which colours go together."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.difference._pairs import PatchPair, smoothed

__all__ = ["JointColours", "learn_joint_colours"]


@dataclass(frozen=True)
class JointColours:
    """How often each colour before meets each colour after, all over the two dies.

    Most of a die is unchanged, so a pair of colours that meets often is the same stack seen by two
    photographers; one that meets far more seldom than either colour meets its usual counterpart is
    a change (or dirt). This needs no swatch and no outline, and so is independent of the
    segmentation. Chance is no measure: where a third of all contacts is new, new ones meet bare
    metal more often than by chance. A colour that only a stained place has is rare, but what it
    meets there is its usual counterpart.

    Parameters
    ----------
    index_before, index_after : (32768,) uint8
        Cluster of each colour, 32 levels a channel.
    affinity : (n, n) float32
        Log of how often a pair meets, over how often the more common of its colours meets its
        usual counterpart; 0 where one is the usual counterpart of the other, clipped at -6.
    """

    index_before: NDArray[np.uint8]
    index_after: NDArray[np.uint8]
    affinity: NDArray[np.float32]

    def look(self, before: NDArray[np.uint8], after: NDArray[np.uint8]) -> NDArray[np.float32]:
        """Affinity at each px of two (H, W, 3) pictures in the same frame.

        The best of the px itself and its four neighbours after is taken, so that a displacement of
        one px at an edge does not look like a change.
        """
        first = self.index_before[_rough(smoothed(before))]
        second = self.index_after[_rough(smoothed(after))]
        best = self.affinity[first, second]
        for dy, dx in ((0, 1), (0, -1), (1, 0), (-1, 0)):
            moved = np.roll(second, (dy, dx), (0, 1))
            np.maximum(best, self.affinity[first, moved], out=best)
        return best


def _rough(image: NDArray[np.uint8]) -> NDArray[np.int32]:
    level = (image >> 3).astype(np.int32)
    return (level[..., 0] << 10) | (level[..., 1] << 5) | level[..., 2]


def learn_joint_colours(pairs: Iterable[PatchPair], *, clusters: int = 32) -> JointColours:
    """Learn from patches spread over the overlap of two dies.

    Parameters
    ----------
    pairs : iterable of PatchPair
    clusters : int
        Colours per die.

    Returns
    -------
    JointColours
    """
    colours_b, colours_a = [], []
    for pair in pairs:
        thin = pair.seen[::3, ::3]
        colours_b.append(smoothed(pair.before)[::3, ::3][thin])
        colours_a.append(smoothed(pair.after)[::3, ::3][thin])
    first, second = np.concatenate(colours_b), np.concatenate(colours_a)
    index_b, index_a = _clusters(first, clusters), _clusters(second, clusters)
    table = np.zeros((clusters, clusters))
    np.add.at(table, (index_b[_rough(first)], index_a[_rough(second)]), 1.0)
    return JointColours(index_b, index_a, _affinity(table))


def _clusters(colours: NDArray[np.uint8], count: int) -> NDArray[np.uint8]:
    """k-means of the colours, as a table over 32 levels a channel.

    Drawn evenly from the colours that occur, not from the px: rare stacks keep clusters of their
    own, though most of a die is field oxide.
    """
    occurring, times = np.unique(_rough(colours), return_counts=True)
    occurring = occurring[times >= 3]
    centres = np.stack([occurring >> 10, (occurring >> 5) & 31, occurring & 31], -1) * 8.0 + 3.5
    weighted = np.repeat(centres, np.minimum(times[times >= 3], 30) // 3, axis=0)
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 40, 0.2)
    cv2.setRNGSeed(12345)
    _, _, means = cv2.kmeans(
        weighted.astype(np.float32), count, None, criteria, 2, cv2.KMEANS_PP_CENTERS
    )
    grid = np.arange(32) * 8 + 3.5
    every = np.stack(np.meshgrid(grid, grid, grid, indexing="ij"), -1).reshape(-1, 3)
    apart = ((every[:, None] - means[None]) ** 2).sum(-1)
    return apart.argmin(1).astype(np.uint8)


def _affinity(table: NDArray[np.float64], *, usual: float = 0.9) -> NDArray[np.float32]:
    """Counts relative to the largest of their row and column; half a count keeps them finite."""
    joint = table + 0.5
    shares = np.stack([joint / joint.max(k, keepdims=True) for k in (0, 1)])
    rare = np.where(shares.max(0) >= usual, 1.0, shares.min(0))
    return np.clip(np.log(rare), -6, 0).astype(np.float32)
