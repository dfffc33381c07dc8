"""Sets how fast each stretch of a rehearsal is played: slowly while hands are busy, quickly while a pot holds.

hands    from half a minute before a mix until its pot is shut off
waiting  a pot is held, a part cools: minutes go by between two acts
quiet    between loads: ten minutes after the last act, five before the next
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass

from benchd.rehearsal.scenario import Scenario

START_S, START_SPEED = 2.0, 2.0
BEFORE_MIX_S, AFTER_SHUT_S = 30.0, 20.0
HANDS_MOST_S = 420.0  # a pot that is never shut off
QUIET_AFTER_S, QUIET_BEFORE_S = 600.0, 300.0
WAIT_AFTER_S, WAIT_BEFORE_S = 60.0, 20.0


@dataclass(frozen=True, slots=True)
class Pace:
    """Speeds, times real time; `near`: within a load, at an act that is no hurry (a vent, a demold)."""

    hands: float = 20.0
    near: float = 60.0
    waiting: float = 200.0
    quiet: float = 300.0

    @classmethod
    def steady(cls, speed: float, quiet: float) -> Pace:
        """One speed for all that is a load."""
        return cls(speed, speed, speed, max(speed, quiet))

    @property
    def fastest(self) -> float:
        """The greatest of its speeds."""
        return max(self.hands, self.near, self.waiting, self.quiet)


class PacedScript:
    """The speed at each moment of a scenario."""

    def __init__(self, scenario: Scenario, pace: Pace) -> None:
        self._pace = pace
        self._acts_s = sorted(act.at_s + scenario.lead_s for act in scenario.acts if not _is_fate(act.do))
        mixes = [act.at_s + scenario.lead_s for act in scenario.acts if act.do == "mix"]
        shut = [act.at_s + scenario.lead_s for act in scenario.acts if act.do == "inlet_shut"]
        self._hands = [
            (t - BEFORE_MIX_S, min([s + AFTER_SHUT_S for s in shut if s > t] + [t + HANDS_MOST_S])) for t in mixes
        ]

    def speed_at(self, t_s: float) -> float:
        """The speed at t_s [s since the rehearsal's start]."""
        pace = self._pace
        if t_s < START_S:
            return min(START_SPEED, pace.hands)
        if any(begin <= t_s <= end for begin, end in self._hands):
            return pace.hands
        next_at = bisect_right(self._acts_s, t_s)
        since_s = t_s - self._acts_s[next_at - 1] if next_at else float("inf")
        until_s = self._acts_s[next_at] - t_s if next_at < len(self._acts_s) else float("inf")
        if since_s > QUIET_AFTER_S and until_s > QUIET_BEFORE_S:
            return pace.quiet
        return pace.waiting if since_s > WAIT_AFTER_S and until_s > WAIT_BEFORE_S else pace.near


def _is_fate(do: str) -> bool:
    """True for what nobody at the bench does."""
    return do in ("room", "leak")
