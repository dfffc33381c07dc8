"""With its resin's sections solved: does each mold's own warmth, weighing, lot and past move its times as they must?

Invented bench of Quiet Harbour Figures; directions are the trade's (common practice), times the section solver's own,
which tests/physics check against the outside.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import pytest
from frozen_copy import frozen, thawed
from of_kind import as_kind, known

from benchd.core.bench import Bench, Cup, Lot, Mold, Resin
from benchd.core.findings import (
    DemoldForecast,
    DemoldReady,
    Event,
    Kicked,
    KickForecast,
    MoldPoured,
    PartPulled,
    PourEnded,
    PourStarted,
)
from benchd.core.format.learned_form import learned_from_body
from benchd.core.model import Mark, Reading, Subject, Table, Tick
from benchd.core.mold_forecast import resin_hash
from benchd.core.seat.watcher import Place
from benchd.runtime.watch.sections import solve_plain
from benchd.watchers import demold

T0 = 1_767_607_200.0
RESIN = Resin(id="harbour-fast", name="Harbour Fast", pot_life_s=180.0, demold_s=600.0, ratio_weight_b=0.9)
MOLDS = (
    Mold(id="m03", code="M03", name="Keeper cloak", cavity_ml=54.0, thin_mm=2.8, thick_mm=6.0, pull="green"),
    Mold(id="m02", code="M02", name="Keeper arms", cavity_ml=28.0, thin_mm=2.2, thick_mm=4.0, warm_c=40.0),
    Mold(id="m08", code="M08", name="Pebble plinth", cavity_ml=118.0, thin_mm=6.0, thick_mm=6.0),
    Mold(id="m01", code="M01", name="Keeper torso", cavity_ml=96.0, thin_mm=6.0, thick_mm=26.0),
)
LOTS = (
    Lot(id="r-07", code="R-07", resin="harbour-fast", label=RESIN),
    Lot(id="r-05", code="R-05", resin="harbour-fast", label=replace(RESIN, pot_life_s=264.0)),
)
BENCH = Bench(id="north", shop="quiet-harbour", name="North bench", molds=MOLDS, resins=(RESIN,), lots=LOTS,
              cups=(Cup(id="cup-1", name="Cup one"),))  # fmt: skip
POUR = Subject(bench="north", cup="cup-1", pour="cup-1-1")


@cache
def table() -> Table:
    return Table(T0, RESIN.id, resin_hash(RESIN), solve_plain(RESIN))


def watcher(bench: Bench = BENCH, with_table: bool = True) -> demold.DemoldWatcher:
    made = demold.make(demold.Settings(), Place(bench, Subject(bench="north")))
    if with_table:
        made.see(table())
    return made


def started(*molds: str, t: float = 0.0, subject: Subject = POUR, lot: str = "r-07", **more: Any) -> PourStarted:
    return PourStarted(t=T0 + t, subject=subject, mix_t=T0 + t, lot=lot, molds=molds, inferred=False, number=1,
                       **more)  # fmt: skip


def room(temp_c: float, t: float = -5.0) -> Reading:
    return Reading(T0 + t, "room", "room_temperature", "", temp_c, temp_c)


def probe(mold: str, temp_c: float, t: float = -5.0) -> Reading:
    return Reading(T0 + t, f"{mold}-t", "mold_temperature", mold, temp_c, temp_c)


def kicked(at_s: float, subject: Subject = POUR) -> Kicked:
    return Kicked(t=T0 + at_s, subject=subject, at=T0 + at_s, early=T0 + 0.96 * at_s, late=T0 + 1.05 * at_s,
                  temp_c=70.0, basis="curve")  # fmt: skip


def told(w: demold.DemoldWatcher, *events: Event, at_s: float = 1.0) -> dict[str, DemoldForecast]:
    """What is forecast of each mold once these events are seen."""
    for event in events:
        w.see(event)
    return {f.mold: f for f in w.see(Tick(T0 + at_s)) if isinstance(f, DemoldForecast)}


def hard_s(forecast: DemoldForecast) -> float:
    return forecast.hard_at[1] - T0


def test_the_labels_section_is_hard_at_the_labels_time() -> None:
    found = told(watcher(), room(23.0), started("m08"))["m08"]
    assert hard_s(found) == pytest.approx(600.0, rel=0.02)
    assert found.basis == "label"
    assert found.gel_at is not None
    assert found.gel_at[0] < found.gel_at[1] < found.gel_at[2] < found.hard_at[2]


def test_before_its_table_comes_the_rule_speaks_and_then_the_sections() -> None:
    w = watcher(with_table=False)
    before = told(w, room(23.0), started("m03"))["m03"]
    assert before.gel_at is None
    after = told(w, table(), at_s=20.0)["m03"]
    assert after.gel_at is not None
    assert hard_s(after) != pytest.approx(hard_s(before), rel=0.02)


@pytest.mark.parametrize(
    "wrong",
    [Table(T0, "harbour-fast", "another", {"times": "", "ratios": ""}),
     Table(T0, "stranger", "another", {}), Table(T0, "harbour-fast", resin_hash(RESIN), {"times": "!"})],
)  # fmt: skip
def test_a_table_that_does_not_fit_is_not_used(wrong: Table) -> None:
    w = watcher(with_table=False)
    w.see(wrong)
    assert told(w, room(23.0), started("m03"))["m03"].gel_at is None


def test_a_data_sheets_heat_deflection_says_what_a_thick_part_waits_for() -> None:
    """ISO 75: one that sags at 45 C has to cool to it; one at 85 C keeps its shape once cured, and is due sooner."""

    def forecast(deflection_c: float | None) -> DemoldForecast:
        label = replace(RESIN, demold_s=2400.0, heat_deflection_c=deflection_c)
        bench = replace(BENCH, resins=(label,), lots=(replace(LOTS[0], label=label),))
        return told(watcher(bench), room(23.0), started("m01"), kicked(185.0))["m01"]

    plain, soft, stiff = (forecast(c) for c in (None, 45.0, 85.0))
    assert (plain.rule, soft.rule, stiff.rule) == ("cool", "cool", "cured")
    assert hard_s(stiff) < hard_s(plain) < hard_s(soft)
    widths = [f.hard_at[2] - f.hard_at[0] for f in (plain, soft)]
    assert widths[1] < widths[0]
    assert stiff.hard_at[2] < plain.hard_at[2]


def test_the_shelfs_warm_mold_is_quicker_than_a_cold_one() -> None:
    cold = replace(BENCH, molds=(replace(MOLDS[1], warm_c=None),))
    warm_s, cold_s = (hard_s(told(watcher(b), room(21.5), started("m02"))["m02"]) for b in (BENCH, cold))
    assert warm_s < 0.7 * cold_s


def test_a_molds_own_probe_outdoes_what_was_typed_and_the_shelf() -> None:
    typed = told(watcher(), room(21.5), started("m02", mold_c=30.0))["m02"]
    probed = told(watcher(), room(21.5), probe("m02", 23.0), started("m02", mold_c=30.0))["m02"]
    shelf = told(watcher(), room(21.5), started("m02"))["m02"]
    assert hard_s(shelf) < hard_s(typed) < hard_s(probed)


def gels_s(found: DemoldForecast) -> float:
    assert found.gel_at is not None
    return found.gel_at[1] - T0


def test_what_was_typed_is_of_the_warmed_molds_where_there_are_any() -> None:
    """By the gel, which comes sooner in any warmer mold; hard may come later, since the part has to cool down too."""
    plain, typed = (told(watcher(), room(21.5), started("m02", "m03", mold_c=c)) for c in (None, 50.0))
    assert gels_s(typed["m02"]) < gels_s(plain["m02"])
    assert gels_s(typed["m03"]) == gels_s(plain["m03"])
    alone = told(watcher(), room(21.5), started("m03", mold_c=50.0))["m03"]
    assert gels_s(alone) < gels_s(plain["m03"])


def test_a_probe_counts_until_the_resin_is_in() -> None:
    w = watcher()
    poured = MoldPoured(t=T0 + 30.0, subject=POUR.filled(mold="m03"), left=0)
    before = told(w, room(21.5), probe("m03", 21.5), started("m03"), probe("m03", 35.0, 20.0), poured)["m03"]
    w.see(probe("m03", 60.0, 40.0))  # by now it feels the resin
    assert not told(w, at_s=60.0)
    assert hard_s(before) < hard_s(told(watcher(), room(21.5), started("m03"))["m03"])


def test_a_probe_read_long_ago_counts_no_more() -> None:
    stale = told(watcher(), room(21.5), probe("m03", 45.0, -3600.0), started("m03"))["m03"]
    assert hard_s(stale) == hard_s(told(watcher(), room(21.5), started("m03"))["m03"])


def test_the_last_cast_leaves_its_mold_warm_for_the_next() -> None:
    second = replace(POUR, pour="cup-1-2")
    w = watcher()
    told(w, room(21.5), started("m08"), kicked(185.0))
    w.see(Mark(t=T0 + 900.0, verb="demolded", mold="m08"))
    w.see(PourEnded(t=T0 + 900.0, subject=POUR, why="demolded"))
    soon = told(w, started("m08", t=1200.0, subject=second), at_s=1201.0)["m08"]
    fresh = told(watcher(), room(21.5), started("m08", t=1200.0, subject=second), at_s=1201.0)["m08"]
    # Its gel is sooner; hard is no sooner, for the part has the more to cool.
    gels = [known(f.gel_at)[1] - T0 - 1200.0 for f in (soon, fresh)]
    assert 0.5 * gels[1] < gels[0] < 0.95 * gels[1]


@pytest.mark.parametrize(("a_g", "b_g"), [(150.0, 150.0), (150.0, 121.5)])
def test_a_wrong_ratio_takes_longer(a_g: float, b_g: float) -> None:
    """Common practice: 10 % off goes soft; the label is 100:90 by weight."""
    right = told(watcher(), room(23.0), started("m08", a_g=150.0, b_g=135.0))["m08"]
    wrong = told(watcher(), room(23.0), started("m08", a_g=a_g, b_g=b_g))["m08"]
    assert hard_s(right) == pytest.approx(600.0, rel=0.02)
    assert hard_s(wrong) > 1.5 * hard_s(right)


def test_a_late_kick_says_a_slow_lot_and_narrows_the_window() -> None:
    w = watcher()
    before = told(w, room(23.0), started("m08"))["m08"]
    after = told(w, kicked(270.0), at_s=300.0)["m08"]
    assert after.basis == "curve"
    assert hard_s(after) > 1.15 * hard_s(before)
    widths = [f.hard_at[2] / T0 - f.hard_at[0] / T0 for f in (before, after)]
    assert widths[1] / hard_s(after) < widths[0] / hard_s(before)


def test_a_forecast_kick_counts_once_its_curve_speaks_and_not_after_the_kick() -> None:
    w = watcher()
    base = hard_s(told(w, room(23.0), started("m08"))["m08"])
    forecast = KickForecast(t=T0 + 60.0, subject=POUR, at=T0 + 300.0, early=T0 + 250.0, late=T0 + 360.0,
                            confidence="low", basis="label")  # fmt: skip
    assert not told(w, forecast, at_s=60.0)
    moved = told(w, replace(forecast, basis="curve"), at_s=80.0)["m08"]
    assert hard_s(moved) > base
    found = hard_s(told(w, kicked(185.0), at_s=200.0)["m08"])
    assert found < hard_s(moved)
    assert not told(w, replace(forecast, basis="curve"), at_s=260.0)


def test_a_lot_timed_slow_is_slow_before_its_kick() -> None:
    fast, slow = (hard_s(told(watcher(), room(23.0), started("m03", lot=lot))["m03"]) for lot in ("r-07", "r-05"))
    assert slow > 1.15 * fast


# ----------------------------------------------------------------------------------------------------- what pulls teach


def pulled(w: demold.DemoldWatcher, mold: str, at_s: float, feel: str) -> list[PartPulled]:
    return [as_kind(PartPulled, f) for f in w.see(Mark(t=T0 + at_s, verb="demolded", mold=mold, feel=feel))]


def test_a_pull_is_told_with_what_it_taught() -> None:
    w = watcher()
    told(w, room(23.0), started("m08"), kicked(185.0))
    (found,) = pulled(w, "M08", 450.0, "hard")
    assert (found.mold, found.resin, found.feel, found.after_s) == ("m08", "harbour-fast", "hard", 450.0)
    assert found.green_s < found.hard_s
    assert found.log_bias < -0.05
    assert found.subject.mold == "m08"


def test_the_next_cast_of_that_mold_and_resin_is_forecast_by_it() -> None:
    w = watcher()
    for i in range(4):
        subject, t = replace(POUR, pour=f"cup-1-{i}"), 86_400.0 * i
        told(w, room(23.0, t - 5.0), started("m08", "m03", t=t, subject=subject), at_s=t + 1.0)
        pulled(w, "m08", t + 480.0, "hard")
        pulled(w, "m03", t + 1e4, "hard")
        w.see(PourEnded(t=T0 + t + 1e4, subject=subject, why="demolded"))
    t = 86_400.0 * 4
    found = told(w, started("m08", "m03", t=t, subject=replace(POUR, pour="cup-1-9")), at_s=t + 1.0)
    fresh = told(watcher(), room(23.0), started("m08", "m03"))
    assert hard_s(found["m08"]) - t < 0.9 * hard_s(fresh["m08"])
    assert found["m08"].basis == "learned"
    own, shared = (hard_s(found[m]) - t for m in ("m08", "m03"))
    # m03's own late pulls say next to nothing: what m08 shows of the resin moves it, but less than m08 itself
    assert own / hard_s(fresh["m08"]) < shared / hard_s(fresh["m03"]) < 0.95


def test_what_was_learned_before_is_in_the_context() -> None:
    known = {"molds": {"m08": {"harbour-fast": {"log_bias": 0.3, "sd": 0.08, "pulls": 6}}, "m03": "spoilt"}}
    found = told(watcher(replace(BENCH, learned=learned_from_body(known))), room(23.0), started("m08", "m03"))
    assert hard_s(found["m08"]) == pytest.approx(600.0 * 1.35, rel=0.03)
    assert found["m08"].basis == "learned"
    assert 1.1 < hard_s(found["m03"]) / hard_s(told(watcher(), room(23.0), started("m03"))["m03"]) < 1.35


def test_another_resins_pulls_say_nothing_of_this_one() -> None:
    known = {"molds": {"m08": {"harbour-slow": {"log_bias": 0.3, "sd": 0.08, "pulls": 6}}}}
    found = told(watcher(replace(BENCH, learned=learned_from_body(known))), room(23.0), started("m03"))
    fresh = told(watcher(), room(23.0), started("m03"))
    assert hard_s(found["m03"]) == hard_s(fresh["m03"])
    assert found["m03"].basis == "label"


def test_a_pull_taken_back_teaches_nothing_and_the_part_is_due_again() -> None:
    w, fresh = watcher(), watcher()
    for each in (w, fresh):
        told(each, room(23.0), started("m08"), kicked(185.0))
    pulled(w, "m08", 400.0, "hard")
    w.see(Mark(t=T0 + 406.0, verb="undo", pour=POUR.pour, mold="m08"))
    ticks = [Tick(T0 + s) for s in range(410, 1500, 10)]
    due = [[(f.stage, f.t) for t in ticks for f in each.see(t) if isinstance(f, DemoldReady)] for each in (w, fresh)]
    assert due[0] == due[1] != []


def test_an_undo_of_something_else_leaves_the_lesson() -> None:
    w = watcher()
    told(w, room(23.0), started("m08", "m03"), kicked(185.0))
    pulled(w, "m08", 400.0, "hard")
    w.see(MoldPoured(t=T0 + 402.0, subject=POUR.filled(mold="m03"), left=0))
    w.see(Mark(t=T0 + 404.0, verb="undo", pour=POUR.pour, mold="m03"))
    assert not [f for s in range(410, 1500, 10) for f in w.see(Tick(T0 + s)) if getattr(f, "mold", "") == "m08"]


def test_a_pull_without_a_feel_or_without_a_table_teaches_nothing() -> None:
    w = watcher()
    told(w, room(23.0), started("m08"))
    assert w.see(Mark(t=T0 + 500.0, verb="demolded", mold="m08")) == []
    bare = watcher(with_table=False)
    told(bare, room(23.0), started("m08"))
    assert pulled(bare, "m08", 500.0, "hard") == []


def test_tables_and_lessons_stay_in_a_checkpoint_and_it_stays_small() -> None:
    w = watcher()
    told(w, room(23.0), started("m08", "m03", "m02", "m01"), kicked(185.0))
    pulled(w, "m08", 450.0, "hard")
    blob = frozen(w)
    assert len(blob) < 60_000
    copy = thawed(blob, type(w), *(m.table for m in w.models.values()))
    ticks = [Tick(T0 + s) for s in range(460, 6000, 20)]
    assert [f for t in ticks for f in copy.see(t)] == [f for t in ticks for f in w.see(t)]
