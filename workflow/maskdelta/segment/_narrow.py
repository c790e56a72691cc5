"""Lines and gaps so narrow that no patch of them can be trusted.

A lens blurs what is narrower than a few px, and outlines are dark: a line shows its colour in a px
or two, a gap between two lines that lie close together nowhere. Both are told by what is around.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.segment._islands import of_size
from maskdelta.segment._rules import EIGHTHS, LayerRules

__all__ = ["mixed_gaps", "thin_lines"]

Array = NDArray[np.float64]


def thin_lines(
    colour: NDArray[np.float32],
    doubt: NDArray[np.uint8],
    usable: NDArray[np.bool_],
    seeds: NDArray[np.uint8],
    apart: NDArray[np.uint8],
    mean: Array,
    rules: LayerRules,
    *,
    reach_px: int = 7,
    around_px: int = 9,
    most_doubt: int = 25,
    least_level: float = 12.0,
    least_px: int = 6,
) -> NDArray[np.uint8]:
    """The stack of px amid narrow lines of one layer on bare ground, 255 elsewhere.

    The same ground must be trusted on both sides, since the outline between two stacks can have
    the colour of a third, and the colour must be more than a darker one of the ground's.

    Parameters
    ----------
    colour : (H, W, 3) float32
        0..255.
    doubt : (K, H, W) uint8
        Of the colours, tenths of a log unit.
    usable : (H, W) bool
        Px on no edge whose colour some stack may have.
    seeds : (H, W) uint8
        The stack of each trusted px; 255 elsewhere.
    apart : (K, H, W) uint8
        Distance from each stack's trusted px, eighths of a px.
    mean : (K, 3) float64
        Colours of the stacks.
    rules : LayerRules
    reach_px : int
        How far the ground's trusted px may be.
    around_px : int
        How far around a line its ground is looked for.
    most_doubt : int
    least_level : float
        Distance of a colour from all darker ones of the ground.
    least_px : int
        Fewer px in a row are no line.
    """
    out = np.full(seeds.shape, 255, np.uint8)
    upper = np.append(rules.hidden.any(1), np.zeros(256 - len(mean), bool))
    drawn = _drawn(rules)
    for a in drawn[~rules.present[drawn].any(1)]:
        beside = usable & (seeds == 255) & (apart[a] <= EIGHTHS * reach_px)
        for k in drawn[rules.present[drawn].sum(1) == 1]:
            place = np.flatnonzero(beside & (doubt[k] <= most_doubt) & (apart[k] > 2 * EIGHTHS))
            own = colour.reshape(-1, 3)[place]
            ray = mean[a] / np.linalg.norm(mean[a])
            darker = np.outer(own @ ray, ray)
            line = np.zeros(seeds.size, bool)
            line[place[np.linalg.norm(own - darker, axis=1) > least_level]] = True
            # around each px, not around a whole line, of which a block may hold a part only
            ground = _count(seeds == a, around_px)
            other = _count((seeds < 255) & (seeds != a) & (seeds != k) & ~upper[seeds], around_px)
            kept = line.reshape(seeds.shape) & (ground >= 2 * least_px) & (other <= 0.1 * ground)
            out[of_size(kept, least_px)] = k
    return out


def mixed_gaps(
    colour: NDArray[np.float32],
    far: NDArray[np.uint8],
    apart: NDArray[np.uint8],
    mean: Array,
    rules: LayerRules,
    *,
    odd_sigma: float = 2.0,
    kin_px: int = 24,
    open_px: float = 3.5,
    least_share: float = 0.3,
    least_rise: float = 0.2,
    least_px: int = 8,
) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """The ground of px amid narrow gaps, 255 elsewhere, and where it shows through at all.

    A px between two lines is taken for a mixture of both and of the ground beneath them, with
    shares that need not add up to one, since outlines are dark. Amid a gap the ground's share has a
    crest; at the outline of anything wider it goes on rising.

    Parameters
    ----------
    colour : (H, W, 3) float32
        0..255.
    far : (H, W) uint8
        Squared Mahalanobis distance of the likeliest stack, quarters.
    apart : (K, H, W) uint8
        Distance from each stack's trusted px, eighths of a px.
    mean : (K, 3) float64
        Colours of the stacks.
    rules : LayerRules
    odd_sigma : float
        Px nearer than this to a stack's colour are no mixture.
    kin_px, open_px : float
        Trusted px of the ground must lie within the first, and beyond the second.
    least_share, least_rise : float
        Of the ground in a crest, and how far it stands above what is around.
    least_px : int
        Crests of fewer px are noise.
    """
    out = np.full(far.shape, 255, np.uint8)
    through = np.zeros(far.shape, bool)
    drawn = _drawn(rules)
    if len(drawn) < 3:
        return out, through
    reach = 7 * EIGHTHS
    odd = np.flatnonzero((far > 4 * odd_sigma**2) & (apart.min(0) <= reach))
    distance = apart.reshape(len(apart), -1)[:, odd]
    near = distance[drawn]
    first = near.argmin(0)
    nearest = np.take_along_axis(near, first[None], 0)[0]
    np.put_along_axis(near, first[None], 255, 0)
    second = near.argmin(0)
    beyond = np.take_along_axis(near, second[None], 0)[0]
    between = (nearest <= reach) & (distance.min(0) == nearest)
    odd, distance, pair = (
        odd[between],
        distance[:, between],
        drawn[np.stack([first, second])[:, between]],
    )
    # what lies that far off takes no part: both sides of the gap are of one stack
    pair[1] = np.where(beyond[between] <= 10 * EIGHTHS, pair[1], pair[0])
    colours = colour.reshape(-1, 3)[odd]
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (7, 7))
    square = np.ones((5, 5), np.uint8)
    best = np.zeros(out.shape, np.float32)
    for c in drawn:
        # a ground lies beneath what is drawn, and holds less layers than either
        own = rules.present[c]
        over = (own <= rules.present).all(1) & (own != rules.present).any(1)
        use = over[pair].all(0) & (distance[c] > EIGHTHS * open_px)
        use = np.flatnonzero(use & (distance[c] <= EIGHTHS * kin_px))
        found = _ground_share(colours[use], pair[:, use], int(c), mean)
        if not (found > least_share).any():
            continue
        share = np.zeros(out.shape, np.float32)
        share.ravel()[odd[use]] = found
        rise = cv2.morphologyEx(share, cv2.MORPH_TOPHAT, disc)
        top = cv2.dilate(share, square)
        crest = (rise > least_rise) & (share > least_share) & (share >= 0.8 * top)
        crest = of_size(crest, least_px) & (share > best)
        out[crest] = c
        best[crest] = share[crest]
        through |= (cv2.dilate(crest.astype(np.uint8), square) > 0) & (share > 0.5 * top)
    return out, through


def _count(mask: NDArray[np.bool_], around_px: int) -> NDArray[np.float32]:
    """(H, W) px that are set in the square that reaches `around_px` to every side."""
    size = (2 * around_px + 1, 2 * around_px + 1)
    return cv2.boxFilter(
        mask.astype(np.float32), -1, size, normalize=False, borderType=cv2.BORDER_CONSTANT
    )


def _drawn(rules: LayerRules) -> NDArray[np.intp]:
    """Stacks that are told by distance: no dots, no dirt, nothing that hides others."""
    return np.flatnonzero(~rules.dot & ~rules.spoils & ~rules.hidden.any(1))


def _ground_share(
    colour: NDArray[np.float32],
    pair: NDArray[np.intp],
    ground: int,
    mean: Array,
    *,
    least_level: float = 10.0,
    most_miss: float = 10.0,
    less_than_none: float = 0.15,
) -> Array:
    """Share of a ground in (n, 3) colours between the stacks of `pair`, (2, n); 0 where it is none.

    A mixture is believed where no share is negative, nor the whole brighter than the stacks, and
    where the ground adds `least_level` that the others cannot.
    """
    out = np.zeros(len(colour))
    code = pair[0] * len(mean) + pair[1]
    for number in np.flatnonzero(np.bincount(code)):
        p, q = divmod(int(number), len(mean))
        own = np.flatnonzero(code == number)
        others = mean[[p]] if p == q else mean[[p, q]]
        basis = np.vstack([others, mean[ground]])
        shares = colour[own] @ np.linalg.pinv(basis)
        whole = np.clip(shares, 0, None).sum(1)
        alone = mean[ground] - mean[ground] @ np.linalg.pinv(others) @ others
        good = shares[:, -1] * np.linalg.norm(alone) > least_level
        good &= (shares[:, :-1] > -less_than_none).all(1) & (whole > 0.45) & (whole < 1.1)
        # three stacks explain any colour, two do not
        good &= np.linalg.norm(colour[own] - shares @ basis, axis=1) < most_miss
        out[own] = np.where(good, shares[:, -1] / np.maximum(whole, 1e-6), 0)
    return out
