"""How long do we wait before we connect again?"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field

UNCONTESTED_S = 75.0  # longer than the longest pause of whoever contests the id, 60 s


@dataclass(slots=True)
class Pauses:
    """How long to wait before connecting again: up to 4 s, so that a broker which comes back is found within 5 s.

    While another client fights for our id, and after a third session in a row that lived less than 5 s: up to a minute,
    or two daemons would chase each other.  `is_contested` from a session on of which the broker said that another took
    it (MQTT 5.0, section 3.14.2.1: 0x8E), or that the owner knows of, until one has lived for UNCONTESTED_S.  A broker
    that only throws us out proves no rival.
    """

    failed: int = 0
    short: int = 0
    is_contested: bool = False
    chance: Callable[[float, float], float] = field(default=random.uniform)

    def after(self, connected: bool, lived_s: float, taken_over: bool) -> float:
        """Seconds [wall] to wait after a session that did or did not connect, and then lived `lived_s`."""
        self.failed = 0 if connected else self.failed + 1
        if connected:
            self.is_contested = taken_over or (self.is_contested and lived_s < UNCONTESTED_S)
            self.short = max(3, self.short + 1) if self.is_contested else (self.short + 1 if lived_s < 5.0 else 0)
        longest = min(60.0, 10.0 * 2.0 ** (self.short - 3)) if self.short >= 3 else min(4.0, 2.0 ** (self.failed - 1))
        return self.chance(0.5, 1.0) * longest
