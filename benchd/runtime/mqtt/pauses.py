"""Calculates the pause before the next connection attempt."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field

UNCONTESTED_S = 75.0  # longer than the longest pause of the competing client, 60 s


@dataclass(slots=True)
class Pauses:
    """The pause before reconnecting: up to 4 s, so that a broker that comes back is found within 5 s.

    While another client competes for our id, and after a third session in a row that lasted less than 5 s: up to a
    minute, or two daemons would keep displacing each other.  `is_contested` from a session in which the broker reported
    a takeover (MQTT 5.0, section 3.14.2.1: 0x8E), or of which the owner knows it, until a session has lasted
    UNCONTESTED_S. A broker that merely disconnects us is no proof of a competing client.
    """

    failed: int = 0
    short: int = 0
    is_contested: bool = False
    chance: Callable[[float, float], float] = field(default=random.uniform)

    def after(self, connected: bool, lived_s: float, taken_over: bool) -> float:
        """Seconds [wall] to wait after a session that did or did not connect, and lasted `lived_s`."""
        self.failed = 0 if connected else self.failed + 1
        if connected:
            self.is_contested = taken_over or (self.is_contested and lived_s < UNCONTESTED_S)
            self.short = max(3, self.short + 1) if self.is_contested else (self.short + 1 if lived_s < 5.0 else 0)
        longest = min(60.0, 10.0 * 2.0 ** (self.short - 3)) if self.short >= 3 else min(4.0, 2.0 ** (self.failed - 1))
        return self.chance(0.5, 1.0) * longest
