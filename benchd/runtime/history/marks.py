"""Reads the valid marks from the journal: those that the desk accepted and nobody undid; what two marked, once."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from benchd.core.casting.undo import that_stood
from benchd.core.format.record import is_time
from benchd.runtime.journal.reader import Logbook, Readable

Marked = list[tuple[float, Mapping[str, Any]]]


async def marks_that_stood(journal: Readable, since_t: float, until_t: float = 1e12) -> Marked:
    """(when, mark) between two times [unix s], in order of time; presses of the bench's switch are included.

    A mark without an answer counts as accepted.  Raises JournalError.
    """
    rows = await journal.rows(
        "SELECT t, body, seq FROM inputs WHERE kind = 'mark' AND t >= ? AND t <= ? ORDER BY seq", (since_t, until_t)
    )
    marks: dict[tuple[int, str], tuple[float, Mapping[str, Any]]] = {}
    for t, body, seq in rows:
        mark = json.loads(body)["mark"]
        marks[_key(seq, mark)] = (float(t), mark)
    async for told in Logbook(journal).effects(kind="answer", since_t=since_t, until_t=until_t):
        key = _key(told.seq, told.body)
        if told.body.get("ok") and not told.body.get("same_as"):
            _, mark = marks.get(key, (told.t, told.body))
            marks[key] = (told.t, mark)
        else:
            marks.pop(key, None)
    stood = that_stood(sorted(marks.values(), key=lambda each: each[0]))
    return sorted(((_when(t, mark), mark) for t, mark in stood), key=lambda each: each[0])


def _when(came_t: float, mark: Mapping[str, Any]) -> float:
    """When a mark happened [unix s]: what it says itself, where it came later."""
    at = mark.get("at")
    return min(came_t, float(at)) if isinstance(at, int | float) and is_time(at) else came_t


def _key(seq: int, mark: Mapping[str, Any]) -> tuple[int, str]:
    """The key that a mark shares with its answer; one line of a board may hold several presses."""
    return seq, str(mark.get("id") or "")
