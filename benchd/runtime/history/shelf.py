"""Reads what the journal's pours used up: casts of each mold, grams of each lot; and which parts were scrap."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from benchd.core.bench.recipe import base_of
from benchd.errors import JournalError
from benchd.runtime.history.marks import marks_that_stood
from benchd.runtime.history.pours import pours_now
from benchd.runtime.journal.reader import Readable
from benchd.shelf.remains import Spent


async def spent(journal: Readable, today_t: float, since_t: Mapping[str, float] | None = None) -> Spent:
    """Everything that was poured; `today_t`: when the local day began [unix s].  Empty when the journal cannot be read.

    since_t: lot -> the time from which its grams are counted (shelf/remains.counted_since).

    An undone pour counts for nothing; one without a weight uses up no grams.
    """
    try:
        pours = await pours_now(journal)
    except JournalError:
        return Spent()
    return _counted(list(pours.values()), today_t, since_t or {})


async def scrapped(journal: Readable, since_t: float) -> list[tuple[float, str]]:
    """(when, mold) of each part graded scrap since then [unix s]; none when the journal cannot be read."""
    try:
        marks = await marks_that_stood(journal, since_t)
    except JournalError:
        return []
    return [(t, str(mark.get("mold", "")).lower()) for t, mark in marks if mark.get("grade") == "scrap"]


def _counted(pours: list[Mapping[str, Any]], today_t: float, since_t: Mapping[str, float]) -> Spent:
    casts: dict[str, int] = {}
    today: dict[str, int] = {}
    grams: dict[str, float] = {}
    last_t: dict[str, float] = {}
    for body in pours:
        for mold in body["molds"] or ():
            casts[mold] = casts.get(mold, 0) + 1
            last_t[mold] = max(float(body["mix_t"]), last_t.get(mold, 0.0))
            if float(body["mix_t"]) >= today_t:
                today[mold] = today.get(mold, 0) + 1
        lot = base_of(body.get("lot"))
        if lot is not None and float(body["mix_t"]) >= since_t.get(lot, 0.0):
            grams[lot] = grams.get(lot, 0.0) + float(body.get("a_g") or 0.0) + float(body.get("b_g") or 0.0)
    return Spent(casts=casts, today=today, lot_g=grams, last_t=last_t)
