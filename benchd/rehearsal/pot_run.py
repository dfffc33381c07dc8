"""Runs the pot's day: lid, inlet, bleed, relief and hose by the script, and the truth of every load."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from benchd.rehearsal.acts import Act
from benchd.rehearsal.pours import FILM_W_M2K, PourRun, mold_outside_m2
from benchd.rehearsal.resin import Array
from benchd.rehearsal.scenario import Scenario
from benchd.rehearsal.supply import Supply
from benchd.rehearsal.vessel import P_ATM_PA, PA_PER_PSI, ZERO_C_K, Openings, Vessel

AT_PRESSURE_FOR_S = 5.0
TOPPED_WITHIN_PSI = 0.2
TOPUP_LONGEST_S = 120.0
RESEAT = 0.92  # a relief valve shuts at this share of its setting: common practice, no source
VENTED_PSI = 0.2


@dataclass(slots=True)
class LoadTruth:
    """One closing of the pot, times in s since the start, pressures psi gauge; filled as the rehearsal runs."""

    closed_s: float
    molds: tuple[str, ...]
    at_pressure_s: float | None = None
    shut_s: float | None = None
    vent_s: float | None = None
    vented_s: float | None = None
    opened_s: float | None = None
    least_psi: float | None = None
    most_psi: float = 0.0


class PotRun:
    """The pot stepped through the script."""

    def __init__(self, scenario: Scenario, runs: list[PourRun], t_s: Array, tell: Callable[[float, str], None]) -> None:
        self.scenario, self.runs, self.t_s = scenario, runs, t_s
        self.vessel = Vessel(scenario.vessel, scenario.room.temp_c)
        self.supply = Supply(scenario.supply, scenario.room.temp_c)
        self.openings = Openings(leak_mm=scenario.pot.leak_mm)
        self.loads: list[LoadTruth] = []
        self.is_closed = False
        self._tell = tell
        self._bleed = (0.0, 0.0, 1.0)
        self._topup: tuple[float, float] | None = None
        self._molds_k: list[float] = []
        self._above_since_s: float | None = None
        self._is_relieving = False
        self._loaded: set[tuple[float, str]] = set()

    @property
    def pot_psi(self) -> float:
        """Pressure in the pot [psi gauge]; 0 while it is open."""
        return self.vessel.gauge_psi if self.is_closed else 0.0

    @property
    def hose_psi(self) -> float:
        """Pressure in the hose [psi gauge]."""
        return (self.supply.hose_pa - P_ATM_PA) / PA_PER_PSI

    def act(self, act: Act, t_s: float) -> None:
        """Carry out what the caster or fate does to the pot or its air."""
        spec, o = self.scenario.pot, self.openings
        match act.do:
            case "lid":
                self._close(t_s)
            case "lid_off":
                self._open(t_s)
            case "inlet_open" | "topup":
                o.inlet_mm = act.hole_mm or spec.inlet_mm
                if act.do == "topup":
                    self._topup = (spec.target_psi if act.psi is None else act.psi, t_s + TOPUP_LONGEST_S)
            case "inlet_shut":
                o.inlet_mm = 0.0
                self._note("shut_s", t_s)
            case "bleed_open":
                self._bleed = (act.hole_mm or spec.bleed_mm, t_s, act.over_s)
                self._note("vent_s", t_s)
            case "bleed_shut":
                self._bleed = (0.0, t_s, 1.0)
                o.bleed_mm = 0.0
            case "leak":
                o.leak_mm = act.hole_mm or 0.0
            case _:
                self._supply_act(act)

    def _supply_act(self, act: Act) -> None:
        match act.do:
            case "hose_off" | "hose_on":
                self.supply.is_connected = act.do == "hose_on"
            case "compressor_off" | "compressor_on":
                self.supply.is_energised = act.do == "compressor_on"
            case "tank_dump":
                self.supply.dump()
            case "tank_warm":
                self.supply.temp_k = (act.temp_c or 0.0) + ZERO_C_K
            case "regulator":
                self.supply.set_psi = act.psi or 0.0

    def step(self, k: int, dt_s: float, room_c: float) -> None:
        """Advance from t_s[k - 1] to t_s[k]."""
        t_s = float(self.t_s[k])
        o, vessel, supply = self.openings, self.vessel, self.supply
        vessel.room_k = supply.room_k = o.feed_k = room_c + ZERO_C_K
        o.feed_pa = supply.hose_pa
        if self.is_closed:
            o.mold_k = self._molds_k[k]
            self._move_valves(t_s)
            vessel.step(dt_s, o)
            self._watch(t_s)
        else:
            vessel.open_lid(dt_s)
        supply.step(dt_s, vessel.inflow_kg_s, o.inlet_mm > 0.0, vessel.p_pa_abs)

    def _move_valves(self, t_s: float) -> None:
        o, spec, psi = self.openings, self.scenario.pot, self.vessel.gauge_psi
        hole_mm, since_s, over_s = self._bleed
        if hole_mm > 0.0:
            o.bleed_mm = hole_mm * min(1.0, max(0.0, (t_s - since_s) / max(over_s, 1e-6))) ** 0.5
        if self._topup is not None and (psi >= self._topup[0] - TOPPED_WITHIN_PSI or t_s >= self._topup[1]):
            o.inlet_mm, self._topup = 0.0, None
            self._tell(t_s, f"topped up to {psi:.1f} psi")
        lifts = psi >= spec.relief_psi or (self._is_relieving and psi > RESEAT * spec.relief_psi)
        if lifts and not spec.relief_stuck and not self._is_relieving:
            self._tell(t_s, f"relief lifts at {psi:.1f} psi")
        self._is_relieving = lifts and not spec.relief_stuck
        o.relief_mm = spec.relief_mm if self._is_relieving else 0.0

    def _close(self, t_s: float) -> None:
        """The lid goes on over every mold poured so far and not yet in an earlier load."""
        poured = [(run, code, at_s) for run in self.runs for code, at_s in run.truth.poured_s.items()]
        inside = [(run, code) for run, code, at_s in poured if at_s <= t_s and (run.mix_s, code) not in self._loaded]
        self._loaded |= {(run.mix_s, code) for run, code in inside}
        areas = [mold_outside_m2(self.scenario.mold(code)) for _, code in inside]
        outside_k: Array = np.full(len(self.t_s), self.vessel.room_k if not inside else ZERO_C_K)
        for (run, code), area in zip(inside, areas, strict=True):
            outside_k += run.outside_c(code, self.t_s) * area / sum(areas)
        self._molds_k = outside_k.tolist()
        self.openings.mold_w_k = FILM_W_M2K * sum(areas)
        self.is_closed, self._above_since_s = True, None
        self.loads.append(LoadTruth(t_s, tuple(code for _, code in inside)))
        self._tell(t_s, "lid on")

    def _open(self, t_s: float) -> None:
        self.is_closed = False
        self._note("opened_s", t_s)
        self._bleed = (0.0, t_s, 1.0)
        self.openings.bleed_mm = 0.0
        self._tell(t_s, "lid off")

    def _note(self, what: str, t_s: float) -> None:
        if self.is_closed or what == "opened_s":
            for load in self.loads[-1:]:
                if getattr(load, what) is None:
                    setattr(load, what, t_s)

    def _watch(self, t_s: float) -> None:
        """Keep the load's truth: at pressure, least and most pressure, vented."""
        load, psi = self.loads[-1], self.vessel.gauge_psi
        load.most_psi = max(load.most_psi, psi)
        if load.vent_s is not None:
            if load.vented_s is None and psi < VENTED_PSI:
                load.vented_s = t_s
                self._tell(t_s, "vented")
            return
        if load.at_pressure_s is not None:
            load.least_psi = psi if load.least_psi is None else min(load.least_psi, psi)
        elif psi < self.scenario.pot.floor_psi:
            self._above_since_s = None
        elif self._above_since_s is None:
            self._above_since_s = t_s
        elif t_s - self._above_since_s >= AT_PRESSURE_FOR_S:
            load.at_pressure_s = self._above_since_s
            self._tell(t_s, f"at pressure since {load.at_pressure_s:.1f} s")
