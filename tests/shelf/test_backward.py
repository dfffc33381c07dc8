"""Are prep steps set where an exact solver would set them: one at a time, none while hands are at the pot?

The reference is a mixed-integer program solved by HiGHS through `scipy.optimize.milp` (https://docs.scipy.org): begins
are variables, a binary for each pair of steps and for each step and busy span says which comes first (big-M); the aim
is the sum of begins, or the time all is ready.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from itertools import combinations

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp

from benchd.shelf.plan.backward import Begun, Job, set_back

READY_T = 3600.0
BIG_S = 20_000.0
Spans = Sequence[tuple[float, float]]


def exact(jobs: Sequence[Job], busy: Spans, ready_t: float | None, floor_t: float) -> float | None:
    """The largest sum of begins with all ready at ready_t; without one, the soonest time all can be ready."""
    pairs = list(combinations(range(len(jobs)), 2))
    spans = [(i, span) for i in range(len(jobs)) for span in busy]
    begins, end = len(jobs), len(jobs) + len(pairs) + len(spans)
    rows: list[tuple[dict[int, float], float]] = []  # coefficients, at least
    for i, job in enumerate(jobs):
        within_t = ready_t - job.within_s if ready_t is not None else floor_t
        rows.append(({i: 1.0}, max(floor_t, job.earliest_t, within_t)))
        rows.append(({i: -1.0, end: 1.0}, job.takes_s))
        rows += [({i: 1.0, k: -1.0}, jobs[k].takes_s) for k in range(len(jobs)) if jobs[k].id == job.after]
    for at, (i, k) in enumerate(pairs, start=begins):
        rows.append(({i: 1.0, k: -1.0, at: BIG_S}, jobs[k].hands_s))
        rows.append(({k: 1.0, i: -1.0, at: -BIG_S}, jobs[i].hands_s - BIG_S))
    for at, (i, (begin, over)) in enumerate(spans, start=begins + len(pairs)):
        rows.append(({i: 1.0, at: BIG_S}, over))
        rows.append(({i: -1.0, at: -BIG_S}, jobs[i].hands_s - begin - BIG_S))
    matrix = np.zeros((len(rows) + 1, end + 1))
    for at, (row, _) in enumerate(rows):
        for column, value in row.items():
            matrix[at, column] = value
    matrix[-1, end] = -1.0
    least = np.array([*(at_least for _, at_least in rows), -(BIG_S if ready_t is None else ready_t)])
    aim = np.zeros(end + 1)
    if ready_t is None:
        aim[end] = 1.0
    else:
        aim[:begins] = -1.0
    whole = np.array([0] * begins + [1] * (end - begins) + [0])
    bounds = (np.array([-BIG_S] * begins + [0.0] * (end - begins) + [-BIG_S]),
              np.array([BIG_S] * begins + [1.0] * (end - begins) + [BIG_S]))  # fmt: skip
    found = milp(aim, constraints=LinearConstraint(matrix, lb=least), integrality=whole, bounds=Bounds(*bounds))
    return None if not found.success else float(abs(found.fun)) if ready_t is None else float(-found.fun)


def drawn(seed: int) -> tuple[list[Job], list[tuple[float, float]]]:
    """Four to six steps, some in a chain, and two to four spans in which the hands are at the pot."""
    rng = random.Random(seed)
    jobs: list[Job] = []
    for n in range(rng.randint(4, 6)):
        after = jobs[-1].id if jobs and rng.random() < 0.4 else None
        jobs.append(Job(
            id=f"s{n}", hands_s=rng.choice([30.0, 60.0, 120.0]), then_s=rng.choice([0.0, 0.0, 300.0, 900.0]),
            earliest_t=rng.choice([0.0, 0.0, 900.0, 1800.0]), after=after,
            within_s=1800.0 if after is None and rng.random() < 0.15 else 1e9,
        ))  # fmt: skip
    busy: list[tuple[float, float]] = []
    t = 0.0
    for _ in range(rng.randint(2, 4)):
        t += rng.uniform(100.0, 900.0)
        busy.append((round(t), round(t + rng.choice([45.0, 60.0, 324.0]))))
        t = busy[-1][1]
    return jobs, busy


def broken(made: Begun, jobs: Sequence[Job], busy: Spans, floor_t: float) -> list[str]:
    """What a schedule may not do."""
    ready_t = READY_T + made.late_s
    hands = [(made.begin_t[job.id], made.begin_t[job.id] + job.hands_s) for job in jobs]
    wrong = ["two at once" for a, b in combinations(hands, 2) if a[0] < b[1] - 1e-6 and b[0] < a[1] - 1e-6]
    wrong += ["at the pot" for a in hands for b in busy if a[0] < b[1] - 1e-6 and b[0] < a[1] - 1e-6]
    for job in jobs:
        t = made.begin_t[job.id]
        follower = [made.begin_t[other.id] for other in jobs if other.after == job.id]
        wrong += ["too early"] if t < max(floor_t, job.earliest_t) - 1e-5 else []
        wrong += ["too late"] if t + job.takes_s > min([ready_t, *follower]) + 1e-5 else []
    return wrong


def compared(seed: int) -> float:
    """One drawn case held against the exact solver; returns how late it is [s]."""
    jobs, busy = drawn(seed)
    made = set_back(jobs, busy, READY_T, 0.0)
    assert broken(made, jobs, busy, 0.0) == []
    assert made.is_proved
    best = exact(jobs, busy, READY_T, 0.0)
    if best is None:
        soonest_t = exact(jobs, busy, None, 0.0)
        assert soonest_t is not None
        assert made.late_s == pytest.approx(max(0.0, soonest_t - READY_T), abs=0.01)
        assert made.late_s > 0.0 or any(job.within_s < 1e9 for job in jobs)
    else:
        assert made.late_s == 0.0
        assert sum(made.begin_t.values()) == pytest.approx(best, abs=0.01)
    return made.late_s


@pytest.mark.parametrize("seed", range(12))
def test_a_schedule_is_the_exact_solvers(seed: int) -> None:
    compared(seed)


@pytest.mark.wide
def test_many_schedules_are_the_exact_solvers() -> None:
    late = [compared(seed) for seed in range(100, 220)]
    assert any(late), "cases that do not fit are among them"
    assert not all(late)


def test_what_does_not_fit_says_how_much_is_missing() -> None:
    """Warm for 15 min a mold that comes out 10 min before: 15 min, 30 s of hands and no more."""
    warm = Job(id="warm", hands_s=30.0, then_s=900.0, earliest_t=READY_T - 600.0)
    assert set_back([warm], [], READY_T, 0.0) == Begun({"warm": READY_T - 600.0}, 330.0)


def test_a_day_with_more_than_can_be_tried_still_keeps_the_rules() -> None:
    chain = [Job(id=f"{what}{n}", hands_s=20.0 + n, then_s=then_s, after=f"dry{n}" if what == "talc" else None)
             for n in range(9) for what, then_s in (("dry", 600.0), ("talc", 0.0))]  # fmt: skip
    busy = [(600.0, 924.0), (1400.0, 1445.0), (2000.0, 2060.0)]
    made = set_back(chain, busy, READY_T, 0.0)
    assert broken(made, chain, busy, 0.0) == []
    assert not made.is_proved
    assert set_back([], busy, READY_T, 0.0) == Begun({}, 0.0)
