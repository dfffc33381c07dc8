"""The conditioning stage: what stays good, what is held back, what is let through in the end.

No published record of a bench's bursts was found; the shapes (0.3 to 3 s, to 60 C, either sign) are those a workshop
reported, common practice, no source.  The noise figure is checked against the normal distribution.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from benchd.core.intake.conditioning import BURST_S, Conditioner, Motion

CUP = Motion(4.0, 0.5)


def judged(samples: list[tuple[float, float]], motion: Motion = CUP) -> dict[float, tuple[float, bool, float]]:
    """Time -> (value, whether good in the end, how long that took [s])."""
    conditioner, out = Conditioner(motion), {}
    for t, value in samples:
        is_good, proved = conditioner.see(t, value)
        for at, earlier in proved:
            out[at] = (earlier, True, t - at)
        out[t] = (value, is_good, 0.0)
    return out


def cup(t: float) -> float:
    """A cup's climb: a logistic of 90 K, 2.3 K/s at its steepest at 180 s, as a fast resin's."""
    return 23.0 + 90.0 / (1.0 + math.exp(-(t - 180.0) / 10.0))


def record(rate_hz: float, noise: float, seed: int, of: Callable[[float], float] = cup) -> list[tuple[float, float]]:
    rng = np.random.default_rng(seed)
    times = np.arange(0.0, 300.0, 1.0 / rate_hz)
    return [(float(t), round(4.0 * (of(float(t)) + rng.normal(0.0, noise))) / 4.0) for t in times]


@pytest.mark.parametrize("rate_hz", [0.2, 0.35, 1.0, 4.0, 10.0])
def test_an_undisturbed_climb_is_good_at_once(rate_hz: float) -> None:
    out = judged(record(rate_hz, 0.2, 1))
    assert all(is_good and late_s == 0.0 for _, is_good, late_s in out.values())


@pytest.mark.parametrize("rate_hz", [1.0, 4.0, 10.0])
@pytest.mark.parametrize("lasts_s", [0.3, 1.0, 3.0])
@pytest.mark.parametrize("by_c", [-60.0, -20.0, 20.0, 60.0])
def test_bursts_are_held_back_and_the_climb_goes_on(rate_hz: float, lasts_s: float, by_c: float) -> None:
    rng = np.random.default_rng(7)
    starts = [40.0, 110.0, 150.0, 171.0, 185.0, 240.0]
    samples, spoiled = [], set()
    for t, value in record(rate_hz, 0.2, 2):
        if any(s <= t < s + lasts_s for s in starts):
            spoiled.add(t)
            value += by_c * float(rng.uniform(0.6, 1.0))
        samples.append((t, value))
    out = judged(samples)
    assert not [t for t in spoiled if out[t][1]]
    assert not [t for t in out if t not in spoiled and not out[t][1]]


def test_a_probe_moved_for_good_is_believed_within_three_and_a_half_seconds() -> None:
    """At 4 Hz: 20 K up, at once and for good.  Nothing of it is lost, and all of it keeps its own time."""
    samples = record(4.0, 0.1, 3, lambda t: 23.0 if t < 100.0 else 43.0)
    out = judged(samples)
    moved = {t: o for t, o in out.items() if t >= 100.0}
    assert all(is_good for _, is_good, _ in moved.values())
    assert BURST_S < max(late_s for _, _, late_s in moved.values()) <= 3.5


def test_after_a_hole_the_doubt_has_grown_with_it() -> None:
    """40 s without a reading across the steepest part: the first one after it is on the trend."""
    out = judged([s for s in record(2.0, 0.2, 4) if not 150.0 < s[0] < 190.0])
    assert all(is_good and late_s == 0.0 for _, is_good, late_s in out.values())


def test_a_hole_that_ends_in_a_burst_costs_no_more_than_the_burst() -> None:
    samples = [(t, v + (40.0 if 190.0 <= t < 192.0 else 0.0)) for t, v in record(4.0, 0.2, 5) if not 150.0 < t < 190.0]
    out = judged(samples)
    lost = [t for t, o in out.items() if t >= 192.0 and not o[1]]
    assert not lost
    assert max(late_s for t, (_, _, late_s) in out.items() if t >= 192.0) <= 3.5


def test_the_noise_is_the_samples_own() -> None:
    """Against numpy's normal distribution: sd 0.6 of 400 samples, the median of 31 bends within a quarter."""
    rng = np.random.default_rng(6)
    noises = []
    conditioner = Conditioner(CUP)
    for i in range(400):
        conditioner.see(0.25 * i, 30.0 + float(rng.normal(0.0, 0.6)))
        noises.append(conditioner.noise)
    assert float(np.median(noises[40:])) == pytest.approx(0.6, rel=0.25)


def test_steps_of_one_code_are_resolution() -> None:
    """A converter of 1 C steps: each step is on the trend, however rarely one comes."""
    samples = [(t, float(round(v))) for t, v in record(4.0, 0.0, 8)]
    assert all(is_good for _, is_good, _ in judged(samples).values())


def test_a_channel_that_is_noise_and_nothing_else_is_taken_as_it_is() -> None:
    rng = np.random.default_rng(9)
    out = judged([(0.25 * i, float(rng.uniform(-300.0, 300.0))) for i in range(800)])
    assert sum(is_good for _, is_good, _ in out.values()) > 400


def test_samples_out_of_order_move_nothing() -> None:
    conditioner = Conditioner(CUP)
    assert conditioner.see(10.0, 23.0) == (True, [])
    assert conditioner.see(9.0, 23.0) == (False, [])
    assert conditioner.see(10.5, 23.0) == (True, [])
