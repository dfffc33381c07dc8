"""What holes, slow probes and cups nobody mixed in do to the kick: measured heat, and a clock's plain sums.

The heat is the cement's of tests/measured_heat.py (its source stands there), peaking at 180 s, through a cup of 120 K
adiabatic rise and 1000 s cooling time and a 3 s probe, as in test_kick.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from cup_population import Seen
from kick_bench import T0, at_cup, measured_record, of, resin, watched
from measured_heat import MeasuredHeat
from some_of import some_of

from benchd.core.findings import CupFoundHot, CupProbeSlow, CupReacting, Kicked, KickForecast, KickOverdue, NoCure
from benchd.watchers.kick.probe import ProbeLook


def record_without(from_s: float, to_s: float, every_s: float = 0.5) -> tuple[MeasuredHeat, Seen]:
    heat, record = measured_record("calorimetry_data_6.csv", 12.0, 30.0, 0.1, 1.0 / every_s)
    keep = (record.time_s < from_s) | (record.time_s > to_s)
    return heat, type(record)(record.time_s[keep], record.value_c[keep])


@pytest.mark.parametrize(
    ("from_s", "to_s"), some_of([(170.0, 200.0), (100.0, 160.0), (150.0, 210.0), (185.0, 240.0)], 1)
)
def test_a_kick_in_a_hole_is_told_as_a_window_that_covers_it(from_s: float, to_s: float) -> None:
    _, whole = record_without(900.0, 900.0)
    (true,) = of(Kicked, watched(at_cup(resin()), whole, 22.0))
    _, record = record_without(from_s, to_s)
    found = watched(at_cup(resin()), record, 22.0)
    (kick,) = of(Kicked, found)
    assert kick.early <= true.at <= kick.late
    assert kick.t <= max(true.t, T0 + to_s) + 30.0
    if from_s < kick.at - T0 < to_s:
        assert kick.early <= T0 + from_s
        assert kick.late >= T0 + to_s
    assert not of(NoCure, found)


@pytest.mark.parametrize("every_s", some_of([5.0, 0.1, 1.0, 2.1, 2.8, 3.0], 1))
def test_any_rate_from_ten_a_second_to_one_in_five_dates_the_kick(every_s: float) -> None:
    _, whole = record_without(900.0, 900.0)
    (true,) = of(Kicked, watched(at_cup(resin()), whole, 22.0))
    _, record = record_without(900.0, 900.0, every_s)
    found = watched(at_cup(resin()), record, 22.0)
    (kick,) = of(Kicked, found)
    assert kick.at == pytest.approx(true.at, abs=0.1 * (true.at - T0))
    assert not of(CupProbeSlow, found)


def test_a_probe_slower_than_that_is_said_once() -> None:
    _, record = record_without(900.0, 900.0, 8.0)
    (slow,) = of(CupProbeSlow, watched(at_cup(resin()), record, 22.0))
    assert slow.every_s == pytest.approx(8.0)


def test_no_marked_cup_cures_in_silence() -> None:
    """A resin four times as slow as its label, in holes: told as a kick or as overdue, never as no cure."""
    _, record = record_without(900.0, 900.0)
    slow = type(record)(4.0 * record.time_s, record.value_c)
    found = watched(at_cup(resin()), slow, 22.0)
    assert of((Kicked, KickForecast, KickOverdue), found)
    assert not [f for f in of(NoCure, found) if f.t > T0 + 4.0 * 180.0]


def test_a_hot_cup_nobody_mixed_in_is_logged_once_and_opens_nothing() -> None:
    _, record = record_without(900.0, 900.0)
    times = np.arange(0.0, 400.0, 1.0)
    hot = type(record)(times, np.full_like(times, 85.0))
    found = watched(at_cup(resin()), hot, 22.0, is_marked=False)
    (seen,) = of(CupFoundHot, found)
    assert seen.temp_c == pytest.approx(85.0)
    assert seen.t - T0 == pytest.approx(60.0, abs=10.0)
    assert not of((CupReacting, Kicked), found)


def test_a_hole_is_a_pause_longer_than_the_probes_own() -> None:
    look = ProbeLook(hole_s=6.0)
    for t in (0.0, 5.0, 10.0, 15.0, 20.0, 27.0):
        look.see(t)
    assert look.every_s == 5.0
    assert look.hole is None
    look.see(47.0)
    assert look.hole == (27.0, 47.0)
    assert look.widened(38.0, 42.0) == (27.0, 47.0)
    assert look.widened(30.0, 65.0) == (27.0, 65.0)
    assert look.widened(55.0, 65.0) == (55.0, 65.0)


def test_a_marked_cup_that_shows_no_heat_goes_by_its_label() -> None:
    """A fit through noise alone leapt from 354 to 708 s and back, every two seconds."""
    noise = np.random.default_rng(7).normal(23.0, 0.2, 400)
    found = watched(at_cup(resin(180.0)), Seen(np.arange(400.0), np.round(noise * 4.0) / 4.0), 23.0)
    told = of(KickForecast, found)
    assert {f.basis for f in told} == {"label"}
    assert all(-1.0 < b.at - a.at < b.t - a.t + 1.0 for a, b in pairwise(told)), "it moves with the clock alone"


def test_the_curve_speaks_as_soon_as_the_cup_has_warmed() -> None:
    _, record = record_without(100.0, 500.0)
    first = next(f for f in of(KickForecast, watched(at_cup(resin()), record, 22.0)) if f.basis == "curve")
    rise_k = float(np.interp(first.t - T0, record.time_s, record.value_c)) - 22.0
    assert 1.0 < rise_k < 3.0
