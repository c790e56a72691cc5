"""Lines and gaps so narrow that no patch of them can be trusted.

A lens blurs what is narrower than a few px, and outlines are dark: a line shows its colour in a px
or two, a gap between two lines that lie close together nowhere. Both are told by what is around.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from maskdelta.segment._compiled import compiled
from maskdelta.segment._parts import of_size
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
    drawn = rules.drawn()
    single = drawn[rules.present[drawn].sum(1) == 1]
    rivals = np.zeros(256, np.uint8)
    rivals[: len(mean)] = ~rules.hiding
    rival = cv2.LUT(seeds, rivals)
    for a in drawn[~rules.present[drawn].any(1)]:
        ray = mean[a] / np.linalg.norm(mean[a])
        ground = _count((seeds == a).view(np.uint8), around_px)
        for k in single:
            line = np.zeros(seeds.shape, np.uint8)
            found = _mark_line(
                np.ascontiguousarray(colour).reshape(-1, 3),
                doubt[k].reshape(-1),
                usable.reshape(-1),
                seeds.reshape(-1),
                apart[a].reshape(-1),
                apart[k].reshape(-1),
                ray,
                EIGHTHS * reach_px,
                most_doubt,
                least_level,
                line.reshape(-1),
            )
            if found < least_px:
                continue
            # around each px, not around a whole line, of which a block may hold a part only
            other = _count(rival * ((seeds != a) & (seeds != k)), around_px)
            kept = (line > 0) & (ground >= 2 * least_px) & (10 * other <= ground)
            out[of_size(kept, least_px)] = k
    return out


@compiled
def _mark_line(
    colour: NDArray[np.float32],
    doubt: NDArray[np.uint8],
    usable: NDArray[np.bool_],
    seeds: NDArray[np.uint8],
    from_ground: NDArray[np.uint8],
    from_own: NDArray[np.uint8],
    ray: Array,
    reach: int,
    most_doubt: int,
    least_level: float,
    out: NDArray[np.uint8],
) -> int:
    """Mark px near the ground that have a line's colour, not a darker one of the ground's."""
    found = 0
    for at in range(len(out)):
        if from_ground[at] > reach or doubt[at] > most_doubt or from_own[at] <= 2 * EIGHTHS:
            continue
        if not usable[at] or seeds[at] != 255:
            continue
        red, green, blue = colour[at]
        level = red * ray[0] + green * ray[1] + blue * ray[2]
        off = (red - level * ray[0]) ** 2 + (green - level * ray[1]) ** 2
        off += (blue - level * ray[2]) ** 2
        if off > least_level**2:
            out[at] = 1
            found += 1
    return found


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
    drawn = rules.drawn()
    if len(drawn) < 3:
        return out, through
    grounds, over = _grounds(rules, drawn)
    shares = np.zeros((len(grounds), *far.shape), np.uint8)
    most = _ground_shares(
        np.ascontiguousarray(colour).reshape(-1, 3),
        far.reshape(-1),
        apart.reshape(len(apart), -1),
        drawn,
        grounds,
        over,
        *_mixtures(mean, grounds),
        int(4 * odd_sigma**2),
        int(EIGHTHS * open_px),
        int(EIGHTHS * kin_px),
        shares.reshape(len(grounds), -1),
    )
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (7, 7))
    square = np.ones((5, 5), np.uint8)
    best = np.zeros(out.shape, np.uint8)
    for c, share in zip(
        grounds[most > _SHARES * least_share], shares[most > _SHARES * least_share], strict=True
    ):
        rise = cv2.morphologyEx(share, cv2.MORPH_TOPHAT, disc)
        top = cv2.dilate(share, square)
        crest = (rise > _SHARES * least_rise) & (share > _SHARES * least_share)
        crest &= share >= cv2.convertScaleAbs(top, alpha=0.8)
        crest = of_size(crest, least_px) & (share > best)
        out[crest] = c
        best[crest] = share[crest]
        around = cv2.dilate(crest.view(np.uint8), square) > 0
        through |= around & (share > cv2.convertScaleAbs(top, alpha=0.5))
    return out, through


def _count(mask: NDArray[np.uint8], around_px: int) -> NDArray[np.uint16]:
    """(H, W) px that are set in the square that reaches `around_px` to every side."""
    size = (2 * around_px + 1, 2 * around_px + 1)
    return cv2.boxFilter(mask, cv2.CV_16U, size, normalize=False, borderType=cv2.BORDER_CONSTANT)


def _grounds(
    rules: LayerRules, drawn: NDArray[np.intp]
) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """Stacks that lie beneath others, (g,), and beneath which, (g, K).

    A ground lies beneath what is drawn, and holds less layers than it.
    """
    over = np.zeros((len(drawn), len(rules.stacks)), bool)
    for n, c in enumerate(drawn):
        own = rules.present[c]
        over[n, drawn] = (own <= rules.present).all(1)[drawn]
        over[n] &= (own != rules.present).any(1)
    beneath = over.any(1)
    return drawn[beneath], over[beneath]


def _mixtures(mean: Array, grounds: NDArray[np.intp]) -> tuple[Array, Array, Array]:
    """How colours part into two stacks and a ground: (K, K, g, 3, 3), (K, K, g, 3, 3), (K, K, g).

    The shares of a colour as a matrix, the colours of the three, and how far the ground's lies off
    those that the stacks mix. The row of the second stack is empty where it is the first again.
    """
    count = len(mean)
    basis = np.zeros((count, count, len(grounds), 3, 3))
    basis[..., 0, :] = mean[:, None, None]
    basis[..., 1, :] = np.where(np.eye(count, dtype=bool)[..., None], 0, mean)[:, :, None]
    basis[..., 2, :] = mean[grounds]
    others = basis[..., :2, :]
    ground = basis[..., 2:, :]
    alone = ground - ground @ np.linalg.pinv(others) @ others
    level: Array = np.linalg.norm(alone, axis=(-2, -1))
    return np.asarray(np.linalg.pinv(basis)), basis, level


# shares are kept as whole numbers up to this
_SHARES = 200


@compiled
def _ground_shares(
    colour: NDArray[np.float32],
    far: NDArray[np.uint8],
    apart: NDArray[np.uint8],
    drawn: NDArray[np.intp],
    grounds: NDArray[np.intp],
    over: NDArray[np.bool_],
    solve: Array,
    basis: Array,
    level: Array,
    odd: int,
    open_eighths: int,
    kin_eighths: int,
    out: NDArray[np.uint8],
) -> NDArray[np.int64]:
    """Fill in the share (g, n) of each ground in (n, 3) colours of px between two stacks.

    A mixture is believed where no share is negative, nor the whole brighter than the stacks, and
    where the ground adds what the others cannot. Returns the largest shares, (g,).
    """
    reach, both = 7 * EIGHTHS, 10 * EIGHTHS
    least_level, most_miss, less_than_none = 10.0, 10.0, 0.15
    most = np.zeros(len(grounds), np.int64)
    for at in range(len(far)):
        if far[at] <= odd:
            continue
        nearest, beyond, first, second = 255, 255, drawn[0], drawn[0]
        for k in drawn:
            here = apart[k, at]
            if here < nearest:
                beyond, second = nearest, first
                nearest, first = here, k
            elif here < beyond:
                beyond, second = here, k
        if nearest > reach:
            continue
        for k in range(len(apart)):
            if apart[k, at] < nearest:
                nearest = -1
                break
        if nearest < 0:
            continue
        # what lies that far off takes no part: both sides of the gap are of one stack
        p, q = first, second if beyond <= both else first
        for n in range(len(grounds)):
            here = apart[grounds[n], at]
            if here <= open_eighths or here > kin_eighths or not (over[n, p] and over[n, q]):
                continue
            parts, mix = solve[p, q, n], basis[p, q, n]
            red, green, blue = colour[at]
            a = red * parts[0, 0] + green * parts[1, 0] + blue * parts[2, 0]
            b = red * parts[0, 1] + green * parts[1, 1] + blue * parts[2, 1]
            c = red * parts[0, 2] + green * parts[1, 2] + blue * parts[2, 2]
            whole = max(a, 0.0) + max(b, 0.0) + max(c, 0.0)
            if c * level[p, q, n] <= least_level or min(a, b) <= -less_than_none:
                continue
            if whole <= 0.45 or whole >= 1.1:
                continue
            # three stacks explain any colour, two do not
            miss = (red - a * mix[0, 0] - b * mix[1, 0] - c * mix[2, 0]) ** 2
            miss += (green - a * mix[0, 1] - b * mix[1, 1] - c * mix[2, 1]) ** 2
            miss += (blue - a * mix[0, 2] - b * mix[1, 2] - c * mix[2, 2]) ** 2
            if miss < most_miss**2:
                out[n, at] = int(np.rint(_SHARES * c / whole))
                most[n] = max(most[n], out[n, at])
    return most
