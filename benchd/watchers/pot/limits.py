"""The active limit conditions of a pot: published when one begins and when it ends, never in between."""

from __future__ import annotations

from dataclasses import dataclass, field

from benchd.core.findings import Finding, PotLimitFinding
from benchd.core.model import Subject
from benchd.stored import stored


@stored("pot-conditions")
@dataclass(slots=True)
class PotConditions:
    """Finding's name -> whether it was last published as active."""

    subject: Subject
    active: dict[str, bool] = field(default_factory=dict)

    def set(
        self, kind: type[PotLimitFinding], on: bool, t: float, kpa: float, limit_kpa: float, kpa_per_min: float
    ) -> list[Finding]:
        """The condition's finding when it begins or ends, else nothing."""
        if self.is_on(kind) == on:
            return []
        self.active[kind.finding] = on
        return [kind(t=t, subject=self.subject, kpa=kpa, limit_kpa=limit_kpa, kpa_per_min=kpa_per_min, active=on)]

    def is_on(self, kind: type[Finding]) -> bool:
        """Whether a condition is active."""
        return self.active.get(kind.finding, False)
