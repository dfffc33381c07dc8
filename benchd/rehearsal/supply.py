"""Simulates where the pot's air comes from: compressor, tank, regulator and hose.

The compressor runs between its two switch points and pumps warm air; the tank cools to the room.  The regulator droops
with flow, locks up at its setting, opens again a dead band lower, and may creep or run away.  Gauge psi at the edge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchd.rehearsal.vessel import CP_AIR, CV_AIR, P_ATM_PA, PA_PER_PSI, R_AIR, ZERO_C_K

PUMPED_OVER_ROOM_K = 35.0  # air leaving a small compressor's cooler, invented
HOSE_LAG_S = 0.3  # a few metres of hose, invented


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplySpec:
    """Compressor and tank as they really are; flows in g/s."""

    tank_l: float = 24.0
    tank_psi: float = 112.0
    tank_warm_k: float = 2.0
    cut_in_psi: float = 85.0
    cut_out_psi: float = 120.0
    pump_g_s: float = 1.1
    cooling_s: float = 900.0
    set_psi: float = 42.0
    droop_psi_s_g: float = 2.0
    dead_band_psi: float = 0.0
    creep_psi_min: float = 0.0


class Supply:
    """Tank state (mass, temperature), regulator (setting, locked up or not) and hose pressure."""

    def __init__(self, spec: SupplySpec, room_c: float) -> None:
        self.spec = spec
        self.room_k = room_c + ZERO_C_K
        self.temp_k = self.room_k + spec.tank_warm_k
        self.volume_m3 = spec.tank_l * 1e-3
        self.mass_kg = (spec.tank_psi * PA_PER_PSI + P_ATM_PA) * self.volume_m3 / (R_AIR * self.temp_k)
        self.set_psi = spec.set_psi
        self.is_energised = True
        self.is_pumping = False
        self.starts = 0
        self.is_connected = True
        self.hose_pa = P_ATM_PA
        self._crept_psi = 0.0
        self._is_open = True

    @property
    def tank_pa_abs(self) -> float:
        """Pressure in the tank [Pa absolute]."""
        return self.mass_kg * R_AIR * self.temp_k / self.volume_m3

    @property
    def tank_psi(self) -> float:
        """Pressure in the tank [psi gauge]."""
        return (self.tank_pa_abs - P_ATM_PA) / PA_PER_PSI

    def step(self, dt_s: float, drawn_kg_s: float, is_inlet_open: bool, pot_pa_abs: float) -> None:
        """Advance dt_s [s] while the pot draws drawn_kg_s [kg/s]."""
        self._switch()
        self._tank(dt_s, drawn_kg_s)
        self._hose(dt_s, drawn_kg_s, is_inlet_open, pot_pa_abs)

    def dump(self) -> None:
        """Cool, empty and refill the tank: what damp warm air calls for between loads."""
        self.temp_k = self.room_k
        self.mass_kg = (self.spec.tank_psi * PA_PER_PSI + P_ATM_PA) * self.volume_m3 / (R_AIR * self.temp_k)

    def _switch(self) -> None:
        if not self.is_energised or self.tank_psi >= self.spec.cut_out_psi:
            self.is_pumping = False
        elif self.tank_psi <= self.spec.cut_in_psi and not self.is_pumping:
            self.is_pumping = True
            self.starts += 1

    def _tank(self, dt_s: float, drawn_kg_s: float) -> None:
        pumped = self.spec.pump_g_s * 1e-3 if self.is_pumping else 0.0
        arriving_k = self.room_k + PUMPED_OVER_ROOM_K
        power_w = pumped * (CP_AIR * arriving_k - CV_AIR * self.temp_k) - drawn_kg_s * R_AIR * self.temp_k
        lost_w = self.mass_kg * CV_AIR / self.spec.cooling_s * (self.temp_k - self.room_k)
        self.temp_k += dt_s * (power_w - lost_w) / (self.mass_kg * CV_AIR)
        self.mass_kg = max(1e-3, self.mass_kg + dt_s * (pumped - drawn_kg_s))

    def _hose(self, dt_s: float, drawn_kg_s: float, is_inlet_open: bool, pot_pa_abs: float) -> None:
        if not self.is_connected:
            due_pa = P_ATM_PA
        else:
            if self.spec.creep_psi_min > 0.0 and is_inlet_open and drawn_kg_s < 2e-4:
                self._crept_psi += self.spec.creep_psi_min * dt_s / 60.0
            locked_pa = (self.set_psi + self._crept_psi) * PA_PER_PSI + P_ATM_PA
            locked_pa = min(locked_pa, self.tank_pa_abs)
            due_pa = locked_pa - self.spec.droop_psi_s_g * PA_PER_PSI * drawn_kg_s * 1e3
            due_pa = self._dead_band(due_pa, locked_pa, pot_pa_abs if is_inlet_open else self.hose_pa)
        self.hose_pa += (due_pa - self.hose_pa) * (1.0 - math.exp(-dt_s / HOSE_LAG_S))

    def _dead_band(self, due_pa: float, locked_pa: float, after_pa: float) -> float:
        """A regulator with a dead band stays shut after lock-up until the pressure behind it has sagged."""
        band_pa = self.spec.dead_band_psi * PA_PER_PSI
        if band_pa <= 0.0:
            return max(due_pa, after_pa) if after_pa > locked_pa else due_pa
        if self._is_open and after_pa >= locked_pa - 0.02 * PA_PER_PSI:
            self._is_open = False
        elif not self._is_open and after_pa < locked_pa - band_pa:
            self._is_open = True
        return due_pa if self._is_open else after_pa
