"""Extracts a stretch of the journal as a recording of its own.

The recording is self-contained: it begins with the context in force (with the number of pours and loads earlier that
day, so that "load two" stays load two, and what they used of its run sheet), then the section tables, then every input
of the stretch, one per line.  Its heading may carry the engine's state at its beginning: the same version of benchd
then replays it with the findings of the original day; another version ignores the state.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Sequence
from dataclasses import replace

from benchd.core.bench.local_day import midnight_t
from benchd.core.casting.retold import PHASE_NAMES, POURS
from benchd.core.casting.run_sheet import SHEET_LIVES_S, caught_up
from benchd.core.format.record import heading, to_json
from benchd.core.model import Context, Standing
from benchd.core.model.day import DayBefore, DaySheet
from benchd.errors import JournalError
from benchd.runtime.journal.effects import finding_from
from benchd.runtime.journal.reader import Logbook
from benchd.runtime.journal.seal import LEAD_S, TAIL_S
from benchd.runtime.watch.recovery import EngineMaker, thawed
from benchd.runtime.watch.stepping import EngineLike


async def extract(book: Logbook, first_t: float, last_t: float, maker: EngineMaker | None = None) -> AsyncIterator[str]:
    """The recording of first_t..last_t [unix s], as lines without LF.  Raises JournalError when it cannot be read.

    maker: of the engine whose state at first_t is then stored in the heading.
    """
    state = None if maker is None else await state_before(book, first_t, maker)
    after = await book.seq_before(first_t)
    standing = [item for _, item in await book.standing(after)]
    yield heading(await _bench_of(book, standing), state)
    for item in standing:
        if isinstance(item, Context):
            day = await _day_before(book, item, first_t)
            sheet = None if item.sheet is None else await _sheet_at(book, item.sheet, first_t)
            yield to_json(replace(item, t=first_t, day=day, sheet=sheet))
        elif isinstance(item, DaySheet):
            yield to_json(replace(await _sheet_at(book, item, first_t), t=first_t))
        else:
            yield to_json(replace(item, t=first_t))
    async for _, given in book.inputs_between(first_t, last_t):
        yield to_json(given)


async def extract_load(book: Logbook, load: str, maker: EngineMaker | None = None) -> AsyncIterator[str]:
    """A load's recording, its pours included.  Raises JournalError when the journal knows no such load."""
    first_t, last_t = await load_span(book, load)
    async for line in extract(book, first_t, last_t, maker):
        yield line


async def state_before(book: Logbook, first_t: float, maker: EngineMaker) -> bytes | None:
    """The engine's state at first_t: from the checkpoint of the hour before, else from the local day's inputs.

    None where the day has no inputs.
    """
    point = await book.checkpoint_before(first_t)
    engine = None if point is None else thawed(maker, point, [item for _, item in await book.standing(point.seq)])
    if point is None or engine is None:
        return await _played(book, first_t, maker.fresh())
    async for _, item in book.inputs(point.seq):
        if item.t >= first_t:
            break
        engine.step(item)
    engine.advance(first_t)
    return engine.freeze()


async def _played(book: Logbook, first_t: float, engine: EngineLike) -> bytes | None:
    """The state of a new engine at first_t that was given the local day up to then; None where the day has no inputs.

    An engine's knowledge of its probes, the room, a pot's walls and today's pulls covers hours, not days: midnight is
    far enough back.  Where the log was thinned in between, probes seem to have been silent.
    """
    contexts = [item for _, item in await book.standing(await book.seq_before(first_t)) if isinstance(item, Context)]
    day_t = midnight_t(contexts[-1].utc_offsets, first_t) if contexts else first_t
    head = [item for _, item in await book.standing(await book.seq_before(day_t))]
    async for _, item in book.inputs_between(day_t, first_t):
        if item.t >= first_t:
            break
        for standing in head:
            engine.step(replace(standing, t=item.t))
        head = []
        engine.step(item)
    if engine.now == 0.0:
        return None
    engine.advance(first_t)
    return engine.freeze()


async def load_span(book: Logbook, load: str) -> tuple[float, float]:
    """The time from some minutes before the first of its pours was mixed until its pot and pours were done [unix s]."""
    mine = [e async for e in book.effects(kind="finding", load=load, names=PHASE_NAMES)]
    if not mine:
        raise JournalError(f"no load {load!r} in the journal")
    pours = list(dict.fromkeys(p for e in mine for p in (*e.body.get("pours", ()), e.body.get("pour")) if p))
    for pour in pours:
        mine += [e async for e in book.effects(kind="finding", pour=pour, names=PHASE_NAMES)]
    first_t = min(float(e.body.get("mix_t", e.t)) for e in mine)
    return first_t - LEAD_S, max(e.t for e in mine) + TAIL_S


async def _day_before(book: Logbook, context: Context, t: float) -> DayBefore:
    """The numbers of pours and loads in the local day before `t`."""
    since_t = midnight_t(context.utc_offsets, t)
    counts = []
    for name in ("pour_started", "load_closed"):
        found = [e async for e in book.effects(names=(name,), since_t=since_t, until_t=t)]
        counts.append(int(found[-1].body.get("number", len(found))) if found else 0)
    return DayBefore(*counts)


async def _sheet_at(book: Logbook, sheet: DaySheet, t: float) -> DaySheet:
    """A run sheet with what the pours before t used of it, so that a bare mix uses the same load."""
    told = book.effects(kind="finding", names=POURS, since_t=t - SHEET_LIVES_S, until_t=t)
    return caught_up(sheet, [finding_from(e.name, e.body) async for e in told])


async def _bench_of(book: Logbook, standing: Sequence[Standing]) -> str:
    """The bench in force at the beginning, or, before the first context, the one that follows."""
    later = [item for _, item in await book.standing(await book.last_seq())]
    names = [str(item.config.get("id", "")) for item in (*later, *standing) if isinstance(item, Context)]
    return names[-1] if names else ""
