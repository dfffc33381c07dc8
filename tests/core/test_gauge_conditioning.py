"""The conditioning stage on a pot's gauge: what valves do passes, spikes and bursts do not, and a jump that stays does.

While an opening is choked its mass flow does not depend on what is behind it and goes with the pressure before it (ISO
6358-1): a fill from a line is a ramp, a vent an exponential fall.  A hand takes 20 to 60 s for either (the trade's).
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from core.bench_double import BENCH, T0, line

from benchd.core.intake.conditioning import Conditioner
from benchd.core.intake.intake import GAS, Intake
from benchd.core.model import Line, Quality

PSI = 6.894757293168
RATES_HZ = (1.0, 2.0, 4.0, 10.0)
Curve = Callable[[float], float]


def fill(seconds: float) -> Curve:
    return lambda s: 42.0 * min(1.0, max(0.0, (s - 10.3) / seconds))


def vent(seconds: float) -> Curve:
    """Down to 1 psi in so many seconds."""
    return lambda s: 42.0 * math.exp(-max(0.0, s - 10.3) * math.log(42.0) / seconds)


def decided(curve: Curve, hz: float, noise_psi: float = 0.05, seconds: float = 90.0) -> dict[float, float]:
    """Second of each sample -> how long it took until it was good; samples that never were are missing."""
    stage, rng = Conditioner(GAS), np.random.default_rng(4)
    out: dict[float, float] = {}
    for i in range(round(seconds * hz)):
        s = i / hz
        is_good, proved = stage.see(T0 + s, (curve(s) + float(rng.normal(0.0, noise_psi))) * PSI)
        out |= {t - T0: s - (t - T0) for t, _ in proved}
        if is_good:
            out[s] = 0.0
    return {round(s, 6): wait_s for s, wait_s in out.items()}


def missing(got: dict[float, float], hz: float, seconds: float = 90.0) -> list[float]:
    return [s for i in range(round(seconds * hz)) if (s := round(i / hz, 6)) not in got]


@pytest.mark.parametrize("hz", RATES_HZ)
@pytest.mark.parametrize("curve", [fill(20.0), fill(40.0), vent(40.0), vent(60.0)], ids=["f20", "f40", "v40", "v60"])
def test_what_a_hand_on_a_valve_does_passes_at_once(curve: Curve, hz: float) -> None:
    got = decided(curve, hz)
    assert missing(got, hz) == []
    assert max(got.values()) <= 1.0


@pytest.mark.parametrize("hz", RATES_HZ)
@pytest.mark.parametrize("curve", [fill(4.0), fill(8.0), vent(5.0), vent(12.0)], ids=["f4", "f8", "v5", "v12"])
def test_a_fierce_one_is_decided_in_three_and_a_half_seconds_and_keeps_its_times(curve: Curve, hz: float) -> None:
    got = decided(curve, hz)
    assert len(missing(got, hz)) <= 1  # the sample on which a valve opened belongs to neither side
    assert max(got.values()) <= 3.5 + 1.0 / hz


@pytest.mark.parametrize("hz", RATES_HZ)
@pytest.mark.parametrize("psi", [6.0, -6.0, 20.0, -40.0])
def test_two_odd_samples_are_never_good_and_all_others_are(psi: float, hz: float) -> None:
    odd = {round(20.0 + i / hz, 6) for i in range(2)}
    got = decided(lambda s: 42.0 + psi * (round(s, 6) in odd), hz)
    assert set(missing(got, hz)) == odd


@pytest.mark.parametrize("hz", RATES_HZ)
@pytest.mark.parametrize("at_psi", [0.0, 42.0])
def test_a_burst_of_three_seconds_moves_nothing(at_psi: float, hz: float) -> None:
    burst = {round(i / hz, 6) for i in range(round(90 * hz)) if 30.0 <= i / hz < 33.0}
    wild = np.random.default_rng(9).choice([-1.0, 1.0], 1000) * 12.0
    for kick in (lambda _: 8.0, lambda s: float(wild[round(s * 10)])):
        got = decided(lambda s, kick=kick: at_psi + kick(s) * (round(s, 6) in burst), hz)  # type: ignore[misc]
        assert set(missing(got, hz)) == burst


@pytest.mark.parametrize(("hz", "within_s"), [(1.0, 3.0), (2.0, 1.5), (4.0, 1.25), (10.0, 1.1)])
@pytest.mark.parametrize("tau_s", [2.0, 4.0])
def test_a_pot_that_lets_go_is_believed_in_about_a_second(tau_s: float, hz: float, within_s: float) -> None:
    """Its pressure falls as an exponential while the opening is choked (ISO 6358-1); 3.5 s before, by rule 4 alone."""
    got = decided(lambda s: 42.0 * math.exp(-max(0.0, s - 30.3) / tau_s), hz, seconds=40.0)
    waits = [wait_s for s, wait_s in got.items() if 30.3 < s < 34.0]
    assert waits
    assert max(waits) <= within_s
    assert len(missing(got, hz, 40.0)) <= 1


@pytest.mark.parametrize("hz", [4.0, 10.0])
@pytest.mark.parametrize("amplitude_psi", [3.0, 12.0])
def test_random_bursts_are_never_taken_for_a_fall(hz: float, amplitude_psi: float) -> None:
    """300 bursts of three seconds, each sample anywhere within the amplitude: none of their samples is good early."""
    rng = np.random.default_rng(11)
    for _ in range(300):
        stage = Conditioner(GAS)
        for i in range(round(12 * hz)):
            stage.see(T0 + i / hz, (42.0 + float(rng.normal(0.0, 0.05))) * PSI)
        for i in range(round(3 * hz)):
            wild_psi = 42.0 + float(rng.uniform(-amplitude_psi, amplitude_psi))
            assert stage.see(T0 + 12.0 + i / hz, wild_psi * PSI)[1] == []


@pytest.mark.parametrize("hz", [4.0, 10.0])
def test_a_dip_of_half_a_second_is_no_fall(hz: float) -> None:
    """A loose plug that sags for 0.6 s and is back: none of it is believed, whatever its shape."""
    dip = {s for i in range(round(90 * hz)) if 40.0 <= (s := round(i / hz, 6)) < 40.6}
    got = decided(lambda s: 42.0 - (60.0 * (s - 39.9) if round(s, 6) in dip else 0.0), hz)
    assert set(missing(got, hz)) == dip


@pytest.mark.parametrize("noise_psi", [0.05, 0.38])
def test_noise_is_measured_on_the_channel(noise_psi: float) -> None:
    stage, rng = Conditioner(GAS), np.random.default_rng(7)
    measured = []
    for i in range(400):
        stage.see(T0 + i / 4.0, float(rng.normal(0.0, noise_psi)) * PSI)
        measured.append(stage.noise / PSI)
    assert float(np.mean(measured[40:])) == pytest.approx(noise_psi, rel=0.15)


def test_an_undecided_sample_is_published_at_once_and_again_once_it_is_proved() -> None:
    intake, published = Intake(), []
    intake.configure(BENCH)
    for i in range(60):
        psi = 0.0 if i < 30 else 42.0
        got, _, _ = intake.take(Line(T0 + i / 4.0, "board", line=line(i, pot=(psi * PSI * 1e3, "Pa"))))
        published += [(i / 4.0, r.t - T0, r.quality) for r in got if r.role == "pot_pressure"]
    undecided = [t for now, t, quality in published if quality is Quality.SUSPECT]
    assert undecided == [7.5 + i / 4.0 for i in range(13)]  # each at its own second, for three seconds
    again = [(now, t) for now, t, quality in published if quality is Quality.GOOD and t < now]
    assert again == [(10.75, t) for t in undecided]
    assert (10.75, 10.75, Quality.GOOD) in published
