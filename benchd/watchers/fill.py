"""Watches the air going into a pot: that it comes, not too hard, through an open tap; and topping up.

No pressure: a fill that stops below the floor, or none although "Lid now" or "Late" was said and a lid's time has
passed.  A gauge that rises evenly for tens of seconds is neither: an inlet fills or stalls within seconds, while a
clogged port or a half-shut tap makes the gauge crawl.  That is a guess from the shape alone, hence one call to look
at the tap, never a block. A gauge that jumps to pressure faster than any pot fills is on the hose; one that is up at
a mix, and was never seen empty, may be.  After a hole in the gauge's record all waiting begins again.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from pydantic import BaseModel, ConfigDict

from benchd.core.bench import Pot
from benchd.core.findings import (
    Event,
    Finding,
    GaugeDropped,
    LidNow,
    MoldPoured,
    PortClogged,
    PotAtPressure,
    PotFilling,
    PotJet,
    PotLettingGo,
    PotLosing,
    PotNotFilling,
    PotToppedUp,
    PotVented,
    PotVenting,
    PourEnded,
    PourStarted,
    PressureLate,
    TapOnHose,
)
from benchd.core.model import Reading
from benchd.core.seat.pressure_trace import PressureTrace
from benchd.core.seat.watcher import Place, Reads
from benchd.core.units import KPA_PER_PSI as PSI
from benchd.stored import stored

SCOPE = "pot"
ORDER = 12
READS = Reads(
    roles=("pot_pressure",),
    findings=(
        LidNow, PressureLate, MoldPoured, PourStarted, PourEnded, PotFilling, PotAtPressure, PotVenting, PotVented,
        PotLettingGo, PotLosing, GaugeDropped,
    ), learned=True,
)  # fmt: skip
EMITS = (PotNotFilling, PotJet, PotToppedUp, PortClogged, TapOnHose)


@stored("fill-settings")
class Settings(BaseModel):
    """Thresholds.  CP: common practice, no source; calc: computed from stated inputs; sim: from rehearsed pots."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    near_zero_kpa: float = 1.0 * PSI  # CP: below it the gauge reads near zero
    lid_s: float = 25.0  # CP: load and lid 20 to 30 s; a learned caster's own takes its place
    late_s: float = 20.0  # CP: most of a lid's time on top; sooner a clogged gauge cannot be told from an empty pot
    stir_kpa: float = 0.05 * PSI  # calc: twice the noise of a mean of five samples; at worst the word waits stir_s
    stir_s: float = 18.0  # sim: how long a gauge that has begun to stir is given, to show whether it crawls
    stalled_s: float = 10.0  # CP: a half of the shortest fill without rising
    stalled_kpa_s: float = 3.0 / 60.0 * PSI  # CP: at this pace an empty pot is twelve minutes from its floor
    jet_kpa_s: float = 4.0 * PSI  # CP: a floor of 35 psi in nine seconds, half of the quickest good fill
    hose_s: float = 1.6  # calc: 13 l through a bore of 8 mm need 2.5 s
    hose_share: float = 0.6  # CP: of the target, so that no spike or opened valve counts
    topup_kpa: float = 0.5 * PSI  # CP: ten times the gauge's noise
    crawl_s: float = 20.0  # sim: how long an even climb is watched
    crawl_low_kpa_s: float = 0.9 / 60.0 * PSI  # sim: below it a plateau's own wander
    crawl_high_kpa_s: float = 8.0 / 60.0 * PSI  # sim: above it an inlet hardly opened
    crawl_noise_kpa: float = 0.15 * PSI  # sim: three times the gauge's noise; a fill is rougher


@stored("fill-watcher")
@dataclass(slots=True)
class FillWatcher:
    """The watcher of one pot's air."""

    place: Place
    pot: Pot
    tune: Settings
    trace: PressureTrace = field(default_factory=lambda: PressureTrace(keep_s=30.0))
    due_t: float | None = None  # when pressure should have begun to show
    rise_t: float | None = None  # when it last rose as a fill does
    from_kpa: float | None = None  # pressure at which a top-up began
    at_pressure: bool = False
    filled: bool = False  # it has risen at a fill's pace
    settled: bool = False  # since the fill itself ended
    falling: bool = False
    hard: int = 0
    jumped: bool = False
    was_empty: bool = False
    active: dict[str, bool] = field(default_factory=dict)

    def see(self, event: Event) -> Sequence[Finding]:
        """The findings that follow from one event."""
        match event:
            case Reading(role="pot_pressure", value=float(kpa)):
                return self._reading(event.t, kpa, event.t_doubt_s)
            case LidNow() if not self.at_pressure and self.rise_t is None:
                self.due_t = event.t + self._lid_s()
            case PressureLate(active=True) if self.due_t is None and not self.at_pressure and self.rise_t is None:
                self.due_t = event.t + self._lid_s()  # it calls for lid and air too, where it comes first
            case MoldPoured() if self.due_t is not None:  # the caster was still pouring when it was said
                self.due_t = max(self.due_t, event.t + self._lid_s())
            case PourStarted():
                return self._mixed(event.t)
            case PourEnded():
                self.due_t = None
            case PotFilling():
                self.rise_t, self.due_t = event.t, None
                self.filled = self.filled or event.kpa_per_min / 60.0 > 2.0 * self.tune.crawl_high_kpa_s
            case PotAtPressure():
                self.at_pressure, self.settled, self.falling, self.due_t = True, False, False, None
            case PotVenting():
                self.falling = event.active
            case PotLettingGo() | PotLosing() | GaugeDropped():
                self.falling = event.active
            case PotVented():
                return self._forget(event.t, event.kpa)
        return ()

    def _lid_s(self) -> float:
        return self.place.bench.learned.caster.lid_s or self.tune.lid_s

    def _forget(self, t: float, kpa: float) -> list[Finding]:
        self.at_pressure = self.falling = self.jumped = self.filled = False
        self.rise_t = self.from_kpa = None
        return self._not_filling(t, kpa, False, 0.0) + self._clogged(t, kpa, False, 0.0)

    def _reading(self, t: float, kpa: float, doubt_s: float) -> list[Finding]:
        if not -0.5 * self.place.bench.p_atm_kpa < kpa < 5.0 * self.pot.marked_kpa:
            return []
        if self.trace.add(t, kpa, doubt_s):
            self._silence_over(t)
        now = self.trace.kpa
        if now is None or not self.trace.is_fresh:
            return []
        self.was_empty = self.was_empty or now < self.tune.near_zero_kpa
        if now < self.tune.near_zero_kpa and self.due_t is None and not any(self.active.values()):
            return []  # an idle pot costs nothing
        out = self._jet(t, now)
        if self.at_pressure:
            return out + self._topped_up(t, now)
        crawling = self._crawls(t, now)
        out += self._clogged(t, now, crawling or (self._is(PortClogged) and not self._fills(t)), self._pace() * 60.0)
        return out + self._stalled(t, now, crawling or self._is(PortClogged))

    def _silence_over(self, t: float) -> None:
        """What was waited for is waited for from now on: nobody saw what happened meanwhile."""
        self.rise_t = None if self.rise_t is None else t
        self.due_t = None if self.due_t is None else max(self.due_t, t)
        self.hard = 0

    def _is(self, kind: type[Finding]) -> bool:
        return self.active.get(kind.finding, False)

    def _pace(self) -> float:
        return self.trace.slope_kpa_s(10.0) or 0.0

    def _fills(self, t: float) -> bool:
        return (self.trace.slope_kpa_s(4.0) or 0.0) > self.tune.crawl_high_kpa_s

    # ------------------------------------------------------------------------------------------------------ too hard

    def _jet(self, t: float, kpa: float) -> list[Finding]:
        pace = self.trace.slope_kpa_s(2.0) or 0.0
        rising = pace >= (0.5 if self._is(PotJet) else 1.0) * self.tune.jet_kpa_s
        self.hard = self.hard + 1 if rising else 0
        part, doubt_s = self.trace.last(self.tune.hose_s + 1.0), self.trace.doubt_s(self.tune.hose_s + 1.0)
        jump = next((t - at for at, low in part if self._jumps(t - at + doubt_s, low, kpa)), 0)
        if jump and not self.jumped:
            self.jumped = True
            return [TapOnHose(t=t, subject=self.place.subject, kpa=kpa, for_s=jump)]
        on = self.hard >= 2 and not self.jumped
        if on == self._is(PotJet):
            return []
        self.active[PotJet.finding] = on
        return [PotJet(t=t, subject=self.place.subject, kpa=kpa, kpa_per_min=60.0 * pace, active=on)]

    def _mixed(self, t: float) -> list[Finding]:
        """A cup is mixed, so the lid is off: a gauge that has only ever read pressure may be on the hose."""
        kpa = self.trace.kpa
        is_up = self.at_pressure and kpa is not None and kpa > self.tune.hose_share * self.pot.target_kpa
        if self.was_empty or self.jumped or not is_up:
            return []
        self.jumped = True
        return [TapOnHose(t=t, subject=self.place.subject, kpa=kpa or 0.0, for_s=0.0)]

    def _jumps(self, elapsed_s: float, low_kpa: float, kpa: float) -> bool:
        """Whether the gauge went from nothing to most of the target in no time."""
        near = low_kpa < 2.0 * self.tune.near_zero_kpa and kpa > self.tune.hose_share * self.pot.target_kpa
        return near and 0.0 < elapsed_s <= self.tune.hose_s

    # -------------------------------------------------------------------------------------------------- not coming in

    def _stalled(self, t: float, kpa: float, crawling: bool) -> list[Finding]:
        rose = self.rise_t is not None
        short = rose and self.tune.near_zero_kpa < kpa < self.pot.floor_kpa and not self.falling
        since = self.rise_t if rose else self.due_t
        for_s = t - since if since is not None else 0.0
        still = kpa < 3.0 * self.tune.near_zero_kpa and self._pace() < self.tune.crawl_low_kpa_s
        told = self._is(PotNotFilling)
        late_s = self.tune.late_s + (self.tune.stir_s if not told and self._stirs(t) else 0.0)
        flat = self.due_t is not None and for_s >= late_s and (still or told)
        if rose and self._is(PotNotFilling):
            on = short and not (self._fills(t) and self._pace() > 0.5 * self.tune.crawl_high_kpa_s)
        else:
            stands = for_s >= self.tune.stalled_s and self._pace() < self.tune.stalled_kpa_s
            on = (short and stands) or flat
        return self._not_filling(t, kpa, on and not crawling, for_s)

    def _stirs(self, t: float) -> bool:
        """Whether the gauge is higher than some seconds ago by more than its noise."""
        part = self.trace.last(25.0)
        late, early = [p for at, p in part if t - at < 5.0], [p for at, p in part if t - at >= 10.0]
        if not late or not early:
            return False
        sd_kpa = self.trace.noise_kpa * math.hypot(1.0 / math.sqrt(len(late)), 1.0 / math.sqrt(len(early)))
        return sum(late) / len(late) - sum(early) / len(early) >= max(self.tune.stir_kpa, 1.5 * sd_kpa)

    def _not_filling(self, t: float, kpa: float, on: bool, for_s: float) -> list[Finding]:
        if on == self._is(PotNotFilling):
            return []
        self.active[PotNotFilling.finding] = on
        return [PotNotFilling(t=t, subject=self.place.subject, kpa=kpa, for_s=for_s, active=on)]

    # --------------------------------------------------------------------------------------------- through a shut tap

    def _crawls(self, t: float, kpa: float) -> bool:
        """Whether the gauge rose evenly over the whole of crawl_s, at a pace that no inlet makes."""
        tune, part = self.tune, self.trace.last(self.tune.crawl_s)
        if self.filled or len(part) < 12 or part[-1][0] - part[0][0] < 0.9 * tune.crawl_s or self.falling:
            return False
        half = len(part) // 2
        first, second = line(part[:half]), line(part[half:])
        low, high = tune.crawl_low_kpa_s, tune.crawl_high_kpa_s
        whole = line(part)
        even = min(first[0], second[0]) > 0.5 * whole[0] and max(first[0], second[0]) < 1.5 * whole[0]
        return low <= whole[0] <= high and even and whole[1] <= tune.crawl_noise_kpa

    def _clogged(self, t: float, kpa: float, on: bool, kpa_per_min: float) -> list[Finding]:
        if on == self._is(PortClogged):
            return []
        self.active[PortClogged.finding] = on
        return [PortClogged(t=t, subject=self.place.subject, kpa=kpa, kpa_per_min=kpa_per_min, active=on)]

    # ------------------------------------------------------------------------------------------------------ fed again

    def _topped_up(self, t: float, kpa: float) -> list[Finding]:
        if self.settled and self.rise_t is not None and t - self.rise_t < 6.0 and self._fills(t):
            if self.from_kpa is None:
                self.from_kpa = min(p for _, p in self.trace.last(15.0))
            return []
        self.settled = self.settled or self._pace() < self.tune.stalled_kpa_s
        start, self.from_kpa = self.from_kpa, None
        step_kpa = max(self.tune.topup_kpa, 5.0 * self.trace.noise_kpa)
        missed = self.filled and start is not None and start < self.pot.target_kpa - step_kpa
        if start is None or not missed or kpa - start < step_kpa:
            return []
        return [PotToppedUp(t=t, subject=self.place.subject, from_kpa=start, kpa=kpa)]


def line(part: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """(slope [value/s], sd of the residuals) of the least-squares line through (t [s], value) pairs; two times or more.

    slope = sum (t - mean t)(v - mean v) / sum (t - mean t)^2; sd = sqrt(mean squared residual).

    >>> line([(0.0, 1.0), (1.0, 3.0), (2.0, 5.0)])
    (2.0, 0.0)
    """
    t0, n = part[0][0], len(part)
    mean_t = sum(t - t0 for t, _ in part) / n
    mean = sum(v for _, v in part) / n
    spread = sum((t - t0 - mean_t) ** 2 for t, _ in part)
    slope = sum((t - t0 - mean_t) * (v - mean) for t, v in part) / spread if spread > 0.0 else 0.0
    left = sum((v - mean - slope * (t - t0 - mean_t)) ** 2 for t, v in part) / n
    return slope, math.sqrt(left)


def make(settings: Settings, place: Place) -> FillWatcher:
    """The watcher of one pot's air.  Raises ValueError when the place is not a pot."""
    if place.pot is None:
        raise ValueError("the fill watcher needs a pot")
    return FillWatcher(place=place, pot=place.pot, tune=settings)
