"""What the gas of a closed pot does by three sets of laws, each from papers of its own: heat, leak, soak and exotherm.

    lumped      one node: a film that never changes, 2 to 25 W/m2K for free convection in gases (Incropera, DeWitt,
                Bergman and Lavine, Fundamentals of Heat and Mass Transfer, table 1.1), against a wall that stays as it
                is.  Leak: a choked orifice, m ~ p/sqrt(T) (White, Fluid Mechanics, ch. 9).  Soak: Fick's diffusion into
                silicone, sqrt-time at first.  Exotherm: Prout and Tompkins, Trans Faraday Soc 40 (1944) 488, in a lump
                of resin and mold.
    two-node    gas and wall, the wall with its own heat and a loss to the room.  Film: free convection in a closed
                vertical cylinder, Nu = 0.55 Ra^(1/4) (Evans and Stefany, Chem Eng Prog Symp Ser 62(64) (1966) 209), and
                while air comes in 0.56 Re^0.67 besides (Woodfield, Monde and Mitsutake, J Therm Sci Technol 2 (2007)
                180; formulas as public models repeat them).  Leak: laminar in a long slot, m ~ (p^2 - p_atm^2)/T
                (Poiseuille, isothermal).  Soak: resin takes air up through a film (Lewis and Whitman, Ind Eng Chem 16
                (1924) 1215) until it gels.  Exotherm: into the wall, by way of the mold's thickness.
    molds       gas, wall and molds: silicone around resin, conduction in cells.  Film: turbulent free convection,
                Nu = 0.13 Ra^(1/3) (McAdams, Heat Transmission, 1954); molds and wall radiate (emissivity 0.9).  Leak:
                linear in the pressure's excess (Darcy; molecular flow too).  Soak: silicone again, in slabs open on one
                side.  Exotherm: autocatalytic, second order, 56 kJ/mol (castor oil and MDI: Milanese et al., J Appl
                Polym Sci 122 (2011) 3168, abstract seen), in the resin's own cells, so that it warms itself.

Common to all, since it is no choice: an ideal gas's mass and energy.  Nitrogen in silicone: 0.09 cm3(STP)/cm3 atm and
3.4e-9 m2/s, Merkel, Bondar, Nagai, Freeman and Pinnau, J Polym Sci B 38 (2000) 415
(values from memory; measured likewise: Firpo et al., https://doi.org/10.3390/polym11050910).  Air: 26
mW/mK, 18.5 uPa s (Incropera, table A.4, 300 K).  Silicone and resin: see `shells.py`.  SI units, pressures absolute.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from rehearsed.shells import RESIN_K_W_MK, RESIN_RHO_CP, WALL_K_W_MK, WALL_RHO_CP, Array

R_AIR, CP, CV = 287.0, 1005.0, 718.0
AIR_W_MK, AIR_PA_S, GRAVITY = 0.026, 1.85e-5, 9.81
ATM_PA, PSI_PA, ROOM_K = 101325.0, 6894.757, 295.0
SILICONE_STP, SILICONE_M2_S = 0.09 / 101325.0, 3.4e-9  # STP volume a volume and Pa; the first is of nitrogen
STP_KG_M3 = 1.293
GAS_J_MOL_K, CURE_J_MOL = 8.314462618, 56e3
SLICES_M = np.array([0.1, 0.15, 0.22, 0.33, 0.5, 0.75, 1.1, 1.7, 2.5])[:, None] * 1e-3
RESIN_CELLS, MOLD_CELLS = 3, 5
RADIATED_W_M2K = 4.0 * 5.67e-8 * 0.9 * ROOM_K**3  # Stefan and Boltzmann, about the room's temperature

Numbers = dict[str, Array]


@dataclass(slots=True)
class Gas:
    """What the gas, the wall and what lies in the pot are now; arrays (pots,) or (cells, pots)."""

    mass_kg: Array
    temp_k: Array
    wall_k: Array
    soaked: Array
    inside_k: Array
    cured: Array
    out_kg_s: Array = field(init=False)

    def pressure_pa(self, free_m3: Array) -> Array:
        """Of an ideal gas [Pa absolute]."""
        p: Array = self.mass_kg * R_AIR * self.temp_k / free_m3
        return p


def at_rest(family: str, n: dict[str, Array]) -> Gas:
    """An open pot with its molds loaded."""
    count = len(n["free_m3"])
    cells = {"lumped": 1, "two-node": 1, "molds": RESIN_CELLS + MOLD_CELLS}[family]
    warm = np.tile(ROOM_K + n["molds_warm_k"], (cells, 1))
    mass = ATM_PA * n["free_m3"] / (R_AIR * ROOM_K)
    soaked = np.full((len(SLICES_M), count), ATM_PA)
    cured = np.full((RESIN_CELLS, count), 1e-3)
    return Gas(mass, np.full(count, ROOM_K), ROOM_K + n["wall_warm_k"], soaked, warm, cured)


def leak_kg_s(family: str, p_pa: Array, temp_k: Array) -> Array:
    """A leak's outflow for a size of 1: choked, laminar or linear."""
    over = np.maximum(0.0, p_pa - ATM_PA)
    if family == "lumped":
        out: Array = p_pa / np.sqrt(temp_k) * (over > 0.0)
    elif family == "two-node":
        out = over * (p_pa + ATM_PA) / temp_k
    else:
        out = over / temp_k
    return out


def film_w_m2k(family: str, n: Numbers, p_pa: Array, apart_k: Array, inflow_kg_s: Array) -> Array:
    """Film between the gas and what it touches [W/m2K]; apart_k: gas over surface [K]."""
    if family == "lumped":
        return n["film"]
    density = p_pa / (R_AIR * ROOM_K)
    rayleigh = GRAVITY * np.abs(apart_k) / ROOM_K * density**2 * CP * n["height_m"] ** 3 / (AIR_PA_S * AIR_W_MK)
    if family == "two-node":
        reynolds = 4.0 * inflow_kg_s / (np.pi * n["inlet_m"] * AIR_PA_S)
        nusselt = 0.55 * rayleigh**0.25 + 0.56 * reynolds**0.67
    else:
        nusselt = 0.13 * np.cbrt(rayleigh)
    film: Array = n["film"] * (nusselt + 1.0) * AIR_W_MK / n["height_m"]
    return film


def soak_kg_s(family: str, gas: Gas, n: Numbers, p_pa: Array, kicked: Array, step_s: float) -> Array:
    """Air going into silicone, or into resin that has not gelled [kg/s]; the state is moved on."""
    if family == "two-node":
        missing = (p_pa - gas.soaked[0]) * (1.0 - kicked)
        gas.soaked[0] = gas.soaked[0] + step_s * missing / n["film_s"]
        into: Array = missing / n["film_s"] * SILICONE_STP * n["resin_m3"] * STP_KG_M3
        return into
    whole = np.concatenate([p_pa[None, :], gas.soaked])
    across_m = np.concatenate([SLICES_M[:1] / 2.0, (SLICES_M[1:] + SLICES_M[:-1]) / 2.0])
    flow = -SILICONE_M2_S * np.diff(whole, axis=0) / across_m
    onward = np.concatenate([flow[1:], np.zeros_like(flow[:1])])
    gas.soaked = gas.soaked + step_s * (flow - onward) / SLICES_M
    in_kg_s: Array = flow[0] * SILICONE_STP * STP_KG_M3 * n["mold_m2"]
    return in_kg_s


def heat_w(family: str, gas: Gas, n: Numbers, p_pa: Array, inflow_kg_s: Array, t_s: float, step_s: float) -> Array:
    """Heat from the gas to all it touches [W]; wall and molds are moved on."""
    apart = gas.temp_k - gas.wall_k
    to_wall = film_w_m2k(family, n, p_pa, apart, inflow_kg_s) * n["wall_m2"] * apart
    if family == "lumped":
        return to_wall + _lump_w(gas, n, t_s, step_s)
    back = n["outside_w_k"] * (gas.wall_k - ROOM_K - n["room_k_s"] * t_s)
    if family == "two-node":
        gas.wall_k = gas.wall_k + step_s * (to_wall + _mold_to_wall_w(gas, n, t_s, step_s) - back) / n["wall_j_k"]
        return to_wall
    shone = RADIATED_W_M2K * n["resin_m3"] / n["resin_half_m"] * (gas.inside_k[-1] - gas.wall_k)
    gas.wall_k = gas.wall_k + step_s * (to_wall + shone - back) / n["wall_j_k"]
    return to_wall + _molds_w(gas, n, p_pa, inflow_kg_s, step_s)


def _logistic_w(n: Numbers, t_s: float) -> Array:
    """Prout and Tompkins: a' = k a (1 - a), half done a little after the kick; heat of all resin [W]."""
    z = np.clip(n["cure_per_s"] * (t_s - n["kick_s"] - n["parts_late_s"]), -40.0, 40.0)
    done = 1.0 / (1.0 + np.exp(-z))
    heat: Array = n["rise_k"] * RESIN_RHO_CP * n["resin_m3"] * n["cure_per_s"] * done * (1.0 - done)
    return heat


def _lump_w(gas: Gas, n: Numbers, t_s: float, step_s: float) -> Array:
    whole_j_k = RESIN_RHO_CP * n["resin_m3"] + WALL_RHO_CP * n["silicone_m3"]
    to_mold: Array = n["film"] * n["mold_m2"] * (gas.temp_k - gas.inside_k[0])
    gas.inside_k = gas.inside_k + step_s * (to_mold + _logistic_w(n, t_s)) / whole_j_k
    return to_mold


def _mold_to_wall_w(gas: Gas, n: Numbers, t_s: float, step_s: float) -> Array:
    """The molds stand on the pot's floor: one lump behind the mold's thickness."""
    whole_j_k = RESIN_RHO_CP * n["resin_m3"] + WALL_RHO_CP * n["silicone_m3"]
    onto: Array = WALL_K_W_MK * 0.4 * n["mold_m2"] / n["mold_thick_m"] * (gas.inside_k[0] - gas.wall_k)
    gas.inside_k = gas.inside_k + step_s * (_logistic_w(n, t_s) - onto) / whole_j_k
    return onto


def _molds_w(gas: Gas, n: Numbers, p_pa: Array, inflow_kg_s: Array, step_s: float) -> Array:
    """Resin cells, then silicone cells, the last against the gas; silicone with no resin behind it stays out."""
    resin_m, mold_m = n["resin_half_m"] / RESIN_CELLS, n["mold_thick_m"] / MOLD_CELLS
    thick = np.concatenate([np.tile(resin_m, (RESIN_CELLS, 1)), np.tile(mold_m, (MOLD_CELLS, 1))])
    lead = np.array([RESIN_K_W_MK] * RESIN_CELLS + [WALL_K_W_MK] * MOLD_CELLS)[:, None]
    half = thick / 2.0 / lead
    apart = gas.temp_k - gas.inside_k[-1]
    film = film_w_m2k("molds", n, p_pa, apart, inflow_kg_s)
    in_w_m2 = apart / (1.0 / film + half[-1])
    shone_w_m2 = RADIATED_W_M2K * (gas.inside_k[-1] - gas.wall_k)
    across = np.diff(gas.inside_k, axis=0) / (half[1:] + half[:-1])
    flow = np.concatenate([across, (in_w_m2 - shone_w_m2)[None, :]])
    gain = flow - np.concatenate([np.zeros_like(flow[:1]), across])
    rho_cp = np.array([RESIN_RHO_CP] * RESIN_CELLS + [WALL_RHO_CP] * MOLD_CELLS)[:, None]
    rate = cure_per_s(gas.cured, gas.inside_k[:RESIN_CELLS], n["cure_per_s"])
    gas.cured = np.minimum(1.0, gas.cured + step_s * rate)
    heated = step_s * gain / (rho_cp * thick)
    heated[:RESIN_CELLS] += step_s * n["rise_k"] * rate
    gas.inside_k = gas.inside_k + heated
    into: Array = in_w_m2 * n["resin_m3"] / n["resin_half_m"]
    return into


def cure_per_s(cured: Array, temp_k: Array, speed_per_s: Array | float) -> Array:
    """Autocatalytic, second order: k (0.02 + a)(1 - a)^2, k by Arrhenius from 25 C."""
    faster = np.exp(CURE_J_MOL / GAS_J_MOL_K * (1.0 / 298.15 - 1.0 / np.minimum(temp_k, 480.0)))
    rate: Array = speed_per_s * faster * (0.02 + cured) * (1.0 - cured) ** 2
    return rate


def kick_of_speed_one(rise_k: float = 120.0, gel: float = 0.6) -> float:
    """Seconds to a conversion of 0.6 of an adiabatic cup from 22 C, for a speed of 1 a second."""
    a, t, step = np.array([1e-3]), 0.0, 0.01
    while a[0] < gel:
        a = a + step * cure_per_s(a, ROOM_K + rise_k * a, 1.0)
        t += step
    return t
