"""Reads a channel's curve during a load: the readings themselves while they are kept, else the journal's minutes."""

from __future__ import annotations

from benchd.core.bench import Bench
from benchd.core.model import Quality, Reading
from benchd.physics.decimation import Point, thinned
from benchd.runtime.history.readings import decoded
from benchd.runtime.journal.reader import Logbook

MOST_POINTS = 600


async def curves(
    book: Logbook, bench: Bench, channels: set[str], since_t: float, until_t: float
) -> dict[str, list[Point]]:
    """(t [unix s], value in the core's unit) by channel, oldest first, at most MOST_POINTS each.

    Thinned to the lowest and highest of each stretch, so that a spike survives.  Raises JournalError.
    """
    found: dict[str, list[Point]] = {id: [] for id in channels}
    async for event in decoded(book, bench, since_t, until_t):
        match event:
            case Reading(value=float(value), quality=Quality.GOOD) if event.channel in found:
                found[event.channel].append((event.t, value))
    for id in channels:
        found[id] = thinned(found[id], MOST_POINTS) or await _minutes(book, id, since_t, until_t)
    return found


async def _minutes(book: Logbook, channel: str, since_t: float, until_t: float) -> list[Point]:
    rows = await book.minutes(channel, since_t, until_t)
    return thinned([(row.minute * 60.0 + 30.0, row.mean) for row in rows], MOST_POINTS)
