"""Does a pot that is shut lose air, how fast, and does that matter for the load inside?

The judging stands in physics: pot_observer.py follows the gas from the first filling sample, leak_bank.py takes the
leak out of what then happens, leak_verdict.py says what may be said of it.  Here: when the inlet counts as shut, the
verdict of each whole minute, a fast leak told without waiting for the minute, what a leak means for the hold.

No word of tightness on a pot whose inlet is not known to be shut: a fed pot looks tight whatever it leaks.  There only
the regulator's saw-tooth tells (physics/saw_tooth.py); while nothing falls the word is "no leak seen", and why.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from pydantic import BaseModel, ConfigDict

from benchd.core.bench import Pot
from benchd.core.floor_watch import FloorRules, FloorWatch
from benchd.core.model import (
    Event,
    Finding,
    GaugeDropped,
    HoldComplete,
    HoldForecast,
    Kicked,
    KickForecast,
    LoadOpened,
    Mark,
    PotAtPressure,
    PotBelowFloor,
    PotFed,
    PotFilling,
    PotFloorAhead,
    PotHold,
    PotIsolated,
    PotLeaking,
    PotLettingGo,
    PotVented,
    PotVenting,
    Reading,
)
from benchd.core.pressure_trace import PressureTrace, SlowTrace
from benchd.core.units import KPA_PER_PSI as PSI
from benchd.core.watcher import Place, Reads
from benchd.physics import pot_gas
from benchd.physics.leak_bank import LeakEstimate
from benchd.physics.leak_learning import prior_from_plain
from benchd.physics.leak_verdict import FLOOR_SD_PSI_MIN, Limits, Verdict, Z, floor_in_s, judged
from benchd.physics.pot_observer import PotObserver
from benchd.physics.saw_tooth import Rhythm, SawTooth

SCOPE = "pot"
ORDER = 40
READS = Reads(
    roles=("pot_pressure", "pot_gas_temperature", "room_temperature"),
    findings=(
        PotIsolated, PotFilling, PotAtPressure, PotVenting, PotVented, PotLettingGo, GaugeDropped, Kicked, KickForecast,
        HoldForecast, HoldComplete, LoadOpened, PotBelowFloor,
    ),
    marks=("topup", "dumped"), learned=True,
)  # fmt: skip
EMITS = (PotHold, PotLeaking, PotFloorAhead, PotFed)

LEARNED_FILLS = 5
FED_EACH_S = 55.0  # about as often as the verdict of a shut pot; a rhythm of a minute is told each time
TAKEN_S = 0.9  # a faster gauge adds nothing but work
GAS_AGE_S = 5.0  # CP: an older gas temperature is no temperature
WARMTH_OF_ONSET = 1.2  # calc: a leak that opens cools its gas, and falls 1.4 times as steep at first, 1.0 at last


class Settings(BaseModel):
    """Thresholds.  CP: common practice, no source; calc: computed; sim: simulated tight fills, see the scorecard."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    slow_kpa_min: float = 0.7 * PSI  # CP: 0.7 psi/min is a slow leak; tight means tight to this at least
    least_kpa_min: float = 0.15 * PSI  # CP: smaller leaks belong to a test of the empty pot
    least_probed_kpa_min: float = 0.06 * PSI  # sim: what a gas thermometer lets be told
    fast_kpa_min: float = 3.0 * PSI  # CP: 3 psi/min is a fast leak
    letting_go_kpa_min: float = 15.0 * PSI  # CP: faster is a vent or a seal, the pot watcher's to tell
    z: float = Z  # sim: see leak_verdict
    fast_z: float = 1.8  # sim: with a low end of a third of fast no tight fast fill comes near
    fast_z_learned: float = 0.6  # sim: the same, of pots with LEARNED_FILLS tight fills behind them (at 0.5: 1 of 880)
    fast_share: float = 0.8  # sim: a leak of 5 psi/min may at first be sized 2.5
    floor_on: float = 0.8  # sim: the chance at which the floor is foreseen; at 0.5 five times as many false words,
    floor_off: float = 0.4  # sim: and below which it no longer is
    floor_near_s: float = 180.0  # CP: looked for each five seconds when the trend reaches it in three minutes,
    floor_near_kpa: float = 1.0 * PSI  # CP: or it is so near; else each whole minute
    floor_horizon_s: float = 900.0  # CP: how far ahead when nobody knows when the molds gel
    fast_window_s: float = 12.0  # calc: slope of 0.05 psi noise over it is known to 0.3 psi/min
    cooling_tau_s: float = 30.0  # calc: 14 to 30 s for 13 L
    settle_taus: float = 3.0  # calc: slow words wait for 3x the pot's cooling time
    after_shut_s: float = 10.0  # sim: a window that begins at the mark itself gives many false alarms
    early_s: float = 4.0  # a fast leak is looked for from here on,
    early_until_s: float = 45.0  # until then: the verdicts of whole minutes never use those first seconds


@dataclass(slots=True)
class LeakWatcher:
    """One pot's leak: the observer it is judged by, and what has been said of it."""

    place: Place
    pot: Pot
    tune: Settings
    observer: PotObserver
    floor: FloorWatch
    trace: PressureTrace = field(default_factory=PressureTrace)
    slow: SlowTrace = field(default_factory=lambda: SlowTrace(most=8))
    saw: SawTooth = field(default_factory=SawTooth)
    gas: tuple[float, float] | None = None
    room_c: float | None = None
    last_t: float | None = None
    fill_t: float | None = None
    up_t: float | None = None
    isolated_t: float | None = None
    paused: bool = False
    hold_at: float | None = None
    hold_done: bool = False
    told: Literal["", "slow", "fast"] = ""
    rate_kpa_min: float = 0.0
    spread_kpa_min: float = 0.0
    fast_count: int = 0
    widen_t: float = math.inf  # when the early window gives way to the careful one
    count_t: float = 0.0  # whole minutes are counted from here
    minute: int = 0
    fed_told_t: float = -math.inf
    below: bool = False

    def see(self, event: Event) -> Sequence[Finding]:
        match event:
            case Reading(value=float(value)) if math.isfinite(value):
                return self._reading(event, value)
            case Mark() if event.pot in (None, self.pot.id):
                return self._refed(event.t)
            case PotFilling():
                return self._filling(event.t)
            case PotIsolated():
                self._isolated(event)
            case PotVenting() | PotLettingGo() | GaugeDropped():
                return self._disturbed(event.t, event.active)
            case PotVented() | LoadOpened():
                return self._over(event.t)
            case Finding():
                self._note(event)
        return ()

    def _note(self, event: Finding) -> None:
        match event:
            case PotAtPressure():
                self.up_t = self.count_t = event.since
                self.fill_t = event.since if self.fill_t is None else self.fill_t
            case Kicked(at=at) | KickForecast(at=at):
                self.observer.kick_t = at
            case HoldForecast(at=at):
                self.hold_at = at
            case HoldComplete():
                self.hold_done = True
            case PotBelowFloor(active=active):
                self.below = active

    def _filling(self, t: float) -> list[Finding]:
        if self.up_t is not None and self.isolated_t is None and not self.told:
            self.fill_t = t  # a fed pot's regulator at work: its minutes go on
            self.observer.fill(t)
            self.observer.window(t + self.tune.after_shut_s)
            return []
        self.fill_t = t
        return [*self._refed(t), *(self._stop(t) if self.told == "fast" else [])]

    def _refed(self, t: float) -> Sequence[Finding]:
        """Air came in: the inlet's state is unknown and the window begins anew."""
        self.isolated_t, self.count_t, self.minute, self.fast_count = None, t, 0, 0
        self.observer.fill(t)
        self.observer.window(t + self.tune.after_shut_s)
        self.slow.clear()
        return self.floor.stop(t, self.trace.kpa or 0.0)

    def _isolated(self, event: PotIsolated) -> None:
        self.isolated_t = self.count_t = event.since
        self.minute, self.fast_count = int((event.t - event.since) // 60.0), 0
        self.observer.shut(event.since)
        marked = event.by == "mark"
        self.observer.window(event.since + (self.tune.early_s if marked else 0.0))
        self.widen_t = event.since + self.tune.early_until_s if marked else math.inf
        self.saw.clear()

    def _disturbed(self, t: float, active: bool) -> list[Finding]:
        """A vent, a seal or the gauge itself: afterwards nobody knows how warm the gas is."""
        self.paused, self.fill_t, self.fast_count = active, t, 0
        self.observer.window(math.inf)
        if not active:
            self.observer.unseen(t)
            self.observer.window(t + self.tune.after_shut_s)
        self.slow.clear()
        self.saw.clear()
        return [*self.floor.stop(t, self.trace.kpa or 0.0), *self._stop(t)]

    def _over(self, t: float) -> list[Finding]:
        out = [*self._refed(t), *self._stop(t)]
        self.observer.forget()
        self.saw.clear()
        self.up_t = self.fill_t = self.hold_at = None
        self.hold_done = self.paused = False
        return out

    # -------------------------------------------------------------------------------------------------------- readings

    def _reading(self, event: Reading, value: float) -> list[Finding]:
        match event.role:
            case "room_temperature":
                self.room_c = value
                if self.up_t is None and -40.0 < value < 60.0:
                    self.observer.room(value + 273.15)
            case "pot_gas_temperature":
                self.gas = (event.t, value)
            case "pot_pressure":
                return self._pressure(event.t, value)
        return []

    def _pressure(self, t: float, kpa: float) -> list[Finding]:
        before, out = self.trace.kpa, list[Finding]()
        if self.trace.add(t, kpa) and before is not None and kpa > before + 0.5 * PSI:
            out += self._refed(t)  # somebody let air in while nobody watched
        now = self.trace.kpa
        if now is None or not -5.0 < now < 5.0 * self.pot.marked_kpa:
            return out
        if self.last_t is None and now > 3.0 * PSI:
            self.observer.unseen(t)
        if self.last_t is not None and t - self.last_t < TAKEN_S:
            return out
        self.last_t = t
        judged_more = self.observer.add(t, (now + self.place.bench.p_atm_kpa) * 1e3, self._gas_k(t))
        self.slow.add(t, now)
        if self.up_t is None or self.paused:
            return out
        out += self._fed(t, now) if self.isolated_t is None else self._sudden(t, now)
        return out + (self._judge(t, now) if judged_more else [])

    def _gas_k(self, t: float) -> float | None:
        if self.gas is None or t - self.gas[0] > GAS_AGE_S or not -40.0 < self.gas[1] < 150.0:
            return None
        return self.gas[1] + 273.15

    def _verdict(self, found: LeakEstimate) -> Verdict:
        probed = bool(self.observer.bins) and self.observer.bins[-1].is_probed
        kind = "probed" if probed else "bare"
        limits = Limits(
            least_kpa_min=self.tune.least_probed_kpa_min if probed else self.tune.least_kpa_min,
            slow_kpa_min=self.tune.slow_kpa_min, fast_kpa_min=self.tune.fast_kpa_min,
            floor_sd_kpa_min=FLOOR_SD_PSI_MIN[kind] * PSI, resolution_kpa=_resolution_kpa(self.place), z=self.tune.z,
        )  # fmt: skip
        return judged(found, self.pot.target_kpa + self.place.bench.p_atm_kpa, limits)

    # --------------------------------------------------------------------------------------------------------- verdicts

    def _judge(self, t: float, kpa: float) -> list[Finding]:
        if t >= self.widen_t and self.isolated_t is not None:
            self.widen_t = math.inf
            self.observer.window(self.isolated_t + self.tune.after_shut_s)
        found = self.observer.estimate()
        said = self._verdict(found) if found is not None else None
        minute = int((t + 5.0 - self.count_t) // 60.0)  # the verdict is out when the minute is full
        whole = minute > self.minute
        self.minute = max(minute, self.minute)
        out = list(self._floor(t, kpa, whole, found))
        fast = self._fast(t, kpa, said)
        return out + fast + (self._minute(t, kpa, said, bool(fast)) if whole else [])

    def _floor(self, t: float, kpa: float, whole: bool, found: LeakEstimate | None) -> Sequence[Finding]:
        """The floor ahead, once the pot is shut and its own cooling done; below it the pot watcher has the word."""
        if self.isolated_t is None or self.hold_done or self.below or found is None:
            return self.floor.stop(t, kpa)
        settle_s = self.tune.settle_taus * min(self.tune.cooling_tau_s, found.tau_s)
        if t - (self.fill_t or t) < settle_s:
            return []
        means = list(self.slow.bins)
        return self.floor.step(t, kpa, self.observer, self.hold_at, whole=whole, means=means)

    def _settled(self, t: float) -> bool:
        return self.fill_t is None or t - self.fill_t >= self.tune.settle_taus * self.tune.cooling_tau_s

    def _fast(self, t: float, kpa: float, said: Verdict | None) -> list[Finding]:
        """A fast leak does not wait: told when cooling cannot be all of the fall; twice running while fed."""
        if self.told == "fast" and self._pace() < 0.5 * self.tune.fast_kpa_min:  # CP: it ends when stable 30 s
            return self._soften(t, kpa, said)
        if said is None:
            return []
        known = self.observer.bare.fills >= LEARNED_FILLS
        times = self.tune.fast_z_learned if known else self.tune.fast_z
        low = said.kpa_per_min - times * said.sd_kpa_per_min
        sure = said.kpa_per_min >= self.tune.fast_share * self.tune.fast_kpa_min and low >= self.tune.fast_kpa_min / 3.0
        self.fast_count = self.fast_count + 1 if sure and self._goes_on() else 0
        if self.fast_count >= (1 if self.isolated_t is not None else 2) and self.told != "fast":
            return self._tell(t, kpa, "fast", said.kpa_per_min, said.sd_kpa_per_min)
        return []

    def _soften(self, t: float, kpa: float, said: Verdict | None) -> list[Finding]:
        """A fast leak that is none any more: over, or a slow one."""
        if said is None or said.word != "slow":
            return self._stop(t)
        self.told = "slow"
        return self._tell(t, kpa, "slow", said.kpa_per_min, said.sd_kpa_per_min)

    def _sudden(self, t: float, kpa: float) -> list[Finding]:
        """A leak that opens in mid hold, seen in twelve seconds: both halves of them must fall, a step would not."""
        if self.told == "fast" or not self._settled(t):
            return []
        part, full = self.trace.last(self.tune.fast_window_s), self.pot.target_kpa + self.place.bench.p_atm_kpa
        slope = self.trace.slope_kpa_s(self.tune.fast_window_s)
        if slope is None or part[-1][0] - part[0][0] < self.tune.fast_window_s - 2.0:
            return []
        rate = -60.0 * slope * full / (kpa + self.place.bench.p_atm_kpa) / WARMTH_OF_ONSET
        half = part[len(part) // 2][1]
        least = 0.25 * self.tune.fast_kpa_min / 60.0 * self.tune.fast_window_s
        falls = part[0][1] - half >= least and half - part[-1][1] >= least
        if not falls or not self.tune.fast_kpa_min <= rate <= self.tune.letting_go_kpa_min:
            return []
        return self._tell(t, kpa, "fast", rate, 0.15 * rate)

    def _goes_on(self) -> bool:
        """Whether the last means fall one by one: a hose moved is a step that then stands."""
        recent = list(self.slow.bins)[-4:]
        least = 0.25 * self.tune.fast_kpa_min / 60.0
        return len(recent) == 4 and all(a[1] - b[1] >= least * (b[0] - a[0]) for a, b in itertools.pairwise(recent))

    def _pace(self) -> float:
        """Fall from the first to the last of the latest seven five-second means [kPa/min]; inf while too few."""
        recent = list(self.slow.bins)[-7:]
        if len(recent) < 7:
            return math.inf
        return (recent[0][1] - recent[-1][1]) / (recent[-1][0] - recent[0][0]) * 60.0

    def _fed(self, t: float, kpa: float) -> list[Finding]:
        """A pot still fed: three like teeth of its regulator tell the leak; the floor is never reached."""
        if not self.saw.step(t, kpa) or (rhythm := self.saw.rhythm()) is None:
            return []
        out = self._feeding(t, rhythm)
        if rhythm.kpa_per_min < self.tune.least_kpa_min:
            return out
        fast = rhythm.kpa_per_min >= self.tune.fast_kpa_min
        return out + self._tell(t, kpa, "fast" if fast else "slow", rhythm.kpa_per_min, rhythm.sd_kpa_per_min)

    def _feeding(self, t: float, rhythm: Rhythm) -> list[Finding]:
        """The regulator's rhythm, at most each minute."""
        if t - self.fed_told_t < FED_EACH_S:
            return []
        self.fed_told_t = t
        return [
            PotFed(
                t=t, subject=self.place.subject, period_s=rhythm.period_s, duty=rhythm.duty,
                cycles_per_hour=3600.0 / rhythm.period_s, set_kpa=rhythm.set_kpa,
                creep_kpa_per_min=rhythm.creep_kpa_min, kpa_per_min=rhythm.kpa_per_min,
            )
        ]  # fmt: skip

    def _in_doubt(self, t: float, said: Verdict | None) -> tuple[Literal["cant-tell", "no-leak-seen"], str]:
        """The word, and why, of a minute of which no size can be told."""
        if not self._settled(t):
            return "cant-tell", "the air is still cooling"
        if self.isolated_t is None:
            if self.told:
                return "cant-tell", "the pot is fed"
            pace, fed = self._pace(), self.pot.hold == "fed"
            if pace > 2.0 * self.tune.least_kpa_min:
                return "cant-tell", "too short a time" if math.isinf(pace) else "it falls; is the inlet shut?"
            return "no-leak-seen", "the pot is fed" if fed else "is the inlet shut?"
        return "cant-tell", "too short a time" if said is None else said.why

    def _minute(self, t: float, kpa: float, said: Verdict | None, fresh: bool) -> list[Finding]:
        """The verdict of this minute, and the leak told again; fresh: its word was given just now."""
        if said is None or self.isolated_t is None or not self._settled(t):
            word, why = self._in_doubt(t, said)
            hold = PotHold(
                t=t, subject=self.place.subject, verdict=word, kpa=kpa, kpa_per_min=None, low=None, high=None,
                smallest_seen=None, why=why,
            )  # fmt: skip
            return [hold] if fresh else [hold, *self._again(t, kpa)]
        rate, sd = said.kpa_per_min, said.sd_kpa_per_min
        hold = PotHold(
            t=t, subject=self.place.subject, verdict=said.word, kpa=kpa, kpa_per_min=rate, low=rate - 2.0 * sd,
            high=rate + 2.0 * sd, smallest_seen=said.tight_to_kpa_min, why=said.why,
        )  # fmt: skip
        if said.word in ("slow", "fast") and not fresh:
            return [hold, *self._tell(t, kpa, "fast" if said.word == "fast" else "slow", rate, sd)]
        if said.word == "tight-to" or rate < 0.5 * self.tune.least_kpa_min:
            return [hold, *self._stop(t)]
        return [hold] if fresh else [hold, *self._again(t, kpa)]

    # --------------------------------------------------------------------------------------------------- what it means

    def _tell(self, t: float, kpa: float, verdict: Literal["slow", "fast"], rate: float, sd: float) -> list[Finding]:
        if self.told == "fast" and verdict == "slow" and rate > 0.5 * self.tune.fast_kpa_min:
            verdict = "fast"
        self.told, self.rate_kpa_min, self.spread_kpa_min = verdict, rate, sd
        return self._again(t, kpa)

    def _again(self, t: float, kpa: float) -> list[Finding]:
        """The leak as it is known, with the floor's time reckoned from the pressure of now."""
        return [self._leaking(t, kpa, self.told, True)] if self.told else []

    def _stop(self, t: float) -> list[Finding]:
        if not self.told:
            return []
        verdict, self.told, self.fast_count = self.told, "", 0
        return [self._leaking(t, self.trace.kpa or 0.0, verdict, False)]

    def _leaking(self, t: float, kpa: float, verdict: Literal["slow", "fast"], active: bool) -> PotLeaking:
        p_atm = self.place.bench.p_atm_kpa
        warm_c = self.gas[1] if self.gas is not None else self.room_c
        gas_k = warm_c + 273.15 if warm_c is not None else pot_gas.REFERENCE_K
        free_m3, full = self.pot.free_l * 1e-3, self.pot.target_kpa + p_atm
        opening = pot_gas.conductance_from_loss(self.rate_kpa_min, full * 1e3, p_atm * 1e3, free_m3, gas_k)
        floor_at = None
        if self.isolated_t is not None or verdict == "fast":
            owed = self.observer.estimate() or LeakEstimate(0.0, 0.0, 0.0, self.tune.cooling_tau_s, 0)
            left_s = floor_in_s(owed, kpa + p_atm, self.pot.floor_kpa + p_atm, p_atm, opening, free_m3, gas_k)
            floor_at = t + left_s if math.isfinite(left_s) else None
        before = floor_at is not None and (self.hold_at is None or floor_at < self.hold_at)
        if self.floor.ahead is not None:
            before = self.floor.told  # by the whole state, not by this leak alone
        return PotLeaking(
            t=t, subject=self.place.subject, verdict=verdict, kpa_per_min=self.rate_kpa_min,
            low=self.rate_kpa_min - 2.0 * self.spread_kpa_min, high=self.rate_kpa_min + 2.0 * self.spread_kpa_min,
            conductance_m3_s_pa=opening, hole_mm=pot_gas.hole_of_conductance(opening), floor_at=floor_at,
            matters=before and not self.hold_done, active=active,
        )  # fmt: skip


def _resolution_kpa(place: Place) -> float:
    """The pot gauge's configured resolution, 0 when it is not known."""
    ours = (
        c for c in place.bench.channels if c.role == "pot_pressure" and place.pot is not None and c.of == place.pot.id
    )
    return next((c.resolution for c in ours if c.resolution is not None), 0.0)


def make(settings: Settings, place: Place) -> LeakWatcher:
    """A watcher for one pot's leak.  Raises ValueError when the place is no pot."""
    if place.pot is None:
        raise ValueError("the leak watcher needs a pot")
    pots = place.bench.learned.get("pots")
    known = pots.get(place.pot.id) if isinstance(pots, Mapping) else None
    known = known if isinstance(known, Mapping) else {}
    observer = PotObserver(
        (place.pot.target_kpa + place.bench.p_atm_kpa) * 1e3, bare=prior_from_plain(known.get("bare"), "bare"),
        probed=prior_from_plain(known.get("probed"), "probed"),
    )  # fmt: skip
    rules = FloorRules(
        on=settings.floor_on, off=settings.floor_off, near_s=settings.floor_near_s, near_kpa=settings.floor_near_kpa,
        horizon_s=settings.floor_horizon_s, doubt_kpa_min=FLOOR_SD_PSI_MIN["bare"] * PSI,
    )  # fmt: skip
    floor = FloorWatch(place, rules)
    return LeakWatcher(place=place, pot=place.pot, tune=settings, observer=observer, floor=floor)
