"""Is the hold forecast, and called complete only when it is?  Invented bench of Quiet Harbour Figures.

The fast resin: pot life 3 min, least hold 8 min; 2 mm gels in about 19 min at 23 C and 8 min in a 40 C mold (a
simulation, good for shape; the rule is tests/physics/test_section_rule.py's); margin e^0.44, nine in ten of such times.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import pytest

from benchd.core.bench import Bench, Mold, Pot, Resin
from benchd.core.findings import (
    DemoldForecast,
    Event,
    Finding,
    GaugeDropped,
    HoldComplete,
    HoldForecast,
    HoldLost,
    Kicked,
    KickForecast,
    LoadClosed,
    LoadOpened,
    PotAtPressure,
    PotBelowFloor,
    PourEnded,
    PourRevised,
    PourStarted,
)
from benchd.core.model import Reading, Subject, Tick
from benchd.core.seat.watcher import Place
from benchd.watchers import hold
from benchd.watchers.hold.tune import Settings

T0 = 1_767_607_200.0
BARREL = Subject(bench="north", pot="barrel")
LOAD = Subject(bench="north", pot="barrel", load="barrel-1")
POUR = Subject(bench="north", cup="cup-1", pot="barrel", pour="cup-1-1")
RESIN = Resin(id="harbour-fast", name="Harbour Fast", pot_life_s=180.0, demold_s=600.0, least_hold_s=480.0)
MOLDS = (
    Mold(id="m02", code="M02", name="Keeper arms", cavity_ml=28.0, thin_mm=2.0, thick_mm=9.0),
    Mold(id="m08", code="M08", name="Pebble plinth", cavity_ml=118.0, thin_mm=10.0, thick_mm=18.0),
)


def pot(id: str) -> Pot:
    return Pot(id=id, name=id, volume_l=16.5, free_l=13.0, marked_kpa=413.7, relief_kpa=379.2, target_kpa=289.6,
               floor_kpa=241.3, limit_kpa=372.3)  # fmt: skip


def watcher(
    molds: tuple[Mold, ...] = MOLDS, resins: tuple[Resin, ...] = (RESIN,), pots: tuple[str, ...] = ("barrel",)
) -> hold.HoldWatcher:
    bench = Bench(id="north", shop="quiet-harbour", name="North bench", molds=molds, resins=resins,
                  pots=tuple(pot(p) for p in pots))  # fmt: skip
    return hold.make(Settings(), Place(bench, BARREL, pot=bench.pots[0]))


def started(
    molds: tuple[str, ...] = ("m08",),
    mold_c: float | None = None,
    subject: Subject = POUR,
    lot: str | None = None,
    t: float = 0.0,
) -> PourStarted:
    return PourStarted(t=T0 + t, subject=subject, mix_t=T0 + t, lot=lot, molds=molds, inferred=False, number=1,
                       mold_c=mold_c)  # fmt: skip


def kicked(at: float, late: float = 5.0, subject: Subject = POUR) -> Kicked:
    return Kicked(t=T0 + at + 15.0, subject=subject, at=T0 + at, early=T0 + at - 5.0, late=T0 + at + late, temp_c=70.0,
                  basis="curve")  # fmt: skip


def closed(t: float = 114.0, pours: tuple[str, ...] = ("cup-1-1",)) -> LoadClosed:
    return LoadClosed(t=T0 + t, subject=LOAD, pours=pours, number=1)


def up(since: float = 140.0) -> PotAtPressure:
    return PotAtPressure(t=T0 + since + 5.0, subject=LOAD, kpa=260.0, since=T0 + since, margin_s=40.0)


def below(t: float, active: bool) -> PotBelowFloor:
    return PotBelowFloor(t=T0 + t, subject=LOAD, kpa=230.0, limit_kpa=241.3, kpa_per_min=-10.0, active=active)


def gauge(t: float, kpa: float | None) -> Reading:
    return Reading(T0 + t, "barrel-pressure", "pot_pressure", "barrel", kpa, kpa)


def run(w: hold.HoldWatcher, events: Sequence[Event], until_s: int = 2400) -> list[tuple[float, Finding]]:
    both: list[Event] = sorted([*events, *(Tick(T0 + s) for s in range(until_s))], key=lambda e: e.t)
    return [(f.t - T0, f) for e in both for f in w.see(e)]


def complete(found: Sequence[tuple[float, Finding]]) -> list[tuple[float, HoldComplete]]:
    return [(s, f) for s, f in found if isinstance(f, HoldComplete)]


def forecasts(found: Sequence[tuple[float, Finding]]) -> list[tuple[float, HoldForecast]]:
    return [(s, f) for s, f in found if isinstance(f, HoldForecast)]


MARGIN = 1.55
PLINTH_S = 1.474 * MARGIN  # 10 mm gels after (1 + 5.3 (2/10)^1.5) pot lives, and the margin


def test_a_thick_load_holds_until_its_gel_and_the_label_is_shown_beside() -> None:
    found = run(watcher(), [started(), closed(), up(), kicked(183.0)])
    ((s, done),) = complete(found)
    assert s == pytest.approx(183.0 * PLINTH_S, abs=1.0)
    last = forecasts(found)[-1][1]
    assert last.label_at == pytest.approx(T0 + 183.0 + 480.0, abs=15.0)
    assert last.gel_at == pytest.approx(T0 + 183.0 * 1.474, abs=15.0)
    assert done.since == T0 + 140.0
    assert done.subject.pot == "barrel"


def test_a_thin_part_holds_the_pot_until_it_is_past_gel_with_margin() -> None:
    cold, warm = (
        run(watcher(), [started(("m08", "m02"), mold_c), closed(), up(), kicked(180.0)]) for mold_c in (23.0, 40.0)
    )
    assert complete(cold)[0][0] == pytest.approx(MARGIN * 6.3 * 180.0, abs=2.0)  # 19 min and the margin
    assert complete(warm)[0][0] == pytest.approx(MARGIN * 8.0 * 60.0, rel=0.01)  # warmed to 40 C it gels in 8 min


def test_a_slow_lot_stretches_the_thin_parts_gel() -> None:
    on_time = complete(run(watcher(), [started(("m02",), 23.0), closed(), up(), kicked(180.0)]))[0][0]
    slow = complete(run(watcher(), [started(("m02",), 23.0), closed(), up(), kicked(270.0)], 3000))[0][0]
    assert slow == pytest.approx(1.5 * on_time, rel=0.01)


def test_pressure_after_the_kick_starts_the_least_hold_of_molds_nobody_named() -> None:
    found = run(
        watcher(molds=(replace(MOLDS[1], thin_mm=40.0),)), [started(()), closed(250.0), up(290.0), kicked(183.0)]
    )
    least_s = 1.0 + 5.3 * (2.0 / 3.0) ** 1.5  # the thinnest taken is 3 mm
    assert complete(found)[0][0] == pytest.approx(max(290.0 + 480.0, 183.0 * least_s * MARGIN), abs=1.0)


def test_the_cup_itself_must_be_past_gel() -> None:
    found = run(
        watcher(resins=(replace(RESIN, least_hold_s=10.0),)), [started(), closed(), up(), kicked(183.0, late=400.0)]
    )
    assert complete(found)[0][0] == pytest.approx(583.0, abs=1.0)


def test_time_below_the_floor_does_not_count_for_the_label_and_molds_gel_down_there_as_well() -> None:
    dipped = [started(), closed(), up(), kicked(183.0), below(300.0, True), below(360.0, False)]
    found = run(watcher(), dipped)
    assert complete(found)[0][0] == pytest.approx(183.0 * PLINTH_S, abs=2.0)
    assert forecasts(found)[-1][1].label_at == pytest.approx(T0 + 183.0 + 480.0 + 60.0, abs=16.0)
    assert complete(run(watcher(), dipped[:-1]))[0][0] == complete(found)[0][0], "nothing needs it any more"
    nameless = [started(()), *dipped[1:-1]]
    assert complete(run(watcher(), nameless)) == [], "of unknown molds only the label knows, and it counts on"


def test_a_pot_that_never_came_up_never_completes() -> None:
    found = run(watcher(), [started(), closed(), kicked(183.0)])
    assert complete(found) == []
    assert forecasts(found)


def test_a_load_opened_before_its_time_is_not_complete() -> None:
    opened = LoadOpened(t=T0 + 300.0, subject=LOAD, pours=("cup-1-1",), number=1)
    found = run(watcher(), [started(), closed(), up(), kicked(183.0), opened])
    assert complete(found) == []
    assert max(s for s, _ in forecasts(found)) < 300.0


def test_the_least_pressure_is_that_from_the_kick_on() -> None:
    dips = {150: 200.0, 151: 200.0, 152: 200.0, 153: 200.0, 154: 200.0}  # while filling, before the kick
    dips |= dict.fromkeys(range(300, 312), 250.0)
    dips |= {350: 90.0}  # a spike of one sample is none
    readings = [gauge(s, dips.get(s, 280.0)) for s in range(100, 700)]
    ((_, done),) = complete(run(watcher(), [started(), closed(), up(), kicked(183.0), *readings]))
    assert done.min_kpa == 250.0


def test_without_a_gauge_the_least_pressure_is_unknown() -> None:
    ((_, done),) = complete(
        run(watcher(), [started(), closed(), up(), kicked(183.0), gauge(300.0, None), gauge(301.0, math.nan)])
    )
    assert done.min_kpa is None


def test_a_load_waits_for_its_last_pour() -> None:
    second = replace(POUR, cup="cup-2", pour="cup-2-1")
    load = closed(130.0, ("cup-1-1", "cup-2-1"))
    events = [started(), started(t=60.0, subject=second), load, up(150.0), kicked(183.0), kicked(250.0, subject=second)]
    assert complete(run(watcher(), events))[0][0] == pytest.approx(60.0 + 190.0 * PLINTH_S, abs=1.0)
    ended = PourEnded(t=T0 + 300.0, subject=second, why="no_cure")
    assert complete(run(watcher(), [*events, ended]))[0][0] == pytest.approx(183.0 * PLINTH_S, abs=1.0)


def test_a_pour_marked_after_the_pot_began_to_fill_joins_by_its_load() -> None:
    joined = replace(POUR, load="barrel-1")
    found = run(watcher(), [closed(114.0, ()), started(t=120.0, subject=joined), up(), kicked(300.0, subject=joined)])
    assert complete(found)[0][0] == pytest.approx(120.0 + 180.0 * PLINTH_S, abs=1.0)


def test_another_pots_pour_does_not_hold_this_one() -> None:
    elsewhere = Subject(bench="north", cup="cup-2", pot="drum", pour="cup-2-1")
    w = watcher(pots=("barrel", "drum"))
    events = [started(subject=elsewhere), closed(114.0, ("cup-2-1",)), up(), kicked(183.0, subject=elsewhere)]
    assert run(w, events) == []


def test_an_unseen_kick_is_taken_late() -> None:
    ((s, _),) = complete(run(watcher(resins=(replace(RESIN, least_hold_s=60.0),)), [started(), closed(), up()]))
    assert s == pytest.approx(PLINTH_S * 180.0, abs=3.0), "10 mm with margin"
    thick = watcher(molds=(replace(MOLDS[1], thin_mm=40.0),), resins=(replace(RESIN, least_hold_s=60.0),))
    ((s, _),) = complete(run(thick, [started(), closed(), up()]))
    assert s == pytest.approx((1.0 + 5.3 * (2.0 / 40.0) ** 1.5) * MARGIN * 180.0, abs=2.0)


def test_forecasts_follow_the_kick_and_say_their_basis() -> None:
    early = KickForecast(t=T0 + 1.0, subject=POUR, at=T0 + 180.0, early=T0 + 130.0, late=T0 + 260.0, confidence="low",
                         basis="label")  # fmt: skip
    found = forecasts(run(watcher(), [started(), early, closed(), up(), kicked(240.0)]))
    assert [f.basis for _, f in found] == ["label", "curve"]
    assert found[0][1].at - T0 == pytest.approx(180.0 * PLINTH_S, abs=1.0)
    assert found[1][1].at - T0 == pytest.approx(240.0 * PLINTH_S, abs=1.0)
    assert found[1][0] >= found[0][0] + 10.0


def test_molds_named_late_count() -> None:
    revised = PourRevised(t=T0 + 200.0, subject=POUR, mix_t=T0, lot=None, molds=("m02",), inferred=False, number=1,
                          mold_c=23.0)  # fmt: skip
    found = run(watcher(), [started(), closed(), up(), kicked(180.0), revised])
    assert complete(found)[0][0] == pytest.approx(MARGIN * 6.3 * 180.0, abs=2.0)


@pytest.mark.parametrize(("shelf", "thin_mm"), [(MOLDS, 2.0), ((), 3.0), ((replace(MOLDS[1], thin_mm=8.0),), 3.0)])
def test_without_molds_named_the_thinnest_on_the_shelf_is_assumed(shelf: tuple[Mold, ...], thin_mm: float) -> None:
    found = run(watcher(molds=shelf), [started(()), closed(), up(), kicked(180.0)])
    ratio = 1.0 + 5.3 * (2.0 / thin_mm) ** 1.5
    assert complete(found)[0][0] == pytest.approx(max(MARGIN * ratio * 180.0, 660.0), abs=2.0)


def test_an_unknown_mold_or_an_unknown_resin_breaks_nothing() -> None:
    assert complete(run(watcher(), [started(("m99",)), closed(), up(), kicked(180.0)]))
    assert run(watcher(resins=()), [started(), closed(), up(), kicked(180.0)]) == []
    assert run(watcher(), [closed(), up()]) == []


# ------------------------------------------------------------------------------------- gel as the demold watcher has it


def gel(
    mold: str, late: float, t: float = 200.0, basis: Literal["label", "curve", "learned"] = "curve"
) -> DemoldForecast:
    window, far = (T0 + 0.5 * late, T0 + 0.7 * late, T0 + late), (T0 + 3e3, T0 + 3e3, T0 + 3e3)
    subject = POUR.filled(mold=mold)
    return DemoldForecast(
        t=T0 + t, subject=subject, mold=mold, green_at=None, hard_at=far, gel_at=window, basis=basis
    )  # fmt: skip


def test_the_last_molds_gel_by_its_late_edge_ends_the_hold() -> None:
    base = [started(("m02", "m08")), closed(), up(), kicked(183.0)]
    found = run(watcher(), [*base, gel("m02", 840.0), gel("m08", 400.0)])
    assert complete(found)[0][0] == pytest.approx(840.0, abs=1.0)
    assert forecasts(found)[-1][1].basis == "curve"
    assert forecasts(found)[-1][1].gel_at == T0 + 0.7 * 840.0
    # Both gel before the resin's least hold has run: the label is shown, and no longer rules.
    found = run(watcher(), [*base, gel("m02", 500.0), gel("m08", 400.0)])
    assert complete(found)[0][0] == pytest.approx(500.0, abs=1.0)
    assert forecasts(found)[-1][1].label_at == pytest.approx(T0 + 183.0 + 480.0, abs=1.0)


def test_a_mold_whose_gel_is_not_told_keeps_the_rule() -> None:
    base = [started(("m02", "m08"), 23.0), closed(), up(), kicked(180.0)]
    found = run(watcher(), [*base, gel("m08", 400.0)])
    assert complete(found)[0][0] == pytest.approx(MARGIN * 6.3 * 180.0, abs=2.0)


def test_the_newest_gel_counts() -> None:
    base = [started(("m08",)), closed(), up(), kicked(183.0)]
    found = run(watcher(), [*base, gel("m08", 1400.0), gel("m08", 900.0, 300.0, "learned")])
    assert complete(found)[0][0] == pytest.approx(900.0, abs=1.0)
    assert forecasts(found)[-1][1].basis == "learned"


# ------------------------------------------------------------------------------------------------- a hold that is lost


def lost(found: Sequence[tuple[float, Finding]]) -> list[tuple[float, tuple[str, ...]]]:
    return [(s, f.molds) for s, f in found if isinstance(f, HoldLost)]


def falls(at_s: int, kpa: float) -> list[Event]:
    return [gauge(s, 280.0 if s < at_s else kpa) for s in range(150, 1200)]


def test_pressure_lost_before_a_gel_is_told_once_with_the_molds_concerned() -> None:
    base = [started(("m02", "m08")), closed(), up(), kicked(183.0), gel("m02", 840.0), gel("m08", 400.0)]
    found = run(watcher(), [*base, *falls(350, 100.0), LoadOpened(t=T0 + 390.0, subject=LOAD, pours=(), number=1)])
    ((s, molds),) = lost(found)
    assert molds == ("m02",)  # the plinth has gelled by 280 s
    assert s == pytest.approx(355.0, abs=2.0)
    both = run(watcher(), [*base, *falls(250, 100.0)])
    assert [molds for _, molds in lost(both)] == [("m02", "m08")]
    # Above half of the floor, or past the last gel's likely time, nothing is lost.
    assert lost(run(watcher(), [*base, *falls(350, 150.0)])) == []
    assert lost(run(watcher(), [*base, *falls(600, 10.0)])) == []


def test_a_pot_opened_before_its_gel_has_lost_its_hold_even_without_a_gauge() -> None:
    base = [started(("m02",)), closed(), up(), kicked(183.0), gel("m02", 840.0)]
    opened = LoadOpened(t=T0 + 300.0, subject=LOAD, pours=("cup-1-1",), number=1)
    assert lost(run(watcher(), [*base, opened])) == [(300.0, ("m02",))]


def test_a_gauge_that_dropped_falsely_has_lost_no_hold() -> None:
    base = [started(("m02",)), closed(), up(), kicked(183.0), gel("m02", 840.0)]
    false = GaugeDropped(t=T0 + 300.0, subject=LOAD, kpa=0.0, limit_kpa=280.0, kpa_per_min=0.0, active=True)
    assert lost(run(watcher(), [*base, false, *falls(301, 0.0)])) == []
