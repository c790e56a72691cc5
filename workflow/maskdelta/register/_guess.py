"""First guesses of the map: features on several reduced pictures, or a person's point pairs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from maskdelta.images import eight_bits
from maskdelta.register._control import Side
from maskdelta.register._features import FeatureMatch, match_features
from maskdelta.register._pair import Pair
from maskdelta.study import (
    RegisterSettings,
    apply_affine,
    compose_affine,
    fit_similarity,
    invert_affine,
)

__all__ = ["POINT_PAIRS", "from_point_pairs", "guess_maps", "in_mosaic_px"]

Array = NDArray[np.float64]

POINT_PAIRS = "point pairs"
"""Kind of a hypothesis that comes from a person."""


def guess_maps(pair: Pair) -> list[FeatureMatch]:
    """Hypotheses in full mosaic px, from several reduced pictures: coarse ones see blocks, fine
    ones see single shapes, and a die of few large shapes has only the former."""
    found: list[FeatureMatch] = []
    for shrink in (2, 4, 8, 1):
        longest = pair.settings.feature_px // shrink
        sides = [replace(s, level=s.mosaic.level_for(longest)) for s in (pair.before, pair.after)]
        if shrink > 1 and max(max(s.box.width, s.box.height) for s in sides) < 200:
            continue
        pictures = [eight_bits(s.picture(s.box)) for s in sides]
        masks = [s.covered(s.box).astype(np.uint8) * 255 for s in sides]
        for match in match_features(*pictures, mask_before=masks[0], mask_after=masks[1]):
            affine = in_mosaic_px(match.affine_after_to_before, *sides)
            if _believable(affine):
                found.append(replace(match, affine_after_to_before=affine))
        found.sort(key=lambda m: -m.inliers)
        if found and _clear(found, pair.settings):
            break
    return found


def from_point_pairs(before_px: Array, after_px: Array) -> FeatureMatch:
    """A person's point pairs as the only hypothesis: a similarity, whichever mirror fits better."""
    fits = [fit_similarity(after_px, before_px, mirror=mirror) for mirror in (False, True)]
    misses = [np.hypot(*(apply_affine(m, after_px) - before_px).T).sum() for m in fits]
    best = int(np.argmin(misses))
    return FeatureMatch(fits[best], bool(best), len(before_px), len(before_px), 1.0, POINT_PAIRS)


def _believable(affine: Array) -> bool:
    """Whether two photographs of a flat thing could lie so: scale 0.2 to 5, little askew."""
    largest, least = np.linalg.svd(affine[:, :2], compute_uv=False)
    return bool(least > 0.2 and largest < 5 and largest < 1.5 * least)


def _clear(found: list[FeatureMatch], settings: RegisterSettings) -> bool:
    """Whether the best hypothesis needs no second opinion from other levels."""
    rival = max((g.inliers for g in found if g.mirror != found[0].mirror), default=0)
    enough = found[0].inliers >= 3 * max(settings.min_inliers, rival)
    return enough and found[0].spread_frac > 0.1


def in_mosaic_px(affine: Array, before: Side, after: Side) -> Array:
    """An affine map between level arrays (0-based) as one between mosaic frames."""

    def array_to_mosaic(side: Side) -> Array:
        x, y = side.box[:2]
        return compose_affine(side.to_mosaic(), np.array([[1.0, 0, x], [0, 1.0, y]]))

    inverse = invert_affine(array_to_mosaic(after))
    return compose_affine(compose_affine(array_to_mosaic(before), affine), inverse)
