"""Decides whether a pot may still hold pressure: not once its load was seen to vent or a live gauge is near zero."""

from __future__ import annotations

from dataclasses import dataclass, field

from benchd.core.bench import Bench
from benchd.core.findings import Finding, LoadClosed, LoadOpened, PotVented
from benchd.core.model import Reading
from benchd.stored import stored


@stored("closed-pots")
@dataclass(slots=True)
class ClosedPots:
    """Loads seen to close and not yet to open, by pot; newest gauge reading of each pot (t, kPa)."""

    closed: dict[str, LoadClosed] = field(default_factory=dict)
    kpa: dict[str, tuple[float, float]] = field(default_factory=dict)

    def see_gauge(self, bench: Bench, reading: Reading, kpa: float) -> None:
        """Keep a pot's newest gauge reading."""
        if bench.pot(reading.of) is not None:
            self.kpa[reading.of] = (reading.t, kpa)

    def see(self, finding: Finding) -> None:
        """Note a load that closed or opened."""
        pot = finding.subject.pot
        if isinstance(finding, LoadClosed) and pot is not None:
            self.closed[pot] = finding
        elif isinstance(finding, LoadOpened | PotVented) and pot is not None:
            self.closed.pop(pot, None)

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
