"""What else is known of some pours: how warm and damp the room was, and when each part was past gel by its forecast?

Asked only by the reports that need it, for it is not in the findings that records are read from.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from benchd.core.bench import Bench
from benchd.reports.records import Records
from benchd.runtime.logbook import Logbook, Readable
from benchd.runtime.room_then import room_then


async def add_rooms(journal: Readable, bench: Bench, records: Records) -> None:
    """Fill in each pour's room_c and room_rh.  Raises JournalError."""
    book, times = Logbook(journal), [pour.mix_t for pour in records.pours.values()]
    temps = await room_then(book, bench, "room_temperature", times)
    damps = await room_then(book, bench, "room_humidity", times)
    for id, pour in list(records.pours.items()):
        records.pours[id] = replace(pour, room_c=temps.get(pour.mix_t), room_rh=damps.get(pour.mix_t))


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
