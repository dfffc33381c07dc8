"""Is the watch itself alive?  The one test behind /healthz and the service manager's watchdog."""

from __future__ import annotations

from collections.abc import Sequence

from benchd.runtime.contracts import Health

WITHIN_S = 5.0
PARTS = ("source", "engine", "journal")


def stalled(health: Health, now_s: float, parts: Sequence[str] = PARTS, within_s: float = WITHIN_S) -> list[str]:
    """The parts that have not moved within `within_s` [s, monotonic]; empty when all is alive.

    A part that never moved counts as stalled.  `now_s` and `Health.moved` are both of `time.monotonic`.
    """
    return [part for part in parts if now_s - health.moved.get(part, float("-inf")) > within_s]
