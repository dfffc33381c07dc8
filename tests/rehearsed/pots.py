"""Simulates what many different pots' gauges say, filled many times over, tight or leaking.

All fills of a study run side by side as arrays, with the same balance as vessel.py (mass and energy of the gas, its
wall and its molds, silicone soaking up air, a sharp hole) and every constant drawn at random: pots differ, and so do
one pot's fills.  The second family changes what an estimator may have come to rely on: a film that thickens
with the root of time instead of the usual convection law, a laminar leak, kicks marked two minutes off, a coarse and
drifting gauge.  The ranges are invented, widened from the trade sheet's 10, 13 and 60 L pots.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
import numpy.typing as npt

from benchd.rehearsal.vessel import CHOKED, CP_AIR, CRITICAL, CV_AIR, GAMMA, P_ATM_PA, PA_PER_PSI, R_AIR, SUBSONIC

Array = npt.NDArray[np.float64]
ROOM_K = 295.0
STEP_S = 0.125
SOAK = ((0.10, 60.0), (0.25, 600.0), (0.65, 6000.0))  # as vessel.py
GAUGE_DRIFT_PSI_MIN = 0.008  # a cheap transducer warming up, invented
NOISE_PSI, STEP_PSI, SPIKE_SHARE = 0.05, 0.02, 0.002
COARSE_PSI, COARSE_DRIFT_PSI_MIN = 0.1, 0.015
MIDDLE_KICK_OFF_S, FAR_KICK_OFF_S = 12.0, 120.0


@dataclass(frozen=True, slots=True)
class Pots:
    """Pots as they are; arrays of one length.  tau_s: the gas's cooling time at target and 10 K above the wall."""

    free_l: Array
    tau_s: Array
    bend: Array
    density_bend: Array
    jet: Array
    wall_j_k: Array
    wall_loss_s: Array
    probe_lag_s: Array
    probe_wall: Array

    def __len__(self) -> int:
        return len(self.free_l)

    def take(self, index: npt.NDArray[np.int64]) -> Pots:
        """The pots at these places."""
        return Pots(*(getattr(self, f.name)[index] for f in fields(self)))


@dataclass(frozen=True, slots=True)
class Fills:
    """One fill of each pot; seconds from the opening of the air.  humps (molds, n): see `_mold_warmth_k`."""

    target_psi: Array
    fill_s: Array
    shut_s: Array
    mark_s: Array
    kick_s: Array
    told_kick_s: Array
    hump_k: Array
    hump_late_s: Array
    hump_rise_s: Array
    hump_fade_s: Array
    mold_share: Array
    warm_k: Array
    room_k_h: Array
    soak_share: Array
    drift_psi_min: Array
    step_psi: Array
    leak_psi_min: Array
    leak_from_s: Array
    second: bool = False

    def leaking(self, psi_min: Array | float, from_s: float = 0.0) -> Fills:
        """The same fills with a leak [psi/min] from from_s [s] on."""
        size = np.broadcast_to(np.asarray(psi_min, dtype=np.float64), self.fill_s.shape)
        return replace(self, leak_psi_min=size, leak_from_s=np.full_like(self.fill_s, from_s))


@dataclass(frozen=True, slots=True)
class Recorded:
    """What the gauge and a gas probe said, 1 Hz: t_s (m,), psi and probe_c (m, n); true_psi what the pot held."""

    t_s: Array
    psi: Array
    probe_c: Array
    true_psi: Array


def draw_pots(count: int, seed: int) -> Pots:
    """Pots of 10, 13 and 60 L, a third each."""
    rng = np.random.default_rng((seed, 1))
    whole_l = rng.choice([10.0, 13.0, 60.0], count)
    size = whole_l / 13.0
    tau_s = np.exp(rng.normal(np.log(22.0), 0.33, count)) * size**0.3
    return Pots(
        free_l=whole_l * rng.uniform(0.72, 0.97, count), tau_s=np.clip(tau_s, 10.0, 110.0),
        bend=rng.uniform(0.1, 0.3, count), density_bend=rng.uniform(0.3, 0.7, count), jet=rng.uniform(0.1, 0.5, count),
        wall_j_k=rng.uniform(3000.0, 10000.0, count) * size ** (2.0 / 3.0), wall_loss_s=rng.uniform(1500, 4000, count),
        probe_lag_s=rng.uniform(3.0, 12.0, count), probe_wall=rng.uniform(0.0, 0.12, count),
    )  # fmt: skip


def draw_fills(pots: Pots, seed: int, *, empty: bool = False, fast: float = 0.25, at_once: float = 0.3,
               second: bool = False) -> Fills:  # fmt: skip
    """A tight fill of each pot: `fast` the share filled in 5 to 12 s, `at_once` the share shut within 5 s after it."""
    rng, n = np.random.default_rng((seed, 2)), len(pots)

    def u(low: float, high: float, *shape: int) -> Array:
        return rng.uniform(low, high, shape or n)

    fill_s = np.where(rng.random(n) < fast, u(5, 12), u(18, 45)) * np.where(pots.free_l > 30, 1.6, 1.0)
    feed_s = np.where(rng.random(n) < at_once, u(1, 5), u(20, 170))
    kick_s = fill_s + u(20, 170)
    off_s = rng.choice([-1.0, 1.0], n) * FAR_KICK_OFF_S if second else rng.normal(0, MIDDLE_KICK_OFF_S, n)
    grams_per_l = u(8, 30) * np.where(pots.free_l > 30, 0.5, 1.0) * (0.0 if empty else 1.0)
    parts = rng.dirichlet([2.0, 2.0, 2.0], n).T
    drift = COARSE_DRIFT_PSI_MIN if second else GAUGE_DRIFT_PSI_MIN
    return Fills(
        target_psi=u(38, 46), fill_s=fill_s, shut_s=fill_s + 3 + feed_s, mark_s=fill_s + 3 + feed_s + u(-4, 6),
        kick_s=kick_s, told_kick_s=kick_s + off_s, hump_k=0.12 * grams_per_l * u(0.3, 1.5) * parts,
        hump_late_s=u(0, 90, 3, n), hump_rise_s=u(60, 300, 3, n), hump_fade_s=u(400, 1500, 3, n),
        mold_share=u(0.1, 0.3) * (0.02 if empty else 1.0), warm_k=u(0, 2.5) * (0.0 if empty else 1.0),
        room_k_h=u(-2, 2), soak_share=u(0, 0.012) * (0.0 if empty else 1.0), drift_psi_min=rng.normal(0, drift, n),
        step_psi=np.full(n, COARSE_PSI if second else STEP_PSI), leak_psi_min=np.zeros(n), leak_from_s=np.zeros(n),
        second=second,
    )  # fmt: skip


@dataclass(slots=True)
class _State:
    mass_kg: Array
    temp_k: Array
    wall_k: Array
    soaked_kg: list[Array]
    probe_k: Array


def record(pots: Pots, fills: Fills, seconds: float, seed: int) -> Recorded:
    """Fill, feed, shut and hold every pot for `seconds`."""
    rng, n, volume = np.random.default_rng((seed, 3)), len(pots), pots.free_l * 1e-3
    full_kg = (fills.target_psi * PA_PER_PSI + P_ATM_PA) * volume / (R_AIR * ROOM_K)
    start = np.full(n, ROOM_K)
    state = _State(P_ATM_PA * volume / (R_AIR * start), start.copy(), start.copy(), [np.zeros(n) for _ in SOAK], start)
    hole = _hole_of(pots, fills)
    rows: list[tuple[Array, Array, Array]] = []
    every = round(1.0 / STEP_S)
    for k in range(round(seconds) * every + 1):
        t_s = k * STEP_S
        p_pa = state.mass_kg * R_AIR * state.temp_k / volume
        if k % every == 0:
            true = (p_pa - P_ATM_PA) / PA_PER_PSI
            rows.append((true, _gauge(true, fills, t_s, rng), _probe(state, pots, rng)))
        _step(state, pots, fills, full_kg, hole, p_pa, t_s)
    true_psi, psi, probe_c = (np.array([r[i] for r in rows]) for i in range(3))
    return Recorded(np.arange(len(rows), dtype=np.float64), psi, probe_c, true_psi)


def _gauge(true_psi: Array, fills: Fills, t_s: float, rng: np.random.Generator) -> Array:
    n = len(true_psi)
    spike = (rng.random(n) < SPIKE_SHARE) * rng.uniform(-12, 12, n)
    seen = true_psi + fills.drift_psi_min * t_s / 60.0 + rng.normal(0, NOISE_PSI, n) + spike
    told: Array = np.round(seen / fills.step_psi) * fills.step_psi
    return told


def _probe(state: _State, pots: Pots, rng: np.random.Generator) -> Array:
    seen = state.probe_k + pots.probe_wall * (state.wall_k - state.probe_k) - 273.15
    told: Array = np.round((seen + rng.normal(0, 0.15, len(seen))) * 4.0) / 4.0
    return told


def _hole_of(pots: Pots, fills: Fills) -> Array:
    """The leak's size: area times discharge [m2], or for a laminar leak kg/s per Pa2, that loses what is asked."""
    p_pa = fills.target_psi * PA_PER_PSI + P_ATM_PA
    lost_kg_s = fills.leak_psi_min * PA_PER_PSI / 60.0 * pots.free_l * 1e-3 / (R_AIR * ROOM_K)
    if fills.second:
        slope: Array = lost_kg_s / (p_pa**2 - P_ATM_PA**2)
        return slope
    area: Array = lost_kg_s / (CHOKED * p_pa / np.sqrt(ROOM_K))
    return area


def _lost_kg_s(size: Array, p_pa: Array, temp_k: Array, laminar: bool) -> Array:
    if laminar:
        through: Array = size * np.maximum(0.0, p_pa**2 - P_ATM_PA**2)
        return through
    ratio = np.clip(P_ATM_PA / np.maximum(p_pa, P_ATM_PA), CRITICAL, 1.0)
    shape = ratio ** (2.0 / GAMMA) - ratio ** ((GAMMA + 1.0) / GAMMA)
    sharp: Array = size * p_pa * np.sqrt(SUBSONIC * np.maximum(0.0, shape) / temp_k)
    return sharp


def _mold_warmth_k(fills: Fills, t_s: float) -> Array:
    """How far the molds' exotherm would warm the gas: each a difference of two exponentials, later than the kick."""
    s = np.maximum(0.0, t_s - fills.kick_s - fills.hump_late_s)
    peak_s = np.log(fills.hump_fade_s / fills.hump_rise_s) / (1 / fills.hump_rise_s - 1 / fills.hump_fade_s)
    top = np.exp(-peak_s / fills.hump_fade_s) - np.exp(-peak_s / fills.hump_rise_s)
    shape: Array = (np.exp(-s / fills.hump_fade_s) - np.exp(-s / fills.hump_rise_s)) / top * fills.hump_k
    warmth: Array = shape.sum(axis=0) + fills.warm_k * np.exp(-t_s / 900.0)
    return warmth


def _film_w_k(state: _State, pots: Pots, fills: Fills, full_kg: Array, inflow: Array, t_s: float) -> Array:
    still = full_kg * CV_AIR / pots.tau_s * (1.0 + pots.jet * inflow * 1e3 * 13.0 / pots.free_l)
    if fills.second:  # a film that grows as the gas comes to rest, whatever its warmth
        thicker: Array = still * 1.25 / (1.0 + 0.25 * np.sqrt(max(0.0, t_s) / 60.0))
        return thicker
    apart = ((np.abs(state.temp_k - state.wall_k) + 0.5) / 10.5) ** pots.bend
    return still * apart * (state.mass_kg / full_kg) ** pots.density_bend


def _inflow_kg_s(fills: Fills, full_kg: Array, p_pa: Array, t_s: float) -> Array:
    """A regulator: full flow until near its setting, then in proportion to what is missing; nothing once shut."""
    most = full_kg * fills.target_psi / (fills.target_psi + 14.7) / fills.fill_s
    missing_psi = fills.target_psi - (p_pa - P_ATM_PA) / PA_PER_PSI
    flow: Array = most * np.clip(missing_psi / 2.0, 0.0, 1.0) * (t_s < fills.shut_s)
    return flow


def _step(state: _State, pots: Pots, fills: Fills, full_kg: Array, hole: Array, p_pa: Array, t_s: float) -> None:
    inflow = _inflow_kg_s(fills, full_kg, p_pa, t_s)
    out = _lost_kg_s(np.where(t_s >= fills.leak_from_s, hole, 0.0), p_pa, state.temp_k, fills.second)
    room_k = ROOM_K + fills.room_k_h * t_s / 3600.0
    film = _film_w_k(state, pots, fills, full_kg, inflow, t_s)
    to_wall = film * (state.temp_k - state.wall_k)
    mold_film = film * fills.mold_share
    mold_k = room_k + _mold_warmth_k(fills, t_s) * (1.0 + fills.mold_share) / np.maximum(fills.mold_share, 1e-6)
    to_mold = mold_film * (state.temp_k - mold_k)
    soaking = np.zeros_like(inflow)
    limit = fills.soak_share * full_kg * (p_pa - P_ATM_PA) / (fills.target_psi * PA_PER_PSI)
    for i, (share, time_s) in enumerate(SOAK):
        rate = (share * limit - state.soaked_kg[i]) / time_s
        state.soaked_kg[i] = state.soaked_kg[i] + STEP_S * rate
        soaking = soaking + rate
    heat = inflow * (CP_AIR * room_k - CV_AIR * state.temp_k) - out * R_AIR * state.temp_k - to_wall - to_mold
    state.temp_k = state.temp_k + STEP_S * heat / (state.mass_kg * CV_AIR)
    state.mass_kg = state.mass_kg + STEP_S * (inflow - out - soaking)
    back = (room_k - state.wall_k) / pots.wall_loss_s
    state.wall_k = state.wall_k + STEP_S * (to_wall / pots.wall_j_k + back)
    state.probe_k = state.probe_k + STEP_S * (state.temp_k - state.probe_k) / pots.probe_lag_s
