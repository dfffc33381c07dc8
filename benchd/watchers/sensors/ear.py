"""What is kept of one channel: when it was last heard, what is wrong with it, how long its number has been the same."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from benchd.core.bench import Channel
from benchd.core.model import Subject
from benchd.core.seat.watcher import Place
from benchd.stored import stored


@stored("sensors-still")
@dataclass(slots=True)
class Still:
    """How long the raw number has stayed the same, and its noise or climb before.  `raw` units except for `climb`."""

    raw: float = math.nan
    since: float = 0.0
    change: float = 0.0
    step: float = math.inf
    lively: float = 0.0  # share of readings that jump back by two steps or more, over the last 600
    lively_before: float = 0.0  # the same when the present value began
    count: int = 0
    past: list[tuple[float, float]] = field(default_factory=list)  # (t, raw) each 5 s, the last 30 s
    climb_steps: float = 0.0  # in the 30 s before the present value began
    dead: bool = False  # proved stuck; until it moves

    def see(self, t: float, raw: float) -> None:
        """Take one reading's raw number at t [unix s]."""
        change = raw - self.raw
        self.count = min(self.count + 1, 600)
        jumped_back = False
        if abs(change) <= 1e-9 * abs(raw):
            pass
        elif math.isnan(change):
            self.raw, self.since = raw, t
        else:
            self.step = min(self.step, abs(change))
            jumped_back = change * self.change < 0.0 and abs(change) >= 1.5 * self.step
            self.raw, self.since, self.change, self.lively_before, self.dead = raw, t, change, self.lively, False
            self.climb_steps = (raw - self.past[0][1]) / self.step if self.past else 0.0
        self.lively += (jumped_back - self.lively) / self.count
        if not self.past or t - self.past[-1][0] >= 5.0:
            self.past = [(pt, pr) for pt, pr in self.past if t - pt <= 30.0] + [(t, raw)]


@stored("sensors-ear")
@dataclass(slots=True)
class Ear:
    """The state of one channel."""

    channel: Channel
    subject: Subject
    heard_t: float | None = None
    silent: bool = False  # published, until good again
    faulty: bool = False  # published, until good again
    with_board: bool = False  # published as gone with its whole board
    bad_s: float = 0.0
    good_since: float | None = None
    good_for_s: float = 0.0  # how long it must be good now
    back_t: float = -math.inf  # when it last became good again
    anchor: float | None = None
    anchor_t: float = 0.0
    agreed: int = 0  # readings that fitted the anchor; a single first one may itself be the spike
    still: Still = field(default_factory=Still)


def ear_of(channel: Channel, place: Place) -> Ear:
    """What is kept of a channel before anything was heard of it."""
    of = channel.of or None
    cup = of if channel.role.startswith("cup_") else None
    pot = of if channel.role.startswith("pot_") else None
    mold = of if channel.role.startswith("mold_") else None
    subject = place.subject.filled(channel=channel.id, cup=cup, pot=pot, mold=mold)
    return Ear(channel, subject)
