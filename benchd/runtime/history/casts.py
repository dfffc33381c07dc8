"""Reads every casting of a mold from the journal: when it was mixed, when it came out, and how."""

from __future__ import annotations

from dataclasses import replace

from benchd.runtime.history.marks import marks_that_stood
from benchd.runtime.history.pours import pours_now
from benchd.runtime.journal.reader import Readable
from benchd.shelf.orders import Cast


async def casts_so_far(journal: Readable, since_t: float = 0.0) -> list[Cast]:
    """The castings mixed since then [unix s], oldest first; an undone pour counts for nothing.  Raises JournalError.

    A `demolded` mark belongs to the newest pour before it that holds the mold and has no part out of it yet, unless it
    names its pour: the rule of the reports' records.
    """
    pours = sorted((await pours_now(journal, since_t)).items(), key=lambda each: float(each[1]["mix_t"]))
    by_mold: dict[str, list[tuple[str, Cast]]] = {}
    for id, pour in pours:
        for mold in pour["molds"] or ():
            cast = Cast(mold=mold, mix_t=float(pour["mix_t"]), is_over=bool(pour.get("ended")))
            by_mold.setdefault(mold, []).append((id, cast))
    for t, mark in await marks_that_stood(journal, since_t):
        if mark.get("verb") != "demolded":
            continue
        mine, named = by_mold.get(str(mark.get("mold", "")).lower(), []), mark.get("pour")
        for at in range(len(mine) - 1, -1, -1):
            id, cast = mine[at]
            if cast.out_t is None and cast.mix_t <= t and named in (None, id):
                mine[at] = (id, replace(cast, out_t=t, grade=mark.get("grade")))
                break
    found = [cast for mine in by_mold.values() for _, cast in mine]
    return sorted(found, key=lambda cast: cast.mix_t)
