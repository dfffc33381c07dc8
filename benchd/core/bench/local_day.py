"""Local time from the list of clock changes in a context: the offset from UTC, and the start of the local day."""

from __future__ import annotations

import math
from collections.abc import Iterable

DAY_S = 86400.0
UtcOffsets = Iterable[tuple[float, float]]
"""(since [unix s], local minus UTC [s]), oldest first."""


def offset_s(offsets: UtcOffsets, t: float) -> float:
    """Local time minus UTC at t [s]; before the first change known the first's; without any, zero."""
    known = tuple(offsets)
    found = known[0][1] if known else 0.0
    for since, seconds in known:
        found = seconds if since <= t else found
    return found


def midnight_t(offsets: UtcOffsets, t: float) -> float:
    """When the local day of t began [unix s], also on days with a clock change.

    >>> midnight_t([(0.0, 3600.0), (1_774_746_000.0, 7200.0)], 1_774_778_400.0)  # 2026-03-29 12:00 in Oslo
    1774738800.0
    """
    known = tuple(offsets)
    begins = math.floor((t + offset_s(known, t)) / DAY_S) * DAY_S
    return begins - offset_s(known, begins - offset_s(known, t))
