"""Watches a cup's heat: its peak, and whether it is still too hot for a bin.

Peak: the hottest five-second median from the heating's steepest on (or from the kick, where no steepest was seen),
published once the cup has kicked and cooled from it; of a slow probe, the median of three readings.  Hot: above 100 C,
whether or not a pour is known; of one not known to have kicked it waits a while for the kick, which is the news, and
the heat is part of it.  Cool or hot for its label: only when the label gives a peak and the cup holds about the
label's mass, since a small cup peaks lower with any resin.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from math import isfinite
from statistics import median
from typing import Literal

from pydantic import BaseModel, ConfigDict

from benchd.core.bench import Cup
from benchd.core.findings import CupHot, CupOdd, CupPeaked, CupSteepest, Event, Finding, Kicked, PourEnded, PourStarted
from benchd.core.model import Reading, Subject
from benchd.core.seat.watcher import Place, Reads
from benchd.stored import stored

SCOPE = "cup"
ORDER = 25
READS = Reads(roles=("cup_temperature", "room_temperature"), findings=(PourStarted, PourEnded, CupSteepest, Kicked))
EMITS = (CupPeaked, CupHot, CupOdd)

MOST_SAMPLES = 64  # 5 s at 10 Hz, with a reserve


@stored("peak-settings")
class Settings(BaseModel):
    """CP: common practice, no source; calc: from stated inputs."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    smooth_s: float = 5.0  # CP: a peak lasts tens of seconds
    down_k: float = 2.0  # CP: four times the noise of a poor probe
    most_wait_s: float = 3600.0  # calc: a witness cup has lost 94 % of its heat in an hour
    hot_c: float = 100.0  # CP: a residue above it is a burn, and a fire in a bin
    kick_wait_s: float = 60.0  # CP: three times what the kick watcher takes to be sure of a kick already hot
    cooled_c: float = 90.0  # CP: ten degrees of hysteresis
    odd_peak_share: float = 0.25  # CP: peaks repeat to some 10 % of the rise; twice that and the probe's place
    odd_peak_k: float = 15.0  # CP: and never less than this
    mass_ratio: float = 2.0  # CP: the label's peak is taken to hold from half to twice its mass


@stored("peak-watcher")
@dataclass(slots=True)
class PeakWatcher:
    """The watcher of one cup's heat."""

    tune: Settings
    place: Place
    cup: Cup
    recent: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=MOST_SAMPLES))
    pour: PourStarted | None = None
    hottest: tuple[float, float] | None = None
    kicked_t: float | None = None
    is_past_steepest: bool = False
    is_peak_told: bool = False
    is_hot: bool = False
    hot_since: float | None = None
    room_c: float | None = None

    def see(self, event: Event) -> Sequence[Finding]:
        """The findings that follow from one event."""
        match event:
            case Reading(value=float() | int() as value) if isfinite(value) and -40.0 < value < 300.0:
                if event.role == "room_temperature":
                    self.room_c = value
                elif event.of == self.cup.id:
                    return self._sample(event.t, value)
            case PourStarted():
                if self.pour is None or self.pour.subject.pour != event.subject.pour:
                    self._forget()
                self.pour = event
            case PourEnded() if self.pour is not None and event.subject.pour == self.pour.subject.pour:
                self.pour = None
                self._forget()
            case CupSteepest() if self.pour is not None:
                self.is_past_steepest = True
            case Kicked() if self.pour is not None and self.kicked_t is None and not self.is_peak_told:
                self.kicked_t = event.at
        return ()

    def _forget(self) -> None:
        self.hottest, self.kicked_t, self.is_past_steepest, self.is_peak_told = None, None, False, False

    def _subject(self) -> Subject:
        about = self.pour.subject if self.pour else None
        return self.place.subject.filled(pour=about.pour, pot=about.pot) if about else self.place.subject

    def _sample(self, t: float, value: float) -> list[Finding]:
        if self.recent and t <= self.recent[-1][0]:
            return []
        self.recent.append((t, value))
        while len(self.recent) > 3 and t - self.recent[0][0] > self.tune.smooth_s:
            self.recent.popleft()
        if len(self.recent) < 3:
            return []
        smooth_c = median(c for _, c in self.recent)
        return [*self._heat(t, smooth_c), *self._peak(t, smooth_c)]

    def _heat(self, t: float, smooth_c: float) -> list[Finding]:
        was, hot = self.is_hot, smooth_c > (self.tune.cooled_c if self.is_hot else self.tune.hot_c)
        self.hot_since = (t if self.hot_since is None else self.hot_since) if hot else None
        awaits = self.pour is not None and self.kicked_t is None and not self.is_peak_told
        waited_s = t - self.hot_since if self.hot_since is not None else 0.0
        self.is_hot = hot and (was or not awaits or waited_s >= self.tune.kick_wait_s)
        if self.is_hot == was:
            return []
        return [CupHot(t=t, subject=self._subject(), temp_c=smooth_c, active=self.is_hot)]

    def _peak(self, t: float, smooth_c: float) -> list[Finding]:
        if self.is_peak_told or (self.kicked_t is None and not self.is_past_steepest):
            return []
        if self.kicked_t is not None and t - self.kicked_t > self.tune.most_wait_s:
            self.kicked_t, self.is_peak_told = None, True
            return []
        if self.hottest is None or smooth_c > self.hottest[1]:
            middle_t = 0.5 * (self.recent[0][0] + self.recent[-1][0])
            self.hottest = (middle_t, smooth_c)
        at, top_c = self.hottest
        if self.kicked_t is None or smooth_c > top_c - self.tune.down_k:
            return []
        self.kicked_t, self.is_peak_told = None, True
        at -= self.cup.probe_lag_s
        return [CupPeaked(t=t, subject=self._subject(), at=at, temp_c=top_c), *self._odd(t, top_c)]

    def _odd(self, t: float, top_c: float) -> list[Finding]:
        label = self.place.bench.label_for(self.pour.lot) if self.pour else None
        if label is None or label.peak_c is None:
            return []
        ratio = self.cup.mass_g / label.pot_life_mass_g
        if not 1.0 / self.tune.mass_ratio <= ratio <= self.tune.mass_ratio:
            return []
        room_c = self.room_c if self.room_c is not None else 23.0
        limit_k = max(self.tune.odd_peak_k, self.tune.odd_peak_share * (label.peak_c - room_c))
        if abs(top_c - label.peak_c) <= limit_k:
            return []
        what: Literal["cool", "hot"] = "cool" if top_c < label.peak_c else "hot"
        return [CupOdd(t=t, subject=self._subject(), what=what, expected=label.peak_c, got=top_c)]


def make(settings: Settings, place: Place) -> PeakWatcher:
    """The watcher of one cup's heat."""
    if place.cup is None:
        raise ValueError("the peak watcher stands at a cup")
    return PeakWatcher(settings, place, place.cup)
