"""Decides whether a gauge can be trusted: a fall faster than the pot can empty through its widest bleed is false.

A tap on the hose side, a burst hose or a broken wire shows zero over a full pot.  The gauge is trusted again after ten
seconds of quiet data: above zero at once, at zero only when the caster has acknowledged it, and then it proves no vent.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchd.core.seat.pressure_trace import PressureTrace
from benchd.physics import pot_gas
from benchd.stored import stored


@stored("gauge-rules")
@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeRules:
    """fall_kpa: a smaller sudden fall is a valve moved; bleed_mm: the widest opening by hand; good_s: of quiet data."""

    fall_kpa: float
    good_s: float
    bleed_mm: float
    near_zero_kpa: float
    up_kpa: float
    p_atm_kpa: float
    free_m3: float


@stored("gauge-trust")
@dataclass(slots=True)
class GaugeTrust:
    """dropped_t, from_kpa: since when it is not trusted, and its value before; heard: the caster knows."""

    rules: GaugeRules
    dropped_t: float | None = None
    from_kpa: float = 0.0
    heard: bool = False

    def drops(self, t: float, kpa: float, trace: PressureTrace) -> bool:
        """True when the gauge has just fallen faster than the pot can."""
        high = next((s for s in trace.last(3.0) if self._too_fast(t - s[0], s[1], kpa)), None)
        if high is None:
            return False
        self.dropped_t, self.from_kpa, self.heard = t, high[1], False
        return True

    def _too_fast(self, elapsed_s: float, from_kpa: float, to_kpa: float) -> bool:
        rules = self.rules
        if elapsed_s <= 0.0 or from_kpa - to_kpa < rules.fall_kpa or to_kpa > 0.8 * from_kpa:
            return False
        p_atm = rules.p_atm_kpa * 1e3
        low = max(to_kpa, rules.near_zero_kpa) * 1e3 + p_atm
        bleed = pot_gas.conductance_of_hole(rules.bleed_mm)
        return 1.05 * elapsed_s < pot_gas.blowdown_s(bleed, from_kpa * 1e3 + p_atm, low, p_atm, rules.free_m3)

    def is_back(self, t: float, kpa: float, trace: PressureTrace) -> bool:
        """True when a gauge that had dropped is trusted again, from now on."""
        window = trace.last(self.rules.good_s)
        quiet = max(p for _, p in window) - min(p for _, p in window) < self.rules.fall_kpa
        long = t - max(trace.since, self.dropped_t or t) >= self.rules.good_s
        if not (quiet and long and (kpa > self.rules.up_kpa or self.heard)):
            return False
        self.dropped_t = None
        return True
