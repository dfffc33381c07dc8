"""What a load needs before its mix, set backward into the waiting time of the load before it.

1. The steps: weigh A and B, drain the tank; each mold dried where the shelf says so, released or dusted, warmed.  How
   long each takes: common practice, no source, unless said otherwise beside it.
2. A mold can be prepared once its last part is out; one still warm enough from that needs no warming
   (physics/mold_heat.py); the tank is drained once the pot takes no air.
3. Hands are at the pot from the mix until it is up, to shut its inlet once it is steady, at the vent, for each part,
   and to set the next load.
4. Steps that do not fit before the mix make it late by `prep_late_s`; the plan's own times stay.
5. The day's first load is ready: nothing is waited for before it.
6. A step that is due or done stays where it was: what nobody marks is not put off again and again.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from benchd.core.bench import Bench, Mold
from benchd.physics.label_cure import MIDDLING
from benchd.physics.mold_heat import LastCast, excess_k
from benchd.shelf.amounts import fill_ml
from benchd.shelf.plan.ask import Hands, Underway
from benchd.shelf.plan.backward import Job, set_back
from benchd.shelf.plan.sheet import PlannedLoad, PlannedStep, Sheet, SheetMold

WEIGH_S, TANK_S, DRY_S, SPRAY_S, TALC_S, WARM_S = 120.0, 60.0, 30.0, 60.0, 60.0, 30.0  # of hands
SPRAY_DRIES_S = 300.0  # of a mold that is warmed, the warmth dries it
DRIES_FOR_S = 900.0  # published: 60 C for 10 to 15 min just before the pour; water-tested molds need longer
WEIGHED_WITHIN_S = 1500.0  # A and B stand open: weighed within half an hour of the mix
SETTLES_S = 180.0  # from pressure until it is steady and the inlet shut: 2 to 3 min
SHUT_S = 30.0  # of hands, for that
WARM_ENOUGH_K = 2.0
STEP_S = 60.0  # nobody does a step to the minute: common practice, no source


@dataclass(frozen=True, slots=True)
class Before:
    """What the loads before this one leave: when the hands are taken, each mold's last part is out, the tank free."""

    busy: tuple[tuple[float, float], ...]
    out_t: Mapping[str, float]
    tank_t: float
    since_t: float


def with_prep(
    sheet: Sheet, bench: Bench, now_t: float, seen: Underway | None = None, done: Collection[str] = ()
) -> Sheet:  # fmt: skip
    """The sheet with the steps of each waiting load; seen: what is on the bench now, else what the sheet says.

    done: the steps done of the load that comes next.  now_t [unix s]: nothing is begun before it.
    """
    loads: list[PlannedLoad] = []
    for load in sheet.loads:
        before = _before(loads, seen, bench, now_t)
        is_next = all(each.pour is not None for each in loads)
        if load.pour is None and before.busy:
            load = _prepared(load, loads, before, bench, done if is_next else ())
        loads.append(load)
    return replace(sheet, loads=tuple(loads))


def _before(loads: Sequence[PlannedLoad], seen: Underway | None, bench: Bench, now_t: float) -> Before:
    """What is under way before the next load, by the sheet, and by the bench where it is seen."""
    hands = Hands()
    busy: list[tuple[float, float]] = []
    out_t: dict[str, float] = {}
    for load in loads:
        up_t = load.mix_t + load.at_pressure_s
        busy.append((load.mix_t - (hands.ready_s if load.pour is None else 0.0), up_t))
        busy.append((up_t + SETTLES_S - SHUT_S, up_t + SETTLES_S))
        if load.pour is not None and seen is not None:
            continue  # its vent and its parts are where the bench shows them
        busy += [(load.hold_until_t, load.open_t)]
        busy += [(mold.due_t, mold.due_t + hands.demold_s) for mold in load.molds]
        out_t |= {mold.mold: mold.due_t + hands.demold_s for mold in load.molds}
    for free, spell_s in ((seen.pot_free_t, hands.vent_s), (seen.mold_free_t, hands.demold_s)) if seen else ():
        busy += _one_by_one(free.values(), spell_s)
    out_t |= dict(seen.mold_free_t) if seen else {}
    tank_t = since_t = -math.inf
    if loads:
        last, pot = loads[-1], bench.pot(loads[-1].pot)
        is_fed = pot is not None and pot.hold == "fed"
        since_t = last.mix_t
        tank_t = last.hold_until_t if is_fed else last.mix_t + last.at_pressure_s + SETTLES_S
    return Before(tuple(busy), out_t, tank_t, max(since_t, now_t))


def _one_by_one(ends: Collection[float], spell_s: float) -> Iterator[tuple[float, float]]:
    """Spans that end at these times, none while another lasts."""
    at = -math.inf
    for end in sorted(ends):
        at = max(at, end - spell_s)
        yield at, at + spell_s
        at += spell_s


def _prepared(
    load: PlannedLoad, earlier: Sequence[PlannedLoad], before: Before, bench: Bench, done: Collection[str]
) -> PlannedLoad:  # fmt: skip
    """The load with its steps in order of time."""
    known = {step.id: step.t for step in load.steps}
    needed = list(_steps(load, earlier, before, bench))
    fixed = {
        step.id: known.get(step.id, before.since_t)
        for _, step in needed
        if step.id in done or known.get(step.id, math.inf) <= before.since_t
    }
    left = [job for job, _ in needed if job.id not in fixed]
    ids = {job.id for job in left}
    jobs = [job if job.after in ids else replace(job, after=None) for job in left]
    begun = set_back(jobs, before.busy, load.mix_t - Hands().ready_s, before.since_t)
    times = {**begun.begin_t, **fixed}
    steps = [replace(step, t=round(times[step.id], 1), done=step.id in done) for _, step in needed]
    steps.sort(key=lambda step: (step.t, step.id))
    return replace(load, steps=tuple(steps), prep_late_s=round(begun.late_s, 1))


def _steps(
    load: PlannedLoad, earlier: Sequence[PlannedLoad], before: Before, bench: Bench
) -> Iterator[tuple[Job, PlannedStep]]:  # fmt: skip
    """Each step as a job for the hands, and as it is shown; its time is not known yet."""
    yield _step("weigh", WEIGH_S, within_s=WEIGHED_WITHIN_S)
    yield _step("tank", TANK_S, earliest_t=before.tank_t)
    for planned in load.molds:
        mold = bench.mold(planned.mold)
        if mold is None:
            continue
        after = None
        for what, hands_s, then_s in _needs(mold, load, earlier):
            job, step = _step(what, hands_s, then_s, planned, before.out_t.get(mold.id, -math.inf), after)
            yield job, replace(step, temp_c=mold.warm_c) if what == "warm" else step
            after = job.id


def _needs(mold: Mold, load: PlannedLoad, earlier: Sequence[PlannedLoad]) -> Iterator[tuple[str, float, float]]:
    """(what, s of hands, s that pass by themselves) of one mold, in order."""
    is_cold = mold.warm_c is not None and _found_c(mold, load, earlier) < mold.warm_c - WARM_ENOUGH_K
    if mold.dry:
        yield "dry", DRY_S, DRIES_FOR_S
    if mold.release == "spray":
        yield "spray", SPRAY_S, 0.0 if is_cold else SPRAY_DRIES_S
    elif mold.release == "talc":
        yield "talc", TALC_S, 0.0
    if is_cold:
        yield "warm", WARM_S, mold.warm_for_s


def _found_c(mold: Mold, load: PlannedLoad, earlier: Sequence[PlannedLoad]) -> float:
    """How warm the mold is at the mix if nobody warms it [C]: the room's, or still warm from its last cast."""
    found_c = load.temp_c
    for cast in earlier:
        due_t = next((each.due_t for each in cast.molds if each.mold == mold.id), None)
        if due_t is None:
            continue
        last = LastCast(
            fill_ml=fill_ml(mold), wall_mm=mold.wall_mm, rise_k=MIDDLING.rise_k, kick_t=cast.mix_t,
            before_k=max((mold.warm_c or load.temp_c) - load.temp_c, 0.0), out_t=due_t,
        )  # fmt: skip
        found_c = load.temp_c + excess_k(last, load.mix_t)
    return found_c


def _step(
    what: str,
    hands_s: float,
    then_s: float = 0.0,
    mold: SheetMold | None = None,
    earliest_t: float = -math.inf,
    after: str | None = None,
    within_s: float = math.inf,
) -> tuple[Job, PlannedStep]:
    id = what if mold is None else f"{what}-{mold.mold}"
    job = Job(id=id, hands_s=hands_s, then_s=then_s, earliest_t=earliest_t, after=after, within_s=within_s)
    whose = (mold.mold, mold.code, mold.name) if mold is not None else (None, "", "")
    return job, PlannedStep(
        id=id, what=what, mold=whose[0], code=whose[1], name=whose[2], t=0.0, hands_s=hands_s, for_s=then_s,
    )  # fmt: skip


def noted(sheet: Sheet, number: int, done: Collection[str]) -> Sheet:
    """The sheet with these steps of a load done, the others not."""
    return replace(sheet, loads=tuple(
        replace(load, steps=tuple(replace(step, done=step.id in done) for step in load.steps))
        if load.number == number and load.pour is None else load
        for load in sheet.loads
    ))  # fmt: skip


def moved(old: Sheet, new: Sheet) -> bool:
    """Whether any waiting load's steps differ: others, or one not done by a minute or more."""
    for was, now in zip(old.loads, new.loads, strict=True):
        before, after = ({s.id: s for s in load.steps} for load in (was, now))
        if before.keys() != after.keys():
            return True
        if any(abs(after[id].t - before[id].t) >= STEP_S for id in after if not after[id].done):
            return True
    return False


def set_by(sheet: Sheet, bench: Bench, seen: Underway) -> Hashable:
    """What the steps follow from, times to the minute: while it is the same they need not be set anew."""
    loads = [(x.pour, round(x.mix_t / STEP_S), x.a_g, x.b_g, tuple(m.mold for m in x.molds)) for x in sheet.loads]
    ids = {mold.mold for load in sheet.loads for mold in load.molds}
    molds = [(m.id, m.warm_c, m.warm_for_s, m.dry, m.release) for m in bench.molds if m.id in ids]
    there = [sorted((id, round(t / STEP_S)) for id, t in of.items()) for of in (seen.pot_free_t, seen.mold_free_t)]
    return sheet.id, tuple(loads), tuple(molds), tuple(map(tuple, there))
