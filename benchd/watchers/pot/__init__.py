"""Watches a pot by its gauge: filling, at pressure, over its limits, below its floor, vented, or its lid failing.

Safety first: each limit is published on the second sample that shows it (a single wild sample proves nothing), an upper
one by the gauge as it came, undecided samples too.  A missing reading is never zero: no conclusion is drawn across a
silence, and a gauge that fell faster than this pot can empty, or that comes back from a silence at zero without the
hold being done, proves no vent.  A watch that begins with the pot up reports no filling: the pot is at pressure, since
an unknown time.  The course of a pot is in watchers/pot/course.py, the distinction between a vent and a failing seal in
watchers/pot/phases.py; this file holds the other events.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from benchd.core.bench import Pot
from benchd.core.findings import (
    Event,
    Finding,
    GaugeDropped,
    HoldComplete,
    HoldForecast,
    Kicked,
    KickForecast,
    LoadClosed,
    LoadOpened,
    PotAtPressure,
    PotBelowFloor,
    PotFilling,
    PotLettingGo,
    PotLosing,
    PotOverLimit,
    PotOverRelief,
    PotVented,
    PotVenting,
    VentTooFast,
)
from benchd.core.model import Mark, Quality, Reading
from benchd.core.seat.watcher import Place, Reads
from benchd.stored import stored
from benchd.watchers.pot.course import PotCourse
from benchd.watchers.pot.gauge_trust import GaugeTrust
from benchd.watchers.pot.limits import HighGauge, PotConditions, UpperLimits
from benchd.watchers.pot.phases import Fall, Fill
from benchd.watchers.pot.tune import Settings
from benchd.watchers.pot.vent import VentTold

SCOPE = "pot"
ORDER = 10
READS = Reads(
    roles=("pot_pressure",),
    findings=(LoadClosed, LoadOpened, HoldForecast, HoldComplete, Kicked, KickForecast),
    marks=("topup", "dumped", "heard", "end", "demolded"),
    learned=True,
    all_qualities=True,
)
EMITS = (
    PotFilling, PotAtPressure, PotBelowFloor, PotOverLimit, PotOverRelief, PotLettingGo, GaugeDropped,
    PotLosing, PotVenting, PotVented, VentTooFast,
)  # fmt: skip


@stored("pot-watcher")
@dataclass(slots=True)
class PotWatcher:
    """The watcher of one pot; state only, one `see` per event."""

    pot: Pot
    tune: Settings
    course: PotCourse

    def see(self, event: Event) -> Sequence[Finding]:
        """The findings that follow from one event."""
        match event:
            case Reading(role="pot_pressure", value=float(kpa)):
                over = self.course.over(event.t, kpa)
                is_good = event.quality is Quality.GOOD
                return over + self.course.add(event.t, kpa, event.t_doubt_s) if is_good else over
            case Mark():
                return self._mark(event)
            case Finding():
                return self._note(event)
        return ()

    # ------------------------------------------------------------------------------------------ the other events

    def _note(self, event: Finding) -> list[Finding]:
        match event:
            case Kicked(at=at) | KickForecast(at=at):
                key = event.subject.pour or event.subject.cup or ""
                self.course.kicks.pop(key, None)
                self.course.kicks[key] = at
                while len(self.course.kicks) > 8:
                    self.course.kicks.pop(next(iter(self.course.kicks)))
            case LoadClosed():
                self.course.load_closed, self.course.load = True, event.subject.load
            case HoldForecast(gel_at=float(gel_t)):
                self.course.gel_t = gel_t
            case HoldComplete():
                self.course.hold_complete = True
            case LoadOpened():
                self.course.load_closed, self.course.load, self.course.gel_t = False, None, math.inf
                self.course.kicks.clear()
        return []

    def _mark(self, mark: Mark) -> list[Finding]:
        if mark.pot not in (None, self.pot.id):
            return []
        match mark.verb:
            case "topup" | "dumped":
                self.course.purpose_until = mark.t + self.tune.purpose_s
                self.course.is_dumped = mark.verb == "dumped"
            case "heard":
                self.course.gauge.heard = self.course.gauge.dropped_t is not None
            case "demolded" if mark.load is not None and mark.load == self.course.load:
                return self.course.opened(mark.t)
        return self.course.emptied(mark.t) if mark.verb in ("dumped", "end") else []


def make(settings: Settings, place: Place) -> PotWatcher:
    """The watcher of one pot.  Raises ValueError when the place is not a pot."""
    if place.pot is None:
        raise ValueError("the pot watcher needs a pot")
    course = PotCourse(
        place=place, pot=place.pot, tune=settings, fill=Fill(settings), fall=Fall(place, settings),
        conditions=PotConditions(place.subject), gauge=GaugeTrust(place, settings),
        vent=VentTold(place.subject, settings), high=UpperLimits(place.pot, settings, HighGauge(settings.settled_s)),
    )  # fmt: skip
    return PotWatcher(place.pot, settings, course)
