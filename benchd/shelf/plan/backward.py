"""Sets steps of handwork backward from when all must be ready: each as late as it can be, one at a time.

A step takes hands for `hands_s`, then needs nobody for `then_s` (a mold warms, a spray dries); it may follow another.
Hands are free outside the `busy` spans.

1. Backward: the steps in every order that keeps what follows what, each into the last gap it fits.  One of these orders
   holds a best schedule of any regular aim (R. Kolisch, Eur. J. Oper. Res. 90 (1996) 320-333, cited from memory).
   The aim: the largest sum of begins.  Branches that cannot beat the best are left; equal steps are tried once.
2. Where no order fits after `floor_t`, the same forward finds the soonest all can be ready; `late_s` is how much later.
3. After `most_branches` the best found stands, and `is_proved` says so.
"""

from __future__ import annotations

import math
from bisect import insort
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

MOST_BRANCHES = 4000
Spans = Sequence[tuple[float, float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """A step [s, unix s]; `within_s`: not earlier than this before all is ready; `after`: the id of the one before."""

    id: str
    hands_s: float
    then_s: float = 0.0
    earliest_t: float = -math.inf
    within_s: float = math.inf
    after: str | None = None

    @property
    def takes_s(self) -> float:
        """From its begin to its end, hands or not."""
        return self.hands_s + self.then_s


@dataclass(frozen=True, slots=True)
class Begun:
    """When each step begins [unix s], how much later than asked all are ready, whether nothing can be better."""

    begin_t: Mapping[str, float]
    late_s: float = 0.0
    is_proved: bool = True


def set_back(
    jobs: Sequence[Job], busy: Spans, ready_t: float, floor_t: float, most_branches: int = MOST_BRANCHES
) -> Begun:  # fmt: skip
    """The steps set backward from ready_t, none before floor_t [unix s]."""
    spans = _joined(busy)
    for late_s, loose in ((0.0, False), (None, False), (None, True)):
        if late_s is None:
            forward = _Forward(jobs, spans, floor_t, most_branches)
            late_s = max(0.0, forward.best_t - ready_t)
        search = _Backward(jobs, spans, ready_t + late_s, floor_t, loose, most_branches)
        if search.best is not None:
            return Begun(search.best, late_s, search.left > 0)
    raise AssertionError("what fits forward fits backward")


def _joined(busy: Spans) -> list[tuple[float, float]]:
    """Spans in order, those that touch as one."""
    out: list[tuple[float, float]] = []
    for begin, end in sorted(span for span in busy if span[1] > span[0]):
        if out and begin <= out[-1][1]:
            out[-1] = (out[-1][0], max(end, out[-1][1]))
        else:
            out.append((begin, end))
    return out


def last_gap_t(busy: Spans, latest_t: float, for_s: float) -> float:
    """The last begin up to latest_t with for_s free; `busy` in order."""
    t = latest_t
    for begin, end in reversed(busy):
        if end <= t:
            break
        if begin < t + for_s:
            t = begin - for_s
    return t


def first_gap_t(busy: Spans, earliest_t: float, for_s: float) -> float:
    """The first begin from earliest_t on with for_s free; `busy` in order."""
    t = earliest_t
    for begin, end in busy:
        if begin >= t + for_s:
            break
        t = max(t, end)
    return t


@dataclass(slots=True)
class _Backward:
    """All orders from the end; `best`: the begins with the largest sum, None where none fits."""

    jobs: Sequence[Job]
    busy: list[tuple[float, float]]
    ready_t: float
    floor_t: float
    loose: bool
    left: int
    best: dict[str, float] | None = None
    _best_sum: float = -math.inf
    _alone: dict[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for job in self.jobs:
            self._alone[job.id] = self._latest_t(job, {}) - sum(n.takes_s for n in _chain(job, self.jobs))
        self._go({}, self.busy)

    def _latest_t(self, job: Job, placed: Mapping[str, float]) -> float:
        """The latest begin that lets what follows begin, and all be ready."""
        end_t = min((placed[n.id] for n in self.jobs if n.after == job.id and n.id in placed), default=self.ready_t)
        return end_t - job.takes_s

    def _go(self, placed: dict[str, float], busy: list[tuple[float, float]]) -> None:
        rest = [job for job in self.jobs if job.id not in placed]
        if not rest:
            self.best, self._best_sum = dict(placed), sum(placed.values())
            return
        found: dict[tuple[object, ...], tuple[float, Job]] = {}
        for job in rest:
            if any(other.after == job.id for other in rest):
                continue
            t = last_gap_t(busy, self._latest_t(job, placed), job.hands_s)
            if t >= self._soonest_t(job):
                found.setdefault((job.hands_s, t, job.then_s, job.earliest_t, _tail(job, self.jobs)), (t, job))
        for t, job in sorted(found.values(), key=lambda each: -each[0]):
            self.left -= 1
            most = sum(placed.values()) + t + sum(self._alone[r.id] for r in rest if r is not job)
            if self.left <= 0 or most <= self._best_sum + 1e-6:
                continue
            taken = list(busy)
            insort(taken, (t, t + job.hands_s))
            self._go({**placed, job.id: t}, taken)

    def _soonest_t(self, job: Job) -> float:
        within_t = -math.inf if self.loose else self.ready_t - job.within_s
        return max(self.floor_t, job.earliest_t, within_t) - 1e-6


@dataclass(slots=True)
class _Forward:
    """All orders from the beginning; `best_t`: the soonest that all is ready [unix s]."""

    jobs: Sequence[Job]
    busy: list[tuple[float, float]]
    floor_t: float
    left: int
    best_t: float = math.inf

    def __post_init__(self) -> None:
        self._go({}, self.busy, self.floor_t)

    def _go(self, ends: dict[str, float], busy: list[tuple[float, float]], so_far_t: float) -> None:
        rest = [job for job in self.jobs if job.id not in ends]
        if not rest:
            self.best_t = min(self.best_t, so_far_t)
            return
        able = [job for job in rest if job.after not in {other.id for other in rest}]
        for job in sorted(able, key=lambda j: -sum(n.takes_s for n in (j, *_chain(j, self.jobs)))):
            self.left -= 1
            earliest_t = max(self.floor_t, job.earliest_t, ends.get(job.after or "", -math.inf))
            t = first_gap_t(busy, earliest_t, job.hands_s)
            end_t = max(so_far_t, t + job.takes_s)
            if end_t >= self.best_t or (self.left <= 0 and self.best_t < math.inf):
                continue
            taken = list(busy)
            insort(taken, (t, t + job.hands_s))
            self._go({**ends, job.id: t + job.takes_s}, taken, end_t)


def _chain(job: Job, jobs: Sequence[Job]) -> list[Job]:
    """What follows a job, one after the other; a job is followed by at most one."""
    out: list[Job] = []
    at: Job | None = job
    while at is not None:
        at = next((other for other in jobs if at is not None and other.after == at.id), None)
        out += [at] if at is not None else []
    return out


def _tail(job: Job, jobs: Sequence[Job]) -> tuple[tuple[float, float, float], ...]:
    """What comes before a job, by its times: jobs of equal tails are equal."""
    before, out = job.after, []
    while before is not None:
        found = next((other for other in jobs if other.id == before), None)
        if found is None:
            break
        out.append((found.hands_s, found.then_s, found.earliest_t))
        before = found.after
    return tuple(out)
