"""An air-filled pot for tests: energy and mass balance of its gas, its molds, regulator, leaks, vents and gauge.

Written apart from benchd.physics, so that truth and estimator share no code.  Many pots run side by side as arrays.
The gas: dm/dt = in - out, m cv dT/dt = in (cp T_line - cv T) - out R T - U(x) x with x the gas' warmth over what is
around it and a film that strengthens with x as free convection does.  The molds warm their share of the surroundings
after the kick, late and for minutes, as heat creeps through silicone.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

PSI = 6.894757293168
ATM_KPA = 101.325
R, CV, CP = 287.05, 717.6, 1004.6
Array = NDArray[np.float64]


@dataclass
class Pots:
    """A population of fills; every field an array of the same length, times in seconds after the air was opened."""

    free_l: Array
    tau_s: Array
    fill_s: Array
    target_psi: Array
    feed_s: Array  # how long the regulator goes on holding the target after the fill
    leak_mm: Array
    leak_from_s: Array
    kick_s: Array
    bump_k: Array  # how far the molds' exotherm warms what surrounds the gas
    bump_s: Array  # when it does so most, after the kick
    warm_k: Array  # warm molds at the start
    drift_k_h: Array
    soak_psi: Array  # air gone into silicone after ten minutes
    gauge_drift_psi_min: Array
    noise_psi: float = 0.05
    spikes: float = 0.002

    def __len__(self) -> int:
        return len(self.free_l)


def population(count: int, seed: int, leak_psi_min: float = 0.0, feed: bool = True) -> Pots:
    """Randomised fills of randomised pots; leak_psi_min: the leak's size at 42 psi, from the start."""
    rng = np.random.default_rng(seed)

    def u(low: float, high: float) -> Array:
        return rng.uniform(low, high, count)

    free_l = u(6, 25)
    hole_mm = np.sqrt(leak_psi_min * PSI * 1e3 / 60 * free_l * 1e-3 / (R * 293) / (0.0404 * 0.8 * np.pi / 4 * 1e-6)
                      * np.sqrt(293) / ((42 * PSI + ATM_KPA) * 1e3))  # fmt: skip
    grams_per_l = u(8, 30)
    return Pots(
        free_l=free_l, tau_s=np.exp(u(np.log(12), np.log(50))), fill_s=u(18, 45), target_psi=u(38, 46),
        feed_s=u(60, 170) if feed else np.zeros(count), leak_mm=hole_mm, leak_from_s=np.zeros(count),
        kick_s=u(20, 150), bump_k=0.12 * grams_per_l * u(0.3, 1.5), bump_s=u(150, 700), warm_k=u(0, 2.5),
        drift_k_h=u(-2, 2), soak_psi=u(0, 0.15), gauge_drift_psi_min=rng.normal(0, 0.008, count),
    )  # fmt: skip


def barrel(**changes: float) -> Pots:
    """The invented scenario's pot: 13 L free, tau 20 s, filled to 42 psi in 30 s, nothing wrong unless told."""
    plain = {
        "free_l": 13.0, "tau_s": 20.0, "fill_s": 30.0, "target_psi": 42.0, "feed_s": 150.0, "leak_mm": 0.0,
        "leak_from_s": 0.0, "kick_s": 40.0, "bump_k": 2.0, "bump_s": 300.0, "warm_k": 0.0, "drift_k_h": 0.0,
        "soak_psi": 0.05, "gauge_drift_psi_min": 0.0,
    } | changes  # fmt: skip
    columns: dict[str, Any] = {k: np.array([v]) for k, v in plain.items()}
    return Pots(**columns)


@dataclass
class Run:
    """What the gauge said: t [s] and psi gauge, one row a sample, one column a pot; gas_c the true gas temperature."""

    t: Array
    psi: Array
    gas_c: Array
    shut_s: Array = field(default_factory=lambda: np.zeros(1))


def run(pots: Pots, seconds: float, hz: float = 1.0, seed: int = 1, bleed_mm: float = 0.0, bleed_from_s: float = 1e9,
        bleed_ramp_s: float = 2.0, creep_psi_min: float = 0.0) -> Run:  # fmt: skip
    """Fill, feed, hold and (through a bleed, opened over bleed_ramp_s) vent; the gauge is read hz times a second."""
    rng = np.random.default_rng(seed)
    h = 0.1
    n = len(pots)
    volume = pots.free_l * 1e-3
    room = np.full(n, 295.0)
    m, t_k = ATM_KPA * 1e3 * volume / (R * room), room.copy()
    every = round(1 / hz / h)
    times, seen, temps = [], [], []
    for step in range(round(seconds / h) + 1):
        t = step * h
        p = m * R * t_k / volume / 1e3
        if step % every == 0:
            times.append(t)
            soak = pots.soak_psi * np.sqrt(np.maximum(0, t - pots.fill_s) / 600)
            psi = (p - ATM_KPA) / PSI - soak + pots.gauge_drift_psi_min * t / 60
            noise = rng.normal(0, pots.noise_psi, n) + (rng.random(n) < pots.spikes) * rng.uniform(-12, 12, n)
            seen.append(psi + noise)
            temps.append(t_k - 273.15)
        around = room + pots.drift_k_h * t / 3600 + pots.warm_k * np.exp(-t / 900) + _bump(pots, t)
        x = t_k - around
        full_kg = (pots.target_psi * PSI + ATM_KPA) * 1e3 * volume / (R * room)
        film = full_kg * CV / pots.tau_s * (np.abs(x) / 5 + 0.06) ** 0.15
        out = _outflow(p, t_k, np.where(t >= pots.leak_from_s, pots.leak_mm, 0.0))
        out = out + _outflow(
            p, t_k, np.full(n, bleed_mm) * min(1.0, max(0.0, (t - bleed_from_s) / bleed_ramp_s)) ** 0.5
        )
        target = np.minimum(t / pots.fill_s, 1.0) * pots.target_psi * PSI + ATM_KPA
        target = target + creep_psi_min * PSI * np.maximum(0.0, t - pots.fill_s) / 60
        fed = (t <= pots.fill_s + pots.feed_s) & (p < target)
        # what the regulator lets in to stand at its target a step later
        need = np.where(
            fed, np.maximum(0.0, (CV / R * volume * (target - p) * 1e3 / h + film * x) / (CP * 295.0) + out), 0
        )
        dt_k = (need * (CP * 295.0 - CV * t_k) - out * R * t_k - film * x) / (m * CV)
        m, t_k = m + h * (need - out), t_k + h * dt_k
    return Run(np.array(times), np.array(seen), np.array(temps), pots.fill_s + pots.feed_s)


def _bump(pots: Pots, t: float) -> Array:
    """A hump of the molds' warmth: zero at the kick, highest bump_s later, slowly gone."""
    s = np.maximum(0.0, t - pots.kick_s) / pots.bump_s
    return pots.bump_k * s * np.exp(1 - s)


def _outflow(p_kpa: Array, t_k: Array, hole_mm: Array) -> Array:
    """Isentropic nozzle flow through a sharp hole, Cd 0.8 [kg/s]."""
    ratio = np.clip(ATM_KPA / np.maximum(p_kpa, ATM_KPA), 0.5283, 1.0)
    factor = np.sqrt(2 / (R * t_k) * 1.4 / 0.4 * (ratio ** (2 / 1.4) - ratio ** (2.4 / 1.4)))
    return 0.8 * np.pi / 4 * (hole_mm * 1e-3) ** 2 * p_kpa * 1e3 * factor
