"""Is the pot filling, at pressure, over its limits, below its floor, being vented, letting go - or has its gauge lied?

Safety first: each limit is told on the second sample that shows it (a lone wild sample is nobody's word).  No reading
is never zero: across a silence nothing is concluded, and a gauge that fell faster than this pot can empty, or that
comes back from a silence at zero without the hold being done, proves no vent.  What parts a vent from a seal letting go
stands in core/pot_phases.py.  A watch that begins with the pot up tells no filling: it is at pressure, since when is
unknown.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from pydantic import BaseModel, ConfigDict

from benchd.core import habits
from benchd.core.bench import Pot
from benchd.core.model import (
    Event,
    Finding,
    GaugeDropped,
    HoldComplete,
    Kicked,
    KickForecast,
    LoadClosed,
    LoadOpened,
    Mark,
    PotAtPressure,
    PotBelowFloor,
    PotFilling,
    PotLettingGo,
    PotLimitFinding,
    PotOverLimit,
    PotOverRelief,
    PotVented,
    PotVenting,
    Reading,
    VentTooFast,
)
from benchd.core.pot_phases import Fall, FallRules, Fill, FillRules
from benchd.core.pressure_trace import PressureTrace
from benchd.core.units import KPA_PER_PSI as PSI
from benchd.core.watcher import Place, Reads
from benchd.physics import pot_gas

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


@dataclass(slots=True)
class PotWatcher:
    """One pot's watch; state only, one `see` per event."""

    place: Place
    pot: Pot
    tune: Settings
    fill: Fill
    fall: Fall
    trace: PressureTrace = field(default_factory=PressureTrace)
    active: dict[str, bool] = field(default_factory=dict)
    kicks: dict[str, float] = field(default_factory=dict)
    phase: Literal["unknown", "down", "up"] = "unknown"
    load_closed: bool = False
    hold_complete: bool = False
    at_pressure: bool = False
    floor_since: float | None = None
    zero_since: float | None = None
    unproven: Literal["", "gap", "drop"] = ""
    purpose_until: float = -math.inf
    told_filling_t: float = -math.inf
    vent_t: float | None = None
    venting_told: bool = False
    dropped_t: float | None = None
    dropped_from_kpa: float = 0.0
    heard: bool = False
    fast_vent: int = 0

    def see(self, event: Event) -> Sequence[Finding]:
        match event:
            case Reading(role="pot_pressure", value=float(kpa)):
                return self._reading(event.t, kpa)
            case Mark():
                return self._mark(event)
            case Finding():
                return self._note(event)
        return ()

    # ------------------------------------------------------------------------------------------ what is heard besides

    def _note(self, event: Finding) -> list[Finding]:
        match event:
            case Kicked(at=at) | KickForecast(at=at):
                key = event.subject.pour or event.subject.cup or ""
                self.kicks.pop(key, None)
                self.kicks[key] = at
                while len(self.kicks) > 8:
                    self.kicks.pop(next(iter(self.kicks)))
            case LoadClosed():
                self.load_closed = True
            case HoldComplete():
                self.hold_complete = True
            case LoadOpened():
                self.load_closed = False
                self.kicks.clear()
        return []

    def _mark(self, mark: Mark) -> list[Finding]:
        if mark.pot not in (None, self.pot.id):
            return []
        match mark.verb:
            case "topup" | "dumped":
                self.purpose_until = mark.t + self.tune.purpose_s
            case "heard":
                self.heard = self.dropped_t is not None
        if mark.verb in ("dumped", "end") and self.unproven and self._at_zero():
            return self._vented(mark.t, None)
        return []

    # ------------------------------------------------------------------------------------------------ the gauge speaks

    def _reading(self, t: float, kpa: float) -> list[Finding]:
        if not -0.5 * self.place.bench.p_atm_kpa < kpa < 5.0 * self.pot.marked_kpa:
            return []
        before = self.trace.kpa
        if self.trace.add(t, kpa):
            self._silence_over(before)
        now = self.trace.kpa
        if now is None or not self.trace.is_fresh:
            return []
        if self.phase == "unknown" and now >= self.tune.up_kpa:
            self.phase = "up"
        if self.phase == "down" and now < self.tune.near_zero_kpa and self.dropped_t is None:
            return self._over(t, now, 0.0) + self._zero(t, now)  # an idle pot costs nothing
        slope = (self.trace.slope_kpa_s(4.0) or 0.0) * 60.0
        out = self._over(t, now, slope) + self._gauge(t, now, slope)
        if self.dropped_t is not None:
            return out
        out += self._filling(t, now, slope) + self._falling(t, now, slope) + self._floor(t, now, slope)
        return out + self._zero(t, now)

    def _silence_over(self, before: float | None) -> None:
        """Nothing is concluded across a silence: every running count starts anew, what was true stays until shown."""
        self.floor_since = self.zero_since = None
        self.fill.rising = False
        if self.fall.state == "pending":
            self.fall.end()
        if self.phase == "up" and before is not None and before > self.tune.near_zero_kpa and not self.hold_complete:
            self.unproven = self.unproven or "gap"

    def _condition(
        self, kind: type[PotLimitFinding], on: bool, t: float, kpa: float, limit_kpa: float, slope: float
    ) -> list[Finding]:
        """The condition's finding when it begins or ends, else nothing."""
        if self.active.get(kind.finding, False) == on:
            return []
        self.active[kind.finding] = on
        return [kind(t=t, subject=self.place.subject, kpa=kpa, limit_kpa=limit_kpa, kpa_per_min=slope, active=on)]

    def _is(self, kind: type[Finding]) -> bool:
        return self.active.get(kind.finding, False)

    def _over(self, t: float, kpa: float, slope: float) -> list[Finding]:
        out: list[Finding] = []
        limits = (
            (PotOverLimit, self.pot.limit_kpa),
            (PotOverRelief, self.pot.relief_kpa + self.tune.relief_margin_kpa),
        )
        for kind, limit_kpa in limits:
            on = kpa > limit_kpa or (self._is(kind) and self._mean(kpa) > limit_kpa - self.tune.deadband_kpa)
            out += self._condition(kind, on, t, kpa, limit_kpa, slope)
        return out

    def _mean(self, kpa: float) -> float:
        """What the gauge says over some seconds: an alarm begins with a sample, it does not end with one."""
        part = [p for _, p in self.trace.last(self.tune.settled_s)]
        return sum(part) / len(part) if part else kpa

    # ---------------------------------------------------------------------------------------------- a gauge that drops

    def _gauge(self, t: float, kpa: float, slope: float) -> list[Finding]:
        if self.dropped_t is not None:
            return self._gauge_back(t, kpa, slope)
        high = next((s for s in self.trace.last(3.0) if self._too_fast(t - s[0], s[1], kpa)), None)
        if high is None or self.phase != "up":
            return []
        self.dropped_t, self.dropped_from_kpa, self.heard = t, high[1], False
        self.fall.end()
        out = self._condition(GaugeDropped, True, t, kpa, high[1], slope)
        out += self._condition(PotBelowFloor, False, t, kpa, self.pot.floor_kpa, slope)
        return out + self._venting(t, kpa, slope)

    def _too_fast(self, elapsed_s: float, from_kpa: float, to_kpa: float) -> bool:
        """Whether this pot cannot have emptied so far in this time through the widest bleed."""
        if elapsed_s <= 0.0 or from_kpa - to_kpa < self.tune.gauge_fall_kpa or to_kpa > 0.8 * from_kpa:
            return False
        p_atm = self.place.bench.p_atm_kpa * 1e3
        low = max(to_kpa, self.tune.near_zero_kpa) * 1e3 + p_atm
        bleed = pot_gas.conductance_of_hole(self.tune.bleed_mm)
        return 1.05 * elapsed_s < pot_gas.blowdown_s(bleed, from_kpa * 1e3 + p_atm, low, p_atm, self.pot.free_l * 1e-3)

    def _gauge_back(self, t: float, kpa: float, slope: float) -> list[Finding]:
        """Ten seconds of quiet data end it: above zero it is believed again; at zero only once the caster has heard."""
        window = self.trace.last(self.tune.gauge_good_s)
        quiet = max(p for _, p in window) - min(p for _, p in window) < self.tune.gauge_fall_kpa
        long = t - max(self.trace.since, self.dropped_t or t) >= self.tune.gauge_good_s
        shows = kpa > self.tune.up_kpa
        if not (quiet and long and (shows or self.heard)):
            return []
        self.dropped_t = None
        self.unproven = "" if shows else "drop"
        self.floor_since = self.zero_since = None
        return self._condition(GaugeDropped, False, t, kpa, self.dropped_from_kpa, slope)

    # ------------------------------------------------------------------------------------------------ rising, stalling

    def _filling(self, t: float, kpa: float, slope: float) -> list[Finding]:
        lowest = min(p for _, p in self.trace.last(10.0))
        begins = self.fill.step(t, kpa, lowest, slope / 60.0)
        if not begins and self.phase == "down" and kpa >= self.tune.up_kpa:  # a crawl, through a clogged port or a leak
            self.fill.begin(t, kpa)
            begins = True
        out: list[Finding] = []
        if begins:
            out += self._begin_rise(t)
        if self.fill.rising and t - self.told_filling_t >= self.tune.refresh_s:
            self.told_filling_t = t
            usual_s = None if self.at_pressure else habits.fill_s(self.place.bench.learned, self.pot.id)
            up_at = self.fill.up_at(t, self.pot.floor_kpa - kpa, slope / 60.0, usual_s)
            subject = self.place.subject
            out.append(PotFilling(t=t, subject=subject, kpa=kpa, kpa_per_min=slope, projected_at=up_at))
        return out

    def _begin_rise(self, t: float) -> list[Finding]:
        out: list[Finding] = []
        if self.unproven and self.zero_since is not None:
            out = self._vented(t, None) if t - self.zero_since >= self.tune.unproven_s else []
        self.phase, self.unproven = "up", ""
        self.told_filling_t = -math.inf
        return out

    # ------------------------------------------------------------------------------------- falling, vented, letting go

    def _falling(self, t: float, kpa: float, slope: float) -> list[Finding]:
        if self.phase != "up":
            return []
        sharp = self.trace.slope_kpa_s(2.0)
        cooling = self.fill.explains(t, kpa)
        purpose = self.hold_complete or t <= self.purpose_until
        self.fall.step(t, kpa, slope / 60.0, sharp or 0.0, purpose, cooling)
        if self.fall.state == "venting" and self.vent_t is None:
            self.vent_t = self.fall.began_t
        out = self._condition(PotLettingGo, self.fall.state == "letting-go", t, kpa, self.pot.floor_kpa, slope)
        return out + self._venting(t, kpa, slope) + self._vent_pace(t, kpa, sharp or 0.0)

    def _vent_pace(self, t: float, kpa: float, sharp_kpa_s: float) -> list[Finding]:
        """A bleed opened so far that resin may froth; once eased to a good vent's pace it is over."""
        was = self.active.get(VentTooFast.finding, False)
        empties_s = self.fall.emptying_s(kpa, -sharp_kpa_s)
        limit_s = self.tune.vent_good_s if was else self.tune.vent_fastest_s
        seen = self.fall.state == "venting" and kpa > self.tune.up_kpa
        fast = seen and empties_s < limit_s
        self.fast_vent = self.fast_vent + 1 if fast else 0
        on = self.fast_vent >= 2 or (was and fast)
        if on == was:
            return []
        self.active[VentTooFast.finding] = on
        shown_s = min(empties_s, 999.0)
        return [VentTooFast(t=t, subject=self.place.subject, kpa=kpa, empties_s=shown_s, active=on)]

    def _venting(self, t: float, kpa: float, slope: float) -> list[Finding]:
        on = self.fall.state == "venting"
        if on == self.venting_told:
            return []
        self.venting_told = on
        early = self.load_closed and not self.hold_complete
        return [
            PotVenting(
                t=t, subject=self.place.subject, kpa=kpa, kpa_per_min=slope, before_hold_complete=early, active=on
            )
        ]

    def _zero(self, t: float, kpa: float) -> list[Finding]:
        if kpa >= self.tune.up_kpa:
            self.zero_since, self.unproven = None, ""
        if kpa >= self.tune.near_zero_kpa:
            return []
        if self.zero_since is None:
            self.zero_since = t
        long = t - self.zero_since >= (self.tune.vented_s if self.vent_t is not None else self.tune.gauge_good_s)
        if not long or self.phase == "down" or self.unproven or self.fall.state == "letting-go":
            return []
        if self.phase == "unknown":
            self.phase = "down"
            return []
        vent_s = self.zero_since - self.vent_t if self.vent_t is not None else None
        return self._vented(t, vent_s)

    def _at_zero(self) -> bool:
        return self.trace.kpa is not None and self.trace.kpa < self.tune.near_zero_kpa

    def _vented(self, t: float, vent_s: float | None) -> list[Finding]:
        """Close this cycle: end what is on, tell that the gauge reads near zero, start from nothing."""
        kpa = self.trace.kpa or 0.0
        self.fall.end()
        out = self._venting(t, kpa, 0.0) + self._vent_pace(t, 0.0, 0.0)
        for kind in (PotBelowFloor, PotLettingGo):
            out += self._condition(kind, False, t, kpa, self.pot.floor_kpa, 0.0)
        out.append(PotVented(t=t, subject=self.place.subject, kpa=kpa, near_zero=True, vent_s=vent_s))
        self.phase, self.unproven, self.vent_t = "down", "", None
        self.at_pressure = self.hold_complete = False
        self.floor_since = self.fill.ended_t = None
        return out

    # ------------------------------------------------------------------------------------------------------- the floor

    def _floor(self, t: float, kpa: float, slope: float) -> list[Finding]:
        floor = self.pot.floor_kpa
        out: list[Finding] = []
        if kpa >= floor:
            self.floor_since = self.floor_since or t
            if not self.at_pressure and t - self.floor_since >= self.tune.at_pressure_s:
                out.append(self._up(t, kpa, self.floor_since))
        elif kpa < floor - self.tune.floor_margin_kpa:
            self.floor_since = None
        counts = (
            self.at_pressure and not self.hold_complete and self.fall.state != "venting" and self.unproven != "drop"
        )
        if self._is(PotBelowFloor):
            on = counts and not self._back_at_floor(t, kpa)
        else:
            on = counts and kpa <= floor - self.tune.floor_margin_kpa and not self.fill.explains(t, kpa)
        return out + self._condition(PotBelowFloor, on, t, kpa, floor, slope)

    def _back_at_floor(self, t: float, kpa: float) -> bool:
        """Above it by more than noise, or not once below it for off_delay_s: noise about the floor is one alarm."""
        lately = self.trace.last(self.tune.off_delay_s)
        kept = lately[-1][0] - lately[0][0] >= 0.9 * self.tune.off_delay_s if lately else False
        above = self._mean(kpa) >= self.pot.floor_kpa + self.tune.deadband_kpa
        return kpa >= self.pot.floor_kpa and (above or (kept and min(p for _, p in lately) >= self.pot.floor_kpa))

    def _up(self, t: float, kpa: float, since: float) -> PotAtPressure:
        """At pressure; without having seen the rise, since when is unknown and so is the margin."""
        self.at_pressure = True
        near = [at for at in self.kicks.values() if abs(at - since) < 3600.0]
        margin_s = min(near) - since if near and self.fill.ended_t is not None else None
        return PotAtPressure(t=t, subject=self.place.subject, kpa=kpa, since=since, margin_s=margin_s)


def make(settings: Settings, place: Place) -> PotWatcher:
    """A watcher for one pot.  Raises ValueError when the place is no pot."""
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
    return PotWatcher(place=place, pot=pot, tune=settings, fill=Fill(fill), fall=Fall(fall))
