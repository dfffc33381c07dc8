"""The pot watcher's thresholds, each with where it comes from; its judges read them here."""

from __future__ import annotations

import math

from pydantic import BaseModel, ConfigDict

from benchd.core.units import KPA_PER_PSI as PSI
from benchd.stored import stored


@stored("pot-settings")
class Settings(BaseModel):
    """Thresholds.  CP: common practice, no source; pub: published guidance; calc: computed from stated inputs."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    near_zero_kpa: float = 1.0 * PSI  # CP: below it the gauge reads near zero, which still is 380 N on a lid (calc)
    up_kpa: float = 3.0 * PSI  # CP: twice a 100 psi gauge's zero error of 2 % (pub: 2 % class) counts as pressure
    rising_kpa_s: float = 6.0 / 60.0 * PSI  # CP: a fill of 20 to 40 s climbs ten times faster; an exotherm slower
    rise_step_kpa: float = 1.0 * PSI  # CP: 20 times the gauge's noise, a tenth of a fill's first seconds
    refresh_s: float = 5.0  # CP: how often a filling's pace is told again
    at_pressure_s: float = 5.0  # CP: "at or above floor for 5 s"
    floor_margin_kpa: float = 0.1 * PSI  # a simulation study: said at floor - 0.1 psi
    edge_kpa: float = 1.0 * PSI  # CP: a regulator's droop below its setting
    deadband_kpa: float = 0.3 * PSI  # ISA-18.2 deadband, sized at six times the gauge's noise (CP)
    settled_s: float = 3.0  # CP: a mean of this long ends an alarm; three samples of the slowest board
    off_delay_s: float = 15.0  # ANSI/ISA-18.2-2009: off-delay of a pressure alarm
    near_limit_kpa: float = 2.0 * PSI  # CP: a regulator's teeth; off_delay_s counts only so near to a limit
    relief_margin_kpa: float = 2.0 * PSI  # CP: a relief valve that has not lifted 2 psi past its mark does not lift
    cooling_tau_s: float = 30.0  # calc: 14 to 30 s for 13 L; a pot's own is learned elsewhere
    settle_taus: float = 3.0  # calc: 3x the pot's cooling time, when 5 % of the fill's heat is left
    fastest_tau_s: float = 9.0  # calc: the quickest cooling of a small stirred pot
    letting_go_kpa_s: float = 15.0 / 60.0 * PSI  # calc, CP: 15 psi/min
    venting_kpa_s: float = 6.0 / 60.0 * PSI  # CP: half a 60 s vent's slowest tenth, once the hold is done
    vent_fastest_s: float = 15.0  # CP: vents take 20 to 60 s; a quarter off for a lively hand
    vent_good_s: float = 20.0  # CP: bleed over 20 to 60 s
    vent_slowest_s: float = 75.0  # CP: and a quarter on for a careful one
    purpose_s: float = 60.0  # CP: how long a `topup` or `dumped` mark explains a fall
    stable_s: float = 30.0  # CP: letting go ends when stable 30 s,
    stopped_kpa_s: float = 1.5 / 60.0 * PSI  # CP: which means half of a fast leak at the most
    bleed_mm: float = 8.0  # calc: 13 L through 8 mm empties in 2.5 s: no hand's vent is faster,
    bleed_for_l: float = 13.0  # CP: nor on a larger pot, whose valves are wider
    gauge_fall_kpa: float = 5.0 * PSI  # CP: less than this in a moment is a valve or a hose moved
    gauge_good_s: float = 10.0  # CP: good data 10 s
    vented_s: float = 3.0  # CP: three samples of the slowest board
    unproven_s: float = 60.0  # CP: a gauge at zero this long that then rises again was at zero

    def widest_bleed_mm(self, free_l: float) -> float:
        """The widest bleed of a pot with free_l [L] of air [mm]: its area grows with the pot, so that 2.5 s stay."""
        return self.bleed_mm * math.sqrt(max(1.0, free_l / self.bleed_for_l))

    @property
    def settle_s(self) -> float:
        """How long a fill's heat is felt."""
        return self.settle_taus * self.cooling_tau_s
