"""Mean profiles across labelled outlines, and what they say of the true edge.

A profile is explained as a step from one stack to the other, darkened by a line of a Gaussian's
shape amid it, both blurred: with a and b the light of the stacks (that of the luma, which is
sharper than colour in a JPEG or behind a mosaic of filters), x the distance from the true edge and
p the share of light that the line takes,

    light(x) = (a [x < 0] + b [x > 0]) (1 - p exp(-x^2 / 2 w^2))  blurred by s.

The blur takes in that of the lens and the scatter of the labels about the edge. The line is what
tells where the edge is: by the step alone it would be a px off. Own idea; the step with a line is
the least that shows both. From the curve, the linear function of the picture that tells best where
a px lies is worked out (least mean square error, as in any text on linear estimation).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
import scipy.optimize
from numpy.typing import NDArray
from scipy.special import ndtr

from maskdelta.images import distance_to, srgb_curve, srgb_inverse
from maskdelta.segment._colour_model import LUMA, ColourModel
from maskdelta.segment._dot_profile import DotProfile, RoundDot, explain_dot
from maskdelta.segment._outlines import JITTER_PX, RIM_PX, SAMPLES_PX, Edges
from maskdelta.segment._rules import UNKNOWN, LayerRules

__all__ = ["Profiles", "fit_edges"]

Array = NDArray[np.float64]
_SPAN_PX = 5
# what other stacks beside dots reach
_CLEAR_PX = 3
_BINS = np.arange(-_SPAN_PX, _SPAN_PX + 0.5, 0.5)


class Profiles:
    """Mean light by distance from labelled outlines, for all pairs of stacks of a die.

    Parameters
    ----------
    stacks : int
        How many there are.
    dots : sequence of (dot, host)
    """

    def __init__(self, stacks: int, dots: Sequence[tuple[int, int]] = ()) -> None:
        self.sums = np.zeros((stacks, stacks, 2, len(_BINS)))
        self.dots = {pair: DotProfile() for pair in dots}

    def add(self, luma: NDArray[np.float32], label: NDArray[np.uint8]) -> None:
        """Take in a patch: (H, W) luma 0..255 and (H, W) labels."""
        numbers = [k for k in np.unique(label).tolist() if k < UNKNOWN]
        near = {k: distance_to(label == k) for k in numbers}
        odd = distance_to((label >= UNKNOWN) | self._thin(label, numbers))
        light = srgb_inverse(luma / 255)
        for a in numbers:
            for b in (k for k in numbers if k != a):
                others = [near[k] for k in numbers if k not in (a, b)]
                clear = np.minimum.reduce([odd, *others])
                if (a, b) in self.dots:
                    self.dots[a, b].add(light, label == a, clear > _CLEAR_PX)
                if a > b:
                    continue
                signed = np.where(label == a, 0.5 - near[b], near[a] - 0.5)
                use = (clear > _SPAN_PX) & (np.abs(signed) <= _SPAN_PX)
                use &= (label == a) | (label == b)
                row = np.rint((signed[use] + _SPAN_PX) * 2).astype(int)
                self.sums[a, b, 0] += np.bincount(row, light[use], len(_BINS))
                self.sums[a, b, 1] += np.bincount(row, minlength=len(_BINS))

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
        light, count = self.sums[a, b]
        seen = count >= least_px
        at = _BINS[seen]
        if min((at <= -2).sum(), (at >= 2).sum()) < 2 or len(at) < 8:
            return None
        return _Profile(at, light[seen] / count[seen], count[seen])


@dataclass(frozen=True)
class _Profile:
    """Places (n,) px and light (n,) 0..1, and at how many px it was seen, (n,)."""

    at: Array
    light: Array
    count: Array

    @property
    def px(self) -> float:
        """All px together."""
        return float(self.count.sum())


@dataclass(frozen=True)
class _Curve:
    """What explains a profile.

    Parameters
    ----------
    shift_px, blur_px, line_px : float
        Where the edge is; s and w of the module's formula.
    sides : (2,) float64
        Light of the two stacks.
    taken : float
        Share of the light that the line takes.
    miss : float
        Root mean square of what is left, against the mean light.
    on_edge : (5,) float64, optional
        Light at `SAMPLES_PX` from a px on the edge, where this is not that of a straight one.
    """

    shift_px: float
    blur_px: float
    line_px: float
    sides: Array
    taken: float
    miss: float
    on_edge: Array | None = None

    def light(self, at: Array) -> Array:
        """Light (n,) at places (n,) from the true edge."""
        shapes = _shapes(at, self.blur_px, self.line_px)
        return np.asarray((shapes[:, :2] - self.taken * shapes[:, 2:]) @ self.sides)


def _shapes(at: Array, blur: float | Array, line: float | Array) -> Array:
    """(..., n, 4): either side of the blurred step, and the line's part on either side.

    Blur and width of the line are numbers, or arrays (..., 1) for several curves at once.
    """
    wide = np.hypot(blur, line)
    hill = line / wide * np.exp(-0.5 * (at / wide) ** 2)
    beyond = ndtr(at * line / (blur * wide))
    step = ndtr(at / blur)
    return np.stack([1 - step, step, hill * (1 - beyond), hill * beyond], -1)


def _explain(
    profile: _Profile,
    taken: float | None,
    line: float | None,
    *,
    starts: Sequence[float] = (-1.5, 0.0, 1.5),
) -> _Curve:
    """Fit the curve; with the line's strength or width given, the rest.

    The line and the step can each be taken for the edge, so that places are tried from `starts`.
    """
    at, light = profile.at, profile.light
    # places between those along the axes are seen at corners alone, and hardly
    weight = np.sqrt(profile.count / profile.count.mean())

    def named(p: Array) -> tuple[Array, Array, Array, Array]:
        rest = iter(p[:, 2:].T)
        width = next(rest) if line is None else np.full(len(p), line)
        return p[:, 0], p[:, 1], width, np.full(len(p), taken) if taken is not None else next(rest)

    def solve(p: Array) -> tuple[Array, Array]:
        shift, blur, width, share = (v[:, None] for v in named(p))
        shapes = _shapes(at - shift, blur, width)
        design = shapes[..., :2] - share[..., None] * shapes[..., 2:]
        sides = _two_shares(design * weight[:, None], light * weight)
        miss = (design * sides[:, None]).sum(-1) - light
        return miss * weight / light.mean(), sides

    bounds = [(-3.0, 3.0), (0.5, 2.5)]
    bounds += [(0.3, 1.5)] if line is None else []
    bounds += [(-0.5, 1.0)] if taken is None else []
    first = [0.0, 1.2, *([0.8] if line is None else []), *([0.5] if taken is None else [])]
    fits = [
        scipy.optimize.least_squares(
            lambda p: solve(p[None])[0][0],
            [start, *first[1:]],
            jac=lambda p: _slopes(lambda many: solve(many)[0], p),
            bounds=tuple(zip(*bounds, strict=True)),
        )
        for start in starts
    ]
    best = min(fits, key=lambda fit: fit.cost).x[None]
    left, sides = solve(best)
    shift, blur, width, share = (float(v[0]) for v in named(best))
    return _Curve(shift, blur, width, sides[0], share, float(np.sqrt(np.mean(left**2))))


def _slopes(values: Callable[[Array], Array], at: Array, *, step: float = 1e-6) -> Array:
    """(n, p) derivatives of `values`, (m, p) -> (m, n), at (p,): all steps in one call."""
    found = values(np.vstack([at, at + step * np.eye(len(at))]))
    return (found[1:] - found[0]).T / step


def _two_shares(design: Array, values: Array) -> Array:
    """(m, 2) least squares for designs of two columns, (m, n, 2)."""
    first, second = design[..., 0], design[..., 1]
    a, b, d = (first**2).sum(-1), (first * second).sum(-1), (second**2).sum(-1)
    u, v = first @ values, second @ values
    whole = np.maximum(a * d - b * b, 1e-12)
    return np.stack([d * u - b * v, a * v - b * u], -1) / whole[:, None]


def _curves(
    profiles: Profiles,
    light: Array,
    rules: LayerRules,
    *,
    most_miss: float = 0.04,
    most_px: float = 2.5,
    better: float = 1.4,
) -> dict[tuple[int, int], _Curve]:
    """The curve of each pair whose profile can be explained.

    Lines are alike in width all over a die: what explains all pairs best together holds for all,
    since a pair alone hardly tells a wide line from a strong one. What hides
    others has one outline, whatever it lies on: its strength is that of the pair seen most, and
    where a pair is hardly seen, so is its place. Elsewhere a line is believed where a bare step
    explains the profile worse by the factor `better`.
    """
    count = len(rules.stacks)
    pairs = [(a, b) for a in range(count) for b in range(a + 1, count)]
    seen = {pair: found for pair in pairs if (found := profiles.mean(*pair)) is not None}
    free = {pair: _explain(profile, None, None) for pair, profile in seen.items()}
    bare = {pair: _explain(profile, 0.0, 1.0) for pair, profile in seen.items()}
    lined = {p for p in seen if free[p].miss <= most_miss and bare[p].miss > better * free[p].miss}
    width, blur = _usual_line([(seen[p], free[p].shift_px) for p in sorted(lined)])
    hiding = rules.hiding
    out = {}
    for pair in pairs:
        profile = seen.get(pair)
        top = [k for k in pair if hiding[k]]
        kin = [p for p in lined if len(top) == 1 and top[0] in p and hiding[list(p)].sum() == 1]
        if kin:
            most = max(kin, key=lambda p: seen[p].px)
            usual = _explain(seen[most], None, width)
            if profile is None:
                sign = 1 if pair.index(top[0]) == most.index(top[0]) else -1
                out[pair] = replace(usual, shift_px=sign * usual.shift_px, sides=light[list(pair)])
                continue
            curve = _explain(profile, usual.taken, width)
        elif profile is None:
            continue
        else:
            curve = _explain(profile, None, width) if pair in lined else bare[pair]
        if curve.miss <= most_miss and abs(curve.shift_px) < most_px:
            out[pair] = curve
    for (dot, host), round_profile in profiles.dots.items():
        disc = explain_dot(round_profile, width, blur)
        if disc is not None and disc.miss <= most_miss:
            out[min(dot, host), max(dot, host)] = _across_dot(
                disc, width, round_profile.labelled_px, dot_first=dot < host
            )
    return out


def _across_dot(disc: RoundDot, line: float, labelled: float, *, dot_first: bool) -> _Curve:
    """The curve across the edge of a dot."""
    inwards = labelled - disc.radius_px
    outwards = 1.0 if dot_first else -1.0
    return _Curve(
        -outwards * inwards,
        disc.blur_px,
        line,
        disc.sides[::-1] if dot_first else disc.sides,
        disc.taken,
        disc.miss,
        disc.light(disc.radius_px + outwards * SAMPLES_PX),
    )


def _usual_line(
    lined: Sequence[tuple[_Profile, float]], *, nearly: float = 1.25
) -> tuple[float, float]:
    """Width of the line and blur, px, that explain profiles best; each with a guess of its edge.

    The middle of the widths that do nearly as well as the best one, and there the blur that most
    px show. Without any line both are 1.
    """
    if not lined:
        return 1.0, 1.0
    weights = np.array([profile.px for profile, _ in lined])

    def curves(line: float) -> list[_Curve]:
        return [_explain(profile, None, line, starts=[edge]) for profile, edge in lined]

    widths = np.arange(0.4, 1.55, 0.1)
    tried = [curves(float(line)) for line in widths]
    miss = np.sqrt([weights @ [curve.miss**2 for curve in found] for found in tried])
    width = float(widths[miss <= nearly * miss.min()].mean())
    blurs = np.array([curve.blur_px for curve in tried[int(np.argmin(np.abs(widths - width)))]])
    order = np.argsort(blurs)
    heap = np.cumsum(weights[order])
    return width, float(blurs[order][np.searchsorted(heap, heap[-1] / 2)])


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
    light = srgb_inverse(np.clip(model.mean @ LUMA / 255, 0, 1))
    spread = np.einsum("i,kij,j->k", LUMA, model.covariance, LUMA)
    curves = _curves(profiles, light, rules)
    for (a, b), curve in curves.items():
        if earlier is not None:
            known = int(earlier.row[a, b])
            if known < 0 or abs(curve.shift_px) > most_off_px:
                continue
            curve = replace(curve, shift_px=curve.shift_px + float(earlier.shift_px[known]))
        row, offset, error = _best_linear(curve, spread[[a, b]], jitter_px, noise_level)
        found = found.told((a, b), row, offset, curve.shift_px, error)
    return replace(found, rim_luma=_rims(curves, rules))


def _rims(curves: Mapping[tuple[int, int], _Curve], rules: LayerRules) -> NDArray[np.float32]:
    """(K, K) luma of the second stack just outside the first, which hides others; else 0."""
    hiding = rules.hiding
    out = np.zeros((len(hiding), len(hiding)), np.float32)
    for (a, b), curve in curves.items():
        if hiding[a] != hiding[b]:
            upper, under, side = (a, b, 1) if hiding[a] else (b, a, -1)
            seen = curve.light(np.array([side * RIM_PX]))
            out[upper, under] = 255 * srgb_curve(np.clip(seen, 0, 1))[0]
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
    luma = 255 * srgb_curve(np.clip(curve.light(at), 0, 1)).reshape(shape)
    bare = 255 * srgb_curve(np.clip(replace(curve, taken=0.0).light(at), 0, 1)).reshape(shape)
    seen = np.column_stack([luma, places + curve.shift_px])
    both = np.cov(seen.T, aweights=often, bias=True)
    share = _shapes(at, curve.blur_px, curve.line_px)[:, 1].reshape(shape)
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
    on_edge = curve.light(SAMPLES_PX) if curve.on_edge is None else curve.on_edge
    offset = -weights @ np.append(255 * srgb_curve(np.clip(on_edge, 0, 1)), curve.shift_px)
    return weights, float(offset), float(error)
