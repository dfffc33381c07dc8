"""The published state of a vent: that the pot is being vented, since when, and whether too fast."""

from __future__ import annotations

from dataclasses import dataclass

from benchd.core.findings import Finding, PotVenting, VentTooFast
from benchd.core.model import Subject
from benchd.stored import stored
from benchd.watchers.pot.phases import Fall
from benchd.watchers.pot.tune import Settings


@stored("vent-told")
@dataclass(slots=True)
class VentTold:
    """A vent that would empty the pot in less than vent_fastest_s is too fast; eased, once it would take vent_good_s.

    since_t: when the vent began, kept until the pot is empty; told, too_fast: which findings are active.
    """

    subject: Subject
    tune: Settings
    since_t: float | None = None
    told: bool = False
    too_fast: bool = False
    fast_count: int = 0

    def step(
        self, t: float, kpa: float, kpa_per_min: float, sharp_kpa_s: float, fall: Fall, *, early: bool
    ) -> list[Finding]:
        """The findings at t; early: the load's hold is not done."""
        if fall.state == "venting" and self.since_t is None:
            self.since_t = fall.began_t
        return self.venting(t, kpa, kpa_per_min, fall, early=early) + self.pace(t, kpa, sharp_kpa_s, fall)

    def venting(self, t: float, kpa: float, kpa_per_min: float, fall: Fall, *, early: bool) -> list[Finding]:
        """The finding that a vent begins or ends."""
        on = fall.state == "venting"
        if on == self.told:
            return []
        self.told = on
        return [
            PotVenting(
                t=t, subject=self.subject, kpa=kpa, kpa_per_min=kpa_per_min, before_hold_complete=early, active=on
            )
        ]

    def pace(self, t: float, kpa: float, sharp_kpa_s: float, fall: Fall) -> list[Finding]:
        """The finding that the bleed is open so far that resin may froth; over once the vent's pace is good again."""
        was, empties_s = self.too_fast, fall.emptying_s(kpa, -sharp_kpa_s)
        limit_s = self.tune.vent_good_s if was else self.tune.vent_fastest_s
        fast = fall.state == "venting" and kpa > self.tune.up_kpa and empties_s < limit_s
        self.fast_count = self.fast_count + 1 if fast else 0
        on = self.fast_count >= 2 or (was and fast)
        if on == was:
            return []
        self.too_fast = on
        return [VentTooFast(t=t, subject=self.subject, kpa=kpa, empties_s=min(empties_s, 999.0), active=on)]
