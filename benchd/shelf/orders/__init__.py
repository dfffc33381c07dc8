"""Keeps what was ordered: which molds, how many figures, by when, for how much, and how far each order is.

1. A *figure* is one set of parts: each mold as often as one figure needs it.  An order wants some figures.
2. A part fills an order once it is out and good.  One pulled without a grade counts as good; a second does not.
3. Parts go to done orders first, by when they were done, then to the open ones by their day, of equals the oldest.  An
   order takes only parts that came out after it was taken, and a done one none that came out after it was done.
4. A part that was good and was spoiled later (`spoiled`) is wanted once more; so is scrap, which never counted.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

CURING_S = 12 * 3600.0
"""A pour ends at the latest 12 h after its mix: a part that is not out by then is not awaited."""
SPOILING = ("second", "scrap")


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """One order.  Molds by id; `price` for all of it, in the studio's money; times unix s."""

    code: str
    parts: Mapping[str, int]
    """Mold id -> casts of it in one figure."""
    figures: int = 1
    by: int | None = None
    """The last local day, counted from 1970-01-01 (core/bench/local_day); None: no hurry."""
    price: float | None = None
    taken_t: float = 0.0
    done_t: float | None = None
    trimmed: Mapping[str, int] = field(default_factory=dict)
    """Mold id -> parts trimmed."""
    spoiled: Mapping[str, int] = field(default_factory=dict)
    """Mold id -> good parts that were spoiled later."""

    @property
    def id(self) -> str:
        """The code as codes are compared."""
        return self.code.lower()

    def wanted(self, mold: str) -> int:
        """Casts of a mold for the whole order."""
        return self.parts.get(mold, 0) * self.figures


@dataclass(frozen=True, slots=True, kw_only=True)
class Cast:
    """One mold's casting, as the journal has it; out_t None while it is in its mold [unix s]."""

    mold: str
    mix_t: float
    out_t: float | None = None
    grade: str | None = None
    is_over: bool = False
    """Its pour is over: a part that is not out now never will be."""

    @property
    def is_good(self) -> bool:
        """Whether it fills an order."""
        return self.out_t is not None and self.grade not in SPOILING


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """How far one mold of one order is, in casts."""

    mold: str
    wanted: int
    good: int
    """Out, good and not spoiled since."""
    curing: int
    trimmed: int

    @property
    def to_cast(self) -> int:
        """Casts still to be made."""
        return max(self.wanted - self.good - self.curing, 0)

    @property
    def to_trim(self) -> int:
        """Good parts that wait to be trimmed."""
        return max(self.good - self.trimmed, 0)


def in_turn(orders: Iterable[Order]) -> list[Order]:
    """The orders as parts are given to them (rule 3)."""
    return sorted(
        orders, key=lambda o: (o.done_t is None, o.done_t or 0.0, math.inf if o.by is None else o.by, o.taken_t, o.id)
    )  # fmt: skip


def lines_of(orders: Sequence[Order], casts: Iterable[Cast], now_t: float) -> dict[str, tuple[Line, ...]]:
    """Order id -> a line for each of its molds, in the order written; now_t [unix s]."""
    good, curing = _by_mold(casts, now_t)
    found: dict[str, tuple[Line, ...]] = {}
    for order in in_turn(orders):
        found[order.id] = tuple(_line(order, mold, good.get(mold, []), curing) for mold in order.parts)
    return {order.id: found[order.id] for order in orders}


def _by_mold(casts: Iterable[Cast], now_t: float) -> tuple[dict[str, list[float]], dict[str, int]]:
    """Mold -> when each good part came out, oldest first; mold -> parts still curing."""
    good: dict[str, list[float]] = {}
    curing: dict[str, int] = {}
    for cast in casts:
        if cast.is_good:
            good.setdefault(cast.mold, []).append(cast.out_t or 0.0)
        elif cast.out_t is None and not cast.is_over and now_t - cast.mix_t < CURING_S:
            curing[cast.mold] = curing.get(cast.mold, 0) + 1
    return {mold: sorted(times) for mold, times in good.items()}, curing


def _line(order: Order, mold: str, good: list[float], curing: dict[str, int]) -> Line:
    """Take this order's parts of a mold out of what there is."""
    wanted, spoiled = order.wanted(mold), order.spoiled.get(mold, 0)
    until_t = math.inf if order.done_t is None else order.done_t
    first = bisect_left(good, order.taken_t)
    last = min(bisect_right(good, until_t), first + wanted + spoiled)
    mine = good[first:last]
    del good[first:last]
    kept = max(len(mine) - spoiled, 0)
    waits = 0 if order.done_t is not None else min(curing.get(mold, 0), max(wanted - kept, 0))
    curing[mold] = curing.get(mold, 0) - waits
    return Line(mold=mold, wanted=wanted, good=kept, curing=waits, trimmed=min(order.trimmed.get(mold, 0), kept))


def state_of(order: Order, lines: Sequence[Line]) -> str:
    """ "to cast", "curing", "cast", "trimmed" or "done"."""
    if order.done_t is not None:
        return "done"
    if any(line.to_cast for line in lines):
        return "to cast"
    if any(line.curing for line in lines):
        return "curing"
    return "cast" if any(line.to_trim for line in lines) else "trimmed"
