"""Gas laws of a pressure pot: flow in and out through an opening, cooling, filling, leak rates.

Flow through any opening follows ISO 6358-1: m = C rho0 p1 sqrt(T0/T1) w, with w = 1 while choked (p2/p1 <= b) and
w = sqrt(1 - ((p2/p1 - b)/(1 - b))^2) below that.  C is the sonic conductance [m3/(s Pa)], b the critical pressure
ratio, (T0, rho0) the standard's reference air.  A pot emptying polytropically (n = 1: slow, at wall temperature;
n = 1.4: too fast for heat) obeys dp/dt = -n p w C rho0 R sqrt(T0 T)/V; while choked and n = 1, ln p is a straight line.

All pressures absolute Pa, temperatures K, volumes m3, unless a name's ending says otherwise.
"""

from __future__ import annotations

import math

import numpy as np

from benchd.physics.constants import AIR_J_KG_K, GAS_CONSTANT_J_MOL_K

GAMMA = 1.4  # diatomic gas
REFERENCE_K = 293.15  # ISO 8778 (ANR), used by ISO 6358
REFERENCE_KG_M3 = 1.185  # ISO 8778 (ANR): 20 C, 100 kPa, 65 % RH
SHARP_B = (2.0 / (GAMMA + 1.0)) ** (GAMMA / (GAMMA - 1.0))  # 0.5283: isentropic critical ratio, White, Fluid Mechanics
SHARP_DISCHARGE = 0.8  # share of a sharp hole's area that flows: common practice, 0.6 to 0.9 by ratio and edge

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(24)


def flow_factor(p1_pa_abs: float, p2_pa_abs: float, b: float = SHARP_B) -> float:
    """ISO 6358's w: 1 while choked, falling to 0 as the pressures meet; 0 when p2 >= p1.

    w = sqrt(1 - ((p2/p1 - b)/(1 - b))^2) above the critical ratio b.  p1_pa_abs, p2_pa_abs: upstream and downstream
    pressure [Pa absolute], p1 above 0; b: critical pressure ratio [-], 0 to below 1.
    Source: ISO 6358-1.

    >>> round(flow_factor(121325.0, 101325.0, 0.2), 3)
    0.608
    """
    if p1_pa_abs <= p2_pa_abs:
        return 0.0
    ratio = p2_pa_abs / p1_pa_abs
    return 1.0 if ratio <= b else math.sqrt(max(0.0, 1.0 - ((ratio - b) / (1.0 - b)) ** 2))


def mass_flow_kg_s(
    conductance_m3_s_pa: float, p1_pa_abs: float, p2_pa_abs: float, t1_k: float, b: float = SHARP_B
) -> float:
    """Mass flow [kg/s] from p1 to p2 through a conductance: C rho0 p1 sqrt(T0/T1) w.

    conductance_m3_s_pa: C [m3/(s Pa)]; p1_pa_abs, p2_pa_abs [Pa absolute]; t1_k: upstream temperature T1 [K]; b:
    critical pressure ratio [-].  Raises ValueError on p1 or T1 <= 0.  Source: ISO 6358-1.

    >>> round(1e6 * mass_flow_kg_s(1e-11, 500e3, 101325.0, 293.15), 3)
    5.925
    """
    if p1_pa_abs <= 0.0 or t1_k <= 0.0:
        raise ValueError("absolute pressure and temperature must be above zero")
    choked = conductance_m3_s_pa * REFERENCE_KG_M3 * p1_pa_abs * math.sqrt(REFERENCE_K / t1_k)
    return choked * flow_factor(p1_pa_abs, p2_pa_abs, b)


def _choked_constant() -> float:
    """k in m = k A p1/sqrt(T1) [s sqrt(K)/m]: 0.040415 for air (isentropic choked nozzle)."""
    return math.sqrt(GAMMA / AIR_J_KG_K) * math.pow(2.0 / (GAMMA + 1.0), (GAMMA + 1.0) / (2.0 * (GAMMA - 1.0)))


def conductance_of_hole(hole_mm: float, discharge: float = SHARP_DISCHARGE) -> float:
    """Sonic conductance [m3/(s Pa)] of a round sharp hole: k Cd A/(rho0 sqrt(T0)).

    hole_mm: diameter [mm]; discharge: Cd [-], common practice, see `SHARP_DISCHARGE`.

    >>> round(1e11 * conductance_of_hole(0.1), 3)
    1.252
    """
    area_m2 = math.pi / 4.0 * (hole_mm * 1e-3) ** 2
    return _choked_constant() * discharge * area_m2 / (REFERENCE_KG_M3 * math.sqrt(REFERENCE_K))


def hole_of_conductance(conductance_m3_s_pa: float, discharge: float = SHARP_DISCHARGE) -> float:
    """Diameter [mm] of the sharp hole with this conductance [m3/(s Pa)]: a leak's size as a picture."""
    return math.sqrt(max(0.0, conductance_m3_s_pa) / conductance_of_hole(1.0, discharge))


def loss_kpa_per_min(
    conductance_m3_s_pa: float,
    p_pa_abs: float,
    p_atm_pa_abs: float,
    volume_m3: float,
    gas_k: float = REFERENCE_K,
    b: float = SHARP_B,
) -> float:
    """Pressure lost a minute [kPa/min, > 0] through an opening to the room, gas temperature steady: 60 m R T/V.

    conductance_m3_s_pa: C [m3/(s Pa)]; p_pa_abs, p_atm_pa_abs [Pa absolute]; volume_m3: V [m3]; gas_k: T [K]; b [-].

    >>> round(loss_kpa_per_min(conductance_of_hole(0.1), 400e3, 101325.0, 0.01), 2)
    3.0
    """
    flow = mass_flow_kg_s(conductance_m3_s_pa, p_pa_abs, p_atm_pa_abs, gas_k, b)
    return flow * AIR_J_KG_K * gas_k / volume_m3 * 60.0 / 1000.0


def conductance_from_loss(
    kpa_per_min: float,
    p_pa_abs: float,
    p_atm_pa_abs: float,
    volume_m3: float,
    gas_k: float = REFERENCE_K,
    b: float = SHARP_B,
) -> float:
    """The conductance [m3/(s Pa)] that loses `kpa_per_min` at this pressure: inverse of `loss_kpa_per_min`.

    0 for no loss.  Raises ValueError when the pot is at or below the room's pressure.
    """
    unit = loss_kpa_per_min(1.0, p_pa_abs, p_atm_pa_abs, volume_m3, gas_k, b)
    if unit <= 0.0:
        raise ValueError("no outflow at or below room pressure")
    return max(0.0, kpa_per_min) / unit


def blowdown_s(
    conductance_m3_s_pa: float,
    p_start_pa_abs: float,
    p_end_pa_abs: float,
    p_atm_pa_abs: float,
    volume_m3: float,
    gas_k: float = REFERENCE_K,
    polytropic: float = 1.0,
    b: float = SHARP_B,
) -> float:
    """Seconds to fall from start to end pressure through a conductance, starting at gas_k; inf without outflow.

    polytropic 1 = isothermal (a leak), 1.4 = adiabatic (a fast vent).  p_end must lie above p_atm (ValueError).
    The choked part is closed form; the rest is integrated over theta, p_atm/p = b + (1 - b) sin(theta), where the
    integrand is smooth, by 24-point Gauss-Legendre.
    """
    if p_end_pa_abs <= p_atm_pa_abs:
        raise ValueError("room pressure itself is only reached in the limit")
    if conductance_m3_s_pa <= 0.0:
        return math.inf
    if p_start_pa_abs <= p_end_pa_abs:
        return 0.0
    speed = conductance_m3_s_pa * REFERENCE_KG_M3 * AIR_J_KG_K * math.sqrt(REFERENCE_K * gas_k) / volume_m3
    cooling = (polytropic - 1.0) / (2.0 * polytropic)  # sqrt(T) goes with p to this power
    choke_pa_abs = p_atm_pa_abs / b
    turn_pa_abs = min(p_start_pa_abs, max(choke_pa_abs, p_end_pa_abs))
    span = _choked_span(p_start_pa_abs / turn_pa_abs, cooling)
    if p_end_pa_abs < choke_pa_abs:
        span += _subsonic_span(turn_pa_abs, p_end_pa_abs, p_start_pa_abs, p_atm_pa_abs, cooling, b)
    return span / (polytropic * speed)


def _choked_span(ratio: float, cooling: float) -> float:
    """Integral of dp/p (T_start/T)^0.5 from p_start/ratio to p_start."""
    return math.log(ratio) if cooling == 0.0 else (math.pow(ratio, cooling) - 1.0) / cooling


def _subsonic_span(
    turn_pa_abs: float, p_end_pa_abs: float, p_start_pa_abs: float, p_atm_pa_abs: float, cooling: float, b: float
) -> float:
    low = math.asin((p_atm_pa_abs / turn_pa_abs - b) / (1.0 - b))
    high = math.asin((p_atm_pa_abs / p_end_pa_abs - b) / (1.0 - b))
    theta = 0.5 * (high - low) * _NODES + 0.5 * (high + low)
    ratio = b + (1.0 - b) * np.sin(theta)
    warmth = (p_atm_pa_abs / ratio / p_start_pa_abs) ** (-cooling)
    return float(np.sum(_WEIGHTS * (1.0 - b) / ratio * warmth) * 0.5 * (high - low))


def decay_mol_s(
    volume_m3: float, p1_pa_abs: float, t1_k: float, p2_pa_abs: float, t2_k: float, elapsed_s: float
) -> float:
    """Leak by pressure decay [mol/s, outward > 0]: V/R (p1/T1 - p2/T2)/dt.

    volume_m3: V [m3]; p1_pa_abs, p2_pa_abs [Pa absolute]; t1_k, t2_k: gas temperatures [K]; elapsed_s: dt [s], above 0.
    Source: 40 CFR 1065.644; as in ASTM E2930.

    >>> round(1e6 * decay_mol_s(0.01, 400e3, 293.15, 399e3, 293.15, 60.0), 1)
    68.4
    """
    return volume_m3 / GAS_CONSTANT_J_MOL_K * (p1_pa_abs / t1_k - p2_pa_abs / t2_k) / elapsed_s
