"""Looks up the room's temperature and humidity at given times, from the journal's minutes or else its raw lines.

Many times are looked up in one call: a year of pours takes a few hundredths of a second.
"""

from __future__ import annotations

from collections.abc import Sequence

from benchd.core.bench import Bench
from benchd.core.model import Quality, Reading
from benchd.runtime.history.readings import decoded
from benchd.runtime.journal.reader import Logbook

AROUND_MIN = 1  # minutes before and after that are included
ASKED_AT_ONCE = 150
DECODED_AT_MOST = 80  # times whose minutes are missing: an imported recording has none
AROUND_S = 90.0


async def room_then(book: Logbook, bench: Bench, role: str, times: Sequence[float]) -> dict[float, float]:
    """Time [unix s] -> the mean around it of the room channel with this role, where known.  Raises JournalError."""
    channels = [c.id for c in bench.channels if c.role == role]
    found: dict[float, float] = {}
    for channel in channels:
        missing = [t for t in dict.fromkeys(times) if t not in found]
        for first in range(0, len(missing), ASKED_AT_ONCE):
            found |= await _by_minutes(book, channel, missing[first : first + ASKED_AT_ONCE])
    if not channels:
        return {}
    for t in [t for t in dict.fromkeys(times) if t not in found][-DECODED_AT_MOST:]:
        value = await _decoded(book, bench, role, t)
        if value is not None:
            found[t] = value
    return found


async def _by_minutes(book: Logbook, channel: str, times: Sequence[float]) -> dict[float, float]:
    wanted = {int(t // 60) + k for t in times for k in range(-AROUND_MIN, AROUND_MIN + 1)}
    rows = {row.minute: row for row in await book.minutes_of(channel, sorted(wanted))}
    out = {}
    for t in times:
        near = [rows[m] for k in range(-AROUND_MIN, AROUND_MIN + 1) if (m := int(t // 60) + k) in rows]
        if near:
            out[t] = sum(row.mean * row.n for row in near) / sum(row.n for row in near)
    return out


async def _decoded(book: Logbook, bench: Bench, role: str, t: float) -> float | None:
    seen = []
    async for event in decoded(book, bench, t - AROUND_S, t + AROUND_S):
        match event:
            case Reading(value=float(value), quality=Quality.GOOD) if event.role == role:
                seen.append(value)
    return sum(seen) / len(seen) if seen else None
