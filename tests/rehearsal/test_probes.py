"""Do the probes lag, round, scatter, break and clog as set?"""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchd.rehearsal.acts import Act
from benchd.rehearsal.probes import CLOGGED_S, IN_AIR_LAG_S, Gauge, cup_series, lagged, room_series
from benchd.rehearsal.scenario import CupSpec, PotSpec, RoomSpec

T_S = np.arange(4001) / 4.0
STILL_AIR = np.full(len(T_S), 21.5)


def test_lag_is_first_order() -> None:
    """A step reaches 1 - exp(-t/lag): any control text."""
    step = np.where(T_S >= 10.0, 50.0, 0.0)
    out = lagged(step, np.full(len(T_S), 3.0), 0.25)
    assert out[np.searchsorted(T_S, 16.0)] == pytest.approx(50.0 * (1 - math.exp(-6.25 / 3.0)), rel=1e-9)


def test_cup_reading_is_rounded_and_scatters_as_set() -> None:
    fine = cup_series(CupSpec(quantum_c=0.0, noise_c=0.4), [], [], T_S, STILL_AIR, 0.0, 1)
    assert np.std(fine) == pytest.approx(0.4, rel=0.05)
    coarse = cup_series(CupSpec(quantum_c=0.25), [], [], T_S, STILL_AIR, 0.0, 1)
    assert np.all(coarse % 0.25 == 0.0)


def test_spikes_come_at_their_rate() -> None:
    struck = cup_series(CupSpec(noise_c=0.0, emi_per_min=6.0, emi_c=25.0), [], [], T_S, STILL_AIR, 0.0, 3)
    assert 60 <= np.sum(np.abs(struck - 21.5) > 0.3) <= 140  # 100 expected in 1000 s


def test_broken_then_mended() -> None:
    acts = [Act(at_s=100, do="probe_open", cup="cup-1"), Act(at_s=200, do="probe_mend", cup="cup-1")]
    seen = cup_series(CupSpec(), [], acts, T_S, STILL_AIR, 0.0, 0)
    is_open = np.isnan(seen)
    assert is_open[400:800].all()
    assert not is_open[:400].any()
    assert not is_open[800:].any()
    other = [Act(at_s=100, do="probe_open", cup="cup-2")]
    assert not np.isnan(cup_series(CupSpec(), [], other, T_S, STILL_AIR, 0.0, 0)).any()


def test_room_drifts_where_the_script_says() -> None:
    act = Act(at_s=100, do="room", rh_pct=50.0, over_s=200)
    temp_c, rh_pct = room_series(RoomSpec(temp_c=24.1, rh_pct=64.0, wander_c=0, wander_rh_pct=0), [act], T_S, 0.0, 0)
    assert np.all(temp_c == 24.1)
    assert rh_pct[np.searchsorted(T_S, 200.0)] == pytest.approx(57.0)
    assert rh_pct[-1] == pytest.approx(50.0)


def test_room_wanders_slowly_and_no_further_than_it_should() -> None:
    spread = [np.std(room_series(RoomSpec(wander_c=0.2), [], T_S, 0.0, seed)[0]) for seed in range(20)]
    assert 0.03 < np.mean(spread) < 0.3
    one = room_series(RoomSpec(wander_c=0.2), [], T_S, 0.0, 0)[0]
    assert np.max(np.abs(np.diff(one))) < 0.01


def test_gauge_noise_offset_and_drift() -> None:
    gauge = Gauge(PotSpec(noise_psi=0.05, offset_psi=0.3, drift_psi_h=1.2), 5)
    seen = np.array([gauge.read_psi(3600.0, 0.25, 42.0, 0.0) for _ in range(4000)][100:])
    assert np.std(seen) == pytest.approx(0.05, rel=0.1)
    assert np.mean(seen) == pytest.approx(43.5, abs=0.01)


def test_hose_tap_reads_the_hose() -> None:
    gauge = Gauge(PotSpec(tap="hose", noise_psi=0.0), 0)
    assert [gauge.read_psi(t, 0.25, 42.0, 7.0) for t in range(3)][-1] == pytest.approx(7.0, abs=0.01)


def test_a_clogged_port_hardly_follows() -> None:
    gauge = Gauge(PotSpec(noise_psi=0.0), 0)
    gauge.is_clogged = True
    seen = [gauge.read_psi(k / 4, 0.25, 42.0, 42.0) for k in range(4 * 60)][-1]
    assert seen == pytest.approx(42.0 * (1 - math.exp(-60.0 / CLOGGED_S)), abs=0.01)


def test_a_probe_in_air_is_slower() -> None:
    warm = np.where(T_S >= 10.0, 40.0, 20.0)
    seen = cup_series(CupSpec(quantum_c=0.0, noise_c=0.0), [], [], T_S, warm, 0.0, 0)
    want = 20.0 + 20.0 * (1 - math.exp(-12.25 / IN_AIR_LAG_S))
    assert seen[np.searchsorted(T_S, 22.0)] == pytest.approx(want, abs=0.05)
