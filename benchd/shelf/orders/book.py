"""Joins orders, what was cast for them and the days ahead into one book, for the page, the plan and the reports."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from benchd.core.bench import Bench, Mold
from benchd.core.bench.local_day import DAY_S, day_number, day_text
from benchd.shelf.orders import Cast, Line, Order, in_turn, lines_of, state_of
from benchd.shelf.orders.pace import LONGEST_DAYS, NO_HURRY, Capacity, Need, Pace, pace_of, usual_a_day
from benchd.shelf.plan.wish import MOST_CASTS

PACE_S = 30 * DAY_S  # the bench's own pace is that of the last month


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderBook:
    """The orders as written, how far each is, and when their casts can be made; day 0 is `today`."""

    orders: tuple[Order, ...]
    lines: Mapping[str, tuple[Line, ...]]
    pace: Pace
    stopped: Pace
    """The days if nothing more is cast today."""
    a_day: int
    today: int
    last_days: Mapping[str, int]

    def open(self) -> list[Order]:
        """The orders that are not done, in the order in which parts are given to them."""
        return [order for order in in_turn(self.orders) if order.done_t is None]

    def state(self, order: Order) -> str:
        """ "to cast", "curing", "cast", "trimmed" or "done"."""
        return state_of(order, self.lines[order.id])

    def casts_on(self, day: int) -> dict[str, int]:
        """Mold id -> casts that a day should bring, as many as one plan takes."""
        return _one_plan(self.pace.on(day))

    def casts_tomorrow(self) -> dict[str, int]:
        """Mold id -> casts that tomorrow should bring if nothing more is cast today, as many as one plan takes."""
        return _one_plan(self.stopped.on(1))

    def ready_by(self, order: Order) -> int | None:
        """The day of its last cast; None when nothing is left to cast, or more than its molds will give."""
        short = {(order.id, mold) for mold in order.parts}
        last = self.last_days.get(order.id)
        is_open = not short.isdisjoint(self.pace.worn) or not short.isdisjoint(self.pace.over)
        return None if last is None or is_open else self.today + last

    def warnings(self, order: Order, bench: Bench) -> list[str]:
        """What stands in the order's way, in words."""
        out = []
        if order.done_t is None and order.by is not None and order.by < self.today and self.state(order) != "trimmed":
            out.append(f"its day, {day_text(order.by)}, is past")
        for mold in order.parts:
            code = found.code if (found := bench.mold(mold)) else mold.upper()
            if found is None and any(line.mold == mold and line.to_cast for line in self.lines[order.id]):
                out.append(f"no mold {code} is on the shelf any more")
            if late := self.pace.late.get((order.id, mold)):
                out.append(f"{late} of {code} after its day")
            if (order.id, mold) in self.pace.over:
                out.append(f"{code} is not cast within {LONGEST_DAYS} days: make another")
            if worn := self.pace.worn.get((order.id, mold)):
                out.append(f"{worn} of {code} more than the mold's life gives: make another")
        return out


def _one_plan(casts: Mapping[str, int]) -> dict[str, int]:
    left, out = MOST_CASTS, {}
    for mold, wanted in casts.items():
        if n := min(wanted, left):
            out[mold] = n
            left -= n
    return out


def book_of(orders: Sequence[Order], casts: Sequence[Cast], bench: Bench, now_t: float) -> OrderBook:
    """The book at now_t [unix s]; `casts`: all that the journal has."""
    lines, today = lines_of(orders, casts, now_t), day_number(bench.utc_offsets, now_t)
    by_day = Counter(day_number(bench.utc_offsets, cast.mix_t) for cast in casts if now_t - cast.mix_t < PACE_S)
    a_day = usual_a_day([n for day, n in by_day.items() if day != today])
    made, day_t = Counter(cast.mold for cast in casts), bench.midnight_t(now_t)
    capacity = Capacity(
        a_day=a_day, casts_a_day={mold.id: mold.casts_a_day for mold in bench.molds},
        left={mold.id: _life_left(mold, made[mold.id]) for mold in bench.molds},
        today=Counter(cast.mold for cast in casts if cast.mix_t >= day_t),
    )  # fmt: skip
    needs = [
        Need(order=order.id, mold=line.mold, casts=line.to_cast,
             due=NO_HURRY if order.by is None else order.by - today)
        for order in in_turn(orders) if order.done_t is None
        for line in lines[order.id] if line.to_cast and bench.mold(line.mold) is not None
    ]  # fmt: skip
    pace = pace_of(needs, capacity)
    return OrderBook(
        orders=tuple(orders), lines=lines, pace=pace, stopped=pace_of(needs, replace(capacity, today={"": a_day})),
        a_day=a_day, today=today, last_days=pace.last_days(),
    )  # fmt: skip


def _life_left(mold: Mold, made: int) -> int:
    return 0 if mold.retired else max(mold.life - mold.casts_before - made, 0)


def words_of(casts: Mapping[str, int], bench: Bench) -> list[str]:
    """["M01x3", "M02"]: casts as a plan is asked for them."""
    named = ((found.code if (found := bench.mold(mold)) else mold.upper(), n) for mold, n in casts.items())
    return [code if n == 1 else f"{code}x{n}" for code, n in named]
