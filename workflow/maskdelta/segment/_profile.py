"""Mean profiles across labelled outlines, and what they say of the true edge.

A profile is explained by what a camera makes of an edge. Light falls as a step from one stack to
the other, darkened by a line of a Gaussian's shape amid it: with a and b the linear light of the
stacks in red, green and blue, x the distance from the true edge and p the share that the line
takes,

    light(x) = (a [x < 0] + b [x > 0]) (1 - p exp(-x^2 / 2 w^2))  blurred by the lens.

It is encoded, taken apart into luma and chroma, and these are blurred: by what was smoothed and by
the scatter of the labels, the chroma also by what JPEG or a mosaic of filters does to it. All
three together tell where the edge is. By luma alone a strong line can hardly be told from a wide
step, which put edges up to 0.3 px off, and what is encoded, blurred as if it were light, put those
of metal 0.1 px off. Own idea; the step with a line is the least that shows both. From the curve,
the linear function of the picture that tells best where a px lies is worked out (least mean square
error, as in any text on linear estimation).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
import scipy.optimize
from numpy.typing import NDArray
from scipy.special import ndtr

from maskdelta.images import distance_to, srgb_curve, srgb_inverse
from maskdelta.segment._colour_model import LUMA, ColourModel
from maskdelta.segment._dot_profile import DotProfile, RoundDot, explain_dot
from maskdelta.segment._labeller import Labeller
from maskdelta.segment._outlines import JITTER_PX, RIM_PX, SAMPLES_PX, Edges
from maskdelta.segment._rules import UNKNOWN, LayerRules

__all__ = ["Profiles", "fit_edges"]

Array = NDArray[np.float64]
_SPAN_PX = 5
# what other stacks beside dots reach
_CLEAR_PX = 3
_BINS = np.arange(-_SPAN_PX, _SPAN_PX + 0.5, 0.5)
_GRID = np.arange(-_SPAN_PX - 5, _SPAN_PX + 5.25, 0.25)
# luma and the two chroma signals of an encoded colour (ITU-T T.871, 7)
_YCC = np.array([LUMA, [-0.168736, -0.331264, 0.5], [0.5, -0.418688, -0.081312]])


class Profiles:
    """Mean colour by distance from labelled outlines, for all pairs of stacks of a die.

    Parameters
    ----------
    stacks : int
        How many there are.
    dots : sequence of (dot, host)
    hiding : sequence of bool
        Which stacks hide others: along their outlines the direction is told apart too.
    """

    def __init__(
        self,
        stacks: int,
        dots: Sequence[tuple[int, int]] = (),
        hiding: Sequence[bool] | NDArray[np.bool_] = (),
    ) -> None:
        self.sums = np.zeros((stacks, stacks, 4, len(_BINS)))
        self.dots = {pair: DotProfile() for pair in dots}
        # by the quarter that the way from a to b points to; and the sum of these ways
        self.turned = {
            (a, b): (np.zeros((4, 4, len(_BINS))), np.zeros((4, 2)))
            for a in range(len(hiding))
            for b in range(a + 1, len(hiding))
            if hiding[a] != hiding[b]
        }

    def add(self, colour: NDArray[np.float32], label: NDArray[np.uint8]) -> None:
        """Take in a patch: (H, W, 3) colour 0..255 and (H, W) labels."""
        numbers = [k for k in np.unique(label).tolist() if k < UNKNOWN]
        near = {k: distance_to(label == k) for k in numbers}
        lost = distance_to(label >= UNKNOWN)
        odd = np.minimum(lost, distance_to(self._thin(label, numbers)))
        signals = cv2.transform(colour, _YCC.astype(np.float32))
        for a in numbers:
            for b in (k for k in numbers if k != a):
                others = [near[k] for k in numbers if k not in (a, b)]
                if (a, b) in self.dots:
                    clear = np.minimum.reduce([lost, *others])
                    self.dots[a, b].add(signals[..., 0], label == a, clear > _CLEAR_PX)
                if a > b:
                    continue
                clear = np.minimum.reduce([odd, *others])
                signed = np.where(label == a, 0.5 - near[b], near[a] - 0.5)
                use = (clear > _SPAN_PX) & (np.abs(signed) <= _SPAN_PX)
                use &= (label == a) | (label == b)
                if (a, b) in self.turned:
                    sums, ways = self.turned[a, b]
                    way = _ways(label == b, use)
                    quarter = (
                        np.rint(np.arctan2(way[:, 1], way[:, 0]) / (np.pi / 2)).astype(int) % 4
                    )
                    for k in range(4):
                        there = quarter == k
                        sums[k] += _summed(signed[use][there], signals[use][there])
                        ways[k] += way[there].sum(0)
                    self.sums[a, b] = sums.sum(0)
                else:
                    self.sums[a, b] += _summed(signed[use], signals[use])

    def _thin(
        self, label: NDArray[np.uint8], numbers: Sequence[int], *, least_px: int = 5
    ) -> NDArray[np.bool_]:
        """Shapes too narrow for the light on one side to be that of one stack."""
        square = np.ones((least_px, least_px), np.uint8)
        out = np.zeros(label.shape, bool)
        for k in numbers:
            if k not in {dot for dot, _ in self.dots}:
                mask = (label == k).astype(np.uint8)
                out |= mask > cv2.morphologyEx(mask, cv2.MORPH_OPEN, square)
        return out

    def mean(self, a: int, b: int, *, least_px: int = 60) -> _Profile | None:
        """The profile from a to b, where it is seen on both sides."""
        return _Profile.of(self.sums[a, b], least_px)

    def by_way(self, a: int, b: int, *, least_px: int = 60) -> list[tuple[_Profile, Array]]:
        """The profile from a to b by the direction of this way: four, with the mean direction (2,)
        of each; none where one of them is not seen."""
        sums, ways = self.turned[a, b]
        found = [_Profile.of(quarter, least_px) for quarter in sums]
        means = ways / np.maximum(sums[:, 3].sum(1), 1)[:, None]
        kept = [(p, way) for p, way in zip(found, means, strict=True) if p is not None]
        return kept if len(kept) == 4 else []


def _ways(mask: NDArray[np.bool_], where: NDArray[np.bool_]) -> Array:
    """(n, 2) unit vectors x, y towards a shape, at the px of (H, W) `where`."""
    soft = cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 2.0)
    way = np.stack([cv2.Sobel(soft, cv2.CV_32F, *axis)[where] for axis in ((1, 0), (0, 1))], -1)
    return np.asarray(way / np.maximum(np.hypot(*way.T), 1e-9)[:, None], float)


def _summed(signed: Array, signals: NDArray[np.float32]) -> Array:
    """(4, bins) sums of luma and chroma (n, 3), and how many, by distance (n,) from the edge."""
    row = np.rint((signed + _SPAN_PX) * 2).astype(int)
    sums = [np.bincount(row, seen, len(_BINS)) for seen in signals.T]
    return np.array([*sums, np.bincount(row, minlength=len(_BINS))])


@dataclass(frozen=True)
class _Profile:
    """Places (n,) px; luma and chroma (n, 3), levels; at how many px they were seen, (n,)."""

    at: Array
    seen: Array
    count: Array

    @classmethod
    def of(cls, sums: Array, least_px: int) -> _Profile | None:
        """From sums (4, bins); none where too few px were seen on either side."""
        count = sums[3]
        seen = count >= least_px
        at = _BINS[seen]
        if min((at <= -2).sum(), (at >= 2).sum()) < 2 or len(at) < 8:
            return None
        return cls(at, sums[:3, seen].T / count[seen][:, None], count[seen])

    @property
    def px(self) -> float:
        """All px together."""
        return float(self.count.sum())


@dataclass(frozen=True)
class _Curve:
    """What explains a profile.

    Parameters
    ----------
    shift_px : float
        Where the edge is.
    taken, line_px : float
        Share of the light that the line takes; w of the module's formula.
    lens_px, chroma_px : float
        Blur by the lens, and of the chroma besides.
    sides : (2, 3) float64
        Linear light of the two stacks.
    miss : float
        Root mean square of what is left, levels.
    doubt_px : float
        Standard deviation of the place if what is left were all noise.
    on_edge : (5,) float64, optional
        Luma at `SAMPLES_PX` from a px on the edge, where this is not that of a straight one.
    """

    shift_px: float
    taken: float
    line_px: float
    lens_px: float
    chroma_px: float
    sides: Array
    miss: float = 0.0
    doubt_px: float = 0.0
    on_edge: Array | None = None

    def luma(self, at: Array) -> Array:
        """Luma (n,), levels, at places (n,) from the true edge, as smoothed as the picture."""
        row = np.array([0.0, self.taken, self.line_px, self.lens_px, self.chroma_px])
        return _seen(np.append(row, self.sides.ravel())[None], at, 0.0)[0, :, 0]


def _shapes(at: Array, blur: Array, line: Array) -> Array:
    """(m, n, 4): either side of the blurred step, and the line's part on either side; blur and line
    (m, 1)."""
    wide = np.hypot(blur, line)
    hill = line / wide * np.exp(-0.5 * (at / wide) ** 2)
    beyond = ndtr(at * line / (blur * wide))
    step = ndtr(at / blur)
    return np.stack([1 - step, step, hill * (1 - beyond), hill * beyond], -1)


def _seen(p: Array, at: Array, jitter_px: float) -> Array:
    """(m, n, 3) luma and chroma, levels, at places (n,) px by m rows of parameters: shift, taken,
    width of the line, blur of the lens and of the chroma, light of both sides."""
    shift, taken, line, lens, chroma = (v[:, None] for v in p[:, :5].T)
    shapes = _shapes(_GRID, lens, line)
    light = (shapes[..., :2] - taken[..., None] * shapes[..., 2:]) @ p[:, 5:].reshape(-1, 2, 3)
    signals = 255 * srgb_curve(np.clip(light, 0, None)) @ _YCC.T
    far = (at - shift)[..., None] - _GRID

    def blurred(signal: Array, variance: Array | float) -> Array:
        kernel = np.exp(-0.5 * far**2 / variance)
        return np.asarray(kernel @ signal / kernel.sum(-1, keepdims=True))

    common = Labeller.SMOOTHING_PX**2 + jitter_px**2
    return np.concatenate(
        [
            blurred(signals[..., :1], common),
            blurred(signals[..., 1:], (common + chroma**2)[..., None]),
        ],
        -1,
    )


_LOW = np.array([-3.0, -0.5, 0.3, 0.5, 0.0, *[0.0] * 6])
_HIGH = np.array([3.0, 1.0, 1.6, 2.6, 3.0, *[1.5] * 6])
_USUAL = np.array([0.0, 0.5, 0.8, 1.2, 0.8])
_BELIEF = np.array([0.0, 0.6, 0.6, 0.2, 0.2])
"""How many levels it costs for the second to the fifth to lie 1 beyond the usual: so little that
they only settle what the profile leaves open."""


def _explain(
    profile: _Profile,
    jitter_px: float,
    known: _Curve | None = None,
    *,
    starts: Sequence[float] = (-1.2, 0.0, 1.2),
) -> _Curve:
    """Fit the curve; with one of like edges given, its place and its sides alone.

    The line and the step can each be taken for the edge, so that places are tried from `starts`.
    """
    # places between those along the axes are seen at corners alone, and hardly; chroma counts half
    weight = np.sqrt(profile.count / profile.count.mean())[:, None] * np.array([1.0, 0.5, 0.5])
    ends = np.array([profile.seen[profile.at <= -2][:2], profile.seen[profile.at >= 2][-2:]])
    sides = srgb_inverse(np.clip(ends.mean(1) @ np.linalg.inv(_YCC).T / 255, 0.02, 0.98))
    usual = _USUAL.copy()
    if known is not None:
        usual[1:] = known.taken, known.line_px, known.lens_px, known.chroma_px
    fixed = np.append(usual, sides.ravel())
    free = np.ones(len(fixed), bool)
    free[1:5] = known is None

    def misses(q: Array) -> Array:
        p = np.tile(fixed, (len(q), 1))
        p[:, free] = q
        left = (_seen(p, profile.at, jitter_px) - profile.seen) * weight
        return np.column_stack([left.reshape(len(q), -1), (p[:, :5] - usual) * _BELIEF])

    fits = [
        scipy.optimize.least_squares(
            lambda q: misses(q[None])[0],
            np.append(start, fixed[free][1:]),
            jac=lambda q: _slopes(misses, q),
            bounds=(_LOW[free], _HIGH[free]),
            x_scale=np.where(np.arange(len(fixed))[free] < 5, 0.5, 0.1),
            xtol=1e-5,
            ftol=1e-5,
        )
        for start in starts
    ]
    best = min(fits, key=lambda fit: fit.cost)
    p = fixed.copy()
    p[free] = best.x
    miss = float(np.sqrt(np.mean(best.fun**2)))
    doubt = np.sqrt(np.linalg.pinv(best.jac.T @ best.jac)[0, 0])
    shift, taken, line, lens, chroma = (float(v) for v in p[:5])
    return _Curve(shift, taken, line, lens, chroma, p[5:].reshape(2, 3), miss, float(doubt))


def _slopes(values: Callable[[Array], Array], at: Array, *, step: float = 1e-6) -> Array:
    """(n, p) derivatives of `values`, (m, p) -> (m, n), at (p,): all steps in one call."""
    found = values(np.vstack([at, at + step * np.eye(len(at))]))
    return (found[1:] - found[0]).T / step


def _curves(
    profiles: Profiles,
    light: Array,
    rules: LayerRules,
    jitter_px: float,
    *,
    most_miss: float = 2.0,
    most_px: float = 2.5,
    most_doubt_px: float = 0.5,
) -> dict[tuple[int, int], _Curve]:
    """The curve of each pair whose profile can be explained.

    What hides others has one outline, whatever it lies on: it is that of the pair seen most, and
    where a pair is hardly seen, so is its place.
    """
    count = len(rules.stacks)
    pairs = [(a, b) for a in range(count) for b in range(a + 1, count)]
    seen = {pair: found for pair in pairs if (found := profiles.mean(*pair)) is not None}

    def told(curve: _Curve) -> bool:
        return (
            curve.miss <= most_miss
            and abs(curve.shift_px) < most_px
            and curve.doubt_px < most_doubt_px
        )

    def free(those: Iterable[tuple[int, int]]) -> Iterator[tuple[tuple[int, int], _Curve]]:
        """Curves of their own, where the profile tells one; the pairs seen most first."""
        for pair in sorted(seen.keys() & set(those), key=lambda p: -seen[p].px):
            curve = _explain(seen[pair], jitter_px)
            if told(curve):
                yield pair, curve

    below = {pair: _uppermost(pair, rules.hiding) for pair in pairs}
    out = dict(free(pair for pair in pairs if below[pair] is None))
    own = list(out)
    for top in np.flatnonzero(rules.hiding).tolist():
        kin = [pair for pair in pairs if below[pair] == top]
        most, usual = next(free(kin), (None, None))
        if most is None or usual is None:
            continue
        own.append(most)
        for pair in kin:
            if pair not in seen:
                sign = 1 if pair.index(top) == most.index(top) else -1
                out[pair] = replace(usual, shift_px=sign * usual.shift_px, sides=light[list(pair)])
            elif told(curve := _explain(seen[pair], jitter_px, usual)):
                out[pair] = curve
    line, lens = 1.0, 1.0
    if own := [pair for pair in own if pair in out]:
        usual = out[max(own, key=lambda pair: seen[pair].px)]
        line, lens = usual.line_px, usual.lens_px
    for (dot, host), round_profile in profiles.dots.items():
        disc = explain_dot(round_profile, line, lens)
        if disc is not None and disc.miss <= most_miss:
            out[min(dot, host), max(dot, host)] = _across_dot(
                disc, round_profile.labelled_px, dot_first=dot < host
            )
    return out


def _uppermost(pair: tuple[int, int], hiding: NDArray[np.bool_]) -> int | None:
    """The stack of a pair that hides others, where the other one does not."""
    top = [k for k in pair if hiding[k]]
    return top[0] if len(top) == 1 else None


def _across_dot(disc: RoundDot, labelled: float, *, dot_first: bool) -> _Curve:
    """The curve across the edge of a dot."""
    inwards = labelled - disc.radius_px
    outwards = 1.0 if dot_first else -1.0
    sides = np.repeat(disc.sides[:, None], 3, axis=1)
    return _Curve(
        -outwards * inwards,
        disc.taken,
        disc.line_px,
        disc.lens_px,
        0.0,
        sides[::-1] if dot_first else sides,
        disc.miss,
        on_edge=disc.luma(disc.radius_px + outwards * SAMPLES_PX),
    )


def fit_edges(
    profiles: Profiles,
    model: ColourModel,
    rules: LayerRules,
    *,
    earlier: Edges | None = None,
    jitter_px: float = JITTER_PX,
    noise_level: float = 3.0,
    most_off_px: float = 0.6,
) -> Edges:
    """What tells the place of an edge on this die.

    Parameters
    ----------
    profiles : Profiles
    model : ColourModel
        Its spread is how far the stacks' colours vary from place to place.
    rules : LayerRules
    earlier : Edges, optional
        What put the edges of the labels where they are in `profiles`. Without it they lie where
        colours and trusted patches put them.
    jitter_px : float
        Standard deviation of labelled edges about the true one, px.
    noise_level : float
        That of a px of the picture, levels.
    most_off_px : float
        How far edges may still be off that `earlier` put right. A pair that is said to be off by
        more, or of which nothing can be said any more, was put wrong, and is left where colours
        and trusted patches put it.

    Returns
    -------
    Edges
    """
    found = Edges.none(len(rules.stacks))
    light = srgb_inverse(np.clip(model.mean / 255, 0, 1))
    spread = np.einsum("i,kij,j->k", LUMA, model.covariance, LUMA)
    curves = _curves(profiles, light, rules, jitter_px)
    slants = _slants(profiles, curves, rules, jitter_px)
    for (a, b), curve in curves.items():
        slant = slants.get((a, b), _Slant())
        swing = slant.swing
        if earlier is not None:
            known = int(earlier.row[a, b])
            if known < 0 or abs(curve.shift_px) > most_off_px:
                continue
            curve = replace(curve, shift_px=curve.shift_px + float(earlier.shift_px[known]))
            swing = swing + earlier.swing_px[known]
        row, offset, error = _best_linear(curve, spread[[a, b]], jitter_px, noise_level)
        tilt = -row @ np.vstack([slant.luma, swing])
        found = found.told((a, b), row, offset, curve.shift_px, error, tilt, swing)
    return replace(found, rim_luma=_rims(curves, rules))


@dataclass(frozen=True)
class _Slant:
    """What the direction x, y from the lower number to the higher adds to the shift, px, and to the
    luma at `SAMPLES_PX` from a px on the edge, (5, 2)."""

    swing: Array = field(default_factory=lambda: np.zeros(2))
    luma: Array = field(default_factory=lambda: np.zeros((len(SAMPLES_PX), 2)))


def _slants(
    profiles: Profiles,
    curves: Mapping[tuple[int, int], _Curve],
    rules: LayerRules,
    jitter_px: float,
) -> dict[tuple[int, int], _Slant]:
    """How outlines of what hides others go by their direction, by the pair seen most."""
    out = {}
    for top in np.flatnonzero(rules.hiding).tolist():
        kin = [pair for pair in curves if top in pair and pair in profiles.turned]
        most = max(kin, key=lambda pair: profiles.sums[pair].sum(), default=None)
        quarters = profiles.by_way(*most) if most else []
        if not most or not quarters:
            continue
        ways = np.array([way for _, way in quarters])
        if np.linalg.cond(ways - ways.mean(0)) > 5:
            continue
        found = [_explain(profile, jitter_px) for profile, _ in quarters]
        seen = np.array([[curve.shift_px, *curve.luma(SAMPLES_PX)] for curve in found])
        slopes, *_ = np.linalg.lstsq(np.column_stack([ways, np.ones(4)]), seen, rcond=None)
        swing, luma = slopes[:2, 0], slopes[:2, 1:].T
        for pair in kin:
            alike = pair.index(top) == most.index(top)
            out[pair] = _Slant(swing, luma if alike else -luma[::-1])
    return out


def _rims(curves: Mapping[tuple[int, int], _Curve], rules: LayerRules) -> NDArray[np.float32]:
    """(K, K) luma of the second stack just outside the first, which hides others; else 0."""
    hiding = rules.hiding
    out = np.zeros((len(hiding), len(hiding)), np.float32)
    for (a, b), curve in curves.items():
        if hiding[a] != hiding[b]:
            upper, under, side = (a, b, 1) if hiding[a] else (b, a, -1)
            out[upper, under] = curve.luma(np.array([side * RIM_PX]))[0]
    return out


def _best_linear(
    curve: _Curve, spread: Array, jitter: float, noise: float, *, near_px: float = 0.8
) -> tuple[Array, float, float]:
    """Weights, constant and error of the linear function with the least mean square error.

    It is to be right near the edge, where it decides: places count by a Gaussian of `near_px`.
    Varied are the place of the px, the luma of both stacks, by the variances (2,) `spread`, and
    the strength of the line, by a seventh.
    """
    places = np.arange(-2.5, 2.55, 0.1)
    often = np.exp(-0.5 * (places / near_px) ** 2)
    often /= often.sum()
    at = (places[:, None] + SAMPLES_PX).ravel()
    shape = (len(places), len(SAMPLES_PX))
    luma = curve.luma(at).reshape(shape)
    bare = replace(curve, taken=0.0).luma(at).reshape(shape)
    seen = np.column_stack([luma, places + curve.shift_px])
    both = np.cov(seen.T, aweights=often, bias=True)
    share = ndtr(at / np.hypot(curve.lens_px, Labeller.SMOOTHING_PX)).reshape(shape)
    for side, variance in zip((1 - share, share), spread, strict=True):
        both[:-1, :-1] += variance * (side.T * often) @ side
    line = 0.15 * (bare - luma)
    both[:-1, :-1] += (line.T * often) @ line
    both += np.diag([*[noise**2] * len(SAMPLES_PX), jitter**2])
    mean = often @ seen
    with_place = ((seen - mean).T * often) @ places
    weights = np.linalg.solve(both, with_place)
    error = np.sqrt(max(often @ places**2 - weights @ with_place, 0.01))
    # what has the least error on the mean may be off amid: a px on the edge must come out as such
    on_edge = curve.luma(SAMPLES_PX) if curve.on_edge is None else curve.on_edge
    offset = -weights @ np.append(on_edge, curve.shift_px)
    return weights, float(offset), float(error)
