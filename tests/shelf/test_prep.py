"""Is each load's prep set into the wait before it: what a mold needs, when it is free, one step of the hands at a time?

The times typed here are the studio's invented day and the steps' own lengths (common practice, no source); the exact
solver is that of test_backward.py.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from itertools import combinations
from typing import Any

import pytest
from shelf.plan_shelves import FAST
from shelf.test_backward import exact
from shelf.test_plan_wish import BENCH

from benchd.core.bench import Bench
from benchd.shelf.plan import plan
from benchd.shelf.plan.ask import Underway
from benchd.shelf.plan.backward import Job
from benchd.shelf.plan.prep import moved, with_prep
from benchd.shelf.plan.sheet import PlannedLoad, Sheet, given_of, sheet_body, sheet_from_body, sheet_of
from benchd.shelf.plan.slip import begun, shifted
from benchd.shelf.plan.wish import Wish, ask_of

T0 = 1_767_606_000.0
READY_S = 180.0


def bench_with(**molds: Mapping[str, Any]) -> Bench:
    """The studio with other keys on these molds."""
    return replace(BENCH, molds=tuple(replace(m, **molds.get(m.id, {})) for m in BENCH.molds))


def day(bench: Bench = BENCH, molds: tuple[str, ...] = ("M01", "M02", "M03", "M04", "M05", "M06", "M07")) -> Sheet:
    """Two loads planned at T0, the first mixed then."""
    sheet = sheet_of(plan(ask_of(Wish(molds=molds, temp_c=21.5, start_t=T0), bench), FAST), T0)
    return begun(sheet, {1: "cup-1-7"}, T0)


def steps(sheet: Sheet, number: int = 2) -> dict[str, float]:
    """When each step of a load begins [s after T0]."""
    return {step.id: round(step.t - T0, 1) for step in sheet.loads[number - 1].steps}


def at_the_pot(load: PlannedLoad) -> list[tuple[float, float]]:
    """When a mixed load has the hands [s after T0]: to its pressure, at its inlet, its vent and its parts."""
    up_s = load.mix_t - T0 + load.at_pressure_s
    spans = [(load.mix_t - T0, up_s), (up_s + 150.0, up_s + 180.0), (load.hold_until_t - T0, load.open_t - T0)]
    return spans + [(mold.due_t - T0, mold.due_t - T0 + 60.0) for mold in load.molds]


def test_the_day_is_the_exact_solvers_and_says_how_much_longer_it_takes() -> None:
    sheet = with_prep(day(), BENCH, T0)
    load = sheet.loads[1]
    assert [mold.code for mold in load.molds] == ["M02", "M07", "M03", "M06"]
    jobs = [Job(id="weigh", hands_s=120.0), Job(id="tank", hands_s=60.0, earliest_t=317.4)]
    jobs += [Job(id=f"spray-{id}", hands_s=60.0, then_s=then_s)
             for id, then_s in (("m02", 0.0), ("m07", 0.0), ("m03", 300.0), ("m06", 300.0))]  # fmt: skip
    jobs += [Job(id=f"warm-{id}", hands_s=30.0, then_s=900.0, after=f"spray-{id}") for id in ("m02", "m07")]
    busy = at_the_pot(sheet.loads[0])
    ready_s = load.mix_t - T0 - READY_S
    assert exact(jobs, busy, ready_s, 0.0) is None, "a quarter of an hour's warming is more than this wait"
    soonest_s = exact(jobs, busy, None, 0.0)
    assert soonest_s is not None
    assert load.prep_late_s == pytest.approx(soonest_s - ready_s, abs=0.2)
    best = exact(jobs, busy, ready_s + load.prep_late_s + 0.1, 0.0)
    assert sum(steps(sheet).values()) == pytest.approx(best, abs=1.0)
    hands = [(step.t - T0, step.t - T0 + step.hands_s) for step in load.steps]
    for one, other in [*combinations(hands, 2), *((a, b) for a in hands for b in busy)]:
        assert one[1] <= other[0] + 0.1 or other[1] <= one[0] + 0.1
    assert {step.id: step.temp_c for step in load.steps if step.what == "warm"} == {"warm-m02": 40.0, "warm-m07": 40.0}


def test_the_first_load_is_ready_and_a_mixed_one_needs_nothing_more() -> None:
    sheet = with_prep(
        sheet_of(plan(ask_of(Wish(molds=("M01", "M02"), temp_c=21.5, start_t=T0), BENCH), FAST), T0), BENCH, T0
    )
    assert [load.steps for load in sheet.loads] == [()]
    assert with_prep(day(), BENCH, T0).loads[0].steps == ()


def test_what_a_mold_needs_is_what_its_shelf_says() -> None:
    """Talc and nothing, a washed mold, a longer warming: each in its order, the molds of the next load alone."""
    bench = bench_with(m02={"release": "talc", "warm_for_s": 1200.0}, m03={"dry": True}, m06={"release": "none"})
    sheet = with_prep(day(bench), bench, T0)
    begins = steps(sheet)
    assert set(begins) == {"weigh", "tank", "talc-m02", "warm-m02", "spray-m07", "warm-m07", "dry-m03", "spray-m03"}
    assert begins["talc-m02"] + 60.0 <= begins["warm-m02"]
    assert begins["dry-m03"] + 30.0 + 900.0 <= begins["spray-m03"]
    ready_s = sheet.loads[1].mix_t - T0 - READY_S + sheet.loads[1].prep_late_s
    assert begins["warm-m02"] + 30.0 + 1200.0 <= ready_s + 0.2
    assert begins["spray-m03"] + 60.0 + 300.0 <= ready_s + 0.2


def test_a_mold_still_in_the_pot_waits_for_its_part_and_one_still_warm_is_not_warmed() -> None:
    """M04's 142 ml leave it far above 28 C half an hour later; of M02's 28 ml little is left of 40 C."""
    bench = bench_with(m04={"warm_c": 28.0})
    sheet = day(bench, ("M04", "M04", "M02", "M02"))
    first = sheet.loads[0]
    both = {mold.mold for mold in first.molds} & {mold.mold for mold in sheet.loads[1].molds}
    assert both == {"m02", "m04"}
    begins = steps(with_prep(sheet, bench, T0))
    out_s = {mold.mold: mold.due_t - T0 + 60.0 for mold in first.molds}
    assert begins["spray-m04"] >= out_s["m04"]
    assert begins["spray-m02"] >= out_s["m02"]
    assert "warm-m04" not in begins
    assert begins["warm-m02"] >= begins["spray-m02"] + 60.0


def test_a_pot_fed_to_the_end_of_its_hold_keeps_the_tank() -> None:
    fed = replace(BENCH, pots=tuple(replace(pot, hold="fed") for pot in BENCH.pots))
    sheet = day(fed)
    late = replace(sheet, loads=(sheet.loads[0], sheet.loads[1].shifted(1800.0)))
    assert steps(with_prep(late, fed, T0))["tank"] >= sheet.loads[0].hold_until_t - T0


def test_what_the_bench_shows_counts_more_than_what_was_planned() -> None:
    """The hold goes on for 20 min more than planned: no hand-step falls into its true vent and parts."""
    sheet = day()
    later = replace(sheet, loads=(sheet.loads[0], sheet.loads[1].shifted(1800.0)))
    seen = Underway(pot_free_t={"barrel": T0 + 1900.0}, mold_free_t={"m01": T0 + 2000.0, "m04": T0 + 2010.0})
    begun_s = steps(with_prep(later, BENCH, T0 + 400.0, seen))
    lengths = {"weigh": 120.0, "tank": 60.0, "spray": 60.0, "warm": 30.0}
    pulled = [(1855.0, 1900.0), (1940.0, 2060.0)]  # the second part waits for the first: a minute each
    for id, t_s in begun_s.items():
        end_s = t_s + lengths[id.partition("-")[0]]
        assert t_s >= 400.0
        assert all(end_s <= begin_s + 0.1 or t_s >= over_s - 0.1 for begin_s, over_s in pulled), (id, t_s)


def test_what_is_done_or_due_stays_and_the_rest_is_set_anew() -> None:
    sheet = with_prep(day(), BENCH, T0)
    before = steps(sheet)
    again = with_prep(sheet, BENCH, T0 + 300.0, done=("weigh",))
    after = steps(again)
    assert {id: after[id] for id in ("spray-m02", "spray-m07", "warm-m07")} == {
        id: before[id] for id in ("spray-m02", "spray-m07", "warm-m07")
    }
    assert [step.id for step in again.loads[1].steps if step.done] == ["weigh"]
    assert all(t_s >= 300.0 for id, t_s in after.items() if before[id] > 300.0)
    slipped = shifted(again, 1200.0)
    late = steps(slipped)
    assert late["weigh"] == after["weigh"]
    assert late["tank"] == after["tank"] + 1200.0
    assert moved(again, slipped)
    assert not moved(again, again)


def test_the_sheet_tells_the_engine_the_next_loads_steps_and_is_stored_with_them() -> None:
    sheet = with_prep(day(), BENCH, T0)
    assert sheet_from_body(sheet_body(sheet)) == sheet
    first, second = given_of(sheet, T0).loads
    assert first.steps == ()
    assert {step.id: step.t for step in second.steps if step.what == "spray"}["spray-m02"] == pytest.approx(
        sheet.loads[1].steps[0].t
    ), "what follows at once is said at once"
    old = sheet_body(day())
    for load in old["loads"]:
        del load["steps"], load["prep_late_s"]
    assert sheet_from_body(old) == day()
