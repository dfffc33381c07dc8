"""Searches the allowed loads for the best day: most casts, fewest loads, most time left, least pot time.

In this order: first as many casts as can be; then the fewest loads, from the first lots before the next; if some have
to be left out, those asked for last;
then the greatest margin of the load that has least; then the least time the pots are closed.

Up to 12 casts it is exact, by dynamic programming over subsets: fewest loads of each subset, then by the same recursion
the greatest least margin among partitions of that many loads, then the least time among those of that margin.  Three
passes, because a least margin and a sum do not combine in one.

    loads(M) = 1 + min over allowed S in M that hold M's first cast of loads(M - S)

With several lots each subset is divided between them (shelf/plan/fold.py), by the same three passes.

Beyond that, branch and bound in the same order of aims: depth first, the first cast not placed yet goes into each
allowed load or is left out; a branch whose bound is no better than the best plan so far is cut.  It stops when its
budget ends, and says whether it was done.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

from benchd.shelf.plan.fold import folded

EXACT_CASTS = 12
BUDGET = 200_000  # branches; a second or two of one core
NONE = 10**6
A_LOAD = 1000  # one load of the first lot; a load of the next costs one more
Key = tuple[int, float, int, float, float]


@dataclass(frozen=True, slots=True)
class Choice:
    """One allowed load: its casts as a bit mask, its margin [s], how long its pot is closed [s]."""

    mask: int
    margin_s: float
    closed_s: float
    lot: int = 0
    """From which lot it is poured, by its place among the rooms."""


@dataclass(frozen=True, slots=True)
class Room:
    """How many loads there may be, how much resin there is [g], and what each cast and each load takes of it."""

    casts_g: tuple[float, ...]
    load_g: float
    left_g: float = math.inf
    most_loads: int = NONE

    def allows(self, mask: int, loads: int) -> bool:
        """True if that many loads of these casts stay within the loads and the resin."""
        return loads <= self.most_loads and self.needed_g(mask, loads) <= self.left_g

    def needed_g(self, mask: int, loads: int) -> float:
        """Grams these casts take in that many loads."""
        casts = math.fsum(g for i, g in enumerate(self.casts_g) if mask >> i & 1)
        return casts + loads * self.load_g


@dataclass(frozen=True, slots=True)
class Found:
    """The chosen loads, and whether they are proved best."""

    chosen: tuple[Choice, ...]
    is_proved: bool

    def key(self, casts: int) -> Key:
        """What is minimised (see plan_key)."""
        return plan_key(self.chosen, casts)


def plan_key(chosen: Sequence[Choice], casts: int) -> Key:
    """A plan's aims, each to be small: casts left out, loads, which casts, minus the least margin, time closed.

    A load of the second lot counts a thousandth more than one of the first, and so on: the first is used up first.
    """
    missing = ((1 << casts) - 1) & ~sum(choice.mask for choice in chosen)
    least_s = min((choice.margin_s for choice in chosen), default=math.inf)
    closed_s = math.fsum(choice.closed_s for choice in chosen)
    return missing.bit_count(), _loads(chosen), rank(missing, casts), -least_s, closed_s


def _loads(chosen: Sequence[Choice]) -> float:
    return (A_LOAD * len(chosen) + sum(choice.lot for choice in chosen)) / A_LOAD


def rank(missing: int, casts: int) -> int:
    """The weight of leaving these casts out: among equally many, the ones asked for first weigh most."""
    return sum(1 << (casts - 1 - i) for i in range(casts) if missing >> i & 1)


def search(
    casts: int, choices: Sequence[Choice], room: Room, least_loads: Callable[[int], int],
    go_on: Callable[[int], bool] = lambda branches: branches < BUDGET, more: tuple[Room, ...] = (),
) -> Found:  # fmt: skip
    """The best plan.  least_loads(mask): a bound, no plan of those casts has fewer.  go_on(branches so far): may the
    search go on?  Only asked beyond 12 casts.  more: the rooms of further lots, in the order of Choice.lot."""
    if casts <= EXACT_CASTS:
        return Found(_exact(casts, choices, (room, *more)), True)
    return _Branching(casts, choices, room, least_loads, go_on, more).run()


def _exact(casts: int, choices: Sequence[Choice], rooms: Sequence[Room]) -> tuple[Choice, ...]:
    lots = [_Lot(casts, [c for c in choices if c.lot == i], room, i) for i, room in enumerate(rooms)]
    whole = (1 << casts) - 1
    day = folded([(lot.costs, lot.widest()) for lot in lots], whole)
    costs = day.costs
    open_to = [m for m in range(1, 1 << casts) if costs[m] // A_LOAD <= min(rooms[0].most_loads, NONE - 1)]
    if not open_to:
        return ()
    mask = min(open_to, key=lambda m: (-m.bit_count(), costs[m], rank(whole & ~m, casts)))
    taken = [lot.shortest(day.ratings[mask]) for lot in lots]
    closed = [(lot.costs, [-s for s in closed_s]) for lot, (closed_s, _) in zip(lots, taken, strict=True)]
    shares = folded(closed, mask, is_sum=True).shares(mask)
    return tuple(choice for (_, first), part in zip(taken, shares, strict=True) for choice in _chain(first, part))


def _chain(taken: Sequence[Choice | None], mask: int) -> Iterator[Choice]:
    """The loads of a subset, one after another."""
    while mask:
        choice = taken[mask]
        assert choice is not None
        yield choice
        mask &= ~choice.mask


class _Lot:
    """One lot's tables over subsets of the casts: fewest loads, where its resin reaches, and what is best by them."""

    def __init__(self, casts: int, choices: Sequence[Choice], room: Room, place: int) -> None:
        self._casts, self._by_first = casts, _by_first(casts, choices)
        self._fewest = _fewest(casts, self._by_first)
        a_load = A_LOAD + place  # of as many loads, those of the first lots
        self.costs = [
            n * a_load if n < NONE and room.allows(m, n) else NONE * A_LOAD for m, n in enumerate(self._fewest)
        ]
        self.costs[0] = 0

    def widest(self) -> list[float]:
        return _widest(self._casts, self._by_first, self._fewest)

    def shortest(self, least_s: float) -> tuple[list[float], list[Choice | None]]:
        return _shortest(self._casts, self._by_first, self._fewest, least_s)


def _by_first(casts: int, choices: Sequence[Choice]) -> list[list[Choice]]:
    """The choices by their first cast."""
    by_first: list[list[Choice]] = [[] for _ in range(casts)]
    for choice in choices:
        by_first[_first(choice.mask)].append(choice)
    return by_first


def _first(mask: int) -> int:
    return (mask & -mask).bit_length() - 1


def _fewest(casts: int, by_first: Sequence[Sequence[Choice]]) -> list[int]:
    """Fewest loads that cast exactly each subset."""
    loads = [0] + [NONE] * ((1 << casts) - 1)
    for mask in range(1, 1 << casts):
        rests = [loads[mask ^ c.mask] for c in by_first[_first(mask)] if c.mask & mask == c.mask]
        loads[mask] = min(rests, default=NONE) + 1 if rests else NONE
    return [min(n, NONE) for n in loads]


def _widest(casts: int, by_first: Sequence[Sequence[Choice]], loads: Sequence[int]) -> list[float]:
    """The greatest least margin among plans of that many loads, each subset."""
    widest = [math.inf] + [-math.inf] * ((1 << casts) - 1)
    for mask in range(1, 1 << casts):
        for c in by_first[_first(mask)]:
            if c.mask & mask == c.mask and loads[mask ^ c.mask] == loads[mask] - 1:
                widest[mask] = max(widest[mask], min(c.margin_s, widest[mask ^ c.mask]))
    return widest


def _shortest(
    casts: int, by_first: Sequence[Sequence[Choice]], loads: Sequence[int], least_s: float
) -> tuple[list[float], list[Choice | None]]:
    """Each subset's least time closed among plans of margins of least_s or more, and the load that begins it."""
    closed = [0.0] + [math.inf] * ((1 << casts) - 1)
    taken: list[Choice | None] = [None] * (1 << casts)
    for mask in range(1, 1 << casts):
        for c in by_first[_first(mask)]:
            fits = c.mask & mask == c.mask and c.margin_s >= least_s and loads[mask ^ c.mask] == loads[mask] - 1
            if fits and c.closed_s + closed[mask ^ c.mask] < closed[mask]:
                closed[mask], taken[mask] = c.closed_s + closed[mask ^ c.mask], c
    return closed, taken


@dataclass(slots=True)
class _Branching:
    """Depth-first branch and bound; the best plan so far and the branches looked at."""

    casts: int
    choices: Sequence[Choice]
    room: Room
    least_loads: Callable[[int], int]
    go_on: Callable[[int], bool]
    more: tuple[Room, ...] = ()
    best: tuple[Choice, ...] = ()
    key: Key = (NONE, NONE, 0, math.inf, math.inf)
    branches: int = 0
    is_stopped: bool = False
    by_first: list[list[Choice]] = field(default_factory=list)

    def run(self) -> Found:
        ordered = sorted(self.choices, key=lambda c: (-c.mask.bit_count(), -c.margin_s, c.closed_s, c.mask))
        self.by_first = _by_first(self.casts, ordered)
        self.key = plan_key((), self.casts)
        self._look((1 << self.casts) - 1, 0, [])
        return Found(self.best, not self.is_stopped)

    def _look(self, rest: int, left_out: int, chosen: list[Choice]) -> None:
        self.branches += 1
        if self.is_stopped or not self.go_on(self.branches):
            self.is_stopped = True
            return
        placed = ((1 << self.casts) - 1) & ~rest & ~left_out
        self._keep(chosen)
        if not rest or not self._may_beat(rest, left_out, chosen):
            return
        first = _first(rest)
        for choice in self.by_first[first]:
            if choice.mask & rest == choice.mask and self._allows(choice, placed, chosen):
                chosen.append(choice)
                self._look(rest & ~choice.mask, left_out, chosen)
                chosen.pop()
        self._look(rest & ~(1 << first), left_out | 1 << first, chosen)

    def _allows(self, choice: Choice, placed: int, chosen: list[Choice]) -> bool:
        """True if there is resin and a load left for this one."""
        if not self.more:
            return self.room.allows(placed | choice.mask, len(chosen) + 1)
        same = [c for c in chosen if c.lot == choice.lot]
        mask = choice.mask | sum(c.mask for c in same)
        has_resin = (self.room, *self.more)[choice.lot].allows(mask, len(same) + 1)
        return has_resin and len(chosen) < self.room.most_loads

    def _keep(self, chosen: list[Choice]) -> None:
        key = plan_key(chosen, self.casts)
        if key < self.key:
            self.best, self.key = tuple(chosen), key

    def _may_beat(self, rest: int, left_out: int, chosen: list[Choice]) -> bool:
        """Could what is still open make a better plan?  Every part of the bound is at most what it can become."""
        more = self.least_loads(rest)
        loads_left = self.room.most_loads - len(chosen)
        least_s = min((c.margin_s for c in chosen), default=math.inf)
        closed_s = math.fsum(c.closed_s for c in chosen)
        out, ranked = left_out.bit_count(), rank(left_out, self.casts)
        if more > loads_left:
            return (out + 1, _loads(chosen), ranked, -least_s, closed_s) < self.key
        # With as many left out as in the best plan, all that is open has to be placed.
        loads = _loads(chosen) + (more if out == self.key[0] else 0)
        return (out, loads, ranked, -least_s, closed_s) < self.key
