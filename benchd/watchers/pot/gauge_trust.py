"""Decides whether a gauge can be trusted: a fall faster than the pot can empty through its widest bleed is false.

A tap on the hose side, a burst hose or a broken wire shows zero over a full pot.  The gauge is trusted again after ten
seconds of quiet data: above zero at once, at zero only when the caster has acknowledged it, and then it proves no vent.
A gauge that climbs from zero as a pot fills has shown that it measures.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

from benchd.core.seat.pressure_trace import PressureTrace
from benchd.core.seat.watcher import Place
from benchd.physics import pot_gas
from benchd.stored import stored
from benchd.watchers.pot.tune import Settings

FILLS_S = 3.0
"""A climb that lasts longer than a burst or a reconnected hose; common practice, no source."""


@stored("gauge-trust")
@dataclass(slots=True)
class GaugeTrust:
    """dropped_t, from_kpa: since when it is not trusted, and its value before; heard: the caster knows."""

    place: Place
    tune: Settings
    dropped_t: float | None = None
    from_kpa: float = 0.0
    heard: bool = False

    def drops(self, t: float, kpa: float, trace: PressureTrace) -> bool:
        """True when the gauge has just fallen faster than the pot can, whatever the doubt about its times."""
        doubt_s = trace.doubt_s(3.0)
        high = next((s for s in trace.last(3.0) if self._too_fast(t - s[0] + doubt_s, s[1], kpa)), None)
        if high is None:
            return False
        self.dropped_t, self.from_kpa, self.heard = t, high[1], False
        return True

    def _too_fast(self, elapsed_s: float, from_kpa: float, to_kpa: float) -> bool:
        tune, pot = self.tune, self.place.pot
        assert pot is not None
        if elapsed_s <= 0.0 or from_kpa - to_kpa < tune.gauge_fall_kpa or to_kpa > 0.8 * from_kpa:
            return False
        p_atm = self.place.bench.p_atm_kpa * 1e3
        low = max(to_kpa, tune.near_zero_kpa) * 1e3 + p_atm
        bleed = pot_gas.conductance_of_hole(tune.widest_bleed_mm(pot.free_l))
        return 1.05 * elapsed_s < pot_gas.blowdown_s(bleed, from_kpa * 1e3 + p_atm, low, p_atm, pot.free_l * 1e-3)

    def fills(self, kpa: float, trace: PressureTrace) -> bool:
        """True when a gauge that had dropped to zero climbs as a pot fills: evenly for FILLS_S, without a jump."""
        part = trace.last(FILLS_S)
        if self.dropped_t is None or len(part) < 4 or part[-1][0] - part[0][0] < 0.8 * FILLS_S:
            return False
        steps = [b[1] - a[1] for a, b in itertools.pairwise(part)]
        even = -self.tune.deadband_kpa < min(steps) and max(steps) < self.tune.gauge_fall_kpa
        if not even or part[0][1] > self.tune.up_kpa or kpa - part[0][1] < self.tune.rise_step_kpa:
            return False
        self.dropped_t = None
        return True

    def is_back(self, t: float, kpa: float, trace: PressureTrace) -> bool:
        """True when a gauge that had dropped is trusted again, from now on."""
        window = trace.last(self.tune.gauge_good_s)
        quiet = max(p for _, p in window) - min(p for _, p in window) < self.tune.gauge_fall_kpa
        long = t - max(trace.since, self.dropped_t or t) >= self.tune.gauge_good_s
        if not (quiet and long and (kpa > self.tune.up_kpa or self.heard)):
            return False
        self.dropped_t = None
        return True
