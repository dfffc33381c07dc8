"""Watches a pot by its gauge: filling, at pressure, over its limits, below its floor, vented, or its lid failing.

Safety first: each limit is published on the second sample that shows it (a single wild sample proves nothing).  A
missing reading is never zero: no conclusion is drawn across a silence, and a gauge that fell faster than this pot can
empty, or that comes back from a silence at zero without the hold being done, proves no vent.  A watch that begins with
the pot up reports no filling: the pot is at pressure, since an unknown time.  The course of a pot is in
watchers/pot/course.py, the distinction between a vent and a failing seal in watchers/pot/phases.py; this file holds the
other events and the thresholds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

from pydantic import BaseModel, ConfigDict

from benchd.core.bench import Pot
from benchd.core.findings import (
    Event,
    Finding,
    GaugeDropped,
    HoldComplete,
    Kicked,
    KickForecast,
    LoadClosed,
    LoadOpened,
    PotAtPressure,
    PotBelowFloor,
    PotFilling,
    PotLettingGo,
    PotOverLimit,
    PotOverRelief,
    PotVented,
    PotVenting,
    VentTooFast,
)
from benchd.core.model import Mark, Reading
from benchd.core.seat.watcher import Place, Reads
from benchd.core.units import KPA_PER_PSI as PSI
from benchd.stored import stored
from benchd.watchers.pot.course import CourseRules, PotCourse
from benchd.watchers.pot.gauge_trust import GaugeRules, GaugeTrust
from benchd.watchers.pot.limits import PotConditions
from benchd.watchers.pot.phases import Fall, FallRules, Fill, FillRules
from benchd.watchers.pot.vent import VentRules, VentTold

SCOPE = "pot"
ORDER = 10
READS = Reads(
    roles=("pot_pressure",),
    findings=(LoadClosed, LoadOpened, HoldComplete, Kicked, KickForecast),
    marks=("topup", "dumped", "heard", "end"),
    learned=True,
)
EMITS = (
    PotFilling, PotAtPressure, PotBelowFloor, PotOverLimit, PotOverRelief, PotLettingGo, GaugeDropped,
    PotVenting, PotVented, VentTooFast,
)  # fmt: skip


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
    deadband_kpa: float = 0.3 * PSI  # ISA-18.2 deadband, sized at six times the gauge's noise (CP)
    settled_s: float = 3.0  # CP: a mean of this long ends an alarm; three samples of the slowest board
    off_delay_s: float = 15.0  # ISA-18.2's off-delay for pressure (from memory)
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
    stable_s: float = 30.0  # CP: letting go ends when stable 30 s
    bleed_mm: float = 8.0  # calc: 13 L through 8 mm empties in 2.5 s: no hand's vent is faster
    gauge_fall_kpa: float = 5.0 * PSI  # CP: less than this in a moment is a valve or a hose moved
    gauge_good_s: float = 10.0  # CP: good data 10 s
    vented_s: float = 3.0  # CP: three samples of the slowest board
    unproven_s: float = 60.0  # CP: a gauge at zero this long that then rises again was at zero


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
                return self.course.add(event.t, kpa)
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
                self.course.load_closed = True
            case HoldComplete():
                self.course.hold_complete = True
            case LoadOpened():
                self.course.load_closed = False
                self.course.kicks.clear()
        return []

    def _mark(self, mark: Mark) -> list[Finding]:
        if mark.pot not in (None, self.pot.id):
            return []
        match mark.verb:
            case "topup" | "dumped":
                self.course.purpose_until = mark.t + self.tune.purpose_s
            case "heard":
                self.course.gauge.heard = self.course.gauge.dropped_t is not None
        return self.course.emptied(mark.t) if mark.verb in ("dumped", "end") else []


def make(settings: Settings, place: Place) -> PotWatcher:
    """The watcher of one pot.  Raises ValueError when the place is not a pot."""
    if place.pot is None:
        raise ValueError("the pot watcher needs a pot")
    pot, s = place.pot, settings
    fill = FillRules(
        rising_kpa_s=s.rising_kpa_s, step_kpa=s.rise_step_kpa, settle_s=s.settle_taus * s.cooling_tau_s,
        fastest_tau_s=s.fastest_tau_s, doubt_kpa=PSI,
    )  # fmt: skip
    fall = FallRules(
        letting_go_kpa_s=s.letting_go_kpa_s, on_purpose_kpa_s=s.venting_kpa_s, vent_fastest_s=s.vent_fastest_s,
        vent_slowest_s=s.vent_slowest_s, judge_fast_s=1.0, judge_s=4.0, stable_s=s.stable_s, still_s=8.0,
        blind_below_kpa=5.0 * PSI, near_zero_kpa=s.near_zero_kpa, target_kpa=pot.target_kpa,
        p_atm_kpa=place.bench.p_atm_kpa, free_m3=pot.free_l * 1e-3,
    )  # fmt: skip
    gauge = GaugeRules(
        fall_kpa=s.gauge_fall_kpa, good_s=s.gauge_good_s, bleed_mm=s.bleed_mm, near_zero_kpa=s.near_zero_kpa,
        up_kpa=s.up_kpa, p_atm_kpa=place.bench.p_atm_kpa, free_m3=pot.free_l * 1e-3,
    )  # fmt: skip
    vent = VentRules(fastest_s=s.vent_fastest_s, good_s=s.vent_good_s, up_kpa=s.up_kpa)
    course = PotCourse(
        place=place, pot=pot, rules=CourseRules(**{f.name: getattr(s, f.name) for f in fields(CourseRules)}),
        fill=Fill(fill), fall=Fall(fall), conditions=PotConditions(place.subject), gauge=GaugeTrust(gauge),
        vent=VentTold(place.subject, vent),
    )  # fmt: skip
    return PotWatcher(pot, settings, course)
