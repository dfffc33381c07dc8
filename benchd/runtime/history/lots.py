"""Reads back when each lot's pours kicked, how old the lot was and how warm the room was, for core/learned/lot_drift.

Pours that were undone, whose ratio is known to be off, or during which the room was not measured are left out.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from benchd.core.bench import Bench, Lot
from benchd.core.learned.lot_drift import KickSeen, drift_of, rounded
from benchd.core.model.learned import Drift
from benchd.runtime.history.pours import pours_now
from benchd.runtime.history.room import room_then
from benchd.runtime.journal.reader import Logbook, Readable

MOST = 60  # newest pours of each lot: a lot is used up by then
RATIO_OFF = 0.05  # beyond it the ratio sets the kick; common practice, no source


async def kicks_by_lot(journal: Readable, bench: Bench, since_t: float, until_t: float) -> dict[str, list[KickSeen]]:
    """Lot -> its pours' kicks, oldest first; only lots on the shelf that have an opening date.  Raises JournalError."""
    book, pours = Logbook(journal), await pours_now(journal, since_t, until_t)
    return {lot.id: await _kicks(book, bench, lot, pours) for lot in bench.lots if lot.opened is not None}


async def _kicks(book: Logbook, bench: Bench, lot: Lot, pours: Mapping[str, Mapping[str, Any]]) -> list[KickSeen]:
    mine = [(id, p) for id, p in pours.items() if p.get("lot") == lot.id and "kick" in p and _is_right(p, lot)]
    rooms = await room_then(book, bench, "room_temperature", [float(pour["mix_t"]) for _, pour in mine[-MOST:]])
    found = []
    for id, pour in mine[-MOST:]:
        mix_t, opened = float(pour["mix_t"]), lot.opened or 0.0
        kick_s = float(pour["kick"]["at"]) - mix_t
        if mix_t in rooms and kick_s > 0.0:
            age = (mix_t - opened) / 86_400.0
            found.append(KickSeen(pour=id, mix_t=mix_t, age_days=age, kick_s=kick_s, temp_c=rooms[mix_t]))
    return found


def _is_right(pour: Mapping[str, Any], lot: Lot) -> bool:
    a_g, b_g = pour.get("a_g"), pour.get("b_g")
    return not a_g or not b_g or abs(b_g / a_g / lot.label.ratio_weight_b - 1.0) <= RATIO_OFF


async def drifts(journal: Readable, bench: Bench, since_t: float, until_t: float) -> dict[str, Drift]:
    """How each lot has aged, where its kicks show it.  Raises JournalError."""
    kicks = await kicks_by_lot(journal, bench, since_t, until_t)
    found = {lot.id: drift_of(kicks.get(lot.id, ()), lot.label) for lot in bench.lots}
    return {id: rounded(drift) for id, drift in found.items() if drift is not None}
