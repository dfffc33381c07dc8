"""Dates a board's line by the board's own clock, however long its way here took, and says how well that is known.

1. The board's seconds since boot (`up`) are its clock; the line under arrival - `up` (envelope.py) is where they stand
   in bench time.  A late line moves nothing: it is dated when it was made.  No line is dated after its arrival.
2. A board that sends no `up` has the cadence its `seq` shows, if it keeps one (cadence.py); else the arrival counts,
   and so it does where the bench's settings say so.  A burst behind a stall may be as old as the stall.
3. The times given never run back, and go on within a tenth of the board's pace.  Where an earlier line than ever shows
   that those before were dated too late, less time is given to a step than the board's own: the difference is part of
   the doubt, and wears off.  So are the first seconds after a start, when a buffer may hold old lines.
4. Lines that cannot be told apart in time are `squeezed`: their readings would be speed out of nothing.
5. Only a restart of the board begins a new line.  A count of seconds that leaps ahead of any possible arrival is
   believed when several lines in a row agree.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from benchd.core.intake.cadence import Cadence, Staleness
from benchd.core.intake.envelope import Envelope
from benchd.stored import stored

SETTLE_S = 5.0  # the 4 kB a terminal's buffer holds are some 5 s of a usual board's lines (20 of 200 bytes)
SLEW = 0.1  # how much slower or faster than the board the time given may go; common practice, no source
RATES_REACH_S = 20.0  # pressure_trace keeps so much; its longest rate is over 12 s
AT_ONCE_S = 0.005  # less late is a board's millisecond and its rounding; common practice, no source
BEHIND_MOST_S = 2.0  # further behind, it catches up at once: a longer step is no speed; common practice, no source
LEAP_S = 10.0  # earlier than minutes have shown: no link gains so much, a count leaps; common practice, no source
LEAPS_BELIEVED = 5  # lines in a row
LEAST_SHARE = 0.4  # of the board's own step: given less than this, lines are not told apart
CADENCE_SLOPE = 0.05  # how well a cadence is known at first; common practice, no source


@dataclass(frozen=True, slots=True)
class Dated:
    """When a line was made [bench unix s], give or take doubt_s; squeezed: not told apart in time from the last one."""

    t: float
    doubt_s: float = 0.0
    squeezed: bool = False


@stored("board-clock")
@dataclass(slots=True)
class BoardClock:
    """One board's time; by_arrival: the bench's settings say that its arrival counts."""

    by_arrival: bool = False
    up: Envelope = field(default_factory=Envelope)
    seq: Envelope = field(default_factory=lambda: Envelope(CADENCE_SLOPE))
    cadence: Cadence = field(default_factory=Cadence)
    staleness: Staleness = field(default_factory=Staleness)
    has_up: bool = False
    begun_t: float = -math.inf
    """When the first line by the board's `up` came."""
    x: float | None = None
    """The board's own time of the last line dated by it [s]."""
    t: float | None = None
    """The last time given [unix s]."""
    lag_s: float = 0.0
    short_s: float = 0.0
    """By how much the last steps were given less than the board's own, and at which x the latest of them was."""
    short_x: float = 0.0
    leaps: int = 0

    def restart(self) -> None:
        """The board began to count anew: nothing of its clock is known any more."""
        self.up.clear()
        self.seq.clear()
        self.cadence.clear()
        self.x, self.lag_s, self.short_s, self.leaps = None, 0.0, 0.0, 0

    def date(self, seq: int | None, up_s: float | None, arrival_t: float, lost: int = 0) -> Dated:
        """The time of the next line of a board's lines in order; lost: how many before it never came."""
        stale_s = self.staleness.see(arrival_t, lost)
        self.has_up = self.has_up or up_s is not None
        if self.by_arrival:
            return self._given(arrival_t, arrival_t, stale_s)
        if up_s is not None:
            return self._by(self.up, up_s, arrival_t)
        if self.has_up:
            return self._given(arrival_t - self.lag_s, arrival_t, self.lag_s)
        x = self.cadence.see(seq, arrival_t)
        if x is None:
            self.seq.clear()
            self.x = None
            return self._given(arrival_t, arrival_t, stale_s)
        return self._by_cadence(x, arrival_t, stale_s)

    def _by_cadence(self, x: float, arrival_t: float, stale_s: float) -> Dated:
        """A board that paused goes on later, a stall's lines catch up: until that is seen the lateness is in doubt."""
        late_s = arrival_t - x - self.seq.under(x)
        if self.cadence.is_paused(late_s):
            self.seq.clear()
            self.x = None
        dated = self._by(self.seq, x, arrival_t)
        return Dated(dated.t, max(dated.doubt_s, min(stale_s, arrival_t - dated.t)))

    def _by(self, line: Envelope, x: float, arrival_t: float) -> Dated:
        late_s = arrival_t - x
        if line.base is not None and late_s < line.under(x) - LEAP_S and arrival_t - self.begun_t > SETTLE_S:
            self.leaps += 1
            if self.leaps < LEAPS_BELIEVED:
                return self._given(arrival_t, arrival_t, line.under(x) - late_s)
            line.clear()
            self.x = None
        self.leaps = 0
        if line.base is None and line is self.up:
            self.begun_t = arrival_t
        line.add(x, late_s)
        honest_t = x + line.under(x)
        return self._slewed(x, arrival_t if arrival_t - honest_t < AT_ONCE_S else honest_t, arrival_t)

    def _slewed(self, x: float, honest_t: float, arrival_t: float) -> Dated:
        """The honest time, or what the times given before leave of it."""
        before_t, step_s, t = self.t, 0.0, honest_t
        if before_t is not None and self.x is not None:
            step_s = max(x - self.x, 0.0)
            t = max(t, before_t + (1.0 - SLEW) * step_s)
            t = min(t, max(before_t + (1.0 + SLEW) * step_s, honest_t - BEHIND_MOST_S))
        self.x = x
        t = self._given(t, arrival_t, 0.0).t
        given_s = step_s if before_t is None else t - before_t
        self._shorten(x, step_s, given_s)
        doubt_s = abs(t - honest_t) + self.short_s + max(0.0, SETTLE_S - (arrival_t - self.begun_t))
        return Dated(t, doubt_s, squeezed=given_s < LEAST_SHARE * step_s)

    def _shorten(self, x: float, step_s: float, given_s: float) -> None:
        """Add up what steps were given less than the board's own, as long as a rate may reach back over them."""
        if x - self.short_x > RATES_REACH_S:
            self.short_s = 0.0
        if given_s < (1.0 - SLEW) * step_s - 1e-6:
            self.short_s, self.short_x = self.short_s + step_s - given_s, x

    def _given(self, t: float, arrival_t: float, doubt_s: float) -> Dated:
        """No earlier than the last time given, nor later than the arrival."""
        t = min(t if self.t is None else max(t, self.t), arrival_t)
        self.t, self.lag_s = t, max(0.0, arrival_t - t)
        return Dated(t, doubt_s)
