"""Simulates the air in the pot: mass and energy of the gas, its walls, the silicone it soaks into, its openings.

    V dp = R d(mT)      m cv dT = in (cp Tin - cv T) - out R T + Q      (out leaves with cp T; ideal gas, constant cv)

Q comes from the walls (natural convection, stronger while a jet stirs, weaker as gas and wall draw level) and from warm
molds.  Openings are sharp holes: choked while p_atm/p is below 0.528, else subsonic isentropic flow.  Walls have a heat
capacity and lose to the room slowly; silicone takes up air over minutes.  Pressures here are absolute Pa.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

R_AIR = 287.05  # J/kgK, dry air
CV_AIR = 717.6  # J/kgK near room temperature
CP_AIR = R_AIR + CV_AIR
GAMMA = CP_AIR / CV_AIR
CRITICAL = math.pow(2.0 / (GAMMA + 1.0), GAMMA / (GAMMA - 1.0))
CHOKED = math.sqrt(GAMMA / R_AIR) * math.pow(2.0 / (GAMMA + 1.0), (GAMMA + 1.0) / (2.0 * (GAMMA - 1.0)))
SUBSONIC = 2.0 * GAMMA / ((GAMMA - 1.0) * R_AIR)
PA_PER_PSI = 6894.757293168
P_ATM_PA = 101325.0
ZERO_C_K = 273.15

DISCHARGE = 0.8  # a short drilled hole; fits the trade sheet's psi per minute a hole
SOAK_MODES = ((0.10, 60.0), (0.25, 600.0), (0.65, 6000.0))  # shares and times of a slab's slow fill, invented
WALL_LOSS_S = 2400.0  # pot metal to room, invented
STEP_SHARE = 0.004  # a substep moves no more than this share of the gas
STEP_COOLING = 0.2  # nor lasts longer than this share of its cooling time


def hole_flow_kg_s(hole_mm: float, up_pa: float, up_k: float, down_pa: float, discharge: float = DISCHARGE) -> float:
    """Mass flow through a sharp round hole from up_pa [abs] at up_k to down_pa [abs]; 0 if it would run backwards.

    Isentropic nozzle flow of an ideal gas (any compressible-flow text), choked below p_down/p_up = 0.528.
    """
    if hole_mm <= 0.0 or up_pa <= down_pa:
        return 0.0
    area_m2 = discharge * math.pi / 4e6 * hole_mm * hole_mm
    ratio = down_pa / up_pa
    if ratio <= CRITICAL:
        return area_m2 * CHOKED * up_pa / math.sqrt(up_k)
    shape = math.pow(ratio, 2.0 / GAMMA) - math.pow(ratio, (GAMMA + 1.0) / GAMMA)
    return area_m2 * up_pa * math.sqrt(SUBSONIC * max(0.0, shape) / up_k)


@dataclass(frozen=True, slots=True, kw_only=True)
class VesselSpec:
    """The pot as it really is.  cooling_s: gas time constant at target_psi and 10 K above the wall.

    cooling_bend and density_bend: exponents of temperature difference and density in the wall's heat transfer (0 and 0
    make it a constant); jet: how much a fill of 1 g/s adds to it, as a share; soak_share: gas mass the silicone would
    take up in the end, as a share of the gas at target.
    """

    free_l: float = 13.0
    target_psi: float = 42.0
    cooling_s: float = 20.0
    cooling_bend: float = 0.22
    density_bend: float = 0.5
    jet: float = 0.25
    wall_j_k: float = 6000.0
    soak_share: float = 0.004


@dataclass(slots=True)
class Openings:
    """What is open now: an inlet fed at feed_pa and feed_k, holes to the room, extra heat from molds."""

    inlet_mm: float = 0.0
    feed_pa: float = P_ATM_PA
    feed_k: float = 293.15
    leak_mm: float = 0.0
    bleed_mm: float = 0.0
    relief_mm: float = 0.0
    mold_w_k: float = 0.0
    mold_k: float = 293.15


class Vessel:
    """The gas's state: mass [kg], temperature [K], wall temperature [K], air taken up by silicone [kg]."""

    def __init__(self, spec: VesselSpec, room_c: float, p_pa_abs: float = P_ATM_PA) -> None:
        self.spec = spec
        self.room_k = room_c + ZERO_C_K
        self.volume_m3 = spec.free_l * 1e-3
        self.temp_k = self.wall_k = self.room_k
        self.mass_kg = p_pa_abs * self.volume_m3 / (R_AIR * self.temp_k)
        self.soaked_kg = [0.0 for _ in SOAK_MODES]
        self.inflow_kg_s = self.outflow_kg_s = 0.0
        full_kg = (spec.target_psi * PA_PER_PSI + P_ATM_PA) * self.volume_m3 / (R_AIR * 293.15)
        self._full_kg = full_kg
        self._wall_w_k = full_kg * CV_AIR / spec.cooling_s
        self._soak_kg_pa = spec.soak_share * full_kg / (spec.target_psi * PA_PER_PSI)

    @property
    def p_pa_abs(self) -> float:
        """Pressure of the gas [Pa absolute]."""
        return self.mass_kg * R_AIR * self.temp_k / self.volume_m3

    @property
    def gauge_psi(self) -> float:
        """Pressure of the gas [psi gauge]."""
        return (self.p_pa_abs - P_ATM_PA) / PA_PER_PSI

    def step(self, dt_s: float, openings: Openings) -> None:
        """Advance dt_s [s], in substeps small against filling and venting."""
        left_s = dt_s
        while left_s > 1e-9:
            sub_s = min(left_s, self._calm_s(openings))
            self._substep(sub_s, openings)
            left_s -= sub_s

    def open_lid(self, dt_s: float) -> None:
        """Lid off: room pressure; gas and room mix within seconds, the wall keeps its warmth."""
        self.temp_k += (self.room_k - self.temp_k) * min(1.0, dt_s / 3.0)
        self.wall_k += (self.room_k - self.wall_k) * min(1.0, dt_s / WALL_LOSS_S)
        self.mass_kg = P_ATM_PA * self.volume_m3 / (R_AIR * self.temp_k)
        self.soaked_kg = [
            kg * math.exp(-dt_s / tau_s) for kg, (_, tau_s) in zip(self.soaked_kg, SOAK_MODES, strict=True)
        ]
        self.inflow_kg_s = self.outflow_kg_s = 0.0

    def wall_w_k(self) -> float:
        """Heat transfer from gas to walls now [W/K]."""
        spec = self.spec
        stirred = 1.0 + spec.jet * self.inflow_kg_s * 1e3
        if spec.cooling_bend == 0.0 and spec.density_bend == 0.0:
            return self._wall_w_k * stirred
        apart = math.pow((abs(self.temp_k - self.wall_k) + 0.5) / 10.5, spec.cooling_bend)
        return self._wall_w_k * stirred * apart * math.pow(self.mass_kg / self._full_kg, spec.density_bend)

    def _calm_s(self, o: Openings) -> float:
        """A step in which neither mass nor temperature moves much."""
        flow = self._inflow(o) + self._outflow(o)
        cooling_s = self.mass_kg * CV_AIR / (self.wall_w_k() + o.mold_w_k)
        return max(0.001, min(STEP_SHARE * self.mass_kg / max(flow, 1e-12), STEP_COOLING * cooling_s))

    def _inflow(self, o: Openings) -> float:
        return hole_flow_kg_s(o.inlet_mm, o.feed_pa, o.feed_k, self.p_pa_abs)

    def _outflow(self, o: Openings) -> float:
        p, k = self.p_pa_abs, self.temp_k
        return sum(hole_flow_kg_s(mm, p, k, P_ATM_PA) for mm in (o.leak_mm, o.bleed_mm, o.relief_mm) if mm > 0.0)

    def _substep(self, dt_s: float, o: Openings) -> None:
        """One midpoint step of mass and temperature; walls and silicone, being slow, go along."""
        mass_0, temp_0 = self.mass_kg, self.temp_k
        mass_rate, temp_rate = self._rates(o)
        self.mass_kg, self.temp_k = mass_0 + 0.5 * dt_s * mass_rate, temp_0 + 0.5 * dt_s * temp_rate
        mass_rate, temp_rate = self._rates(o)
        to_wall_w = self.wall_w_k() * (self.temp_k - self.wall_k)
        self.mass_kg, self.temp_k = mass_0 + dt_s * mass_rate, temp_0 + dt_s * temp_rate
        lost_w = (self.wall_k - self.room_k) * self.spec.wall_j_k / WALL_LOSS_S
        self.wall_k += dt_s * (to_wall_w - lost_w) / self.spec.wall_j_k
        self._soak(dt_s)

    def _rates(self, o: Openings) -> tuple[float, float]:
        self.inflow_kg_s, self.outflow_kg_s = self._inflow(o), self._outflow(o)
        heat_w = self.wall_w_k() * (self.wall_k - self.temp_k) + o.mold_w_k * (o.mold_k - self.temp_k)
        carried = self.inflow_kg_s * (CP_AIR * o.feed_k - CV_AIR * self.temp_k)
        carried -= self.outflow_kg_s * R_AIR * self.temp_k
        return self.inflow_kg_s - self.outflow_kg_s, (carried + heat_w) / (self.mass_kg * CV_AIR)

    def _soak(self, dt_s: float) -> None:
        if self._soak_kg_pa == 0.0:
            return
        due_kg = self._soak_kg_pa * (self.p_pa_abs - P_ATM_PA)
        for i, (share, tau_s) in enumerate(SOAK_MODES):
            taken = (share * due_kg - self.soaked_kg[i]) * min(1.0, dt_s / tau_s)
            self.soaked_kg[i] += taken
            self.mass_kg -= taken
