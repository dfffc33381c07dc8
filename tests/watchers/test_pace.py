"""Are "last mold", "lid now" and "late" said when the clock says so, once, and about the right pot?

Times are those of one person with a fast resin (common practice, no source): pour 15 s a mold, lid 25 s, fill 30 s,
at pressure 20 s before the earliest kick.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal, TypeVar

import pytest

from benchd.core.bench import Bench, Cup, Pot
from benchd.core.findings import (
    DemoldForecast,
    Event,
    Finding,
    Kicked,
    KickForecast,
    LastMold,
    LidNow,
    MoldPoured,
    PotAtPressure,
    PotFilling,
    PotNotFilling,
    PourEnded,
    PourStarted,
    PressureLate,
)
from benchd.core.model import Reading, Subject, Tick
from benchd.core.model.learned import CasterHabits, Learned, PotHabits
from benchd.core.seat.watcher import Place
from benchd.watchers import pace

T0 = 1_767_607_200.0
POUR = Subject(bench="north", cup="cup-1", pot="barrel", pour="cup-1-1")
BARREL = Subject(bench="north", pot="barrel")
DRUM = Subject(bench="north", pot="drum")
FLOOR_KPA = 241.3  # 35 psi
F = TypeVar("F", bound=Finding)


def pot(id: str) -> Pot:
    return Pot(id=id, name=id, volume_l=16.5, free_l=13.0, marked_kpa=413.7, relief_kpa=379.2, target_kpa=289.6,
               floor_kpa=FLOOR_KPA, limit_kpa=372.3)  # fmt: skip


def watcher(*pots: str, **tune: float) -> pace.PaceWatcher:
    bench = Bench(id="north", shop="quiet-harbour", name="North bench", pots=tuple(pot(p) for p in pots))
    return pace.make(
        pace.Settings(**tune), Place(bench, Subject(bench="north", cup="cup-1"), Cup(id="cup-1", name="Cup one"))
    )


def started(t: float = 0.0, subject: Subject = POUR) -> PourStarted:
    return PourStarted(t=T0 + t, subject=subject, mix_t=T0 + t, lot=None, molds=("m02",), inferred=False, number=1)


def forecast(t: float, early_s: float, subject: Subject = POUR) -> KickForecast:
    return KickForecast(t=T0 + t, subject=subject, at=T0 + early_s + 25.0, early=T0 + early_s, late=T0 + early_s + 60.0,
                        confidence="good", basis="curve")  # fmt: skip


def filling(t: float, kpa: float, kpa_per_min: float = 550.0, subject: Subject = BARREL) -> PotFilling:
    return PotFilling(t=T0 + t, subject=subject, kpa=kpa, kpa_per_min=kpa_per_min)


def poured(t: float, left: int) -> MoldPoured:
    return MoldPoured(t=T0 + t, subject=replace(POUR, mold="m02"), left=left)


def at_pressure(t: float, subject: Subject = BARREL) -> PotAtPressure:
    return PotAtPressure(t=T0 + t, subject=subject, kpa=250.0, since=T0 + t - 5.0, margin_s=30.0)


def run(w: pace.PaceWatcher, events: Sequence[Event], until_s: int = 240) -> list[tuple[float, Finding]]:
    """[(second, finding)] with a tick each second."""
    both: list[Event] = sorted([*events, *(Tick(T0 + s) for s in range(until_s))], key=lambda e: e.t)
    return [(f.t - T0, f) for e in both for f in w.see(e)]


def of(kind: type[F], found: Sequence[tuple[float, Finding]]) -> list[tuple[float, F]]:
    return [(s, f) for s, f in found if isinstance(f, kind)]


def test_the_calls_are_counted_back_from_the_early_end() -> None:
    found = run(watcher("barrel"), [started(), forecast(0.0, 165.0)], until_s=110)
    ((last_s, last),), ((lid_s, lid),) = of(LastMold, found), of(LidNow, found)
    # early 165: up by 145, lid on by 115, "Lid now" at 90, "Last mold" at 75.
    assert (last_s, lid_s) == (75.0, 90.0)
    assert last.lid_by - T0 == 115.0
    assert lid.fill_by - T0 == 145.0
    assert not of(PressureLate, found), "acting now would still do"


def test_a_forecast_that_moves_moves_the_calls_and_each_is_said_once() -> None:
    found = run(watcher("barrel"), [started(), forecast(0.0, 165.0), forecast(60.0, 185.0), forecast(112.0, 220.0)])
    assert [s for s, _ in of(LastMold, found)] == [95.0]
    assert [s for s, _ in of(LidNow, found)] == [110.0]


def test_with_all_molds_poured_there_is_no_last_mold_left_to_call() -> None:
    found = run(watcher("barrel"), [started(), forecast(0.0, 165.0), poured(40.0, 1), poured(60.0, 0)])
    assert not of(LastMold, found)
    assert [s for s, _ in of(LidNow, found)] == [90.0]


def test_a_pot_that_fills_already_needs_no_lid() -> None:
    assert not of(LidNow, run(watcher("barrel"), [started(), forecast(0.0, 165.0), filling(80.0, 20.0)], until_s=110))


def test_a_kick_too_near_from_the_start_brings_the_lid_call_alone() -> None:
    found = run(watcher("barrel"), [started(), forecast(0.0, 50.0)], until_s=20)
    assert [type(f) for _, f in found[:2]] == [LidNow, PressureLate]
    assert not of(LastMold, found)


def test_late_begins_when_lid_and_fill_no_longer_fit_and_ends_at_pressure() -> None:
    found = run(watcher("barrel"), [started(), forecast(0.0, 165.0), filling(130.0, 10.0), at_pressure(175.0)])
    late = of(PressureLate, found)
    # Lid 25 s and fill 30 s from 110 on pass the early end at 165.
    assert [(s, f.active, f.rising) for s, f in late] == [
        (111.0, True, False),
        (130.0, True, True),
        (175.0, False, True),
    ]
    assert late[0][1].projected_at - T0 == pytest.approx(166.0)
    assert late[0][1].kick_early - T0 == 165.0
    assert late[0][1].subject.pot == "barrel"


def test_a_lid_on_its_way_since_the_last_mold_is_counted() -> None:
    found = run(watcher("barrel"), [started(), forecast(0.0, 165.0), poured(100.0, 0)], until_s=135)
    assert not of(PressureLate, found), "poured at 100, lid by 125, up by 155"
    found = run(watcher("barrel"), [started(), forecast(0.0, 165.0), poured(100.0, 0)], until_s=160)
    assert [s for s, _ in of(PressureLate, found)] == [136.0]


def test_a_fill_is_projected_at_its_own_pace() -> None:
    slow = [filling(90.0 + 5.0 * i, 10.0 + 10.0 * i, 120.0) for i in range(8)]
    found = of(PressureLate, run(watcher("barrel"), [started(), forecast(0.0, 165.0), *slow]))
    # At 95 s: 221 kPa to go at 120 kPa/min takes 111 s; the first seconds' pace is not believed.
    assert [(s, f.rising) for s, f in found] == [(95.0, True)]
    assert found[0][1].projected_at - T0 == pytest.approx(95.0 + 60.0 * (FLOOR_KPA - 20.0) / 120.0)
    brisk = [filling(100.0 + 5.0 * i, 20.0 + 46.0 * i) for i in range(6)]
    assert not of(PressureLate, run(watcher("barrel"), [started(), forecast(0.0, 165.0), *brisk, at_pressure(130.0)]))


def test_a_stalled_fill_is_no_longer_rising() -> None:
    stalled = PotNotFilling(t=T0 + 150.0, subject=BARREL, kpa=60.0, for_s=10.0, active=True)
    found = run(watcher("barrel"), [started(), forecast(0.0, 165.0), filling(138.0, 20.0, 90.0),
                                    filling(143.0, 28.0, 90.0), stalled], until_s=160)  # fmt: skip
    assert [(s, f.rising) for s, f in of(PressureLate, found)] == [(111.0, False), (138.0, True), (150.0, False)]


@pytest.mark.parametrize("ends", ["kick", "pour"])
def test_late_ends_with_the_kick_or_the_pour(ends: str) -> None:
    at = T0 + 160.0
    kick = Kicked(t=at, subject=POUR, at=at, early=at, late=at, temp_c=None, basis="curve")
    end = kick if ends == "kick" else PourEnded(t=at, subject=POUR, why="marked")
    late = of(PressureLate, run(watcher("barrel"), [started(), forecast(0.0, 165.0), end]))
    assert [(s, f.active) for s, f in late] == [(111.0, True), (160.0, False)]


def test_another_pots_pressure_does_not_help_and_another_pours_kick_does_not_end_it() -> None:
    other = replace(POUR, pour="cup-1-0")
    kick = Kicked(t=T0 + 50.0, subject=other, at=T0, early=T0, late=T0, temp_c=None, basis="marked")
    events = [started(), forecast(0.0, 165.0), kick, filling(60.0, 30.0, subject=DRUM), at_pressure(80.0, DRUM)]
    assert [s for s, _ in of(PressureLate, run(watcher("barrel", "drum"), events, until_s=150))] == [111.0]


def test_a_pour_that_names_no_pot_races_the_only_one_there_is() -> None:
    nameless = replace(POUR, pot=None)
    events = [started(subject=nameless), forecast(0.0, 165.0, nameless), at_pressure(100.0)]
    found = run(watcher("barrel"), events)
    assert of(LidNow, found)[0][1].subject.pot == "barrel"
    assert not of(PressureLate, found)
    assert [s for s, _ in of(PressureLate, run(watcher("barrel", "drum"), events))] == [111.0]


def test_a_bench_without_a_pot_or_a_forecast_is_not_hurried() -> None:
    assert run(watcher(), [started(), forecast(0.0, 165.0)]) == []
    assert run(watcher("barrel"), [started()]) == []
    assert run(watcher("barrel"), [forecast(0.0, 165.0)]) == []


def test_the_next_pour_begins_afresh() -> None:
    w = watcher("barrel")
    run(w, [started(), forecast(0.0, 165.0)], until_s=150)
    second = replace(POUR, pour="cup-1-2")
    found = run(w, [started(400.0, second), forecast(400.0, 565.0, second)], until_s=520)
    late = [(s, f.active) for s, f in of(PressureLate, found)]
    assert (400.0, False) in late
    assert [s for s, _ in of(LidNow, [x for x in found if x[0] >= 400.0])] == [490.0]


@pytest.mark.parametrize(("confidence", "tune", "late_s"), [("good", {}, 111.0), ("low", {}, 119.0),
                                                            ("low", {"low_late_share": 0.0}, 111.0),
                                                            ("good", {"late_share": 0.4}, 121.0)])  # fmt: skip
def test_a_doubtful_window_is_not_judged_at_its_very_edge(
    confidence: Literal["good", "low"], tune: dict[str, float], late_s: float
) -> None:
    """The likely time is 25 s after the early end; 0.35 of that is 8.75 s."""
    doubtful = replace(forecast(0.0, 165.0), confidence=confidence)
    found = run(watcher("barrel", **tune), [started(), doubtful], until_s=150)
    ((s, late),) = of(PressureLate, found)
    assert s == late_s
    assert late.kick_early - T0 == 165.0
    assert [s for s, _ in of(LidNow, found)] == [90.0]


def test_learned_times_move_the_calls_unless_set_by_hand() -> None:
    """A caster whose lid takes 40 s and a pot that fills in 45 s are called 30 s earlier than the defaults do."""
    learned = Learned(caster=CasterHabits(lid_s=40.0, pour_s=20.0), pots={"barrel": PotHabits(fill_s=45.0)})
    bench = Bench(
        id="north", shop="s", name="n", pots=(pot("barrel"),), cups=(Cup(id="cup-1", name="c"),), learned=learned
    )
    place = Place(bench, Subject(bench=bench.id, cup="cup-1"), cup=bench.cups[0])
    own = pace.make(pace.Settings(), place)
    by_hand = pace.make(pace.Settings(lid_s=25.0, fill_s=30.0), place)
    assert (own._lid_s(), own._fill_s(), own._pour_s()) == (40.0, 45.0, 20.0)
    assert (by_hand._lid_s(), by_hand._fill_s(), by_hand._pour_s()) == (25.0, 30.0, 20.0)


def mold_forecast(t: float, mold: str, kick_share: float | None) -> DemoldForecast:
    late = (T0 + 600.0, T0 + 700.0, T0 + 900.0)
    return DemoldForecast(
        t=T0 + t, subject=POUR.filled(mold=mold), mold=mold, green_at=None, hard_at=late, basis="label",
        kick_share=kick_share,
    )  # fmt: skip


def test_a_mold_that_kicks_before_the_cup_sets_the_deadline() -> None:
    def lid_at(*forecasts: DemoldForecast) -> float:
        watching = watcher("barrel")
        events: list[Event] = [started(), forecast(1.0, 160.0), *forecasts, *(Tick(T0 + s) for s in range(2, 200))]
        return next(f.t - T0 for e in events for f in watching.see(e) if isinstance(f, LidNow))

    # by hand: 160 - 20 - 30 - 25 = 85 s; a mold at 0.9 x 1.03 of the cup's time: 148.3 - 75 = 73.3 s
    assert lid_at() == 85.0
    assert lid_at(mold_forecast(1.5, "m02", 0.9)) == 74.0
    assert lid_at(mold_forecast(1.5, "m02", 1.3)) == 85.0  # a cool thin mold kicks after the cup: the cup rules
    assert lid_at(mold_forecast(1.5, "m02", None)) == 85.0
    assert lid_at(mold_forecast(1.5, "m02", 1.3), mold_forecast(1.6, "m04", 0.9)) == 74.0


def test_lateness_names_what_kicks_first() -> None:
    for share, limit in ((0.8, "mold"), (1.2, "cup"), (0.96, "cup")):
        watching = watcher("barrel")
        events: list[Event] = [started(), forecast(1.0, 160.0), mold_forecast(1.5, "m02", share)]
        events += [Tick(T0 + s) for s in range(2, 160)]
        late = next(f for e in events for f in watching.see(e) if isinstance(f, PressureLate))
        assert late.limit == limit
        assert late.kick_early == pytest.approx(T0 + 160.0 * min(1.0, 1.03 * share))


def gauge(t: float, kpa: float, id: str = "barrel") -> Reading:
    return Reading(T0 + t, f"{id}-pressure", "pot_pressure", id, kpa, kpa)


def test_a_slow_gauge_is_given_the_readings_it_takes_to_show_a_fill() -> None:
    # early 150 and 30 s of filling: late from 121 on.  A fill that began at 115 shows in the reading at 117.
    before: list[Event] = [started(), forecast(0.0, 150.0), poured(80.0, 0)]
    seldom = [*before, *(gauge(float(s), 0.1) for s in range(0, 116, 3)), gauge(117.0, 20.0), gauge(120.0, 60.0)]
    assert not of(PressureLate, run(watcher("barrel"), [*seldom, filling(123.0, 80.0)], until_s=140))


def test_a_slow_gauge_that_shows_an_empty_pot_is_late_all_the_same() -> None:
    before: list[Event] = [started(), forecast(0.0, 150.0), poured(80.0, 0)]
    found = run(watcher("barrel"), [*before, *(gauge(float(s), 0.1) for s in range(2, 140, 4))], until_s=140)
    assert [s for s, _ in of(PressureLate, found)] == [122.0], "by the reading that still showed it empty then"


def test_another_pot_shows_nothing_of_this_one() -> None:
    before: list[Event] = [started(), forecast(0.0, 150.0), poured(80.0, 0)]
    others = [gauge(float(s), 0.1, "drum") for s in range(0, 110, 3)]
    found = run(watcher("barrel", "drum"), [*before, *others], until_s=140)
    assert [s for s, _ in of(PressureLate, found)] == [121.0]
