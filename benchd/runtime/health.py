"""Checks whether the watch itself is alive; /healthz and the service manager's watchdog both use this check."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from benchd.core.model import Card
from benchd.runtime.contracts import Health

WITHIN_S = 5.0
PARTS = ("source", "engine", "journal")


LOADS_KEPT = 8


def note_alarms(health: Health, cards: Iterable[Card]) -> None:
    """Record how many alarms the newest loads had, as reported by their pots' cards."""
    for card in cards:
        load, alarms = card.body.get("load"), card.body.get("alarms")
        if isinstance(load, str) and isinstance(alarms, int):
            health.alarms_per_load[load] = alarms
    while len(health.alarms_per_load) > LOADS_KEPT:
        del health.alarms_per_load[next(iter(health.alarms_per_load))]


def stalled(health: Health, now_s: float, parts: Sequence[str] = PARTS, within_s: float = WITHIN_S) -> list[str]:
    """The parts that have made no progress within `within_s` [s, monotonic]; empty when all are alive.

    A part that has never made progress counts as stalled; the sources have longer where all of them send more seldom.
    `now_s` and `Health.moved` both come from `time.monotonic`.
    """
    most_s = dict.fromkeys(parts, within_s) | {"source": max(within_s, health.source_silent_s)}
    return [part for part in parts if now_s - health.moved.get(part, float("-inf")) > most_s[part]]
