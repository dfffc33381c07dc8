"""How many lines of a board were lost, was it reset, and which presses of its foot switch are new?

Kept one per board (source and base name) by whoever steps its lines; plain state.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from benchd.stored import stored

COUNT_WRAP = 2**32  # a board's counts are unsigned 32-bit
PRESSES = ("short", "long", "double")
MOST_PRESSES = 10  # more at once is no foot but a board that was swapped or reset unseen; common practice, no source


@dataclass(frozen=True, slots=True)
class SeqNews:
    """What one line's seq and up told: lines lost before it, whether the board was reset, whether it came twice."""

    lost: int = 0
    reset: bool = False
    repeated: bool = False


@stored("seq-counter")
@dataclass(slots=True)
class SeqCounter:
    """Follows one board's `seq` (wraps at 2^32) and `up` [s].

    A reset is an `up` that falls or a `seq` that jumps back (by less than half the wrap, seen round the circle).  How
    many lines a reset swallowed cannot be known and is not counted.
    """

    seq: int | None = None
    up_s: float | None = None
    lost: int = 0
    resets: int = 0
    repeats: int = 0

    def see(self, seq: int | None, up_s: float | None) -> SeqNews:
        """What is new with this line; either value may be missing from it."""
        step = None if seq is None or self.seq is None else (seq - self.seq) % COUNT_WRAP
        fell = up_s is not None and self.up_s is not None and up_s < self.up_s
        if step == 0 and not fell:
            self.repeats += 1
            return SeqNews(repeated=True)
        reset = fell or (step is not None and step >= COUNT_WRAP // 2)
        lost = 0 if step is None or reset else step - 1
        if seq is not None:
            self.seq = seq
        if up_s is not None or reset:
            self.up_s = up_s
        self.lost += lost
        self.resets += reset
        return SeqNews(lost, reset)


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
