"""Reads from the journal what a bench sends to its shop, and gives it the form it has on the way.

1. The journal is the queue: what was sent is a number kept in it, so an outage of any length loses nothing, and nothing
   is sent that is not saved.
2. A record is one numbered effect: a finding, a change of an alert, or a mark that was accepted.  `after` is the number
   of the record before it, so whoever collects them sees what is missing.
3. A mark keeps what is about the casting; who made it and what was noted stay on the bench.
4. Minutes go once they are two minutes old, many in a message; after a restart the last few go again, since the one
   that was cut in two has grown.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from benchd.core.format.printed import format_number
from benchd.runtime.contracts import StoredRows
from benchd.runtime.journal.effects import printed_in
from benchd.runtime.journal.schema.journal_id import PUT, JournalIds
from benchd.runtime.mqtt.topics import packed

SENT = "workshop_sent"
PAGE = 200
MINUTES_IN_ONE = 60  # about 3 kB; a message is at most 4 kB
SETTLED_MIN, OVERLAP_MIN = 2, 3
DAY_S = 86_400.0
MARK_KEYS = ("cup", "pot", "lot", "mold", "molds", "pour", "a_g", "b_g", "mold_c", "feel", "grade", "cause", "at")
KINDS = {"finding": "finding", "alert": "alert", "answer": "mark"}
"""An effect's kind in the journal -> the last level of its topic."""

_EFFECTS = """
SELECT said.number, said.kind, said.name, said.t, said.body, mark.body FROM effects AS said
LEFT JOIN inputs AS mark ON said.kind = 'answer' AND mark.seq = said.seq AND mark.kind = 'mark'
WHERE said.number > ? AND said.kind IN ('finding', 'alert', 'answer') ORDER BY said.number LIMIT ?
"""
_MINUTES = """
SELECT channels.name, minute, sum(n), min(lo), sum(mean * n) / sum(n), max(hi) FROM (
    SELECT channel, minute, n, lo, mean, hi FROM minutes WHERE minute > ?1 AND minute <= ?2
    UNION ALL SELECT channel, minute, n, lo, mean, hi FROM fresh_minutes WHERE minute > ?1 AND minute <= ?2)
JOIN channels ON channels.id = channel GROUP BY channel, minute ORDER BY minute, channels.name LIMIT ?3
"""


@dataclass(slots=True)
class Sent:
    """How far a bench has sent: the number of the last effect looked at, of the last record, and the last minute."""

    looked: int = 0
    number: int = 0
    minute: int = 0

    def text(self) -> str:
        """As kept in the journal's `meta`."""
        return json.dumps([self.looked, self.number, self.minute])

    async def keep(self, journal: StoredRows) -> None:
        """Save it.  Raises JournalError."""
        await journal.commit([(PUT, [(SENT, self.text())])])


@dataclass(frozen=True, slots=True)
class Record:
    """One message: the last level of its topic, its payload, and how far the bench has sent once it is delivered."""

    kind: str
    payload: str
    sent: Sent = field(compare=False)


async def sent_so_far(journal: StoredRows, now_t: float, history_days: float) -> Sent:
    """How far the bench has sent, or where to begin: `history_days` before now_t [unix s].  Raises JournalError."""
    found = await journal.rows("SELECT value FROM meta WHERE key = ?", (SENT,))
    if found:
        looked, number, minute = json.loads(str(found[0][0]))
        return Sent(int(looked), int(number), max(0, int(minute) - OVERLAP_MIN))
    since_t = now_t - history_days * DAY_S
    first = await journal.rows("SELECT coalesce(max(number), 0) FROM effects WHERE t < ?", (since_t,))
    return Sent(int(first[0][0]), 0, int(since_t // 60))


async def next_records(
    journal: StoredRows, ids: JournalIds, sent: Sent, now_t: float, subject: dict[str, str]
) -> list[Record]:
    """The next effects as records, at most PAGE; moves `sent.looked` past those that are none.  Raises JournalError.

    now_t [unix s]: the bench's clock, by which the receiving side sees when it is wrong.
    """
    found: list[Record] = []
    before = sent.number
    for number, kind, name, t, body, mark in await journal.rows(_EFFECTS, (sent.looked, PAGE)):
        told = _told(kind, body, mark)
        if told is None:
            if not found:
                sent.looked = number
            continue
        head = {"journal": ids.of(number), "number": number, "after": before, "name": name}
        times = {"t": format_number("t", t), "sent_t": format_number("t", now_t)}
        payload = packed({"subject": told.pop("subject", None) or subject, **head, **times, "body": told})
        found.append(Record(KINDS[kind], payload, Sent(number, number, sent.minute)))
        before = number
    return found


def _told(kind: str, body: object, mark: object) -> dict[str, Any] | None:
    """The body of a record without its time; None for an answer that refused or counts once, and a damaged row."""
    printed = printed_in(body)
    if printed is None:
        return None
    if kind != "answer":
        return {key: value for key, value in printed.items() if key != "t"}
    if not printed.get("ok") or printed.get("same_as"):
        return None
    written = (printed_in(mark) or {}).get("mark")
    is_its_own = isinstance(written, dict) and written.get("id", "") == printed.get("id", "")
    return (
        {key: written[key] for key in MARK_KEYS if key in written} if isinstance(written, dict) and is_its_own else {}
    )


async def next_minutes(
    journal: StoredRows, ids: JournalIds, sent: Sent, now_t: float, subject: dict[str, str]
) -> Record | None:
    """The next minutes as one record, None when there are none yet.  Raises JournalError.

    Values are in the core's units: C, kPa gauge, %RH, g.
    """
    until = int(now_t // 60) - SETTLED_MIN
    rows = await journal.rows(_MINUTES, (sent.minute, until, 10 * MINUTES_IN_ONE))
    whole = list(_whole_minutes(rows))
    if not whole:
        return None
    minutes = [[name, minute, n, lo / 100, round(mean / 100, 2), hi / 100] for name, minute, n, lo, mean, hi in whole]
    payload = packed({"subject": subject, "journal": ids.spans[0][1], "minutes": minutes})
    return Record("minutes", payload, Sent(sent.looked, sent.number, int(whole[-1][1])))


def _whole_minutes(rows: Sequence[tuple[Any, ...]]) -> Iterator[tuple[Any, ...]]:
    """The first rows, of whole minutes only, about MINUTES_IN_ONE of them."""
    for at, row in enumerate(rows):
        if at >= MINUTES_IN_ONE and row[1] != rows[at - 1][1]:
            return
        yield row
