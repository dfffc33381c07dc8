"""Decides whether a pot may still hold pressure: not once its load was seen to vent or a live gauge is near zero."""

from __future__ import annotations

from dataclasses import dataclass, field

from benchd.core.bench import Bench
from benchd.core.findings import Finding, HoldForecast, LoadClosed, LoadOpened, PotVented
from benchd.core.model import Reading, Subject
from benchd.stored import stored


@stored("closed-pots")
@dataclass(slots=True)
class ClosedPots:
    """By pot: its load, seen to close and not to open; newest gauge reading (t, kPa); when its hold ends [unix s]."""

    closed: dict[str, LoadClosed] = field(default_factory=dict)
    kpa: dict[str, tuple[float, float]] = field(default_factory=dict)
    hold_t: dict[str, float] = field(default_factory=dict)

    def see_gauge(self, bench: Bench, reading: Reading, kpa: float) -> None:
        """Keep a pot's newest gauge reading."""
        if bench.pot(reading.of) is not None:
            self.kpa[reading.of] = (reading.t, kpa)

    def see(self, finding: Finding) -> None:
        """Note a load that closed or opened."""
        pot = finding.subject.pot
        if isinstance(finding, LoadClosed) and pot is not None:
            self.closed[pot] = finding
        elif isinstance(finding, HoldForecast) and pot is not None:
            self.hold_t[pot] = finding.at
        elif isinstance(finding, LoadOpened | PotVented) and pot is not None:
            self.closed.pop(pot, None)
            self.hold_t.pop(pot, None)

    def held_until(self, pour: Subject) -> float:
        """When the hold of this pour's closed pot ends [unix s]; 0 if its pot is open or no end is known."""
        load = self.closed.get(pour.pot or "")
        return self.hold_t.get(pour.pot or "", 0.0) if load is not None and pour.pour in load.pours else 0.0

    def may_hold(
        self, bench: Bench, t: float, pour: str, pot: str | None, near_zero_kpa: float, stale_s: float
    ) -> bool:
        """Whether the pot of this pour may still be up at t.  Without a named pot, any pot of the bench counts.

        near_zero_kpa: the highest reading that counts as zero; stale_s: a gauge silent this long is blind.
        """
        if any(pour in load.pours or load.subject.pot == pot for load in self.closed.values()):
            return True
        pots = [p.id for p in bench.pots] if pot is None else [pot]
        return any(self._reads_up(bench, t, each, near_zero_kpa, stale_s) for each in pots)

    def _reads_up(self, bench: Bench, t: float, pot: str, near_zero_kpa: float, stale_s: float) -> bool:
        has_gauge = any(c.role == "pot_pressure" and c.of == pot for c in bench.channels)
        if not has_gauge:
            return False
        seen = self.kpa.get(pot)
        return seen is None or t - seen[0] > stale_s or seen[1] > near_zero_kpa
