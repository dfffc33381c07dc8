"""What did a channel read during a load?  The readings themselves while they are kept, else the journal's minutes."""

from __future__ import annotations

from benchd.core.bench import Bench, bench_from_context
from benchd.core.intake import Intake
from benchd.core.model import Context, Line, Quality, RawLine
from benchd.runtime.logbook import Logbook

MOST_POINTS = 600
Point = tuple[float, float]


async def traces(
    book: Logbook, bench: Bench, channels: set[str], since_t: float, until_t: float
) -> dict[str, list[Point]]:
    """(t [unix s], value in the core's unit) by channel, oldest first, at most MOST_POINTS each.

    Thinned to the lowest and highest of each stretch, so that a spike survives.  Raises JournalError.
    """
    found: dict[str, list[Point]] = {id: [] for id in channels}
    intake = Intake()
    intake.configure(await _bench_then(book, bench, since_t))
    async for _, item in book.inputs_between(since_t, until_t):
        if isinstance(item, Context):
            intake.configure(bench_from_context(item))
        elif isinstance(item, Line | RawLine):
            for reading in intake.take(item)[0]:
                if reading.channel in found and reading.value is not None and reading.quality is Quality.GOOD:
                    found[reading.channel].append((reading.t, reading.value))
    for id in channels:
        found[id] = thinned(found[id]) or await _minutes(book, id, since_t, until_t)
    return found


async def _bench_then(book: Logbook, bench: Bench, t: float) -> Bench:
    """The bench of the context in force at `t`: channels may have been renamed or calibrated since."""
    for _, item in await book.standing(await book.seq_before(t)):
        if isinstance(item, Context):
            return bench_from_context(item)
    return bench


async def _minutes(book: Logbook, channel: str, since_t: float, until_t: float) -> list[Point]:
    rows = await book.minutes(channel, since_t, until_t)
    return thinned([(row.minute * 60.0 + 30.0, row.mean) for row in rows])


def thinned(points: list[Point]) -> list[Point]:
    """The lowest and the highest of each of MOST_POINTS/2 equal runs, in order."""
    if len(points) <= MOST_POINTS:
        return points
    runs = MOST_POINTS // 2
    out: list[Point] = []
    for run in range(runs):
        part = points[run * len(points) // runs : (run + 1) * len(points) // runs]
        out += sorted({min(part, key=lambda p: p[1]), max(part, key=lambda p: p[1])})
    return out
