"""Spreads the casts that orders want over the coming days, and says which will be late.

1. A mold takes `casts_a_day` and no more than its life still gives; the bench takes `a_day` casts in all.
2. Each cast's *last day* is counted back from its order's day: of a mold that gives three a day, the fourth last cast
   must be made the day before.
3. Each day the casts of the earliest last day are taken first, of equals the earliest order.  If all can be on time,
   this makes them so (checked against an exact solver); else the earlier order stays first, which is not always the
   fewest casts late.

Days count from 0, today.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from heapq import heapify, heappop, heappush

NO_HURRY = 10**6
A_DAY = 12  # three loads of four molds; common practice, no source
LEAST_DAYS = 3  # a bench's own pace is taken from as many days with casts
LONGEST_DAYS = 400
"""Nothing is foretold beyond it: a shop that has more to cast needs more molds."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Need:
    """Casts of one mold that one order still wants; `due` the last day, counted from today, NO_HURRY without one."""

    order: str
    mold: str
    casts: int
    due: int = NO_HURRY


@dataclass(frozen=True, slots=True, kw_only=True)
class Capacity:
    """What the bench can cast; `today` is what is cast today already, by mold; `left` the rest of a mold's life."""

    a_day: int = A_DAY
    casts_a_day: Mapping[str, int] = field(default_factory=dict)
    left: Mapping[str, int] = field(default_factory=dict)
    today: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """Casts of one mold for one order on one day."""

    day: int
    order: str
    mold: str
    casts: int
    is_late: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """The days; by (order, mold) `late` casts, and `worn` those that the mold's life does not give."""

    made: tuple[Made, ...]
    late: Mapping[tuple[str, str], int]
    worn: Mapping[tuple[str, str], int]
    over: frozenset[tuple[str, str]] = frozenset()
    """What is not cast within LONGEST_DAYS."""

    def on(self, day: int) -> dict[str, int]:
        """Mold -> casts of it on that day, in the order of urgency."""
        casts: dict[str, int] = {}
        for made in self.made:
            if made.day == day:
                casts[made.mold] = casts.get(made.mold, 0) + made.casts
        return casts

    def last_days(self) -> dict[str, int]:
        """Order -> the day on which its last cast is made."""
        return {made.order: made.day for made in self.made}


@dataclass(slots=True, order=True)
class _Batch:
    """Casts of one need with one last day, in the order of urgency."""

    last: int
    due: int
    turn: int
    order: str
    mold: str
    casts: int


def usual_a_day(casts_by_day: Sequence[int]) -> int:
    """How many casts a day of this bench holds: the median of its days with casts; A_DAY until there are enough."""
    days = sorted(n for n in casts_by_day if n > 0)
    return A_DAY if len(days) < LEAST_DAYS else days[len(days) // 2]


def pace_of(needs: Sequence[Need], capacity: Capacity) -> Pace:
    """The days in which the needs are met; `needs` in the order in which parts are given to orders."""
    waiting, worn = _batches(needs, capacity)
    made: list[Made] = []
    late: dict[tuple[str, str], int] = {}
    queues: dict[str, deque[_Batch]] = {}
    for batch in waiting:
        queues.setdefault(batch.mold, deque()).append(batch)
    heads = [queue[0] for queue in queues.values()]
    heapify(heads)
    for day in range(LONGEST_DAYS):
        if not heads:
            break
        for each in _one_day(day, heads, queues, capacity):
            made.append(each)
            if each.is_late:
                late[each.order, each.mold] = late.get((each.order, each.mold), 0) + each.casts
    over = {(batch.order, batch.mold) for queue in queues.values() for batch in queue}
    return Pace(made=tuple(made), late=late, worn=worn, over=frozenset(over))


def _one_day(day: int, heads: list[_Batch], queues: Mapping[str, deque[_Batch]], capacity: Capacity) -> list[Made]:
    """Take the day's casts off the queues, most urgent first; `heads` is the heap of each mold's first batch."""
    taken = dict(capacity.today) if day == 0 else {}
    room = max(capacity.a_day - sum(taken.values()), 0)
    rests: list[_Batch] = []  # of molds that give no more today
    made = []
    while room and heads:
        batch = heappop(heads)
        free = max(_a_day(batch.mold, capacity) - taken.get(batch.mold, 0), 0)
        casts = min(batch.casts, room, free)
        if not casts:
            rests.append(batch)
            continue
        batch.casts -= casts
        room -= casts
        taken[batch.mold] = taken.get(batch.mold, 0) + casts
        made.append(Made(day=day, order=batch.order, mold=batch.mold, casts=casts, is_late=day > batch.due))
        queue = queues[batch.mold]
        if not batch.casts:
            queue.popleft()
        if queue:
            heappush(heads, queue[0])
    for batch in rests:
        heappush(heads, batch)
    return made


def _a_day(mold: str, capacity: Capacity) -> int:
    return max(capacity.casts_a_day.get(mold, 3), 1)


def _batches(needs: Sequence[Need], capacity: Capacity) -> tuple[list[_Batch], dict[tuple[str, str], int]]:
    """The needs as batches by last day (rule 2), most urgent first; and what no mold's life gives."""
    worn: dict[tuple[str, str], int] = {}
    by_mold: dict[str, list[tuple[int, int, Need, int]]] = {}
    left = dict(capacity.left)
    for turn, need in sorted(enumerate(needs), key=lambda each: (each[1].due, each[0])):
        casts = min(need.casts, left.get(need.mold, need.casts))  # of a mold without a known life, all
        if need.mold in left:
            left[need.mold] -= casts
        if casts < need.casts:
            worn[need.order, need.mold] = need.casts - casts
        if casts:
            by_mold.setdefault(need.mold, []).append((need.due, turn, need, casts))
    batches = [batch for mold, mine in by_mold.items() for batch in _counted_back(mine, _a_day(mold, capacity))]
    return sorted(batches, key=lambda b: (b.last, b.due, b.turn)), worn


def _counted_back(mine: Sequence[tuple[int, int, Need, int]], a_day: int) -> list[_Batch]:
    """One mold's needs from the last day backwards, each day filled up to its casts a day."""
    out: list[_Batch] = []
    day, room = NO_HURRY, a_day
    for due, turn, need, casts in reversed(mine):
        if due < day:
            day, room = due, a_day
        while casts:
            if due >= NO_HURRY or day < -LONGEST_DAYS:
                n = casts
            else:
                day, room = (day, room) if room else (day - 1, a_day)
                n = min(casts, room)
                room -= n
            out.append(_Batch(min(day, due), due, turn, need.order, need.mold, n))
            casts -= n
    return out
