"""Where a group of tiles may be joined to another, and what speaks for each place."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from maskdelta.stitch._edges import Choice, Edge, links_of
from maskdelta.stitch._graph import components, residuals, solve_gnc, solve_links
from maskdelta.stitch._hypothesis import Lag
from maskdelta.stitch._lattice import pitches_of, points_near, steps_around
from maskdelta.stitch._nominal import expected_places, stage_error, stage_reach

__all__ = ["Joiner", "Offer", "Probe"]

Array = NDArray[np.float64]
Probe = Callable[[Sequence[tuple[int, Array]]], "list[Choice | None]"]
_SAME_PX = 2.5
"""Places closer than this are one."""
_AGAINST = Lag(20.0, 20.0, 0.0)
"""What a pair with a single shift says against any other."""


@dataclass(frozen=True)
class _Vote:
    """A place that a group may take: how far it moves, how many edges suit it, and how well.

    `large` counts those among them of which the overlap is not small. `choices` holds the choice of
    each edge there, None where it has none.
    """

    move: Array
    support: int
    large: int
    score: float
    lag: Lag
    choices: tuple[Choice | None, ...] = ()

    @property
    def proved(self) -> bool:
        """Whether one good overlap or two small ones speak for it."""
        return self.large > 0 or self.support > 1

    def clearly_before(self, other: _Vote, edges: Sequence[Edge]) -> bool:
        """Whether all edges together find it clearly better."""
        total = Lag()
        for edge, mine, its in zip(edges, self.choices, other.choices, strict=True):
            if mine is its:
                continue
            if mine is not None and its is not None:
                total = total.plus(mine.before(its))
            elif edge.sure:
                # a pair with one shift contradicts any other; one with a choice that cannot see a
                # place says nothing
                total = total.plus(_AGAINST if its is None else Lag().beyond(_AGAINST))
        return total.is_clear(strict=False)


@dataclass(frozen=True)
class Offer:
    """The best place for a group.

    Attributes
    ----------
    vote : _Vote
    rival : _Vote or None
        The best place elsewhere.
    clear : bool
        Whether it comes clearly before every other place.
    lattice : bool
        Whether all edges leave a choice.
    plausible : bool
        Whether it is about as near to the nominal place as other tiles are to theirs.
    """

    vote: _Vote
    rival: _Vote | None
    clear: bool
    lattice: bool
    plausible: bool

    @property
    def rank(self) -> tuple[float, float]:
        """Clearest first."""
        rival = self.rival.support if self.rival else 0
        return -float(self.vote.support - rival), -self.vote.score

    @property
    def pitch_px(self) -> float:
        """Distance to the best place elsewhere, inf where there is none."""
        if self.rival is None:
            return float("inf")
        return float(np.hypot(*(self.rival.move - self.vote.move)))


class Joiner:
    """Holds the state while groups are joined."""

    def __init__(
        self,
        count: int,
        edges: Sequence[Edge],
        held: NDArray[np.bool_],
        start: Array,
        nominal: Array | None,
        probe: Probe,
        inlier_px: float,
        reach_px: float,
    ) -> None:
        self.reach_px = reach_px
        self.edges = list(edges)
        self.held = held
        self.count = count
        self.nominal = nominal
        self.probe = probe
        self.inlier_px = inlier_px
        self.centres = start.copy()
        self.group = np.arange(count)
        self.soft = np.zeros(count, bool)
        self.conflicts: dict[int, str] = {}
        self.asked: set[tuple[int, int, int]] = set()
        self.remembered: dict[tuple[int, bool], Offer | None] = {}
        self.edges_at: list[list[int]] = [[] for _ in range(count)]
        for k, edge in enumerate(self.edges):
            self.edges_at[edge.a].append(k)
            self.edges_at[edge.b].append(k)
        self._doubt_far_ones()
        self._solve_sure()

    def _doubt_far_ones(self, *, sigmas: float = 4.0, least_px: float = 4.0) -> None:
        """Shifts over a pattern that repeats are not sure where the stage says otherwise.

        Odd cells that meet by chance can rule out the shifts next to a wrong one, and the right one
        may never have been tried.
        """
        if self.nominal is None or len(self.edges) < 8:
            return
        a, b = (np.array([getattr(edge, end) for edge in self.edges]) for end in "ab")
        shifts = np.array([edge.choices[0].shift for edge in self.edges])
        sure = np.array([edge.sure for edge in self.edges])
        steps = self.nominal[b] - self.nominal[a]
        if sure.sum() < 8:
            return
        # shifts grow with the steps of the stage, which may be turned or known to some per cent
        linear, *_ = np.linalg.lstsq(steps[sure], shifts[sure], rcond=None)
        apart = np.abs(shifts - steps @ linear)
        spread = 1.4826 * float(np.median(apart[sure]))
        far = apart.max(1) > max(sigmas * spread, least_px)
        self.edges = [
            replace(edge, sure=edge.sure and not (beyond and edge.periodic))
            for edge, beyond in zip(self.edges, far, strict=True)
        ]

    def _solve_sure(self) -> None:
        sure = [edge for edge in self.edges if edge.sure]
        links = links_of([(e, e.choices[0]) for e in sure])
        self.centres = solve_gnc(links, self.centres, self.held, inlier_px=self.inlier_px)
        keep = residuals(links, self.centres) <= self.inlier_px
        fixed = np.flatnonzero(self.held)
        self.group = components(links.only(keep), self.count, fixed)
        self.centres = solve_links(
            links.only(keep), self.centres, self.held, links.only(keep).weight
        )

    def offer(self, base: int, group: int, *, sure_only: bool) -> Offer | None:
        """The best place of a group against the tiles of another (those not soft only)."""
        key = (group, sure_only)
        if key not in self.remembered:
            tiles = self.group == base
            self.remembered[key] = self._offer(tiles & ~self.soft if sure_only else tiles, group)
        return self.remembered[key]

    def _offer(self, base: NDArray[np.bool_], group: int) -> Offer | None:
        inside = self.group == group
        touching = sorted({k for tile in np.flatnonzero(inside) for k in self.edges_at[tile]})
        between = [k for k in touching if base[self.edges[k].a] or base[self.edges[k].b]]
        if not between:
            return None
        self._complete(between, inside)
        self._ask_nominal(between, inside)
        votes = [self._vote(between, inside, place) for place in self._places(between, inside)]
        votes.sort(key=lambda v: (v.lag.worth, -v.support, -v.score))
        first = votes[0]
        lattice = all(not self.edges[k].sure for k in between)
        edges = [self.edges[k] for k in between]
        tied = [v for v in _elsewhere(votes, first) if not first.clearly_before(v, edges)]
        # where an edge sees nothing, it finds no fault: ask also from the place that most can see
        other = min([first, *tied], key=lambda v: -v.support)
        if other is not first:
            fewer = [v for v in _elsewhere(votes, other) if not other.clearly_before(v, edges)]
            first, tied = (other, fewer) if len(fewer) < len(tied) else (first, tied)
        if self._within_reach(inside, [first]):
            tied = self._within_reach(inside, tied)
        if lattice and not self._plausible(inside, first.move):
            # chance can look clear, but not so far from where the stage was
            tied = _elsewhere(votes, first)
        if tied and self.nominal is not None:
            first = min([first, *tied], key=lambda v: self._from_nominal(inside, v.move))
        others = _elsewhere(votes, first)
        if tied:
            others.sort(key=lambda v: float(np.hypot(*(v.move - first.move))))
            others = [v for v in others if not first.clearly_before(v, edges)] or others
        plausible = self._plausible(inside, first.move)
        clear = not tied and first.proved and (plausible or not lattice)
        return Offer(first, others[0] if others else None, clear, lattice, plausible)

    def _vote(self, between: Sequence[int], inside: NDArray[np.bool_], place: Array) -> _Vote:
        moves, scores, total = [], [], Lag()
        large = 0
        hits = [self._best_at(k, inside, place) for k in between]
        for k, hit in zip(between, hits, strict=True):
            if hit is None:
                total = total.plus(_AGAINST if self.edges[k].sure else Lag())
                continue
            total = total.plus(hit[1].lag)
            if not hit[1].given_up:
                moves.append(hit[0])
                scores.append(hit[1].score)
                large += not self.edges[k].small
        mean = np.mean(moves, axis=0) if moves else place
        choices = tuple(hit and hit[1] for hit in hits)
        return _Vote(mean, len(moves), large, float(sum(scores)), total, choices)

    def _moves(self, k: int, inside: NDArray[np.bool_]) -> Array:
        """How far the group must move to suit each choice of an edge, (n, 2)."""
        edge = self.edges[k]
        now = self.centres[edge.b] - self.centres[edge.a]
        sign = 1 if inside[edge.b] else -1
        return sign * (np.array([choice.shift for choice in edge.choices]) - now)

    def _places(self, between: Sequence[int], inside: NDArray[np.bool_]) -> list[Array]:
        """Distinct moves that any edge proposes."""
        found: list[Array] = []
        for k in between:
            for move, choice in zip(self._moves(k, inside), self.edges[k].choices, strict=True):
                if not choice.unfit and not _is_among(move, found):
                    found.append(move)
        return found

    def _best_at(
        self, k: int, inside: NDArray[np.bool_], place: Array
    ) -> tuple[Array, Choice] | None:
        """The move nearest to a place that suits an edge, and its choice; None if too far."""
        moves = self._moves(k, inside)
        apart = np.abs(moves - place).max(1)
        best = int(np.argmin(apart))
        if apart[best] > _SAME_PX:
            return None
        return moves[best], self.edges[k].choices[best]

    def _complete(self, between: Sequence[int], inside: NDArray[np.bool_]) -> None:
        """Ask every edge with a choice about the places that other edges propose.

        Lists of choices are cut short, and the true place may lie in none of them. So the edges are
        also asked about the lattice around the nominal place, and then it is walked, pitch by
        pitch, from the places that most edges agree on.
        """
        places = self._places(between, inside)
        pitches = self._pitches(between)
        if len(pitches) < 2:  # the tiles' other pairs lie over the same array
            ends = {end for k in between for end in (self.edges[k].a, self.edges[k].b)}
            pitches = self._pitches(sorted({k for end in ends for k in self.edges_at[end]}))
        steps = steps_around(pitches)
        self._ask(between, inside, places)
        likely = self._near_nominal(between, inside, places, pitches)
        self._ask(between, inside, likely)
        places += likely
        for _ in range(8):
            support = [self._support(between, inside, place) for place in places]
            front = [p for p, n in zip(places, support, strict=True) if n == max(support)]
            fresh: list[Array] = []
            for place in (p + step for p in front for step in steps):
                known = _is_among(place, places) or _is_among(place, fresh)
                if not known and np.abs(place).max() <= self.reach_px:
                    fresh.append(place)
            if not fresh or len(places) + len(fresh) > 60:
                return
            self._ask(between, inside, fresh)
            places += fresh

    def _near_nominal(
        self,
        between: Sequence[int],
        inside: NDArray[np.bool_],
        places: Sequence[Array],
        pitches: Sequence[Array],
    ) -> list[Array]:
        """Places on the lattice that are as near to the nominal one as others are to theirs."""
        if self.nominal is None or not places:
            return []
        sure = self._sure()
        error = stage_error(self.centres, self.nominal, sure)
        expected = expected_places(self.centres, self.nominal, sure) - self.centres
        middle = np.median(expected[inside], axis=0)
        support = [self._support(between, inside, place) for place in places]
        first = places[int(np.argmax(support))]
        found = points_near(first, pitches, middle, within_px=3 * error)
        return [place for place in found if not _is_among(place, places)]

    def _support(self, between: Sequence[int], inside: NDArray[np.bool_], place: Array) -> int:
        hits = (self._best_at(k, inside, place) for k in between)
        return sum(hit is not None and not hit[1].given_up for hit in hits)

    def _pitches(self, edges: Sequence[int]) -> list[Array]:
        """Up to two independent steps of the lattice that the choices of edges lie on."""
        shifts = [[c.shift for c in self.edges[k].choices if not c.unfit] for k in edges]
        return pitches_of(shifts)

    def _ask(
        self, between: Sequence[int], inside: NDArray[np.bool_], places: Sequence[Array]
    ) -> None:
        """Measure edges also where only other edges propose a place."""
        questions = []
        for place in places:
            for k in between:
                edge = self.edges[k]
                if self._best_at(k, inside, place) is not None:
                    continue
                sign = 1 if inside[edge.b] else -1
                wanted = self.centres[edge.b] - self.centres[edge.a] + sign * place
                x, y = np.rint(wanted / _SAME_PX)
                key = (k, int(x), int(y))
                if key not in self.asked:
                    self.asked.add(key)
                    questions.append((k, wanted))
        for (k, _), choice in zip(questions, self.probe(questions), strict=True):
            if choice is not None:
                edge = self.edges[k]
                self.edges[k] = replace(edge, choices=(*edge.choices, choice))

    def _from_nominal(self, inside: NDArray[np.bool_], move: Array) -> float:
        assert self.nominal is not None
        expected = expected_places(self.centres, self.nominal, self._sure())
        return float(np.hypot(*np.median((self.centres + move - expected)[inside], axis=0)))

    def _ask_nominal(
        self, between: Sequence[int], inside: NDArray[np.bool_], *, exact_px: float = 3.0
    ) -> None:
        """Ask every edge about the nominal place where that is known well enough to hit it."""
        if self.nominal is None:
            return
        sure = self._sure()
        if stage_error(self.centres, self.nominal, sure) > exact_px:
            return
        expected = expected_places(self.centres, self.nominal, sure)
        self._ask(between, inside, [np.median((expected - self.centres)[inside], axis=0)])

    def _plausible(
        self, inside: NDArray[np.bool_], move: Array, *, sigmas: float = 8.0, least_px: float = 4.0
    ) -> bool:
        """Whether a group would lie about as near to its nominal place as other tiles do."""
        if self.nominal is None:
            return True
        error = stage_error(self.centres, self.nominal, self._sure())
        if not np.isfinite(error):
            return True
        return self._from_nominal(inside, move) <= max(sigmas * error, least_px)

    def _within_reach(self, inside: NDArray[np.bool_], votes: list[_Vote]) -> list[_Vote]:
        """The places that a stage like this one may have meant."""
        if self.nominal is None:
            return votes
        reach = stage_reach(self.centres, self.nominal, self._sure())
        return [vote for vote in votes if self._from_nominal(inside, vote.move) <= reach]

    def _sure(self) -> NDArray[np.bool_]:
        """Tiles of the largest group whose place nobody doubts."""
        return ~self.soft & (self.group == np.bincount(self.group).argmax())

    def accept(self, group: int, target: int, offer: Offer, *, soft: bool) -> None:
        """Move a group to its place and make it part of another."""
        inside = self.group == group
        touching = {k for tile in np.flatnonzero(inside) for k in self.edges_at[tile]}
        ends = {end for k in touching for end in (self.edges[k].a, self.edges[k].b)}
        near = {int(self.group[end]) for end in ends}
        self.remembered = {key: o for key, o in self.remembered.items() if key[0] not in near}
        self.centres[inside] += offer.vote.move
        self.soft |= inside & soft
        self.group[inside] = target


def _is_among(place: Array, places: Sequence[Array]) -> bool:
    return bool(places) and bool((np.abs(np.array(places) - place).max(1) <= _SAME_PX).any())


def _elsewhere(votes: Sequence[_Vote], first: _Vote) -> list[_Vote]:
    return [vote for vote in votes if np.abs(vote.move - first.move).max() > _SAME_PX]
