"""When a pot's next fill is what lies ahead, and what was last published of its air."""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchd.core.bench import Pot
from benchd.stored import stored
from benchd.watchers.air.steady import Latch


@stored("pot-air")
@dataclass(slots=True)
class PotAir:
    """The last published state of one pot's air; is_quick: its load was mixed before the tank had cooled."""

    pot: Pot
    latch: Latch
    told: tuple[bool, str] = (False, "")
    is_full: bool = False
    rests_until: float = -math.inf
    cools_until: float = -math.inf
    is_quick: bool = False

    def filled(self, full: bool) -> None:
        """Its air is in, or out again: the time before does not count towards a fall of the humidity."""
        self.is_full, self.latch.low_since = full, None

    def vented(self, t: float, rests_s: float, cools_s: float) -> None:
        """It is empty since t [unix s]: the parts come out for rests_s, the tank cools for cools_s [s]."""
        self.rests_until = t + rests_s
        self.cools_until = t + (0.0 if self.is_quick else cools_s)

    def begun(self, t: float) -> None:
        """Its next load is mixed: too late for a word about its air, but the one after it may come as soon."""
        self.is_quick = not self.is_full and t < self.cools_until

    def awaited(self) -> None:
        """Its next load is being weighed: the fill is minutes away, however warm the tank still is."""
        if not self.is_full:
            self.rests_until = self.cools_until = -math.inf

    def is_next(self, t: float, is_cooling: bool, stays_wet: bool) -> bool:
        """Whether its next fill is what lies ahead, from air that will still be as it is.

        stays_wet: the tank will cool too slowly for a fill that begins as soon as it can.
        """
        is_settled = not is_cooling or stays_wet or t >= self.cools_until
        return not self.is_full and t >= self.rests_until and (self.latch.on or is_settled)
