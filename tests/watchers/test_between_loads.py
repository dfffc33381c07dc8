"""Words that come once a load: its leak after the vent, the inlet once it is steady, a mix that began cold."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from benchd.core.bench import Bench, Mold, Pot, Resin
from benchd.core.findings import (
    Event,
    Finding,
    LoadClosed,
    LoadLeaked,
    LoadOpened,
    MixedCold,
    PostCureDue,
    PotAtPressure,
    PotIsolated,
    PotLeaking,
    PotSteady,
    PourEnded,
    PourRevised,
    PourStarted,
)
from benchd.core.model import Mark, Reading, Subject
from benchd.core.seat.watcher import Place, Watcher
from benchd.watchers import cold, leaked, post_cure, steady

T0 = 1_767_607_200.0
POT = Pot(id="barrel", name="Barrel", volume_l=16.5, free_l=13.0, marked_kpa=413.7, relief_kpa=379.2, target_kpa=289.6,
          floor_kpa=241.3, limit_kpa=372.3)  # fmt: skip
MOLDS = (
    Mold(id="m02", code="M02", name="Keeper arms", cavity_ml=37.0, thin_mm=2.2, thick_mm=9.0, warm_c=40.0),
    Mold(id="m01", code="M01", name="Lantern Keeper torso", cavity_ml=110.0, thin_mm=6.0, thick_mm=26.0),
)
BENCH = Bench(id="north", shop="quiet-harbour", name="North bench", pots=(POT,), molds=MOLDS)
BARREL = Subject(bench="north", pot="barrel")
AT_POT = Place(BENCH, BARREL, pot=POT)


def shown(watcher: Watcher, events: Sequence[Event]) -> list[Finding]:
    return [found for event in events for found in watcher.see(event)]


# ------------------------------------------------------------------------------------------------- a slow leak


def leak(at_s: float, verdict: str = "slow", *, active: bool = True) -> PotLeaking:
    return PotLeaking(
        t=T0 + at_s, subject=BARREL, verdict=verdict, kpa_per_min=5.0, low=4.0, high=6.0, conductance_m3_s_pa=2.5e-11,  # type: ignore[arg-type]
        hole_mm=0.14, floor_at=None, matters=False, active=active,
    )  # fmt: skip


CLOSED = LoadClosed(t=T0, subject=BARREL, pours=(), number=1)
OPENED = LoadOpened(t=T0 + 900.0, subject=BARREL, pours=(), number=1)


def test_a_slow_leak_is_told_once_its_load_is_open_and_only_once() -> None:
    watcher = leaked.make(leaked.Settings(), AT_POT)
    (told,) = shown(watcher, [CLOSED, leak(300.0), leak(800.0, active=False), OPENED])
    assert isinstance(told, LoadLeaked)
    assert (told.t, told.kpa_per_min, told.hole_mm) == (T0 + 900.0, 5.0, 0.14)
    assert shown(watcher, [replace(CLOSED, t=T0 + 1000.0), replace(OPENED, t=T0 + 2000.0)]) == []


@pytest.mark.parametrize("found", [[], [leak(300.0), leak(400.0, "fast")]])
def test_a_tight_load_and_one_that_leaked_fast_are_not_told_of_as_slow(found: list[Event]) -> None:
    """A fast leak was an alarm of its own."""
    assert shown(leaked.make(leaked.Settings(), AT_POT), [CLOSED, *found, OPENED]) == []


# ------------------------------------------------------------------------------------------------- the inlet


def gauge(kpa_at: dict[float, float] | float, until_s: int = 300) -> list[Event]:
    def kpa(s: int) -> float:
        return kpa_at if isinstance(kpa_at, float) else [v for since, v in sorted(kpa_at.items()) if since <= s][-1]

    return [Reading(T0 + s, "barrel-pressure", "pot_pressure", "barrel", kpa(s), kpa(s)) for s in range(until_s)]


UP = PotAtPressure(t=T0 + 5.0, subject=BARREL, kpa=289.0, since=T0, margin_s=None)


def steadied(*events: Event) -> list[float]:
    found = shown(steady.make(steady.Settings(), AT_POT), sorted([UP, *events], key=lambda e: e.t))
    return [f.t - T0 for f in found if isinstance(f, PotSteady)]


def test_a_steady_pot_is_told_of_once_and_not_before_a_minute_and_a_half() -> None:
    assert steadied(*gauge(289.0)) == [90.0]


def test_a_pot_that_still_settles_is_waited_for() -> None:
    falling = {float(s): 300.0 - 0.2 * s for s in range(150)} | {150.0: 270.0}
    (told_s,) = steadied(*gauge(falling))
    assert told_s > 150.0


@pytest.mark.parametrize("end", [
    Mark(t=T0 + 60.0, verb="shut", pot="barrel"),
    PotIsolated(t=T0 + 60.0, subject=BARREL, since=T0 + 50.0, by="seen"),
])  # fmt: skip
def test_an_inlet_that_is_shut_is_not_asked_for(end: Event) -> None:
    assert steadied(*gauge(289.0), end) == []


@pytest.mark.parametrize("begun_s", [78.0, 80.0, 84.0])
def test_a_leak_that_has_just_begun_is_not_called_steady(begun_s: float) -> None:
    """6 psi/min, six seconds and more before the minute and a half is over: the half minutes' means are still alike."""
    falling = {float(s): 289.0 - max(0.0, s - begun_s) * 0.69 for s in range(300)}
    assert steadied(*gauge(falling)) == []


def test_a_pot_steady_below_its_floor_is_not_to_be_shut() -> None:
    assert steadied(*gauge({0.0: 289.0, 20.0: 205.0})) == []


def test_a_regulator_that_hunts_is_not_steady() -> None:
    assert steadied(*gauge({float(s): 289.0 + (12.0 if s % 20 < 10 else -12.0) for s in range(300)})) == []


# ------------------------------------------------------------------------------------------------- cold


def mixed(**more: object) -> PourStarted:
    kind = PourRevised if more.pop("revised", False) else PourStarted
    facts = {"lot": None, "molds": ("m02", "m01"), "inferred": False, "number": 1} | more
    return kind(t=T0, subject=Subject(bench="north", cup="cup-1", pour="cup-1-1"), mix_t=T0, **facts)  # type: ignore[arg-type]


def reads(role: str, of: str, value: float, ago_s: float = 5.0) -> Reading:
    return Reading(T0 - ago_s, f"{of}-probe", role, of, value, value)


def colds(*events: Event) -> list[tuple[str, str | None, float]]:
    found = shown(cold.make(cold.Settings(), Place(BENCH, Subject(bench="north"))), events)
    return [(f.what, f.subject.mold, f.temp_c) for f in found if isinstance(f, MixedCold)]


def test_resin_from_a_cold_room_is_told_of() -> None:
    assert colds(reads("room_temperature", "", 17.0), mixed()) == [("resin", None, 17.0)]
    assert colds(reads("room_temperature", "", 21.5), mixed()) == []
    assert colds(reads("room_temperature", "", 17.0, ago_s=2000.0), mixed()) == [], "that was half an hour ago"
    assert colds(mixed()) == [], "nobody measured it"


def test_a_mold_that_should_be_warm_is_named_by_its_probe_or_as_typed() -> None:
    assert colds(reads("mold_temperature", "m02", 24.0), mixed()) == [("mold", "m02", 24.0)]
    assert colds(mixed(mold_c=25.0)) == [("mold", "m02", 25.0)]
    assert colds(reads("mold_temperature", "m02", 38.0), mixed(mold_c=25.0)) == [], "the probe knows better"
    assert colds(mixed(molds=("m01",), mold_c=18.0)) == [], "this one is not warmed"


def test_a_revised_or_inferred_mix_is_no_mix_begun() -> None:
    cool = reads("room_temperature", "", 17.0)
    assert colds(cool, mixed(revised=True)) == []
    assert colds(cool, mixed(inferred=True)) == []


# ------------------------------------------------------------------------------------------------- a post-cure


WARMED = Resin(id="w", name="White", pot_life_s=180.0, demold_s=600.0, post_cure_s=14_400.0, post_cure_c=65.0)
OUT = Subject(bench="north", cup="cup-1", pour="cup-1-1")


def ended(resin: Resin, why: str) -> list[Finding]:
    bench = replace(BENCH, resins=(resin,))
    watcher = post_cure.make(post_cure.Settings(), Place(bench, Subject(bench="north")))
    start = PourStarted(t=T0, subject=OUT, mix_t=T0, lot=None, molds=("M02", "m01"), inferred=False, number=1)
    return shown(watcher, [start, PourEnded(t=T0 + 2000.0, subject=OUT, why=why)])  # type: ignore[arg-type]


def test_a_post_cure_is_due_once_the_last_part_is_out() -> None:
    (due,) = ended(WARMED, "demolded")
    assert isinstance(due, PostCureDue)
    assert (due.molds, due.for_s, due.temp_c) == (("m02", "m01"), 14_400.0, 65.0)


@pytest.mark.parametrize(("resin", "why"), [(replace(WARMED, post_cure_s=None, post_cure_c=None), "demolded"),
                                            (WARMED, "no_cure"), (WARMED, "undone")])  # fmt: skip
def test_no_label_no_post_cure_and_none_of_a_pour_that_gave_no_parts(resin: Resin, why: str) -> None:
    assert ended(resin, why) == []
