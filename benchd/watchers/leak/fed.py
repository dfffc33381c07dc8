"""Follows how a regulator feeds a pot, and the leak that its rhythm implies.

A pot still fed looks tight however much it leaks; only the regulator's saw-tooth shows it (physics/saw_tooth.py).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from benchd.core.findings import PotFed
from benchd.core.model import Subject
from benchd.physics.saw_tooth import Rhythm, SawTooth
from benchd.stored import stored

EACH_S = 55.0  # about as often as the verdict of a shut pot; a rhythm of a minute is published each time


@stored("fed-pot")
@dataclass(slots=True)
class FedPot:
    """The saw-tooth of one pot."""

    subject: Subject
    saw: SawTooth = field(default_factory=SawTooth)
    told_t: float = -math.inf

    def clear(self) -> None:
        """Forget all teeth."""
        self.saw.clear()

    def step(self, t: float, kpa: float, noise_kpa: float) -> Rhythm | None:
        """Add one sample; returns the rhythm when a tooth was completed and three are alike."""
        return self.saw.rhythm() if self.saw.step(t, kpa, noise_kpa) else None

    def told(self, t: float, rhythm: Rhythm) -> list[PotFed]:
        """The rhythm as a finding, at most once a minute."""
        if t - self.told_t < EACH_S:
            return []
        self.told_t = t
        return [
            PotFed(
                t=t, subject=self.subject, period_s=rhythm.period_s, duty=rhythm.duty,
                cycles_per_hour=3600.0 / rhythm.period_s, set_kpa=rhythm.set_kpa,
                creep_kpa_per_min=rhythm.creep_kpa_min, kpa_per_min=rhythm.kpa_per_min,
            )
        ]  # fmt: skip
