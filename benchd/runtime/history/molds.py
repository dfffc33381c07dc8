"""Reads how often each mold was cast and when its parts began to stick, for shelf/mold_life."""

from __future__ import annotations

from bisect import bisect_right
from operator import itemgetter

from benchd.core.bench import Bench
from benchd.runtime.history.marks import marks_that_stood
from benchd.runtime.history.pours import pours_now
from benchd.runtime.journal.reader import Logbook, Readable
from benchd.shelf.mold_life import MoldHistory, is_sign


async def histories(journal: Readable, bench: Bench) -> list[MoldHistory]:
    """The history of each mold on the shelf, including retired ones.  Raises JournalError."""
    book = Logbook(journal)
    casts, hard_s = await _casts(journal), {}
    async for told in book.effects(kind="finding", names=("part_pulled",)):
        hard_s[told.body.get("pour"), told.body["mold"]] = float(told.body["hard_s"])
    before: dict[str, int] = {}
    for t, mark in await marks_that_stood(journal, 0.0):
        mold = str(mark.get("mold", "")).lower()
        if mark.get("verb") != "demolded" or mold in before:
            continue
        mine = casts.get(mold, [])
        count = bisect_right(mine, t, key=itemgetter(0))
        if not count:
            continue
        mix_t, pour = mine[count - 1]
        if is_sign(mark.get("feel"), mark.get("text"), t - mix_t, hard_s.get((pour, mold))):
            before[mold] = count - 1
    return [
        MoldHistory(
            mold=m.id, silicone=m.silicone, casts=m.casts_before + len(casts.get(m.id, [])),
            before_sign=m.casts_before + before[m.id] if m.id in before else None,
        )
        for m in bench.molds
    ]  # fmt: skip


async def _casts(journal: Readable) -> dict[str, list[tuple[float, str]]]:
    """Mold -> (when mixed, pour), oldest first; undone pours left out."""
    pours = await pours_now(journal)
    out: dict[str, list[tuple[float, str]]] = {}
    for id, body in sorted(pours.items(), key=lambda item: float(item[1]["mix_t"])):
        for mold in body["molds"] or ():
            out.setdefault(mold, []).append((float(body["mix_t"]), id))
    return out
