"""Schedules the day's loads and pulls: one pair of hands, each pot one load at a time.

Hands do one thing at a time: set a load and mix, pour, lid and fill it; vent it; pull a part.  Each is put into the
first gap long enough, load by load, so no two parts are pulled at once and no pour begins while a part is due.  Parts
are pulled once due and once their pot is open; a pot is free once open, a mold once its part is out.  All orders of up
to six loads are tried: the one that ends earliest is taken, of equals the one whose tightest load comes first.
They are listed in order of time.
"""

from __future__ import annotations

from bisect import insort
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import permutations

from benchd.shelf.plan.ask import Ask
from benchd.shelf.plan.load import Loading, PlannedPart, loading_in

ALL_ORDERS = 6


@dataclass(frozen=True, slots=True)
class Placed:
    """One load in the day [unix s]: mixed, hold done, open; when each part, in pouring order, is pulled."""

    loading: Loading
    mix_t: float
    hold_until_t: float
    open_t: float
    due_t: tuple[float, ...]

    @property
    def at_pressure_t(self) -> float:
        """When its pot is at pressure [unix s]."""
        return self.mix_t + self.loading.at_pressure_s


@dataclass(slots=True)
class _Hands:
    """What the hands are busy with, in order of time."""

    busy: list[tuple[float, float]] = field(default_factory=list)
    pot_free_t: dict[str, float] = field(default_factory=dict)
    mold_free_t: dict[str, float] = field(default_factory=dict)

    def gap_t(self, earliest_t: float, for_s: float) -> float:
        """The first time from earliest_t on with for_s of free hands."""
        t = earliest_t
        for begin, end in self.busy:
            if begin >= t + for_s:
                break
            t = max(t, end)
        return t

    def take(self, earliest_t: float, for_s: float) -> float:
        t = self.gap_t(earliest_t, for_s)
        insort(self.busy, (t, t + for_s))
        return t


def day_of(loadings: Sequence[Loading], ask: Ask) -> tuple[Placed, ...]:
    """The loads in their order and times.  Loads that cast a mold a second time come after those that cast it first."""
    tightest = sorted(loadings, key=lambda loading: (loading.margin_s, loading.mold_ids))
    orders = permutations(tightest) if len(loadings) <= ALL_ORDERS else [tuple(tightest)]
    least_s = min((loading.margin_s for loading in loadings), default=0.0)
    best: tuple[Placed, ...] | None = None
    for order in orders:
        placed = _placed(order, ask, least_s)
        if best is None or _end_t(placed) < _end_t(best) - 1e-6:
            best = placed
    return tuple(sorted(best or (), key=lambda load: load.mix_t))


def _end_t(placed: Sequence[Placed]) -> float:
    return max((t for load in placed for t in (load.open_t, *load.due_t)), default=0.0)


def _placed(order: Sequence[Loading], ask: Ask, least_s: float) -> tuple[Placed, ...]:
    taken = ask.underway
    hands = _Hands(sorted(taken.busy), dict(taken.pot_free_t), dict(taken.mold_free_t))
    placed = []
    for loading in order:
        ways = [_started(way, hands, ask) for way in _in_pots(loading, least_s)]
        mix_t, way = min(ways, key=lambda found: found[0])
        placed.append(_run(way, mix_t, hands, ask))
    return tuple(placed)


def _in_pots(loading: Loading, least_s: float) -> list[Loading]:
    """The load in its own pot, and in each other that costs no margin of the day."""
    molds = [part.mold for part in loading.parts]
    ask = loading.ask
    others = [loading_in(molds, pot, ask, loading.cup) for pot in ask.pots if pot.id != loading.pot.id]
    return [loading, *(way for way in others if isinstance(way, Loading) and way.margin_s >= least_s)]


def _started(loading: Loading, hands: _Hands, ask: Ask) -> tuple[float, Loading]:
    """When this load could be mixed."""
    free_t = [hands.mold_free_t.get(mold, ask.start_t) for mold in loading.mold_ids]
    earliest_t = max(ask.start_t, hands.pot_free_t.get(loading.pot.id, ask.start_t), *free_t)
    ready_s = ask.hands.ready_s if hands.busy else 0.0  # the day's first load is ready
    return hands.gap_t(earliest_t, ready_s + loading.at_pressure_s) + ready_s, loading


def _run(loading: Loading, mix_t: float, hands: _Hands, ask: Ask) -> Placed:
    """Take hands, pot and molds for one load."""
    ready_s = ask.hands.ready_s if hands.busy else 0.0
    insort(hands.busy, (mix_t - ready_s, mix_t + loading.at_pressure_s))
    vent_t = hands.take(mix_t + loading.hold_s, ask.hands.vent_s)
    open_t = vent_t + ask.hands.vent_s
    hands.pot_free_t[loading.pot.id] = open_t
    pulled: dict[str, float] = {}
    for part in sorted(loading.parts, key=_due):
        pulled[part.mold.id] = hands.take(max(open_t, mix_t + part.due_s), ask.hands.demold_s)
        hands.mold_free_t[part.mold.id] = pulled[part.mold.id] + ask.hands.demold_s
    due_t = tuple(pulled[part.mold.id] for part in loading.parts)
    return Placed(loading, mix_t, vent_t, open_t, due_t)


def _due(part: PlannedPart) -> tuple[float, str]:
    return part.due_s, part.mold.id
