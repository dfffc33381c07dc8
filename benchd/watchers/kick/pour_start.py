"""Estimates how warm the resin was when A met B, from the room and the cup's first readings."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import isfinite
from statistics import quantiles

from benchd.stored import stored
from benchd.watchers.kick.tune import Settings

MOST_EARLY = 64


@stored("pour-start")
@dataclass(slots=True)
class PourStart:
    """Feed it the room, the cup's very first reading, and its seconds just after the mix; all in C."""

    tune: Settings
    is_mixing_cup: bool
    measured_room_c: float | None = None
    first_c: float | None = None
    early_c: list[float] = field(default_factory=list)

    def restart(self) -> None:
        """Another pour begins: its cup has shown nothing yet."""
        self.early_c, self.first_c = [], None

    def see(self, value_c: float) -> None:
        """Any reading of the cup."""
        self.first_c = value_c if self.first_c is None else self.first_c

    def see_early(self, elapsed_s: float, temp_c: float) -> None:
        """A good second of the open pour, elapsed_s after its mix."""
        if elapsed_s <= self.tune.start_for_s and len(self.early_c) < MOST_EARLY:
            self.early_c.append(temp_c)

    @property
    def room_c(self) -> float:
        """The room, else what the probe read first, else a label's own."""
        if self.measured_room_c is not None:
            return self.measured_room_c
        first = self.first_c
        return first if first is not None and isfinite(first) and 5.0 < first < 40.0 else 23.0

    @property
    def sd_k(self) -> float:
        """How far the resin may have been from `start_c` [K]."""
        return self.tune.start_sd_k if self.measured_room_c is not None else self.tune.unknown_temp_sd_k

    @property
    def start_c(self) -> float:
        """The resin's temperature when mixed: a mixing cup's early reading if fit, else the room's."""
        room_c = self.room_c
        if not self.is_mixing_cup or len(self.early_c) < 5:
            return room_c
        early_c = quantiles(self.early_c, n=5)[0]  # the coolest fifth: before it has warmed itself
        is_fit = abs(early_c - room_c) < self.tune.plausible_start_k
        return min(early_c, room_c + self.tune.warm_start_k) if is_fit else room_c
