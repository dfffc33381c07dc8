"""How well is a leak told from cooling, exotherm and noise?  Thresholds were set on the building seeds (below 100); the
figures asserted here come from report seeds (100 and up), never looked at while building.

The population (tests/pot_world.py): 6 to 25 L free, cooling time 12 to 50 s, fills of 18 to 45 s, fed 60 to 170 s or
shut at once, exotherm humps, warm molds, drifting walls, silicone soaking up air, a drifting and noisy gauge.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any, TypeVar

import numpy as np
import pot_world as world
import pytest
from frozen_copy import frozen

from benchd.core.bench import Bench, Pot
from benchd.core.findings import (
    Event,
    Finding,
    HoldComplete,
    HoldForecast,
    KickForecast,
    PotBelowFloor,
    PotCreeping,
    PotFloorAhead,
    PotHold,
    PotIsolated,
    PotLeaking,
)
from benchd.core.model import Mark, Reading, Subject
from benchd.core.seat.watcher import Place
from benchd.rehearsal.rehearsal import Rehearsal
from benchd.rehearsal.scenario_file import load_scenario
from benchd.watchers import inlet, leak
from benchd.watchers import pot as pot_watch

PSI = world.PSI
T0 = 1_767_607_200.0
WHERE = Subject(bench="north", pot="barrel")
MODULES: tuple[Any, ...] = (pot_watch, inlet, leak)
F = TypeVar("F")


def place(free_l: float = 13.0) -> Place:
    pot = Pot(
        id="barrel", name="Barrel", volume_l=free_l + 3.5, free_l=free_l, marked_kpa=60 * PSI, relief_kpa=55 * PSI,
        target_kpa=42 * PSI, floor_kpa=35 * PSI, limit_kpa=54 * PSI,
    )  # fmt: skip
    return Place(bench=Bench(id="north", shop="quiet-harbour", name="North", pots=(pot,)), subject=WHERE, pot=pot)


class Three:
    """The pot's three watchers, each shown what it reads, findings handed on in order."""

    def __init__(self, free_l: float = 13.0) -> None:
        self.seats = [(m.READS, m.make(m.Settings(), place(free_l))) for m in MODULES]
        self.told: list[Finding] = []

    def see(self, event: Event) -> None:
        queue: list[Event] = [event]
        while queue:
            now = queue.pop(0)
            for reads, watcher in self.seats:
                if self._reads(reads, now):
                    found = list(watcher.see(now))
                    self.told += found
                    queue += found

    @staticmethod
    def _reads(reads: Any, event: Event) -> bool:
        match event:
            case Reading():
                return event.role in reads.roles
            case Mark():
                return event.verb in reads.marks
            case Finding():
                return isinstance(event, reads.findings)
        return False

    def of(self, kind: type[F]) -> list[F]:
        return [f for f in self.told if isinstance(f, kind)]


def gauge(s: float, psi: float) -> Reading:
    return Reading(t=T0 + s, channel="barrel-pressure", role="pot_pressure", of="barrel", value=psi * PSI, raw=None)


def forecast(at_s: float) -> KickForecast:
    at = T0 + at_s
    return KickForecast(t=T0, subject=WHERE, at=at, early=at - 10, late=at + 10, confidence="good", basis="curve")


def watch(run: world.Run, pots: world.Pots, k: int = 0, shut: bool = True, extra: Iterable[Event] = ()) -> Three:
    """Run pot k through the watchers, its kick forecast 10 s off; the inlet is marked shut when the feed ends."""
    three = Three(float(pots.free_l[k]))
    later: list[Event] = [forecast(pots.kick_s[k] + 10.0), *extra]
    if shut:
        later.append(Mark(t=T0 + float(run.shut_s[k]), verb="shut", pot="barrel"))
    events = sorted([*later, *(gauge(float(s), float(p)) for s, p in zip(run.t, run.psi[:, k], strict=True))],
                    key=lambda e: e.t)  # fmt: skip
    for event in events:
        three.see(event)
    return three


def found_after_s(three: Three, since_s: float) -> float:
    begun = [f.t - T0 - since_s for f in three.of(PotLeaking) if f.active]
    return min(begun, default=math.inf)


# ---------------------------------------------------------------------------------------------------- the scorecard


def population(count: int, seed: int, loss: float, feed: bool, minutes: float = 10.5) -> tuple[world.Pots, world.Run]:
    pots = world.population(count, seed, loss, feed)
    return pots, world.run(pots, float(np.max(pots.fill_s + pots.feed_s)) + minutes * 60, seed=seed + 1)


def score(count: int, seed: int, loss: float, feed: bool) -> list[float]:
    """Seconds from the shut mark to the leak's first word, for each pot."""
    pots, run = population(count, seed, loss, feed)
    return [found_after_s(watch(run, pots, k), float(run.shut_s[k])) for k in range(count)]


@pytest.mark.wide
@pytest.mark.parametrize("feed", [True, False], ids=["fed, then shut", "shut at once"])
def test_tight_pots_are_not_called_leaking(feed: bool) -> None:
    found = score(50, 101 + feed, 0.0, feed)
    assert sum(s <= 600 for s in found) <= 1  # at most 2 % false in ten minutes


@pytest.mark.wide
@pytest.mark.parametrize("feed", [True, False], ids=["fed, then shut", "shut at once"])
def test_a_slow_leak_is_found_in_five_to_ten_minutes(feed: bool) -> None:
    found = score(30, 111 + feed, 0.7, feed)
    assert np.mean([s <= 305 for s in found]) >= 0.9
    assert np.mean([s <= 605 for s in found]) >= 0.96


@pytest.mark.accuracy
@pytest.mark.parametrize("feed", [True, False], ids=["fed, then shut", "shut at once"])
@pytest.mark.parametrize(
    ("loss", "within_5_min", "within_10_min"), [(0.0, 0.0, 0.0), (0.4, 0.2, 0.6), (0.5, 0.7, 0.97), (0.7, 0.97, 1.0)]
)
def test_scorecard(loss: float, feed: bool, within_5_min: float, within_10_min: float) -> None:
    found = score(300, 201 + round(10 * loss) * 2 + feed, loss, feed)
    five, ten = (float(np.mean([s <= limit for s in found])) for limit in (305, 605))
    print(f"leak {loss} psi/min, {'fed' if feed else 'not fed'}: found in 5 min {five:.1%}, in 10 min {ten:.1%}")
    if loss == 0.0:
        assert ten <= 0.02
    else:
        assert five >= within_5_min
        assert ten >= within_10_min


@pytest.mark.wide
def test_the_size_is_right_and_its_doubt_honest() -> None:
    pots, run = population(30, 131, 0.7, True)
    inside, off = [], []
    for k in range(30):
        last = watch(run, pots, k).of(PotHold)[-1]
        truth = 0.7 * PSI  # at 42 psi, before the gauge's drift
        assert last.kpa_per_min is not None
        assert last.low is not None
        assert last.high is not None
        inside.append(last.low <= truth <= last.high)
        off.append(abs(last.kpa_per_min / truth - 1))
    assert np.mean(inside) >= 0.85
    assert np.quantile(off, 0.9) <= 0.14


@pytest.mark.wide
@pytest.mark.parametrize(("psi_min", "within_s"), [(5.0, 80.0), (10.0, 55.0)])
def test_a_fast_leak_is_told_while_the_fill_still_cools(psi_min: float, within_s: float) -> None:
    pots = world.population(20, 141, psi_min, feed=False)
    run = world.run(pots, 200, seed=142)
    for k in range(20):
        three = watch(run, pots, k)
        fast = [f.t - T0 - pots.fill_s[k] for f in three.of(PotLeaking) if f.active and f.verdict == "fast"]
        short = [f for f in three.told if f.finding == "pot_not_filling"]  # it never got to its floor
        assert short or (fast and fast[0] <= within_s), (k, fast)


def test_a_leak_that_opens_in_mid_hold_is_told_fast() -> None:
    run = world.run(world.barrel(leak_mm=0.35, leak_from_s=400), 500)
    three = watch(run, world.barrel())
    fast = [f for f in three.of(PotLeaking) if f.active and f.verdict == "fast"]
    assert 0 <= fast[0].t - T0 - 400 <= 60


# ------------------------------------------------------------------------------------------- what is said, what not


def test_the_barrel_tight_says_tight_and_nothing_else() -> None:
    run = world.run(world.barrel(), 800)
    three = watch(run, world.barrel())
    holds = three.of(PotHold)
    assert [f.by for f in three.of(PotIsolated)] == ["mark"]
    after = [f for f in holds if f.t > T0 + 180 + 200]
    assert {f.verdict for f in after} == {"tight-to"}
    assert all(f.high is not None and f.high <= 0.7 * PSI for f in after)
    gaps = np.diff([f.t for f in after])
    assert np.all(np.abs(gaps - 60) <= 6)
    assert not three.of(PotLeaking)
    seen = [f.smallest_seen for f in after if f.smallest_seen is not None]
    assert seen[-1] < 0.75 * seen[0]
    assert max(seen[3:]) < 0.2 * PSI


def test_a_pot_still_fed_is_never_called_tight() -> None:
    run = world.run(world.barrel(feed_s=1e6, leak_mm=0.15), 900)
    three = watch(run, world.barrel(), shut=False)
    holds = three.of(PotHold)
    assert len(holds) >= 10
    assert {f.verdict for f in holds} == {"cant-tell", "no-leak-seen"}
    assert {f.why for f in holds if f.verdict == "no-leak-seen"} == {"is the inlet shut?"}
    assert not three.of(PotIsolated)
    assert not three.of(PotLeaking)


def test_a_departing_pressure_is_seen_as_isolated_without_a_mark() -> None:
    run = world.run(world.barrel(leak_mm=0.2), 700)
    three = watch(run, world.barrel(), shut=False)
    (isolated,) = three.of(PotIsolated)
    assert isolated.by == "seen"
    assert isolated.since - T0 == pytest.approx(180, abs=20)
    assert next(f for f in three.of(PotLeaking) if f.active).t - T0 <= 180 + 300


def test_the_crumb_under_the_gasket() -> None:
    # The invented scenario's second load: like a 0.15 mm hole in 13 L, 0.73 psi/min at 42 psi.
    due = HoldForecast(t=T0, subject=WHERE, at=T0 + 1500, basis="curve")
    run = world.run(world.barrel(leak_mm=0.15), 700)
    three = watch(run, world.barrel(), extra=[due])
    leaks = three.of(PotLeaking)
    first = leaks[0]
    assert first.verdict == "slow"
    assert first.t - T0 - 180 <= 305
    assert leaks[-1].hole_mm == pytest.approx(0.15, rel=0.07)
    assert leaks[-1].kpa_per_min == pytest.approx(0.735 * PSI, rel=0.12)
    assert leaks[-1].low <= 0.735 * PSI <= leaks[-1].high
    # untouched it stands at 35.1 psi ten minutes after 42.0
    assert leaks[-1].floor_at is not None
    assert leaks[-1].floor_at - T0 == pytest.approx(180 + 605, abs=60)
    assert leaks[-1].matters


def test_a_leak_that_reaches_the_floor_after_the_hold_does_not_matter() -> None:
    due = HoldForecast(t=T0, subject=WHERE, at=T0 + 600, basis="curve")
    three = watch(world.run(world.barrel(leak_mm=0.15), 560), world.barrel(), extra=[due])
    assert not three.of(PotLeaking)[-1].matters
    done = HoldComplete(t=T0 + 500, subject=WHERE, since=T0 + 500, min_kpa=None)
    three = watch(world.run(world.barrel(leak_mm=0.15), 560), world.barrel(), extra=[done])
    assert three.of(PotLeaking)[0].matters
    assert not three.of(PotLeaking)[-1].matters


def test_a_near_floor_is_foreseen_before_the_leak_is_proved() -> None:
    """Shut at once, a hole of 0.15 mm: cooling and leak together reach the floor some three minutes after the fill."""
    pots = world.barrel(leak_mm=0.15, feed_s=0)
    due = HoldForecast(t=T0, subject=WHERE, at=T0 + 900, basis="curve")
    three = watch(world.run(pots, 400), pots, extra=[due])
    foreseen = three.of(PotFloorAhead)
    below = next(f for f in three.of(PotBelowFloor) if f.active)
    first = next(f for f in foreseen if f.active)
    assert first.t <= below.t - 60
    assert first.t < three.of(PotLeaking)[0].t
    assert first.needed_at == due.at
    last = next(f for f in foreseen if f.t >= below.t - 30)
    assert last.floor_at == pytest.approx(below.t, abs=15)
    assert not [f for f in foreseen if f.t > below.t + 5 and f.active]  # below it, the pot watcher has the word
    assert first.t - T0 >= pots.fill_s[0] + 27  # three of the quickest cooling times: nothing of it before


def test_no_floor_is_foreseen_that_comes_after_the_need() -> None:
    pots = world.barrel(leak_mm=0.15)
    for at_s, expected in ((1500.0, True), (620.0, False)):
        due = HoldForecast(t=T0, subject=WHERE, at=T0 + at_s, basis="curve")
        three = watch(world.run(pots, 610), pots, extra=[due])
        assert any(f.active for f in three.of(PotFloorAhead)) == expected


def test_a_floor_foreseen_is_taken_back_when_air_is_let_in_or_the_hold_is_done() -> None:
    pots, due = world.barrel(leak_mm=0.2), HoldForecast(t=T0, subject=WHERE, at=T0 + 1500, basis="curve")
    run = world.run(pots, 420)
    done = HoldComplete(t=T0 + 380, subject=WHERE, since=T0 + 380, min_kpa=None)
    for event in (Mark(t=T0 + 380, verb="topup", pot="barrel"), done):
        told = watch(run, pots, extra=[due, event]).of(PotFloorAhead)
        assert told[0].active
        assert not told[-1].active
        assert 0 <= told[-1].t - T0 - 380 <= 6


def test_a_vent_ends_the_leak() -> None:
    run = world.run(world.barrel(leak_mm=0.15), 760, bleed_mm=2.0, bleed_from_s=620)
    done = HoldComplete(t=T0 + 610, subject=WHERE, since=T0 + 600, min_kpa=None)
    three = watch(run, world.barrel(), extra=[done])
    assert not three.of(PotLeaking)[-1].active
    assert three.of(PotLeaking)[-1].t - T0 <= 632
    assert max(f.t for f in three.of(PotHold)) - T0 <= 632


def test_a_gas_probe_sees_through_the_exotherm() -> None:
    pots = world.barrel(bump_k=12.0, bump_s=250.0, kick_s=150.0, leak_mm=0.15, feed_s=60.0)
    run = world.run(pots, 420)
    bare = watch(run, pots)
    probe = [
        Reading(t=T0 + float(s) - 0.1, channel="barrel-gas", role="pot_gas_temperature", of="barrel",
                value=float(c), raw=None) for s, c in zip(run.t, run.gas_c[:, 0], strict=True)
    ]  # fmt: skip
    probed = watch(run, pots, extra=probe)
    assert found_after_s(probed, 90) <= 185
    widths = [
        [f.high - f.low for f in w.of(PotHold) if f.high is not None and f.low is not None] for w in (bare, probed)
    ]
    assert widths[1][0] < 0.7 * widths[0][0]


def test_cooling_after_a_fill_shut_at_once_raises_no_leak_word() -> None:
    three = watch(world.run(world.barrel(feed_s=0), 500), world.barrel(feed_s=0))
    assert not three.of(PotLeaking)
    settled = [f for f in three.of(PotHold) if f.t - T0 < 115]
    assert {f.verdict for f in settled} == {"cant-tell"}
    assert not [f for f in three.of(PotBelowFloor) if f.t - T0 < 115]


def test_a_creeping_regulator_is_told_and_an_isolated_pot_is_not() -> None:
    # The scripted variant: creep of 0.2 psi/min, fed.
    run = world.run(world.barrel(feed_s=1e6, bump_k=0.0), 700, creep_psi_min=0.2)
    three = watch(run, world.barrel(), shut=False)
    (creep,) = three.of(PotCreeping)
    assert creep.active
    assert creep.t - T0 <= 420
    assert creep.kpa_per_min == pytest.approx(0.2 * PSI, rel=0.25)
    shut = [Mark(t=T0 + 500, verb="shut", pot="barrel")]
    assert [f.active for f in watch(run, world.barrel(), shut=False, extra=shut).of(PotCreeping)] == [True, False]
    tight = world.run(world.barrel(bump_k=6.0), 700)
    assert not watch(tight, world.barrel()).of(PotCreeping)


def test_a_topup_unmarks_the_inlet() -> None:
    run = world.run(world.barrel(), 700)
    three = watch(run, world.barrel(), extra=[Mark(t=T0 + 400, verb="topup", pot="barrel")])
    assert {f.verdict for f in three.of(PotHold) if f.t > T0 + 401} <= {"cant-tell", "no-leak-seen"}


def test_a_silence_with_air_let_in_meanwhile_unmarks_the_inlet() -> None:
    run = world.run(world.barrel(leak_mm=0.15), 500)
    three = watch(run, world.barrel())
    for i in range(300):
        three.see(gauge(700 + i, 42.0))
    assert {f.verdict for f in three.of(PotHold) if f.t > T0 + 701} <= {"cant-tell", "no-leak-seen"}


def test_garbage_says_nothing_and_state_is_plain() -> None:
    three = watch(world.run(world.barrel(), 400), world.barrel())
    before = len(three.told)
    for i in range(200):
        three.see(Reading(t=T0 + 401 + i / 10, channel="x", role="pot_pressure", of="barrel", value=math.nan, raw=None))
        three.see(Reading(t=T0 + 401 + i / 10, channel="x", role="room_temperature", of="", value=math.inf, raw=None))
    assert three.told[before:] == []
    for _, watcher in three.seats:
        assert len(frozen(watcher)) < 60_000


def test_every_place_must_be_a_pot() -> None:
    nowhere = Place(bench=place().bench, subject=WHERE)
    for module in MODULES:
        with pytest.raises(ValueError, match="needs a pot"):
            module.make(module.Settings(), nowhere)


@pytest.mark.wide
def test_other_sample_rates_find_the_same() -> None:
    rates = []
    for hz in (1.0, 5.0):
        three = watch(world.run(world.barrel(leak_mm=0.15), 600, hz=hz), world.barrel())
        assert found_after_s(three, 180) <= 305
        rates.append(three.of(PotLeaking)[-1].kpa_per_min)
    assert rates[1] == pytest.approx(rates[0], rel=0.1)


def test_a_step_is_no_leak() -> None:
    # A gauge on the hose side sags by 2.7 psi in twelve seconds when the inlet is opened, and comes back.
    three = Three()
    curve = [42.0] * 170 + [42.0 - 0.24 * i for i in range(12)] + [39.3] * 20 + [39.3 + 0.05 * i for i in range(50)]
    for i, psi in enumerate(curve):
        three.see(gauge(float(i), psi))
    assert not three.of(PotLeaking)


def test_an_exotherm_that_lifts_the_pressure_lends_no_tightness() -> None:
    pots = world.barrel(bump_k=4.0, bump_s=200.0, kick_s=170.0)
    three = watch(world.run(pots, 320), pots)
    numbered = [f for f in three.of(PotHold) if f.smallest_seen is not None and f.high is not None]
    assert numbered
    for f in numbered:
        assert (f.verdict == "tight-to") == (f.smallest_seen <= 0.7 * PSI and f.high <= 0.7 * PSI)  # type: ignore[operator]


def test_the_rehearsed_crumb_is_found_and_sized() -> None:
    # The rehearsal is another author's gas, molds and regulator; the truth: a 0.15 mm opening.
    scenario = load_scenario("load-2-crumb")
    three = Three()
    for frame in Rehearsal(scenario, seed=1).frames():
        for mark in frame.marks:
            if mark["verb"] in ("shut", "topup"):
                three.see(Mark(t=T0 + float(mark["t_s"]), verb=mark["verb"], pot="barrel"))
        pa = frame.readings["pot"]
        if pa is not None:
            three.see(gauge(frame.t_s, pa / 1e3 / PSI))
        if len(three.of(PotLeaking)) >= 5:
            break
    first, fifth = three.of(PotLeaking)[0], three.of(PotLeaking)[4]
    assert first.t - three.of(PotIsolated)[0].since <= 305
    assert fifth.hole_mm == pytest.approx(scenario.pot.leak_mm, rel=0.07)
    assert first.low <= 0.735 * PSI <= first.high
