"""The course of a pot by its gauge: filling, at pressure, below its floor, over a limit, vented, letting go, empty.

Each limit is published on the second sample that shows it: an upper one by the gauge as it came (limits.py), all else
by good samples.  No conclusion is drawn across a silence, and a gauge that fell faster than this pot can empty
(gauge_trust.py), or came back from a silence at zero without the hold being done, proves no vent.  phases.py
distinguishes a vent from a failing seal.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

from benchd.core.bench import Pot
from benchd.core.findings import (
    Finding,
    GaugeDropped,
    PotAtPressure,
    PotBelowFloor,
    PotFilling,
    PotLettingGo,
    PotLosing,
    PotVented,
)
from benchd.core.seat.pressure_trace import PressureTrace
from benchd.core.seat.watcher import Place
from benchd.stored import stored
from benchd.watchers.pot.gauge_trust import GaugeTrust
from benchd.watchers.pot.limits import PotConditions, UpperLimits
from benchd.watchers.pot.phases import NOISE_SDS, SURE_SDS, Fall, Fill, Why
from benchd.watchers.pot.tune import Settings
from benchd.watchers.pot.vent import VentTold


@stored("pot-course")
@dataclass(slots=True)
class PotCourse:
    """One pot, from empty to empty.

    kicks: pour -> when it kicks; load: the open load's id; unproven: why a zero would prove no vent; purpose_until:
    until when a mark explains a fall; is_dumped: marked as being emptied, and no air let in since;
    gel_t: when the load's last mold has likely gelled.
    """

    place: Place
    pot: Pot
    tune: Settings
    fill: Fill
    fall: Fall
    conditions: PotConditions
    gauge: GaugeTrust
    vent: VentTold
    high: UpperLimits
    trace: PressureTrace = field(default_factory=PressureTrace)
    kicks: dict[str, float] = field(default_factory=dict)
    phase: Literal["unknown", "down", "up"] = "unknown"
    load_closed: bool = False
    load: str | None = None
    hold_complete: bool = False
    at_pressure: bool = False
    floor_since: float | None = None
    zero_since: float | None = None
    unproven: Literal["", "gap", "drop"] = ""
    purpose_until: float = -math.inf
    is_dumped: bool = False
    told_filling_t: float = -math.inf
    gel_t: float = math.inf

    def emptied(self, t: float) -> list[Finding]:
        """The caster says it is empty: accepted if the gauge showed a zero that by itself would not prove it."""
        doubtful = bool(self.unproven) or self.gauge.dropped_t is not None
        return self._vented(t, None) if doubtful and self._at_zero() else []

    def opened(self, t: float) -> list[Finding]:
        """A part of this load is out of its mold, so the pot is open; but not while the gauge shows pressure now.

        A gauge that is lost, or fell too fast to be believed, is no evidence against it.
        """
        shown = self.trace.last(self.trace.gap_s) if self.gauge.dropped_t is None else []
        is_live = bool(shown) and t - shown[-1][0] <= max(self.trace.gap_s, 2.5 * self.trace.period_s)
        if is_live and not self._at_zero() and shown[-1][1] >= self.tune.up_kpa:
            return []
        return self._vented(t, None, near_zero=False)

    def over(self, t: float, kpa: float) -> list[Finding]:
        """Judge the gauge's upper limits by one sample as it came [kPa], decided or not; returns the findings."""
        slope = (self.trace.slope_kpa_s(4.0) or 0.0) * 60.0
        return self.high.judge(t, kpa, slope, self.conditions) if self._is_gauge(kpa) else []

    def _is_gauge(self, kpa: float) -> bool:
        return -0.5 * self.place.bench.p_atm_kpa < kpa < 5.0 * self.pot.marked_kpa

    def add(self, t: float, kpa: float, doubt_s: float = 0.0) -> list[Finding]:
        """Add one good sample of the gauge [kPa], its time known to within doubt_s; returns the findings."""
        if not self._is_gauge(kpa):
            return []
        before = self.trace.kpa
        if self.trace.add(t, kpa, doubt_s):
            self._silence_over(before)
        now = self.trace.kpa
        if now is None or not self.trace.is_fresh:
            return []
        if self.phase == "unknown" and now >= self.tune.up_kpa:
            self.phase = "up"
        if self.phase == "down" and now < self.tune.near_zero_kpa and self.gauge.dropped_t is None:
            self.fill.edge_t = None
            return self._zero(t, now)  # an idle pot costs nothing
        slope = (self.trace.slope_kpa_s(4.0) or 0.0) * 60.0
        out = self._gauge(t, now, slope)
        if self.gauge.dropped_t is not None:
            return out
        out += self._filling(t, now, slope) + self._falling(t, now, slope) + self._floor(t, now, slope)
        return out + self._zero(t, now)

    def _silence_over(self, before: float | None) -> None:
        """After a silence every running count starts again, and what was true stays until shown otherwise."""
        self.floor_since = self.zero_since = self.fill.edge_t = None
        self.fill.rising = False
        if self.fall.state == "pending":
            self.fall.end()
        if self.phase == "up" and before is not None and before > self.tune.near_zero_kpa and not self.hold_complete:
            self.unproven = self.unproven or "gap"

    def _mean(self, kpa: float) -> float:
        """The mean over some seconds: one sample can begin an alarm but not end it."""
        part = [p for _, p in self.trace.last(self.tune.settled_s)]
        return sum(part) / len(part) if part else kpa

    # ---------------------------------------------------------------------------------------------- a gauge that drops

    def _gauge(self, t: float, kpa: float, slope: float) -> list[Finding]:
        if self.gauge.dropped_t is not None:
            return self._gauge_back(t, kpa, slope)
        if self.phase != "up" or not self.gauge.drops(t, kpa, self.trace):
            return []
        self.fall.end()
        out = self.conditions.set(GaugeDropped, True, t, kpa, self.gauge.from_kpa, slope)
        out += self.conditions.set(PotBelowFloor, False, t, kpa, self.pot.floor_kpa, slope)
        return out + self.vent.venting(t, kpa, slope, self.fall, early=self._is_early)

    def _gauge_back(self, t: float, kpa: float, slope: float) -> list[Finding]:
        dropped_t = self.gauge.dropped_t
        fills = self.gauge.fills(kpa, self.trace)
        if not fills and not self.gauge.is_back(t, kpa, self.trace):
            return []
        self.unproven = "drop" if fills or kpa <= self.tune.up_kpa else ""
        self.floor_since, self.zero_since = None, dropped_t if fills else None
        return self.conditions.set(GaugeDropped, False, t, kpa, self.gauge.from_kpa, slope)

    @property
    def _is_early(self) -> bool:
        return self.load_closed and not self.hold_complete

    # ------------------------------------------------------------------------------------------------ rising, stalling

    def _filling(self, t: float, kpa: float, slope: float) -> list[Finding]:
        lowest = min(p for _, p in self.trace.last(10.0))
        sure = slope / 60.0 >= SURE_SDS * self.trace.slope_sd_kpa_s(4.0)
        climbs = self.fill.step(t, kpa, lowest, slope / 60.0 if sure else 0.0, self.trace.noise_kpa)
        if self.phase == "down":
            begins = self.fill.opens(t, kpa, climbs, self.trace.noise_kpa)
        else:
            begins = climbs and not self.fall.rewarms(kpa, lowest)
            if begins:
                self.fill.begin(t, kpa)
                self.fall.end()  # what rises is neither vented nor letting go
        out: list[Finding] = []
        if begins:
            out += self._begin_rise(t)
        if self.fill.rising and t - self.told_filling_t >= self.tune.refresh_s:
            self.told_filling_t = t
            usual_s = None if self.at_pressure else self.place.bench.learned.pot(self.pot.id).fill_s
            up_at = self.fill.up_at(t, self.pot.floor_kpa - kpa, slope / 60.0, usual_s)
            subject = self.place.subject
            since = self.fill.began_t
            out.append(PotFilling(t=t, subject=subject, kpa=kpa, kpa_per_min=slope, projected_at=up_at, since=since))
        return out

    def _begin_rise(self, t: float) -> list[Finding]:
        out: list[Finding] = []
        if self.unproven and self.zero_since is not None:
            out = self._vented(t, None) if t - self.zero_since >= self.tune.unproven_s else []
        self.phase, self.unproven, self.is_dumped = "up", "", False
        self.told_filling_t = -math.inf
        return out

    # ------------------------------------------------------------------------------------- falling, vented, letting go

    def _falling(self, t: float, kpa: float, slope: float) -> list[Finding]:
        if self.phase != "up":
            return []
        sharp = self.trace.slope_kpa_s(2.0)
        cooling = self.fill.explains(t, kpa)
        purpose = self.hold_complete or t <= self.purpose_until
        sure = -slope / 60.0 >= SURE_SDS * self.trace.slope_sd_kpa_s(4.0)
        why = Why(purpose, t >= self.gel_t, cooling, self.is_dumped)
        from_kpa = max(p for _, p in self.trace.last(10.0))
        self.fall.step(t, kpa, slope / 60.0 if sure else 0.0, sharp or 0.0, why, self._has_stopped(), from_kpa)
        if purpose and self.fall.state == "venting":
            self.purpose_until = max(self.purpose_until, t + self.tune.purpose_s)  # a vent begun on purpose goes on so
        out = self.conditions.set(PotLettingGo, self.fall.state == "letting-go", t, kpa, self.pot.floor_kpa, slope)
        out += self.conditions.set(PotLosing, self.fall.state == "losing", t, kpa, self.pot.floor_kpa, slope)
        return out + self.vent.step(t, kpa, slope, sharp or 0.0, self.fall, early=self._is_early)

    def _has_stopped(self) -> bool:
        """Whether the gauge falls no faster than stopped_kpa_s, as far as its noise lets that be told."""
        pace, doubt = self.trace.slope_kpa_s(10.0), 2.0 * self.trace.slope_sd_kpa_s(10.0)
        return pace is not None and pace >= -(self.tune.stopped_kpa_s + doubt)

    def _zero(self, t: float, kpa: float) -> list[Finding]:
        if kpa >= self.tune.up_kpa:
            self.zero_since, self.unproven = None, ""
        if kpa >= self.tune.near_zero_kpa:
            return []
        if self.zero_since is None:
            self.zero_since = t
        long = t - self.zero_since >= (self.tune.vented_s if self._is_falling else self.tune.gauge_good_s)
        if not long or self.phase == "down" or self.unproven or self.fall.state == "letting-go":
            return []
        if self.phase == "unknown":
            self.phase = "down"
            return []
        vent_s = self.zero_since - self.vent.since_t if self.vent.since_t is not None else None
        return self._vented(t, vent_s)

    @property
    def _is_falling(self) -> bool:
        """Whether its way down was seen: vented, or lost as by a hand at the bleed."""
        return self.vent.since_t is not None or self.fall.state == "losing"

    def _at_zero(self) -> bool:
        return self.trace.kpa is not None and self.trace.kpa < self.tune.near_zero_kpa

    def _vented(self, t: float, vent_s: float | None, *, near_zero: bool = True) -> list[Finding]:
        """Close this cycle: end the active conditions, report that the pot is down, start again."""
        kpa = self.trace.kpa or 0.0
        self.fall.end()
        self.gauge.dropped_t = None
        out = self.vent.venting(t, kpa, 0.0, self.fall, early=self._is_early) + self.vent.pace(t, 0.0, 0.0, self.fall)
        for kind in (PotBelowFloor, PotLettingGo, PotLosing, GaugeDropped):
            out += self.conditions.set(kind, False, t, kpa, self.pot.floor_kpa, 0.0)
        out.append(PotVented(t=t, subject=self.place.subject, kpa=kpa, near_zero=near_zero, vent_s=vent_s))
        self.phase, self.unproven, self.vent.since_t = "down", "", None
        self.at_pressure = self.hold_complete = self.is_dumped = False
        self.floor_since = self.fill.ended_t = None
        return out

    # ------------------------------------------------------------------------------------------------------- the floor

    def _floor(self, t: float, kpa: float, slope: float) -> list[Finding]:
        floor = self.pot.floor_kpa
        out: list[Finding] = []
        if kpa >= floor:
            self.floor_since = self.floor_since or self.trace.reached_t(floor)
            if not self.at_pressure and t - self.floor_since >= self.tune.at_pressure_s:
                out.append(self._up(t, kpa, self.floor_since))
        elif kpa < floor - self.tune.floor_margin_kpa:
            self.floor_since = None
        margin = max(self.tune.floor_margin_kpa, NOISE_SDS * self.trace.noise_kpa)
        counts = (
            self.at_pressure and not self.hold_complete and self.fall.state != "venting" and self.unproven != "drop"
            and not (self._at_zero() and t >= self.gel_t)
        )  # fmt: skip
        if self.conditions.is_on(PotBelowFloor):
            on = counts and not self._back_at_floor(kpa)
        else:
            steep = self.fall.state == "pending"  # for some seconds nobody knows yet what it is
            on = counts and not steep and kpa <= floor - margin and not self.fill.explains(t, kpa)
        return out + self.conditions.set(PotBelowFloor, on, t, kpa, floor, slope)

    def _back_at_floor(self, kpa: float) -> bool:
        """Whether it is above the floor by more than noise, or was never below it for off_delay_s.

        So noise around the floor is one alarm.
        """
        lately = self.trace.last(self.tune.off_delay_s)
        kept = lately[-1][0] - lately[0][0] >= 0.9 * self.tune.off_delay_s if lately else False
        above = self._mean(kpa) >= self.pot.floor_kpa + self.tune.deadband_kpa
        return kpa >= self.pot.floor_kpa and (above or (kept and min(p for _, p in lately) >= self.pot.floor_kpa))

    def _up(self, t: float, kpa: float, since: float) -> PotAtPressure:
        """At pressure; if the rise was not seen, the time since when is unknown and so is the margin."""
        self.at_pressure = True
        near = [at for at in self.kicks.values() if abs(at - since) < 3600.0]
        margin_s = min(near) - since if near and self.fill.ended_t is not None else None
        reached: Literal["floor", "target", "unseen"] = "target" if kpa >= self._edge_kpa else "floor"
        if self.fill.ended_t is None:
            reached = "unseen"
        return PotAtPressure(t=t, subject=self.place.subject, kpa=kpa, since=since, margin_s=margin_s, reached=reached)

    @property
    def _edge_kpa(self) -> float:
        """The lower edge of the target, at which a regulator counts as there; above the floor."""
        return max(self.pot.target_kpa - self.tune.edge_kpa, 0.5 * (self.pot.floor_kpa + self.pot.target_kpa))
