"""Is it told when no air comes, comes too hard, comes again, or when the gauge's tap is in doubt?

Thresholds: common practice, no source.  Rises are written out here as plain lines.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from watchers.psi_barrel import BARREL, BENCH, PSI, WHERE

from benchd.core.findings import (
    Finding,
    LidNow,
    MoldPoured,
    PortClogged,
    PotAtPressure,
    PotFilling,
    PotJet,
    PotNotFilling,
    PotToppedUp,
    PourStarted,
    TapOnHose,
)
from benchd.core.model import Reading
from benchd.core.model.learned import CasterHabits, Learned
from benchd.core.seat.watcher import Place
from benchd.watchers import fill, pot
from benchd.watchers.pot.tune import Settings

T0 = 1_767_607_200.0
Step = tuple[float, float | Finding]


def drive(steps: Iterable[Step], learned: Learned | None = None) -> list[Finding]:
    """Findings of the pot's watch and of this one, shown to each other as the engine does."""
    bench = replace(BENCH, learned=learned or Learned())
    place = Place(bench=bench, subject=WHERE, pot=BARREL)
    watchers = (pot.make(Settings(), place), fill.make(fill.Settings(), place))
    told: list[Finding] = []
    for s, what in steps:
        event: Any = what
        if isinstance(what, float):
            event = Reading(T0 + s, "barrel-pressure", "pot_pressure", "barrel", what * PSI, None)
        found = [f for w in watchers for f in w.see(event)]
        for finding in found:
            watchers[1].see(finding)
        told += found
    return told


def level(psi: float, seconds: float, start: float) -> list[tuple[float, float]]:
    noise = np.random.default_rng(int(start) + 77)
    return [(start + i, psi + float(noise.normal(0, 0.05))) for i in range(round(seconds))]


def rise(start: float, low: float, high: float, per_s: float) -> list[tuple[float, float]]:
    return [(start + i, low + per_s * i) for i in range(1 + round((high - low) / per_s))]


def of(kind: type[Any], told: list[Finding]) -> list[Any]:
    return [f for f in told if isinstance(f, kind)]


def lid_now(s: float) -> Step:
    return s, LidNow(t=T0 + s, subject=WHERE, fill_by=T0 + s + 55)


def test_a_stalled_fill_is_told_and_taken_back() -> None:
    stall = [*level(0.0, 10, -10), *rise(0, 0.0, 19.6, 1.4), *level(19.6, 30, 15)]
    told = drive([*stall, *rise(45, 20.0, 42.0, 1.4), *level(42.0, 20, 62)])
    begun, ended = of(PotNotFilling, told)
    assert begun.t - T0 == pytest.approx(26, abs=4)
    assert begun.for_s >= 10
    assert (begun.active, ended.active) == (True, False)
    assert ended.t - T0 == pytest.approx(49, abs=3)
    assert of(PotAtPressure, told)


def test_no_pressure_is_told_when_lid_now_was_said_and_nothing_moves() -> None:
    told = drive([*level(0.0, 10, 0), lid_now(10), *level(0.0, 60, 11), *rise(75, 0.0, 42.0, 1.4)])
    begun, ended = of(PotNotFilling, told)
    assert begun.t - T0 == pytest.approx(10 + 25 + 20, abs=2)  # a lid's 25 s and most of it again
    assert not ended.active
    assert ended.t - T0 < 82


def test_hands_still_pouring_when_it_was_said_are_given_their_lid_time() -> None:
    poured = MoldPoured(t=T0 + 40, subject=WHERE.filled(cup="cup-1", mold="m02"), left=0)
    told = drive([*level(0.0, 10, 0), lid_now(10), *level(0.0, 29, 11), (40.0, poured), *level(0.0, 60, 41)])
    assert of(PotNotFilling, told)[0].t - T0 == pytest.approx(40 + 25 + 20, abs=2)


def test_a_learned_caster_is_waited_for_as_long_as_they_take() -> None:
    steps = [*level(0.0, 10, 0), lid_now(10), *level(0.0, 80, 11)]
    slow = drive(steps, Learned(caster=CasterHabits(lid_s=45.0)))
    assert of(PotNotFilling, slow)[0].t - T0 == pytest.approx(10 + 45 + 20, abs=2)


def test_a_jet_is_told_on_its_second_sample_and_ends() -> None:
    told = drive([*level(0.0, 10, -10), *rise(0, 0.0, 42.0, 6.0), *level(42.0, 20, 8)])
    begun, ended = of(PotJet, told)
    assert (begun.active, ended.active) == (True, False)
    assert begun.t - T0 <= 5
    assert not of(PotJet, drive([*level(0.0, 10, -10), *rise(0, 0.0, 42.0, 2.1), *level(42.0, 20, 21)]))  # 20 s: good


def test_a_gauge_that_jumps_to_pressure_may_sit_on_the_hose() -> None:
    told = drive([*level(0.0, 10, -10), *level(42.0, 20, 0)])
    assert len(of(TapOnHose, told)) == 1
    assert not of(PotJet, told)


def test_a_gauge_up_at_a_mix_and_never_seen_empty_may_sit_on_the_hose() -> None:
    """The lid is off while a cup is mixed; one that was seen empty shows the load before."""
    mix = PourStarted(t=T0 + 60.0, subject=WHERE, mix_t=T0 + 60.0, lot=None, molds=("m02",), inferred=False, number=1)
    up: list[Step] = [*level(42.0, 60, 0), (60.0, mix), *level(42.0, 30, 61), (91.0, mix)]
    assert [f.t - T0 for f in of(TapOnHose, drive(up))] == [60.0]
    filled: list[Step] = [*level(0.0, 40, -60), *rise(-20, 0.0, 42.0, 1.4), *level(42.0, 48, 11), (60.0, mix)]
    assert not of(TapOnHose, drive(filled))
    assert not of(TapOnHose, drive([*level(0.0, 60, 0), (60.0, mix)]))


def test_a_top_up_is_told_with_where_it_began() -> None:
    up = [*level(0.0, 10, -10), *rise(0, 0.0, 42.0, 1.4), *level(42.0, 60, 31)]
    leak = [(91.0 + i, 42.0 - 0.02 * i) for i in range(200)]
    (topped,) = of(PotToppedUp, drive([*up, *leak, *rise(291, 38.0, 42.0, 0.5), *level(42.0, 30, 300)]))
    assert topped.from_kpa == pytest.approx(38.0 * PSI, abs=0.3 * PSI)
    assert topped.kpa == pytest.approx(42.0 * PSI, abs=1.0 * PSI)
    assert not of(PotToppedUp, drive(up))


def test_an_even_crawl_asks_for_the_tap_and_a_half_open_bleed_does_not() -> None:
    crawl = [(float(s), 2.8 / 60 * s + v) for s, v in level(0.0, 90, 0)]
    told = drive([*level(0.0, 20, -20), *crawl])
    (clogged,) = of(PortClogged, told)
    assert clogged.t - T0 <= 60
    assert not of(PotNotFilling, told)
    bled = [(float(s), 8.0 * (1 - 2.718 ** (-s / 6)) + v) for s, v in level(0.0, 90, 0)]
    assert not of(PortClogged, drive([*level(0.0, 20, -20), *bled]))
    assert of(PotNotFilling, drive([*level(0.0, 20, -20), *bled]))


def test_a_still_pot_says_nothing() -> None:
    told = drive([*level(0.0, 10, -10), *rise(0, 0.0, 42.0, 1.4), *level(42.0, 300, 31)])
    assert {type(f) for f in told} == {PotFilling, PotAtPressure}


def test_a_gauge_that_stirs_is_given_time_to_show_that_it_crawls() -> None:
    flat = drive([*level(0.0, 20, -10), lid_now(0), *level(0.0, 70, 10)])
    crawl = [(40.0 + i, 0.03 * i + psi) for i, (_, psi) in enumerate(level(0.0, 50, 40))]
    told = drive([*level(0.0, 20, -10), lid_now(0), *level(0.0, 30, 10), *crawl])
    (first,) = of(PotNotFilling, flat)
    assert first.t - T0 == pytest.approx(45.0, abs=3.0)  # a lid's 25 s and 20 s more
    assert not of(PotNotFilling, told)
    assert [f.active for f in of(PortClogged, told)] == [True]
