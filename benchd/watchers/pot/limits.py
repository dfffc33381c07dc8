"""The active limit conditions of a pot: published when one begins and when it ends, never in between.

What warns of a high gauge goes by the gauge as it came, bursts and all: one false alarm is better than one late.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field

from benchd.core.bench import Pot
from benchd.core.findings import Finding, PotLimitFinding, PotOverLimit, PotOverRelief
from benchd.core.model import Subject
from benchd.stored import stored
from benchd.watchers.pot.tune import Settings


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


SOON_S = 1.25  # a gauge slower than this has no second sample within the second in which a word is owed


@stored("high-gauge")
@dataclass(slots=True)
class HighGauge:
    """The gauge as it came, undecided samples too; a sample published again is passed over.

    An alarm begins with the second sample that shows it, or with the first where the next is more than a second away; a
    mean over some seconds ends it.
    """

    over_s: float
    _came: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=40))

    def add(self, t: float, kpa: float) -> bool:
        """Add one sample; False when it has been here before."""
        if self._came and t <= self._came[-1][0]:
            return False
        while len(self._came) > 2 and self._came[0][0] < t - self.over_s:
            self._came.popleft()
        self._came.append((t, kpa))
        return True

    @property
    def lower(self) -> float:
        """The lower one of the last two samples [kPa], the last alone of a slow gauge; -inf before the second."""
        if len(self._came) < 2:
            return -math.inf
        (t0, p0), (t1, p1) = self._came[-2], self._came[-1]
        return p1 if t1 - t0 > SOON_S else min(p0, p1)

    def stays_above(self, kpa: float) -> bool:
        """Whether one of the last two samples, or the mean over over_s, is above kpa."""
        part = [p for t, p in self._came if t >= self._came[-1][0] - self.over_s]
        return max(part[-2:]) > kpa or sum(part) / len(part) > kpa


@stored("upper-limits")
@dataclass(slots=True)
class UpperLimits:
    """A pot's upper limits, its own and its relief valve's; high_t: when the gauge was last above each."""

    pot: Pot
    tune: Settings
    gauge: HighGauge
    high_t: dict[str, float] = field(default_factory=dict)

    def judge(self, t: float, kpa: float, kpa_per_min: float, conditions: PotConditions) -> list[Finding]:
        """The findings of one sample as it came [kPa], and its pace."""
        if not self.gauge.add(t, kpa):
            return []
        out: list[Finding] = []
        limits = (
            (PotOverLimit, self.pot.limit_kpa),
            (PotOverRelief, self.pot.relief_kpa + self.tune.relief_margin_kpa),
        )
        for kind, limit_kpa in limits:
            stays = conditions.is_on(kind) and self._stays_high(t, kind, limit_kpa)
            out += conditions.set(kind, self.gauge.lower > limit_kpa or stays, t, kpa, limit_kpa, kpa_per_min)
        return out

    def _stays_high(self, t: float, kind: type[PotLimitFinding], limit_kpa: float) -> bool:
        """Whether it is still above a limit it was above, by a deadband, or was until just now and has hardly left it.

        So a regulator that hunts across a limit is one alarm, and a pot that has come well below it is none.
        """
        if self.gauge.stays_above(limit_kpa - self.tune.deadband_kpa):
            self.high_t[kind.finding] = t
        lately = t - self.high_t.get(kind.finding, t) < self.tune.off_delay_s
        return lately and self.gauge.stays_above(limit_kpa - self.tune.near_limit_kpa)
