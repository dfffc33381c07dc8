"""Watches the scale: what was weighed for the next batch, and whether its ratio is right.

On the scale: nothing (or a cup, tared), then A, then A and B together; or, tared between them, A and then B.  A plateau
is a few seconds of readings close together.  Either part may be added in several steps: of all ways to read the
plateaus as A and then B the one nearest the label's ratio is used; one far from it is a batch that is not finished yet.
Published before the mix only: after it no amount can be corrected, and a guess about a ratio does not help in mid-pour.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from pydantic import BaseModel, ConfigDict

from benchd.core.bench import Bench
from benchd.core.findings import BatchWeighed, Event, Finding, PourStarted
from benchd.core.model import Reading
from benchd.core.seat.watcher import Place, Reads
from benchd.stored import stored

Side = Literal["good", "too-much-b", "too-little-b"]

SCOPE = "bench"
ORDER = 42
READS = Reads(roles=("scale",), findings=(PourStarted,))
EMITS = (BatchWeighed,)

MOST_GOES = 8


@stored("weigh-settings")
class Settings(BaseModel):
    """When a reading is steady, and how far off a ratio may be."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    steady_s: float = 3.0  # common practice: a hand has let go of the cup
    steady_g: float = 0.3  # twice the last digit of a kitchen scale of 0.1 g; common practice
    least_g: float = 5.0  # below it a drop or a stirring stick; common practice
    far: float = 0.3  # beyond it a batch is not finished, or not one; common practice, no source
    off: float = 0.02  # weigh to +-2 %: common practice, no source
    same_g: float = 0.5  # not told anew for less; common practice


@stored("weigh")
@dataclass(slots=True)
class Weigh:
    """The watcher of the scale: its plateaus since it was last empty."""

    settings: Settings
    bench: Bench
    place: Place
    recent: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=64))
    level_g: float | None = None
    heights_g: list[float] = field(default_factory=list)
    tared_a_g: float | None = None
    told: tuple[float, float] | None = None
    told_at_g: float = 0.0

    def see(self, event: Event) -> Sequence[Finding]:
        """The findings that follow from one event."""
        match event:
            case PourStarted():
                self._forget()
            case Reading(value=float(value)):
                return self._reading(event.t, value)
        return ()

    def _forget(self) -> None:
        self.tared_a_g = self.told = None
        self.heights_g = []

    def _reading(self, t: float, grams: float) -> Sequence[Finding]:
        self.recent.append((t, grams))
        while self.recent[0][0] < t - 2.0 * self.settings.steady_s:
            self.recent.popleft()
        level_g = self._plateau(t)
        if level_g is None or (self.level_g is not None and abs(level_g - self.level_g) < self.settings.steady_g):
            return ()
        self.level_g = level_g
        return self._step(t, level_g)

    def _plateau(self, t: float) -> float | None:
        """The steady level of the last seconds [g]; None while it changes."""
        last = [g for at, g in self.recent if at >= t - self.settings.steady_s]
        if len(last) < 2 or t - self.recent[0][0] < self.settings.steady_s:
            return None
        return sum(last) / len(last) if max(last) - min(last) <= self.settings.steady_g else None

    def _step(self, t: float, level_g: float) -> Sequence[Finding]:
        least_g = self.settings.least_g
        if level_g < -least_g:  # the tared cup was removed: the weights stay valid
            return ()
        if level_g < least_g:
            self._emptied()
            return ()
        below = [g for g in self.heights_g if g < level_g - self.settings.steady_g]
        self.heights_g = [*below[-MOST_GOES:], level_g]
        return self._judged(t)

    def _emptied(self) -> None:
        """Near zero: tared with A in the cup, so that B comes next; or, after both, a new batch."""
        if self.told is not None:
            self._forget()
        elif self.heights_g:
            self.tared_a_g, self.heights_g = self.heights_g[-1], []

    def _ways(self) -> list[tuple[float, float]]:
        """All ways to read the plateaus as (A, B) [g]."""
        level_g = self.heights_g[-1]
        if self.tared_a_g is not None:
            return [(self.tared_a_g, level_g)]
        ways = [(a_g, level_g - a_g) for a_g in self.heights_g[:-1]]
        if self.told is not None and level_g > self.told_at_g:  # more A on top of both, to correct the ratio
            ways.append((self.told[0] + level_g - self.told_at_g, self.told[1]))
        return ways

    def _judged(self, t: float) -> Sequence[Finding]:
        used = self.bench.lot_in_use()
        lot = used.id if used else None
        label = self.bench.label_for(lot)
        ways = [(a_g, b_g) for a_g, b_g in self._ways() if b_g >= self.settings.least_g]
        if not ways or label is None:
            return ()
        errors = {way: way[1] / way[0] / label.ratio_weight_b - 1.0 for way in ways}
        (a_g, b_g), error = min(errors.items(), key=lambda each: abs(each[1]))
        if abs(error) > self.settings.far or self._is_told(a_g, b_g):
            return ()
        self.told, self.told_at_g = (a_g, b_g), self.heights_g[-1]
        side: Side = "good"
        if abs(error) > self.settings.off:
            side = "too-much-b" if error > 0.0 else "too-little-b"
        subject, a_g, b_g = self.place.subject, round(a_g, 1), round(b_g, 1)
        return (BatchWeighed(t=t, subject=subject, a_g=a_g, b_g=b_g, ratio_error=error, side=side, lot=lot),)

    def _is_told(self, a_g: float, b_g: float) -> bool:
        same_g = self.settings.same_g
        return self.told is not None and abs(a_g - self.told[0]) < same_g and abs(b_g - self.told[1]) < same_g


def make(settings: Settings, place: Place) -> Weigh:
    """The watcher of a bench's scale."""
    return Weigh(settings, place.bench, place)
