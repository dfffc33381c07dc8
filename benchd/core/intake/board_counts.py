"""Counts a board's lost and misplaced lines, notices its restarts, and finds new presses of its foot switch.

Kept one per board (source and base name) by whoever steps its lines; plain state.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field

from benchd.stored import stored

COUNT_WRAP = 2**32  # a board's counts are unsigned 32-bit
PRESSES = ("short", "long", "double")
MOST_PRESSES = 10  # more at once is no foot but a board that was swapped or reset unseen; common practice, no source

RECENT = 32  # lines remembered: more places late is another boot; common practice, no source
YOUNG_S, YOUNG_SEQ = 60.0, 2  # a board that restarted sends its first lines so soon; common practice, no source
RUN = 5  # lines in a row that prove a board counting anew from elsewhere; common practice, no source


@dataclass(frozen=True, slots=True)
class SeqNews:
    """What one line's seq and up told.

    lost: lines missing before it.  reset: the board restarted, and this is its second line since.  repeated: it came
    before.  late: it came after lines that were made after it.  doubtful: late, or the first after a restart; the next
    line tells.
    """

    lost: int = 0
    reset: bool = False
    repeated: bool = False
    late: bool = False
    doubtful: bool = False

    @property
    def is_next(self) -> bool:
        """True if the line is in its place."""
        return not (self.repeated or self.late or self.doubtful)


Place = tuple[int | None, float | None]
"""(seq, up [s]) of a line."""


@stored("seq-counter")
@dataclass(slots=True)
class SeqCounter:
    """Follows one board's `seq` (wraps at 2^32) and `up` [s], and tells a restart from a line out of its place.

    1. A line in its place has a later `up`, or where one of two has none, a `seq` less than half the wrap ahead.
    2. One of the last RECENT again came twice; one that fits between two of them is late.
    3. Any other may be the first after a restart: what follows on it proves it.  One more line does where `up` (without
       one `seq`) begins near zero, else RUN in a row.  A line in its old place disproves it: then it was late.

    How many lines a restart swallowed cannot be known and is not counted.
    """

    seq: int | None = None
    up_s: float | None = None
    lost: int = 0
    resets: int = 0
    repeats: int = 0
    recent: deque[Place] = field(default_factory=lambda: deque(maxlen=RECENT))
    first: Place | None = None
    """Of the lines that may be those of a board that restarted, the latest."""
    is_young: bool = False
    run: int = 0

    def see(self, seq: int | None, up_s: float | None) -> SeqNews:
        """What is new with this line; either value may be missing from it."""
        if self._is_next(seq, up_s):
            return self._next(seq, up_s)
        if self.first is not None and _follows(self.first, (seq, up_s)):
            self.run += 1
            self.first = (seq, up_s)
            if self.run < (2 if self.is_young else RUN):
                return SeqNews(doubtful=True)
            return self._restarted(seq, up_s)
        if (seq, up_s) in self.recent:
            if seq is not None and seq <= YOUNG_SEQ:
                self._suspect(seq, up_s, is_young=False)
            self.repeats += 1
            return SeqNews(repeated=True)
        if self._fits_between(seq, up_s):
            return SeqNews(late=True)
        self._suspect(seq, up_s, is_young=up_s <= YOUNG_S if up_s is not None else seq is not None and seq <= YOUNG_S)
        return SeqNews(doubtful=True)

    def _is_next(self, seq: int | None, up_s: float | None) -> bool:
        if up_s is not None and self.up_s is not None and up_s != self.up_s:
            return up_s > self.up_s
        step = self._step(seq)
        return step is None or 0 < step < COUNT_WRAP // 2

    def _step(self, seq: int | None) -> int | None:
        return None if seq is None or self.seq is None else (seq - self.seq) % COUNT_WRAP

    def _next(self, seq: int | None, up_s: float | None) -> SeqNews:
        step = self._step(seq)
        if step == 0:
            self.repeats += 1
            return SeqNews(repeated=True)
        lost = step - 1 if step is not None and step < COUNT_WRAP // 2 else 0
        self._take(seq, up_s)
        self.lost += lost
        return SeqNews(lost)

    def _take(self, seq: int | None, up_s: float | None) -> None:
        self.seq = self.seq if seq is None else seq
        self.up_s = self.up_s if up_s is None else up_s
        self.recent.append((seq, up_s))
        self.first, self.run = None, 0

    def _suspect(self, seq: int | None, up_s: float | None, *, is_young: bool) -> None:
        self.first, self.run, self.is_young = (seq, up_s), 1, is_young

    def _restarted(self, seq: int | None, up_s: float | None) -> SeqNews:
        self.resets += 1
        self.recent.clear()
        self.seq = self.up_s = None
        self._take(seq, up_s)
        return SeqNews(reset=True)

    def _fits_between(self, seq: int | None, up_s: float | None) -> bool:
        """Whether this line was missing from the last ones, by its number and by its time."""
        if seq is None:
            return False
        known = [(n, u) for n, u in self.recent if n is not None]
        before = [u for n, u in known if (seq - n) % COUNT_WRAP < COUNT_WRAP // 2]
        after = [u for n, u in known if (n - seq) % COUNT_WRAP < COUNT_WRAP // 2]
        if not before or not after or any(n == seq for n, _ in known):
            return False
        return up_s is None or (
            all(u is None or u <= up_s for u in before) and all(u is None or u >= up_s for u in after)
        )


def _follows(first: Place, second: Place) -> bool:
    """Whether a line may be the next, or soon after it, of the same board."""
    (seq, up_s), (next_seq, next_up_s) = first, second
    counts = seq is None or next_seq is None or 0 < (next_seq - seq) % COUNT_WRAP < RECENT
    return counts and (up_s is None or next_up_s is None or next_up_s >= up_s)


@stored("press-counter")
@dataclass(slots=True)
class PressCounter:
    """Turns one board's running press counts into presses; the first count after a boot is the base, no press."""

    counts: dict[str, int] = field(default_factory=dict)

    def see(self, presses: Mapping[str, int], reset: bool = False) -> tuple[str, ...]:
        """New presses, each "short", "long" or "double"; `reset` = the board booted since the last line."""
        if reset:
            self.counts.clear()
        new: list[str] = []
        for kind in PRESSES:
            if kind not in presses:
                continue
            step = (presses[kind] - self.counts.get(kind, presses[kind])) % COUNT_WRAP
            self.counts[kind] = presses[kind]
            if step <= MOST_PRESSES:
                new += [kind] * step
        return tuple(new)
