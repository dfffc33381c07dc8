"""The id of a journal: made with it, so that a number of an effect names one effect in the whole shop.

1. It is made when it is first asked for, which only a bench that sends to a workshop does, and kept in `meta`.
2. A journal restored from a backup goes on counting where the backup ended, while the lost one may have counted
   further.  From its next number on it has a new id; the numbers it came with keep theirs.
"""

from __future__ import annotations

import json
import secrets
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from benchd.runtime.contracts import StoredRows

KEY = "journal_ids"
PUT = "INSERT OR REPLACE INTO meta VALUES (?, ?)"
_GET = "SELECT value FROM meta WHERE key = ?"


@dataclass(frozen=True, slots=True)
class JournalIds:
    """(first number, id) of each stretch of a journal's numbers, in order."""

    spans: tuple[tuple[int, str], ...]

    def of(self, number: int) -> str:
        """The id that goes with a number.

        >>> ids = JournalIds(((0, "aa"), (8, "bb")))
        >>> ids.of(7), ids.of(8)
        ('aa', 'bb')
        """
        return [id for first, id in self.spans if first <= number][-1]

    def followed(self, first: int) -> JournalIds:
        """With a new id from the number `first` on."""
        return JournalIds((*self.spans, (first, secrets.token_hex(8))))

    def text(self) -> str:
        """As kept in `meta`."""
        return json.dumps(self.spans)

    @classmethod
    def from_text(cls, text: str) -> JournalIds:
        """The inverse of `text`."""
        return cls(tuple((int(first), str(id)) for first, id in json.loads(text)))


async def ids_of(journal: StoredRows) -> JournalIds:
    """The journal's ids, made now where it has none.  Raises JournalError."""
    found = await journal.rows(_GET, (KEY,))
    if found:
        return JournalIds.from_text(str(found[0][0]))
    made = JournalIds(()).followed(0)
    await journal.commit([(PUT, [(KEY, made.text())])])
    return made


def renew_id(path: Path) -> None:
    """Give a restored journal a new id for what it will add; one that never had an id gets none."""
    with closing(sqlite3.connect(path)) as db:
        found = db.execute(_GET, (KEY,)).fetchone()
        if found is None:
            return
        last = int(db.execute("SELECT coalesce(max(number), 0) FROM effects").fetchone()[0])
        db.execute(PUT, (KEY, JournalIds.from_text(found[0]).followed(last + 1).text()))
        db.commit()
