"""Adds to some pours what the findings don't hold: the room's warmth and damp, and when each part was past gel.

Called only by the reports that need it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from benchd.core.bench import Bench, Lot
from benchd.core.learned.lot_drift import KickSeen
from benchd.reports.blame import ratio_error
from benchd.reports.records import Records
from benchd.runtime.history.lots import MOST, RATIO_OFF
from benchd.runtime.history.room import room_then
from benchd.runtime.journal.reader import Logbook, Readable
from benchd.shelf.mold_life import MoldHistory, is_sign


async def add_rooms(journal: Readable, bench: Bench, records: Records, pours: Iterable[str] | None = None) -> None:
    """Fill in room_c and room_rh of these pours, else of all.  Raises JournalError."""
    asked = [records.pours[id] for id in (records.pours if pours is None else pours)]
    book, times = Logbook(journal), [pour.mix_t for pour in asked]
    temps = await room_then(book, bench, "room_temperature", times)
    damps = await room_then(book, bench, "room_humidity", times)
    for pour in asked:
        records.pours[pour.id] = replace(pour, room_c=temps.get(pour.mix_t), room_rh=damps.get(pour.mix_t))


async def add_gels(journal: Readable, records: Records, pours: Iterable[str]) -> None:
    """Fill in gel_s of the parts of these pours, by the last forecast before each came out.  Raises JournalError."""
    book = Logbook(journal)
    for id in pours:
        pour, gels = records.pours[id], dict[str, float]()
        out_t = {part.mold: part.out_t for part in pour.parts}
        async for told in book.effects(kind="finding", pour=id, names=("demold_forecast",)):
            mold, gel_at = str(told.body["mold"]), told.body.get("gel_at")
            until_t = out_t.get(mold)
            if gel_at is not None and (until_t is None or told.t <= until_t):
                gels[mold] = float(gel_at[1]) - pour.mix_t
        parts = tuple(replace(part, gel_s=gels.get(part.mold)) for part in pour.parts)
        records.pours[id] = replace(pour, parts=parts)


async def kicks_of(journal: Readable, bench: Bench, records: Records, lot: Lot) -> list[KickSeen]:
    """A lot's kicks with the room they were mixed in, for core/learned/lot_drift, from records.

    runtime/history/lots has the same from the log.  Raises JournalError.
    """
    kicked = [p for p in records.pours.values() if p.lot == lot.id and p.kick_s is not None and lot.opened is not None]
    right = [p for p in kicked if abs(ratio_error(bench, p) or 0.0) <= RATIO_OFF][-MOST:]
    await add_rooms(journal, bench, records, [pour.id for pour in right])
    return [
        KickSeen(pour=p.id, mix_t=p.mix_t, age_days=(p.mix_t - (lot.opened or 0.0)) / 86_400.0, kick_s=p.kick_s or 0.0,
                 temp_c=room_c)
        for p in right if (room_c := records.pours[p.id].room_c) is not None
    ]  # fmt: skip


def histories_of(bench: Bench, records: Records) -> list[MoldHistory]:
    """Each mold's casts and its first sticking part, for shelf/mold_life, from records.

    runtime/history/molds has the same from the log.
    """
    casts: dict[str, int] = {}
    before: dict[str, int] = {}
    for part in records.parts():
        if part.mold not in before and is_sign(part.feel, part.text, part.after_s, part.hard_s):
            before[part.mold] = casts.get(part.mold, 0)
        casts[part.mold] = casts.get(part.mold, 0) + 1
    return [
        MoldHistory(
            mold=m.id, silicone=m.silicone, casts=m.casts_before + casts.get(m.id, 0),
            before_sign=m.casts_before + before[m.id] if m.id in before else None,
        )
        for m in bench.molds
    ]  # fmt: skip
