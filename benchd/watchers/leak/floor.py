"""Foresees whether a shut pot reaches its floor while its molds still need pressure: when to check, publish and end it.

It is checked each whole minute of the hold, and every five seconds while the floor is near.  Without a proved leak it
has to be all but sure until the fill's heat is gone (three of the pot's own cooling times after the closing, 200 s at
most): a regulator feeds what cooling takes until then, and cooling alone may come near the floor and stay above it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from benchd.core.findings import PotFloorAhead
from benchd.core.seat.watcher import Place
from benchd.core.units import KPA_PER_PSI as PSI
from benchd.physics.floor_ahead import FloorAhead, floor_ahead
from benchd.physics.leak_verdict import FLOOR_SD_PSI_MIN
from benchd.physics.pot_observer import PotObserver
from benchd.stored import stored
from benchd.watchers.leak.tune import Settings

DOUBT_KPA_MIN = FLOOR_SD_PSI_MIN["bare"] * PSI
"""What no leak is known better than, however long it was watched."""


@stored("floor-watch")
@dataclass(slots=True)
class FloorWatch:
    """The forecast of one pot's floor; told: the finding is active."""

    place: Place
    tune: Settings
    told: bool = False
    ahead: FloorAhead | None = None

    def step(
        self, t: float, kpa: float, observer: PotObserver, needed_at: float | None, *, whole: bool,
        means: Sequence[tuple[float, float]], goes_on: bool,
    ) -> list[PotFloorAhead]:  # fmt: skip
        """Look ahead when due.

        means: five-second means (t, kPa), newest last; whole: a minute is full; goes_on: the fall is more than cooling.
        """
        if not whole and not self._is_near(kpa, means):
            return []
        pot, p_atm = self.place.pot, self.place.bench.p_atm_kpa
        assert pot is not None
        until_s = self.tune.floor_horizon_s if needed_at is None else needed_at - t
        doubt = DOUBT_KPA_MIN / (pot.target_kpa + p_atm)
        self.ahead = floor_ahead(observer, (pot.floor_kpa + p_atm) * 1e3, until_s, doubt)
        return self._word(t, kpa, needed_at, whole, self.tune.floor_on if goes_on else self.tune.floor_sure)

    def stop(self, t: float, kpa: float) -> list[PotFloorAhead]:
        """End the finding: nothing can be foreseen any more, or nothing needs the pressure."""
        self.ahead = None
        return self._word(t, kpa, None, False, self.tune.floor_on)

    def _is_near(self, kpa: float, means: Sequence[tuple[float, float]]) -> bool:
        pot, last = self.place.pot, means[-4:]
        assert pot is not None
        spare = kpa - pot.floor_kpa
        pace = (last[0][1] - last[-1][1]) / (last[-1][0] - last[0][0]) if len(last) > 1 else 0.0
        return self.told or spare <= self.tune.floor_near_kpa or spare <= pace * self.tune.floor_near_s

    def _word(self, t: float, kpa: float, needed_at: float | None, again: bool, least: float) -> list[PotFloorAhead]:
        chance = self.ahead.chance if self.ahead is not None else 0.0
        on = chance >= (self.tune.floor_off if self.told else least)
        if on == self.told and not (on and again):
            return []
        self.told = on
        likely_s = self.ahead.likely_s if self.ahead is not None else math.inf
        return [
            PotFloorAhead(
                t=t, subject=self.place.subject, kpa=kpa, floor_at=t + likely_s if math.isfinite(likely_s) else None,
                chance=chance, needed_at=needed_at, active=on,
            )
        ]  # fmt: skip
