"""Does a pot that is shut lose air, how fast, and does that matter for the load inside?

The fit stands in physics/pot_decay.py: a straight line in ln p beside all that warms and cools a pot, each a known
shape of unknown size.  What those shapes could explain is thereby not called a leak, and the doubt that remains decides
what would have shown by now.  A fast leak is looked for in the last ninety seconds, even while the fill still cools;
the verdict of each whole minute is drawn from all that was seen since the inlet was shut.

No word of tightness on a pot whose inlet is not known to be shut: a fed pot looks tight whatever it leaks.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from pydantic import BaseModel, ConfigDict

from benchd.core.bench import Pot
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
    PotFilling,
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
from benchd.physics.pot_decay import fit_leak

SCOPE = "pot"
ORDER = 40
READS = Reads(
    roles=("pot_pressure", "pot_gas_temperature", "room_temperature"),
    findings=(
        PotIsolated, PotFilling, PotAtPressure, PotVenting, PotVented, PotLettingGo, GaugeDropped, Kicked, KickForecast,
        HoldForecast, HoldComplete, LoadOpened,
    ),
    marks=("topup", "dumped"),
)  # fmt: skip
EMITS = (PotHold, PotLeaking)


class Settings(BaseModel):
    """Thresholds.  CP: common practice, no source; calc: computed; sim: from simulated tight fills, see the tests."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    slow_kpa_min: float = 0.7 * PSI  # CP: 0.7 psi/min is a slow leak; tight means tight to this at least
    least_kpa_min: float = 0.4 * PSI  # CP: smaller leaks belong to a test of the empty pot
    fast_kpa_min: float = 3.0 * PSI  # CP: 3 psi/min is a fast leak
    z: float = 3.0  # sim: 480 tight fills of the building seeds reach 2.8 at most, whole minutes 3 to 10
    fast_z: float = 2.0  # sim: with a low end of a third of fast, twice running, 60 hot tight fills say nothing
    floor_sd_kpa_min: float = 0.03 * PSI  # sim: doubt of a loaded pot that more data do not lessen
    cooling_tau_s: float = 30.0  # calc: 14 to 30 s for 13 L
    settle_taus: float = 3.0  # calc: leak words wait for 3x the pot's cooling time
    after_shut_s: float = 10.0  # sim: a window that begins at the mark itself gives many false alarms
    noise: float = 1.0e-3  # sim: sd of ln p over 5 s, twice the gauge's own to cover shapes not in the model
    refill_s: float = 6.0  # the pace at which a filling is told again, and one second
    recent_bins: int = 18  # CP: a fast leak is judged by 90 s of five-second means
    gas_age_s: float = 5.0  # CP: an older gas temperature is no temperature


@dataclass(slots=True)
class LeakWatcher:
    """One pot's leak: the window it is judged from, and what has been said of it."""

    place: Place
    pot: Pot
    tune: Settings
    trace: PressureTrace = field(default_factory=PressureTrace)
    slow: SlowTrace = field(default_factory=lambda: SlowTrace(most=180))
    warm: list[float | None] = field(default_factory=list)  # gas [K] of each bin
    gas: tuple[float, float] | None = None
    room_c: float | None = None
    fill_t: float | None = None
    kick_t: float | None = None
    up_t: float | None = None
    isolated_t: float | None = None
    paused: bool = False
    hold_at: float | None = None
    hold_done: bool = False
    told: Literal["", "slow", "fast"] = ""
    rate_kpa_min: float = 0.0
    spread_kpa_min: float = 0.0
    fast_count: int = 0
    count_t: float = 0.0  # whole minutes are counted from here
    minute: int = 0

    def see(self, event: Event) -> Sequence[Finding]:
        match event:
            case Reading(value=float(value)) if math.isfinite(value):
                return self._reading(event, value)
            case Mark() if event.pot in (None, self.pot.id):
                self._refed(event.t)
            case PotFilling():
                return self._filling(event.t)
            case PotIsolated():
                self.isolated_t = self.count_t = event.since
                self.minute = int((event.t - event.since) // 60.0)
                self._restart(keep_after=event.since + (self.tune.after_shut_s if event.by == "mark" else 0.0))
            case PotVenting() | PotLettingGo() | GaugeDropped():
                self.paused = event.active
                self.fill_t = event.t  # the gas was cooled or warmed: its settling begins anew
                self._restart()
                return self._stop(event.t)
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
                self.kick_t = at
            case HoldForecast(at=at):
                self.hold_at = at
            case HoldComplete():
                self.hold_done = True

    def _filling(self, t: float) -> list[Finding]:
        self.fill_t = t
        self._refed(t)
        return self._stop(t) if self.told == "fast" else []

    def _refed(self, t: float) -> None:
        """Air came in: the inlet's state is unknown and the window begins anew."""
        self.isolated_t, self.count_t, self.minute = None, t, 0
        self._restart()

    def _restart(self, keep_after: float = math.inf) -> None:
        kept = [(b, k) for b, k in zip(self.slow.bins, self.warm, strict=True) if b[0] - 2.5 >= keep_after]
        self.slow.clear()
        self.slow.bins.extend(b for b, _ in kept)
        self.warm = [k for _, k in kept]
        self.fast_count = 0

    def _over(self, t: float) -> list[Finding]:
        out = self._stop(t)
        self._refed(t)
        self.up_t = self.fill_t = self.hold_at = self.kick_t = None
        self.hold_done = self.paused = False
        return out

    # -------------------------------------------------------------------------------------------------------- readings

    def _reading(self, event: Reading, value: float) -> list[Finding]:
        match event.role:
            case "room_temperature":
                self.room_c = value
            case "pot_gas_temperature":
                self.gas = (event.t, value)
            case "pot_pressure":
                return self._pressure(event.t, value)
        return []

    def _pressure(self, t: float, kpa: float) -> list[Finding]:
        before = self.trace.kpa
        if self.trace.add(t, kpa) and before is not None and kpa > before + 0.5 * PSI:
            self._refed(t)  # somebody let air in while nobody watched
        now = self.trace.kpa
        waiting = t < (self.isolated_t or -math.inf) + self.tune.after_shut_s
        waiting = waiting or t < (self.fill_t or -math.inf) + self.tune.refill_s
        if now is None or self.up_t is None or self.paused or waiting or not -0.5 < now < 5.0 * self.pot.marked_kpa:
            return []
        if not self.slow.add(t, now):
            return []
        self.warm.append(self._gas_k(t))
        del self.warm[: len(self.warm) - len(self.slow.bins)]
        return self._judge(t, now)

    def _gas_k(self, t: float) -> float | None:
        if self.gas is None or t - self.gas[0] > self.tune.gas_age_s:
            return None
        return self.gas[1] + 273.15

    def _fit(self, last: int) -> tuple[float, float] | None:
        """Loss at target pressure [kPa/min] and its doubt, from the last bins; None with under 20 s of window."""
        bins = list(self.slow.bins)[-last:]
        if len(bins) < 4 or self.fill_t is None:
            return None
        t = np.array([b[0] for b in bins])
        log_p = np.log(np.array([b[1] for b in bins]) + self.place.bench.p_atm_kpa)
        gas_k = [k for k in self.warm[-last:] if k is not None]
        probed = len(gas_k) == len(t)
        if probed:
            log_p = log_p - np.log(np.array(gas_k))
        kick_t = self.kick_t if self.kick_t is not None else self.fill_t
        slope = fit_leak(t, log_p, self.fill_t, kick_t, self.tune.noise, probed)
        full = self.pot.target_kpa + self.place.bench.p_atm_kpa
        return slope.per_min * full, math.hypot(slope.sd * full, self.tune.floor_sd_kpa_min)

    # --------------------------------------------------------------------------------------------------------- verdicts

    def _judge(self, t: float, kpa: float) -> list[Finding]:
        minute = int((t - self.count_t) // 60.0)
        whole = minute > self.minute
        self.minute = max(minute, self.minute)
        out = self._fast(t, kpa)
        return out + self._minute(t, kpa, bool(out)) if whole else out

    def _settled(self, t: float) -> bool:
        return self.fill_t is None or t - self.fill_t >= self.tune.settle_taus * self.tune.cooling_tau_s

    def _fast(self, t: float, kpa: float) -> list[Finding]:
        """A fast leak does not wait: told when, twice running, cooling cannot be all of the fall."""
        found = self._fit(self.tune.recent_bins)
        if found is None:
            return []
        rate, sd = found
        sure = rate >= self.tune.fast_kpa_min and rate - self.tune.fast_z * sd >= self.tune.fast_kpa_min / 3.0
        self.fast_count = self.fast_count + 1 if sure and self._goes_on() else 0
        if self.fast_count >= 2 and self.told != "fast":
            return self._tell(t, kpa, "fast", rate, sd)
        if self.told == "fast" and self._pace(7) < 0.5 * self.tune.fast_kpa_min:  # CP: it ends when stable 30 s
            return self._stop(t)
        return []

    def _goes_on(self) -> bool:
        """Whether the last means fall one by one: a hose moved is a step that then stands."""
        recent = list(self.slow.bins)[-4:]
        least = 0.25 * self.tune.fast_kpa_min / 60.0
        return len(recent) == 4 and all(a[1] - b[1] >= least * (b[0] - a[0]) for a, b in itertools.pairwise(recent))

    def _pace(self, bins: int) -> float:
        """Fall from the first to the last of the latest five-second means [kPa/min]; inf while there are too few."""
        recent = list(self.slow.bins)[-bins:]
        if len(recent) < bins:
            return math.inf
        return (recent[0][1] - recent[-1][1]) / (recent[-1][0] - recent[0][0]) * 60.0

    def _minute(self, t: float, kpa: float, fresh: bool) -> list[Finding]:
        """The verdict of this minute, and the leak told again; fresh: its word was given just now."""
        found = self._fit(len(self.slow.bins))
        if found is None or self.isolated_t is None or not self._settled(t):
            hold = PotHold(
                t=t, subject=self.place.subject, verdict="cant-tell", kpa=kpa, kpa_per_min=None, low=None, high=None,
                smallest_seen=None,
            )  # fmt: skip
            return [hold] if fresh else [hold, *self._again(t, kpa)]
        rate, sd = found
        verdict = self._verdict(rate, sd)
        hold = PotHold(
            t=t, subject=self.place.subject, verdict=verdict, kpa=kpa, kpa_per_min=rate, low=rate - 2.0 * sd,
            high=rate + 2.0 * sd, smallest_seen=max(self.tune.least_kpa_min, self.tune.z * sd),
        )  # fmt: skip
        if verdict in ("slow", "fast") and not fresh:
            return [hold, *self._tell(t, kpa, verdict, rate, sd)]
        if verdict == "tight-to" or rate < 0.5 * self.tune.least_kpa_min:
            return [hold, *self._stop(t)]
        return [hold] if fresh else [hold, *self._again(t, kpa)]

    def _verdict(self, rate: float, sd: float) -> Literal["tight-to", "cant-tell", "slow", "fast"]:
        if rate >= self.tune.least_kpa_min and rate >= self.tune.z * sd:
            return "fast" if rate >= self.tune.fast_kpa_min else "slow"
        shows = max(self.tune.z * sd, max(0.0, rate) + 2.0 * sd)  # a rise must not lend tightness: it may hide a leak
        return "tight-to" if shows <= self.tune.slow_kpa_min else "cant-tell"

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
        p_atm = self.place.bench.p_atm_kpa * 1e3
        warm_c = self.gas[1] if self.gas is not None else self.room_c
        gas_k = warm_c + 273.15 if warm_c is not None else pot_gas.REFERENCE_K
        free_m3, full = self.pot.free_l * 1e-3, self.pot.target_kpa * 1e3 + p_atm
        opening = pot_gas.conductance_from_loss(self.rate_kpa_min, full, p_atm, free_m3, gas_k)
        floor = self.pot.floor_kpa * 1e3 + p_atm
        left_s = pot_gas.blowdown_s(opening, kpa * 1e3 + p_atm, floor, p_atm, free_m3, gas_k)
        floor_at = t + left_s if left_s < 86400.0 else None
        before = floor_at is not None and (self.hold_at is None or floor_at < self.hold_at)
        return PotLeaking(
            t=t, subject=self.place.subject, verdict=verdict, kpa_per_min=self.rate_kpa_min,
            low=self.rate_kpa_min - 2.0 * self.spread_kpa_min, high=self.rate_kpa_min + 2.0 * self.spread_kpa_min,
            conductance_m3_s_pa=opening, hole_mm=pot_gas.hole_of_conductance(opening), floor_at=floor_at,
            matters=before and not self.hold_done, active=active,
        )  # fmt: skip


def make(settings: Settings, place: Place) -> LeakWatcher:
    """A watcher for one pot's leak.  Raises ValueError when the place is no pot."""
    if place.pot is None:
        raise ValueError("the leak watcher needs a pot")
    return LeakWatcher(place=place, pot=place.pot, tune=settings)
