"""Tells once a fill has come to the target's edge, or has stopped short of it, and where it would settle if shut now.

A fill heats the gas, which then cools at a constant volume: at 42 psi a fill of 30 s may stand 5 to 8 psi too high
(computed, for 13 L and cooling times of 14 to 30 s).  So "at pressure" is said at the target, with the inlet open, and
whether the pot would cool below its floor before anybody shuts it.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchd.core.findings import PotAtPressure, PotFilled
from benchd.core.seat.watcher import Place
from benchd.physics.pot_observer import PotObserver
from benchd.stored import stored
from benchd.watchers.leak.tune import Settings


@stored("filled")
@dataclass(slots=True)
class Filled:
    """The fill of one load: waits from at pressure on, until it is told; top_kpa, top_t: the highest yet, and when."""

    place: Place
    tune: Settings
    waits: bool = False
    top_kpa: float = 0.0
    top_t: float = 0.0
    edge_t: float | None = None

    def up(self, found: PotAtPressure) -> None:
        """The floor is passed; of a fill that nobody saw nothing is known."""
        self.waits = found.reached != "unseen"
        self.top_kpa, self.top_t, self.edge_t = found.kpa, found.t, None

    def over(self) -> None:
        """The pot is shut or falls: no more of this fill."""
        self.waits = False

    def step(self, t: float, kpa: float, observer: PotObserver) -> list[PotFilled]:
        """Take one filtered sample [kPa]."""
        pot, tune = self.place.pot, self.tune
        if not self.waits or pot is None:
            return []
        if kpa > self.top_kpa + tune.filled_step_kpa:
            self.top_kpa, self.top_t = kpa, t
        at_edge = kpa >= pot.target_kpa - tune.edge_kpa
        self.edge_t = (t if self.edge_t is None else self.edge_t) if at_edge else None
        is_there = self.edge_t is not None and t - self.edge_t >= tune.edge_s
        if not is_there and t - self.top_t < tune.filled_stands_s:
            return []
        self.waits = False
        p_atm = self.place.bench.p_atm_kpa
        settles = observer.settled(1e3 * (kpa + p_atm), 1e3 * (pot.floor_kpa + p_atm))
        likely_kpa = settles[0] * 1e-3 - p_atm if settles is not None else None
        return [
            PotFilled(
                t=t, subject=self.place.subject, kpa=kpa, reached="target" if is_there else "short", hold=pot.hold,
                settles_kpa=likely_kpa, settles_low=settles is not None and settles[1] >= tune.settles_low,
            )
        ]  # fmt: skip
