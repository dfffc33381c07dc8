"""What a board without a clock shows of time: the steady cadence of its lines, and how stale a burst of them may be."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from statistics import median

from benchd.core.intake.board_counts import COUNT_WRAP
from benchd.stored import stored

STEPS = 31  # steps looked at; common practice, no source
STEADY_WITHIN = 0.2  # of the median step,
STEADY_SHARE = (
    0.96  # all of them but one: a cadence, not a board with lines in between; both common practice, no source
)
PAUSE_MOST_S = 5.0  # later than this is a board that paused, or another one; common practice, no source
PAUSED_LINES = 3  # that many in a row as late as each other, at the usual distance
BURST_SHARE = 0.5  # of the usual distance: closer lines come out of a buffer
STALL_TIMES = 2.0  # the usual distance: a longer one is a stall


@stored("cadence")
@dataclass(slots=True)
class Cadence:
    """Turns `seq` into a board's own time, where its lines come as regularly as a clock."""

    seq: int | None = None
    arrival_t: float = 0.0
    x: float = 0.0
    owed_s: float = 0.0
    late_s: float = 0.0
    same: int = 0
    steps: deque[float] = field(default_factory=lambda: deque(maxlen=STEPS))

    def clear(self) -> None:
        self.seq, self.same, self.owed_s = None, 0, 0.0
        self.steps.clear()

    def see(self, seq: int | None, arrival_t: float) -> float | None:
        """The board's own time of this line [s], None while no cadence is known."""
        if seq is None:
            return None
        many = 0 if self.seq is None else (seq - self.seq) % COUNT_WRAP
        if 0 < many < STEPS:
            self._learn((arrival_t - self.arrival_t) / many)
        elif self.seq is not None:
            self.steps.clear()
        self.seq, self.arrival_t = seq, arrival_t
        period_s = self.period_s()
        if period_s is None:
            self.x = arrival_t
            return None
        self.x += many * period_s
        return self.x

    def _learn(self, step_s: float) -> None:
        """Take one step.  A stall's burst makes up for the stall; a line in between for nothing: no cadence then."""
        usual_s = self.period_s()
        if usual_s is None:
            self.steps.append(step_s)
        elif step_s > STALL_TIMES * usual_s:
            self.owed_s = step_s - usual_s
        elif step_s < BURST_SHARE * usual_s:
            self.owed_s -= usual_s - step_s
            if self.owed_s < -BURST_SHARE * usual_s:
                self.steps.clear()
        else:
            self.steps.append(step_s)
            self.owed_s = 0.0

    def period_s(self) -> float | None:
        """Seconds a line, None unless they come steadily."""
        if len(self.steps) < STEPS:
            return None
        usual_s = median(self.steps)
        near = sum(abs(step_s - usual_s) <= STEADY_WITHIN * usual_s for step_s in self.steps)
        return usual_s if usual_s > 0.0 and near >= STEADY_SHARE * len(self.steps) else None

    def is_paused(self, late_s: float) -> bool:
        """Whether lines are late because the board paused: they do not catch up."""
        period_s = self.period_s() or 0.0
        stays = late_s > period_s and abs(late_s - self.late_s) < STEADY_WITHIN * period_s
        self.same = self.same + 1 if stays else 0
        self.late_s = late_s
        if self.same + 1 < PAUSED_LINES and late_s <= PAUSE_MOST_S:
            return False
        self.same = 0
        return late_s < float("inf")


@stored("staleness")
@dataclass(slots=True)
class Staleness:
    """How old the lines of a burst may be, by their arrivals alone."""

    arrival_t: float | None = None
    usual_s: float = 0.0
    owed_s: float = 0.0

    def see(self, arrival_t: float, lost: int = 0) -> float:
        """How long before its arrival this line may have been made [s]; lost: lines before it that never came."""
        before_t, self.arrival_t = self.arrival_t, arrival_t
        if before_t is None:
            return 0.0
        step_s = (arrival_t - before_t) / (lost + 1)
        self.usual_s = self.usual_s or step_s
        if self.usual_s > 0.0 and step_s > STALL_TIMES * self.usual_s:
            self.owed_s = step_s - self.usual_s
        elif step_s < BURST_SHARE * self.usual_s:
            self.owed_s = max(0.0, self.owed_s - (self.usual_s - step_s))
        else:
            self.owed_s = 0.0
        share = 0.2 if step_s > self.usual_s else 0.02
        self.usual_s += share * (min(step_s, max(STALL_TIMES * self.usual_s, 1.0)) - self.usual_s)
        return self.owed_s
