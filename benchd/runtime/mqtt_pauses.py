"""How long do we wait before we connect again?"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field


@dataclass(slots=True)
class Pauses:
    """How long to wait before connecting again: up to 4 s, so that a broker which comes back is found within 5 s.

    A session taken over, or a third one in a row that lived less than 5 s, means another client with our id (or a
    broker that throws us out): then up to a minute, or two daemons would chase each other.
    """

    failed: int = 0
    short: int = 0
    chance: Callable[[float, float], float] = field(default=random.uniform)

    def after(self, connected: bool, lived_s: float, taken_over: bool) -> float:
        """Seconds [wall] to wait after a session that did or did not connect, and then lived `lived_s`."""
        self.failed = 0 if connected else self.failed + 1
        if connected:
            self.short = max(3, self.short + 1) if taken_over else (self.short + 1 if lived_s < 5.0 else 0)
        longest = min(60.0, 10.0 * 2.0 ** (self.short - 3)) if self.short >= 3 else min(4.0, 2.0 ** (self.failed - 1))
        return self.chance(0.5, 1.0) * longest

    @property
    def is_contested(self) -> bool:
        return self.short >= 3
