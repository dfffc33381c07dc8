"""A pot's watchers on a workshop's gauge: noise, spikes, holes, slow boards, and danger by a high gauge."""

from __future__ import annotations

import math

import numpy as np
import pytest
from watchers.psi_barrel import BARREL, BENCH, PSI, WHERE
from watchers.test_pot import T0, drive, fresh, gauge, level, of, up

from benchd.core.findings import (
    Finding,
    KickForecast,
    PotAtPressure,
    PotFilling,
    PotNotFilling,
    PotOverLimit,
    PourStarted,
    PressureLate,
    SensorBack,
    SensorSilent,
)  # fmt: skip
from benchd.core.model import Quality, Reading, Subject, Tick
from benchd.core.seat.pressure_trace import PressureTrace
from benchd.core.seat.watcher import Place
from benchd.watchers import fill, pace
from benchd.watchers.leak.pace import WARMTH_OF_ONSET, sudden_kpa_min, sudden_window_s


def suspect(t: float, psi: float) -> Reading:
    return Reading(t, "barrel-pressure", "pot_pressure", "barrel", psi * PSI, None, Quality.SUSPECT)


# --------------------------------------------------------------------------------------------------------------- noise


@pytest.mark.parametrize("hz", [1.0, 4.0])
def test_an_open_pot_under_a_noisy_gauge_makes_no_load(hz: float) -> None:
    noise = np.random.default_rng(3).normal(0.1, 0.38, round(4 * 3600 * hz))
    assert drive((i / hz, float(psi)) for i, psi in enumerate(noise)) == []


def test_a_noisy_gauge_still_opens_a_load_and_finds_its_pressure() -> None:
    rng = np.random.default_rng(6)
    told = drive([(s / 4.0, float(np.interp(s / 4.0, [30, 60], [0, 42]) + rng.normal(0, 0.38))) for s in range(600)])
    assert {f.finding for f in told} == {"pot_filling", "pot_at_pressure"}
    assert 33.0 <= of(PotFilling, told)[0].t - T0 <= 37.0  # three seconds above the edge
    assert of(PotAtPressure, told)[0].since - T0 == pytest.approx(30.0 + 30.0 * 35.0 / 42.0, abs=1.0)


@pytest.mark.parametrize("stays_s", [1.0, 2.0, 2.75])
def test_a_rise_that_lasts_no_longer_than_a_burst_opens_nothing(stays_s: float) -> None:
    told = drive((s / 4.0, 6.0 if 20.0 <= s / 4.0 < 20.0 + stays_s else 0.0) for s in range(400))
    assert told == []


def test_noise_and_the_doubt_of_a_slope_are_what_they_are_for_white_noise() -> None:
    # Least squares through n points spaced evenly over W: sd of the slope = s sqrt(12 / n) / W (e.g. Bevington and
    # Robinson, Data Reduction and Error Analysis, ch. 6, for equal errors and large n).
    rng, slopes, doubts, noises = np.random.default_rng(1), [], [], []
    trace = PressureTrace()
    for i in range(8000):
        trace.add(i / 4.0, float(rng.normal(0.0, 2.0)))
        if i > 100 and i % 17 == 0:
            slopes.append(trace.slope_kpa_s(4.0) or 0.0)
            doubts.append(trace.slope_sd_kpa_s(4.0))
            noises.append(trace.noise_kpa)
    assert float(np.mean(noises)) == pytest.approx(2.0, rel=0.1)
    assert float(np.std(slopes)) == pytest.approx(float(np.mean(doubts)), rel=0.2)


# ------------------------------------------------------------------------------------------------------- sudden leaks


def traced(psi: list[float], hz: float = 4.0, noise_psi: float = 0.05) -> PressureTrace:
    trace, rng = PressureTrace(keep_s=45.0), np.random.default_rng(2)
    for i, p in enumerate(psi):
        trace.add(i / hz, (p + float(rng.normal(0.0, noise_psi))) * PSI)
    return trace


def sudden(trace: PressureTrace) -> float | None:
    return sudden_kpa_min(trace, sudden_window_s(trace, 12.0, 0.33 * PSI), 0.75 * PSI)


@pytest.mark.parametrize("into_s", [0.5, 1.0, 2.0, 3.0])
@pytest.mark.parametrize("noise_psi", [0.05, 0.1])
def test_the_first_seconds_of_a_vent_are_no_leak(noise_psi: float, into_s: float) -> None:
    settled = [42.0 - 0.004 * i for i in range(240)]
    vent = [settled[-1] * math.exp(-i / 4.0 / 12.0) for i in range(round(into_s * 4))]
    assert sudden(traced([*settled, *vent], noise_psi=noise_psi)) is None


def test_a_noisy_gauge_is_watched_longer_and_then_sizes_the_leak() -> None:
    falls = [42.0] * 200 + [42.0 - 6.0 / 60.0 * i / 4.0 for i in range(200)]  # 6 psi/min
    quiet, noisy = traced(falls), traced(falls, noise_psi=0.38)
    assert sudden_window_s(quiet, 12.0, 0.33 * PSI) == 12.0
    assert 15.0 < sudden_window_s(noisy, 12.0, 0.33 * PSI) < 40.0
    assert sudden(quiet) == pytest.approx(6.0 * PSI / WARMTH_OF_ONSET, rel=0.1)
    assert sudden(noisy) == pytest.approx(6.0 * PSI / WARMTH_OF_ONSET, rel=0.25)


# ------------------------------------------------------------------------------------------- danger by a high gauge


@pytest.mark.parametrize("period_s", [0.1, 0.25, 0.5, 1.0, 3.0])
def test_an_undecided_rise_over_the_limit_is_said_within_a_second(period_s: float) -> None:
    watcher = fresh()
    told = drive(up(), watcher)
    told = [f for i in range(30) for f in watcher.see(suspect(T0 + 130.0 + i * period_s, 56.0))]
    (over,) = of(PotOverLimit, told)
    assert over.active
    assert over.t - (T0 + 130.0) <= 1.0


def test_samples_published_again_as_good_say_nothing_twice() -> None:
    watcher = fresh()
    drive(up(), watcher)
    times = [130.0 + i / 4.0 for i in range(13)]
    told = [f for s in times for f in watcher.see(suspect(T0 + s, 56.0))]
    told += [f for s in [*times, 133.25] for f in watcher.see(gauge(T0 + s, 56.0 * PSI))]
    assert [f.active for f in of(PotOverLimit, told)] == [True]


def test_a_burst_moves_the_limit_alone() -> None:
    watcher = fresh()
    drive(up(), watcher)
    told = [f for i in range(12) for f in watcher.see(suspect(T0 + 130.0 + i / 4.0, 0.0))]
    assert told == []


# ------------------------------------------------------------------------------------------------- slow boards, holes


@pytest.mark.parametrize("period_s", [0.25, 1.0, 2.0, 3.0, 5.0])
def test_pressure_is_dated_within_three_seconds_at_any_rate(period_s: float) -> None:
    told = drive(
        (0.3 + i * period_s, float(np.interp(0.3 + i * period_s, [40, 70], [0, 42])))
        for i in range(round(200 / period_s))
    )
    (there,) = of(PotAtPressure, told)
    assert there.since - T0 == pytest.approx(65.0, abs=3.0)


def test_after_a_hole_in_the_fill_pressure_is_dated_at_its_end() -> None:
    rise = [(s / 4.0, 42.0 * min(1.0, s / 4.0 / 30.0)) for s in range(4 * 80)]
    told = drive([*level(0.0, 20, -20.0, hz=4.0), *(x for x in rise if not 10.0 <= x[0] < 40.0)])
    (there,) = of(PotAtPressure, told)
    assert there.since - T0 == pytest.approx(40.0, abs=3.0)


def filling(steps: list[tuple[float, float]], events: list[tuple[float, Finding]]) -> list[Finding]:
    """What the fill watcher says of a gauge [s, psi] and of the pot watcher's findings."""
    watcher = fill.make(fill.Settings(), Place(bench=BENCH, subject=WHERE, pot=BARREL))
    told: list[Finding] = []
    whole = sorted(
        [(s, 1, gauge(T0 + s, psi * PSI)) for s, psi in steps] + [(s, 0, e) for s, e in events], key=lambda x: x[:2]
    )
    for _, _, event in whole:
        told += watcher.see(event)
    return told


def rises(s: float) -> tuple[float, Finding]:
    return s, PotFilling(t=T0 + s, subject=WHERE, kpa=28 * PSI, kpa_per_min=600.0, projected_at=None)


@pytest.mark.parametrize("hole_s", [10.0, 20.0, 60.0])
def test_after_a_hole_no_pressure_is_not_said_of_a_pot_at_28_psi_and_rising(hole_s: float) -> None:
    before = [(s / 4.0, s / 4.0) for s in range(4 * 20)]
    after = [(20.0 + hole_s + s / 4.0, 28.0 + 0.15 * s / 4.0) for s in range(4 * 20)]
    told = filling([*before, *after], [rises(5.0), rises(10.0), rises(15.0)])
    assert not of(PotNotFilling, told)
    stands = [(20.0 + hole_s + s / 4.0, 28.0) for s in range(4 * 20)]
    (said,) = of(PotNotFilling, filling([*before, *stands], [rises(5.0), rises(10.0), rises(15.0)]))
    assert said.t - T0 == pytest.approx(20.0 + hole_s + 10.0, abs=1.0)


POUR = Subject(bench="north", cup="cup-1", pour="cup-1-1", pot="barrel")


def hurried(events: list[Finding], until_s: float = 120.0) -> list[PressureLate]:
    """Lateness said of a pour whose kick is due at 100 s, early end 90 s."""
    watcher = pace.make(pace.Settings(), Place(bench=BENCH, subject=Subject(bench="north", cup="cup-1")))
    start = PourStarted(
        t=T0, subject=POUR, mix_t=T0, molds=(), lot=None, a_g=None, b_g=None, mold_c=None, number=1, inferred=False
    )
    kick = KickForecast(t=T0, subject=POUR, at=T0 + 100, early=T0 + 90, late=T0 + 110, confidence="good", basis="curve")
    told: list[Finding] = [*watcher.see(start), *watcher.see(kick)]
    queue = sorted(events, key=lambda f: f.t)
    for s in range(round(until_s)):
        while queue and queue[0].t <= T0 + s:
            told += watcher.see(queue.pop(0))
        told += watcher.see(Tick(T0 + s))
    return [f for f in of(PressureLate, told) if f.active]


def test_lateness_waits_for_a_silent_gauge() -> None:
    rise = [rises(s)[1] for s in (20.0, 25.0, 30.0)]
    where = Subject(bench="north", pot="barrel", channel="g")
    silent = SensorSilent(t=T0 + 60, subject=where, why="no reading for 6 s")
    back = SensorBack(t=T0 + 105, subject=where, why="heard again")
    (told_s,) = [f.t - T0 for f in hurried(rise)]
    assert 60.0 < told_s < 105.0  # when exactly is the load clock's affair: here it is told at all, and in time
    assert hurried([*rise, silent]) == []
    assert [f.t - T0 for f in hurried([*rise, silent, back])] == [pytest.approx(105.0, abs=1.0)]
    assert hurried([*rise, silent], 200.0) == []  # after 75 s of silence it could not be followed any more
