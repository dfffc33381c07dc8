"""Which climbs speed themselves up?  Closed forms of what is warmed from outside, and measured reactions' heat.

A body through n equal lags in a row answers a step with 1 - exp(-x) (1 + x + ... + x^(n-1) / (n-1)!), x = t / lag
(Carslaw and Jaeger, Conduction of Heat in Solids, 1959, gives the first; the others follow by convolution).
"""

from __future__ import annotations

from collections.abc import Callable
from math import exp, factorial, inf, pi, sin

import numpy as np
import pytest
from kick_bench import measured_record
from measured_warmth import EVERY_S, HEATED_C
from some_of import some_of

from benchd.physics.climb_shape import ClimbShape

Course = Callable[[float], float]
REACTION = ("calorimetry_data_6.csv", 12.0, 30.0)


def asked(
    course: Course, end_s: float, *, marked: bool, from_s: float, noise_k: float = 0.15, every_s: float = 1.0,
    code_k: float = 0.25, hole: tuple[float, float] = (inf, inf), seed: int = 1,
) -> float | None:  # fmt: skip
    """When a climb that a finder takes for past its steepest from from_s on is first called a reaction [s]."""
    rng, shape = np.random.default_rng(seed), ClimbShape()
    for t in np.arange(0.0, end_s, every_s).tolist():
        if hole[0] <= t < hole[1]:
            continue
        shape.see(t, round((course(t) + float(rng.normal(0.0, noise_k))) / code_k) * code_k)
        if t >= from_s and shape.is_reaction(is_marked=marked):
            return float(t)
    return None


def through_lags(lags: int, lag_s: float, by_k: float) -> Course:
    """A body at 22 C put into by_k hotter surroundings at 60 s."""

    def course(t: float) -> float:
        x = max(t - 60.0, 0.0) / lag_s
        return 22.0 + by_k * (1.0 - exp(-x) * sum(x**k / factorial(k) for k in range(lags)))

    return course


def back_at(course: Course, share: float, end_s: float) -> float:
    """When a course's slope, after its steepest, is back at a share of that [s]."""
    slopes = np.diff([course(t) for t in np.arange(0.0, end_s, 1.0).tolist()])
    top = int(slopes.argmax())
    return float(top + int((slopes[top:] < share * slopes[top]).argmax()))


@pytest.mark.parametrize("marked", [True, False])
@pytest.mark.parametrize(
    ("lags", "lag_s", "by_k"),
    some_of([(n, s, k) for s in (80.0, 40.0, 20.0) for n in (1, 2) for k in (60.0, 100.0, 160.0)], 4),
)
def test_what_is_warmed_through_lags_and_held_never_is(lags: int, lag_s: float, by_k: float, marked: bool) -> None:
    """Asked from where its slope is down by a fifth, a marked one by 0.6 and thus high enough, to long after the top.

    Through three lags it may pass: the finders' own rules tell those (test_past_kick.py).
    """
    course = through_lags(lags, lag_s, by_k)
    from_s = back_at(course, 0.4 if marked else 0.8, 14.0 * lag_s)
    assert asked(course, 60.0 + 14.0 * lag_s, marked=marked, from_s=from_s) is None


@pytest.mark.parametrize("marked", [True, False])
@pytest.mark.parametrize(
    ("k_s", "lag_s", "step_k"),
    some_of([(k, s, j) for k in (0.33, 0.8, 0.15) for s in (2.0, 7.0) for j in (0.0, 2.5, -2.5)], 3),
)
def test_an_even_climb_that_ends_in_a_corner_never_is(k_s: float, lag_s: float, step_k: float, marked: bool) -> None:
    """A kettle to 85 C and held there, through a probe's lag; a junction that steps in the climb's last third.

    A ramp through a lag: y = k (t - lag (1 - exp(-t / lag))).  A marked fast one through a slow probe ends in no
    corner, and may pass if its junction steps down: left out.
    """
    ends_s = 60.0 + 63.0 / k_s
    if marked and k_s * lag_s > 5.0:
        step_k = max(step_k, 0.0)

    def ramp(t: float) -> float:
        t = max(t, 0.0)
        return k_s * (t - lag_s * (1.0 - exp(-t / lag_s)))

    def course(t: float) -> float:
        return 22.0 + ramp(t - 60.0) - ramp(t - ends_s) + step_k * (t > 60.0 + 50.0 / k_s)

    assert asked(course, ends_s + 600.0, marked=marked, from_s=ends_s - 30.0) is None


@pytest.mark.parametrize(
    ("tau_s", "swing_k", "swing_s"),
    some_of([(tau, by, s) for tau in (100.0, 60.0, 200.0) for by in (6.0, 3.0) for s in (60.0, 120.0, 200.0)], 3),
)
def test_an_oven_whose_thermostat_swings_never_is(tau_s: float, swing_k: float, swing_s: float) -> None:
    """To 75 C; the swing begins 140 s after the oven was switched on: asked at any time from there on.

    Beside a marked mix a slow oven (200 s) is let pass by this rule, as an even climb: only faster ones are asked so.
    """

    def course(t: float) -> float:
        warmed = 75.0 - 53.0 * exp(-max(t - 60.0, 0.0) / tau_s)
        return warmed + (swing_k * sin(2.0 * pi * (t - 200.0) / swing_s) if t > 200.0 else 0.0)

    for marked in [False, True] if tau_s <= 100.0 else [False]:
        assert asked(course, 900.0, marked=marked, from_s=200.0) is None


@pytest.mark.parametrize("times", [1.0, 2.0, 4.0, 6.0])
def test_a_measured_heater_however_high_never_is(times: float) -> None:
    """Its height stretched, and smoothed over 35 s so that its own steps of a third of a degree don't grow along."""
    smooth = np.convolve(np.pad(HEATED_C, 3, mode="edge"), np.ones(7) / 7.0, mode="valid")
    at_s = 60.0 + EVERY_S * np.arange(len(smooth))

    def course(t: float) -> float:
        return 22.0 + times * float(np.interp(t, at_s, smooth - smooth[0]))

    assert asked(course, float(at_s[-1]) + 300.0, marked=False, from_s=back_at(course, 0.88, float(at_s[-1]))) is None


@pytest.mark.parametrize("marked", [True, False])
@pytest.mark.parametrize("every_s", some_of([1.0, 5.0, 0.25], 2))
def test_a_measured_reaction_is_at_any_rate(every_s: float, marked: bool) -> None:
    """Heat of a measured reaction in a cup (kick_bench), asked from its steepest on: within a tenth of its time."""
    heat, record = measured_record(*REACTION, 0.0)

    def course(t: float) -> float:
        return float(np.interp(t, record.time_s, record.value_c))

    got = asked(course, 400.0, marked=marked, from_s=heat.peak_s, every_s=every_s)
    assert got is not None
    assert got <= 1.1 * heat.peak_s + 3.0 * every_s


def opens_at(course: Course, end_s: float, rise_k: float) -> bool:
    """Whether a climb nobody marked may open a pour when it has risen so far."""
    shape = ClimbShape()
    for t in np.arange(0.0, end_s, 1.0).tolist():
        shape.see(t, course(t))
        if course(t) >= course(0.0) + rise_k:
            return shape.may_be_pour
    raise AssertionError("never so warm")


def test_only_a_climb_that_begins_slowly_may_open_a_pour() -> None:
    _, record = measured_record(*REACTION, 0.0)
    for rise_k in (24.0, 40.0):
        assert opens_at(lambda t: float(np.interp(t, record.time_s, record.value_c)), float(record.time_s[-1]), rise_k)
        assert not opens_at(lambda t: 22.0 + 0.3 * max(t - 60.0, 0.0), 600.0, rise_k)
        assert not opens_at(through_lags(1, 80.0, 100.0), 600.0, rise_k)


@pytest.mark.parametrize("lasts_s", [10.0, 25.0, 40.0])
@pytest.mark.parametrize("begins", [0.5, 0.7, 0.9])
def test_a_hole_in_its_climb_leaves_a_reaction_one(begins: float, lasts_s: float) -> None:
    heat, record = measured_record(*REACTION, 0.0)
    begin_s = begins * heat.peak_s

    def course(t: float) -> float:
        return float(np.interp(t, record.time_s, record.value_c))

    got = asked(course, 400.0, marked=True, from_s=heat.peak_s, hole=(begin_s, begin_s + lasts_s))
    assert got is not None
    assert got <= max(1.1 * heat.peak_s, begin_s + lasts_s) + 5.0


@pytest.mark.parametrize("share", [0.3, 0.45])
def test_a_marked_mix_whose_probe_came_late_is_left_to_the_finders(share: float) -> None:
    """The measured reaction, seen from a third or nearly half of its rise on: no shape is left to judge."""
    heat, record = measured_record(*REACTION, 0.0)
    start_c, top_c = float(record.value_c[0]), float(record.value_c.max())
    from_s = float(record.time_s[int((record.value_c > start_c + share * (top_c - start_c)).argmax())])

    def course(t: float) -> float:
        return float(np.interp(t + from_s, record.time_s, record.value_c))

    shape, at_s = ClimbShape(), heat.peak_s - from_s + 5.0
    for t in np.arange(0.0, at_s).tolist():
        shape.see(t, course(t))
    assert shape.is_reaction(is_marked=True, start_c=start_c)
    assert not ClimbShape().is_reaction(is_marked=False, start_c=start_c)


def test_a_small_cup_that_climbed_evenly_is_one_once_it_has_cooled() -> None:
    """27 K in 400 s by a straight line, then cooling: a marked mix explains it, nothing else does."""

    def course(t: float) -> float:
        return 22.0 + (27.0 * min(t, 400.0) / 400.0 if t < 460.0 else 27.0 * exp(-(t - 460.0) / 500.0))

    got = asked(course, 700.0, marked=True, from_s=405.0)
    assert got is not None
    assert 460.0 < got < 560.0
    assert asked(course, 700.0, marked=False, from_s=405.0) is None


def test_a_new_cup_starts_anew() -> None:
    shape, seen = ClimbShape(), []
    for t in range(100):
        shape.see(float(t), 22.0 + 0.01 * t * t)
    seen.append(shape.growth)
    shape.restart()
    assert [*seen, shape.growth] == ["grows", "low"]
    assert not shape.is_reaction(is_marked=False)
