"""Says which row could not be written because its number is taken."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import aiosqlite

from benchd.runtime.journal.rows import NUMBERED


async def clash(db: aiosqlite.Connection, sql: str, rows: Sequence[tuple[Any, ...]]) -> str:
    """Which row has a number already taken by a different row; empty where that was not the cause of the error."""
    if sql not in NUMBERED:
        return ""
    noun, query = NUMBERED[sql]
    for row in rows:
        for held in await db.execute_fetchall(query, row[:1]):
            if tuple(held) != tuple(row[: len(tuple(held))]):
                return f"{noun} {row[0]} is in it already and says something else; does another program write here?"
    return ""
