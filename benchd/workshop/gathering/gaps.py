"""Finds records that never came, and asks their benches to send again from the last one that did.

A broker may lose what it has acknowledged: mosquitto writes its queues down once a minute, and a power cut takes the
rest.  Each record names its predecessor, and the bench's journal still has it.
"""

from __future__ import annotations

import json
from dataclasses import dataclass

from benchd.workshop.database.contract import Database

EVERY_S = 60.0
SETTLED_S = 60.0
"""A predecessor on its way through another gatherer has arrived by then."""
FIRST_LOOK_S = 86_400.0

_GAPS = """
SELECT shop, bench, journal, min(after) AS after FROM missing WHERE received_t >= :since_t AND received_t < :until_t
GROUP BY shop, bench, journal
"""
_BEFORE = """
SELECT coalesce(max(number), 0) AS number FROM records
WHERE shop = :shop AND bench = :bench AND journal = :journal AND number < :after
"""


@dataclass(frozen=True, slots=True)
class Gap:
    """A journal of which something after `number` never came."""

    shop: str
    bench: str
    journal: str
    number: int

    @property
    def payload(self) -> str:
        """What its bench is asked."""
        return json.dumps({"v": 0, "journal": self.journal, "after": self.number})


class Gaps:
    """Looks once a minute at what arrived since the last look, and at the last day once."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self._until_t: float | None = None
        self._next_t = 0.0

    def found(self, now_t: float) -> list[Gap]:
        """The gaps that came to light since the last look; none while it is too early.  Raises DatabaseError."""
        until_t = now_t - SETTLED_S
        since_t = until_t - FIRST_LOOK_S if self._until_t is None else self._until_t
        if until_t - since_t < EVERY_S or now_t < self._next_t:
            return []
        self._next_t = now_t + EVERY_S  # a look that the database cuts off must not be repeated at once
        gaps = self._database.rows(_GAPS, {"since_t": since_t, "until_t": until_t})
        self._until_t = until_t
        return [self._gap(gap) for gap in gaps]

    def _gap(self, gap: dict[str, object]) -> Gap:
        (before,) = self._database.rows(_BEFORE, gap)
        return Gap(str(gap["shop"]), str(gap["bench"]), str(gap["journal"]), int(before["number"]))
