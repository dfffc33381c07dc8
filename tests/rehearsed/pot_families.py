"""Pots whose laws are neither the product's nor `pots.py`'s: drawn, filled, shut, and what their gauges say of it.

Three families (`pot_laws.py`).  What is drawn is a workshop's: pots of 10 to 60 L, fills of 6 to 68 s, molds that fill
up to a quarter of the pot (5 to 40 g of resin a litre), a third of them warmed, an inlet shut at once or minutes later
(common practice, no source).
Gauges differ too: a family has its own noise, step and drift (invented; a cheap 0.5 % transducer of 100 psi is 0.5 psi
off).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from rehearsed import pot_laws as laws
from rehearsed.pot_laws import ATM_PA, CP, CV, PSI_PA, R_AIR, ROOM_K, Numbers
from rehearsed.pots import Recorded
from rehearsed.shells import Array

FAMILIES = ("lumped", "two-node", "molds")
STEP_S = 0.25
GAUGES = {"lumped": (0.06, 0.05, 0.010), "two-node": (0.03, 0.02, 0.015), "molds": (0.08, 0.1, 0.006)}
"""A family's gauge: noise of a sample [psi], step [psi], sd of its drift [psi/min]."""


@dataclass(frozen=True, slots=True)
class FamilyPots:
    """Pots of one family; free_l (n,) and the numbers of their laws, each (n,)."""

    family: str
    free_l: Array
    numbers: Numbers

    def __len__(self) -> int:
        return len(self.free_l)


@dataclass(frozen=True, slots=True)
class Closings:
    """One fill of each pot: seconds from the opening of the air, arrays (n,); numbers: what lies inside."""

    target_psi: Array
    fill_s: Array
    shut_s: Array
    mark_s: Array
    kick_s: Array
    told_kick_s: Array
    step_psi: Array
    leak_psi_min: Array
    numbers: Numbers

    def leaking(self, psi_min: float) -> Closings:
        """The same fills with a leak that loses so much at target, from the fill on."""
        return replace(self, leak_psi_min=np.full_like(self.fill_s, psi_min))


def draw(family: str, count: int, seed: int) -> FamilyPots:
    """Pots of 10, 13, 20 and 60 L, as tall as half again their width."""
    rng = np.random.default_rng((seed, FAMILIES.index(family), 61))
    whole_l = rng.choice([10.0, 13.0, 20.0, 60.0], count)
    wide_m = np.cbrt(whole_l * 1e-3 / (np.pi / 4.0 * 1.2))
    height_m = 1.2 * wide_m
    wall_m2 = np.pi * wide_m * height_m + np.pi / 2.0 * wide_m**2
    molds = rng.uniform(0.08, 0.28, count)
    film = {"lumped": rng.uniform(2.0, 8.0, count), "two-node": rng.uniform(0.7, 1.4, count),
            "molds": rng.uniform(0.7, 1.4, count)}[family]  # fmt: skip
    steel_j_m3k = 7850.0 * 490.0  # carbon steel, Incropera, table A.1: 7854 kg/m3, 434 J/kgK; stainless 7900, 477
    numbers = {
        "free_m3": whole_l * 1e-3 * (1.0 - molds), "height_m": height_m * (1.0 - 0.5 * molds), "wall_m2": wall_m2,
        "film": film, "inlet_m": rng.uniform(0.005, 0.009, count),
        "wall_j_k": wall_m2 * rng.uniform(0.002, 0.005, count) * steel_j_m3k,
        "outside_w_k": wall_m2 * rng.uniform(6.0, 12.0, count),
    }  # fmt: skip
    return FamilyPots(family, whole_l * (1.0 - molds), numbers | {"molds_m3": whole_l * 1e-3 * molds})


def close(pots: FamilyPots, seed: int) -> Closings:
    """A tight fill of each pot."""
    rng, n = np.random.default_rng((seed, FAMILIES.index(pots.family), 62)), len(pots)

    def u(low: float, high: float) -> Array:
        return rng.uniform(low, high, n)

    fill_s = np.where(rng.random(n) < 0.25, u(6, 14), u(18, 45)) * np.where(pots.free_l > 30.0, 1.5, 1.0)
    shut_s = fill_s + 3.0 + np.where(rng.random(n) < 0.3, u(1, 6), u(20, 170))
    kick_s = fill_s + u(20, 170)
    molds_m3, share = pots.numbers["molds_m3"], u(0.06, 0.14)
    thick_m = u(0.008, 0.02)
    inside = {
        "resin_m3": molds_m3 * share, "silicone_m3": molds_m3 * (1.0 - share), "mold_thick_m": thick_m,
        "mold_m2": molds_m3 * (1.0 - share) / thick_m, "resin_half_m": u(0.002, 0.012), "rise_k": u(100.0, 130.0),
        "parts_late_s": u(20, 400), "cure_per_s": _cure_per_s(pots.family, kick_s, u(0.7, 1.4)), "film_s": u(300, 3000),
        "molds_warm_k": np.where(rng.random(n) < 0.33, u(3, 15), u(-0.5, 0.5)),
        "wall_warm_k": u(-0.5, 1.5), "room_k_s": u(-2, 2) / 3600.0, "air_warm_k": u(-1, 6),
        "drift_psi_min": rng.normal(0.0, GAUGES[pots.family][2], n), "kick_s": kick_s,
    }  # fmt: skip
    return Closings(
        target_psi=u(38, 46), fill_s=fill_s, shut_s=shut_s, mark_s=shut_s + u(-4, 6), kick_s=kick_s,
        told_kick_s=kick_s + rng.normal(0.0, 15.0, n), step_psi=np.full(n, GAUGES[pots.family][1]),
        leak_psi_min=np.zeros(n), numbers=inside,
    )  # fmt: skip


def _cure_per_s(family: str, kick_s: Array, scatter: Array) -> Array:
    """How fast the molds' resin cures: so that a full cup would kick at kick_s; elsewhere the width of the heat."""
    if family == "molds":
        speed: Array = laws.kick_of_speed_one() / (kick_s + 60.0) * scatter**0.2
        return speed
    return scatter / 60.0


def record(pots: FamilyPots, closings: Closings, seconds: float, seed: int) -> Recorded:
    """Fill, feed, shut and hold every pot for so long; the gauge once a second, the gas probe not at all (nan)."""
    rng, n = np.random.default_rng((seed, FAMILIES.index(pots.family), 63)), pots.numbers | closings.numbers
    gas, every = laws.at_rest(pots.family, n), round(1.0 / STEP_S)
    size = _size(pots, closings)
    true: list[Array] = []
    told: list[Array] = []
    for k in range(round(seconds) * every + 1):
        t_s = k * STEP_S
        p_pa = gas.pressure_pa(n["free_m3"])
        if k % every == 0:
            true.append((p_pa - ATM_PA) / PSI_PA)
            told.append(_gauge(pots.family, true[-1], closings, t_s, rng))
        _advance(pots, closings, n, gas, size, p_pa, t_s)
    psi = np.array(told)
    return Recorded(np.arange(len(psi), dtype=np.float64), psi, np.full_like(psi, np.nan), np.array(true))


def _size(pots: FamilyPots, closings: Closings) -> Array:
    """The leak's size that loses what is asked at target and at the room's temperature."""
    full_pa = closings.target_psi * PSI_PA + ATM_PA
    lost_kg_s = closings.leak_psi_min * PSI_PA / 60.0 * pots.numbers["free_m3"] / (R_AIR * ROOM_K)
    size: Array = lost_kg_s / laws.leak_kg_s(pots.family, full_pa, np.full_like(full_pa, ROOM_K))
    return size


def _advance(
    pots: FamilyPots, closings: Closings, n: Numbers, gas: laws.Gas, size: Array, p_pa: Array, t_s: float
) -> None:
    """One step of the gas's mass and energy."""
    inflow = _inflow_kg_s(closings, n, p_pa, t_s)
    out = size * laws.leak_kg_s(pots.family, p_pa, gas.temp_k)
    kicked = np.where(t_s > closings.kick_s + 30.0, 1.0, 0.0)
    out = out + laws.soak_kg_s(pots.family, gas, n, p_pa, kicked, STEP_S)
    lost_w = laws.heat_w(pots.family, gas, n, p_pa, inflow, t_s, STEP_S)
    coming_k = ROOM_K + n["air_warm_k"]
    heat = inflow * (CP * coming_k - CV * gas.temp_k) - out * R_AIR * gas.temp_k - lost_w
    gas.temp_k = gas.temp_k + STEP_S * heat / (gas.mass_kg * CV)
    gas.mass_kg = gas.mass_kg + STEP_S * (inflow - out)


def _inflow_kg_s(closings: Closings, n: Numbers, p_pa: Array, t_s: float) -> Array:
    """A throttled line behind a regulator: even flow, closing over the last 3 psi; nothing once shut."""
    full_pa = closings.target_psi * PSI_PA
    even = 1.15 * full_pa * n["free_m3"] / (R_AIR * (ROOM_K + 25.0)) / closings.fill_s
    opens = np.clip((full_pa + ATM_PA - p_pa) / (3.0 * PSI_PA), 0.0, 1.0)
    flow: Array = even * np.sqrt(opens) * (t_s < closings.shut_s)
    return flow


def _gauge(family: str, true_psi: Array, closings: Closings, t_s: float, rng: np.random.Generator) -> Array:
    noise, step, _ = GAUGES[family]
    drift = closings.numbers["drift_psi_min"] * (t_s / 60.0)
    if family == "two-node":  # a transducer warming up: all its drift in its first minutes
        drift = closings.numbers["drift_psi_min"] * 8.0 * (1.0 - np.exp(-t_s / 480.0))
    told: Array = np.round((true_psi + drift + rng.normal(0.0, noise, len(true_psi))) / step) * step
    return told
