"""Reads the bundles (one row for the board lines of one commit), in order of number and of time.

They are indexed by their first number only.  The bundle that reaches a given time is found by bisection, since an index
of times would make the SD card write another page at each commit.
"""

from __future__ import annotations

import contextlib
from collections.abc import Awaitable, Callable
from typing import Any

from benchd.runtime.journal.packed_lines import SeqLine, unpack

Rows = Callable[[str, tuple[Any, ...]], Awaitable[list[tuple[Any, ...]]]]

BEYOND = 2**62  # above any number an input can have

REACHED = """
SELECT reached_seq, reached_t, told FROM bundles WHERE told IS NOT NULL ORDER BY first_seq DESC LIMIT 1
"""
NEXT_BUNDLES = """
SELECT last_seq, body, first_t, last_t, count FROM bundles
WHERE first_seq >= coalesce((SELECT max(first_seq) FROM bundles WHERE first_seq <= ?), 0)
    AND first_seq <= ? AND last_seq > ? AND count > 0 ORDER BY first_seq LIMIT ?
"""
_BETWEEN = """
SELECT first_seq, body FROM bundles
WHERE first_seq > ? AND first_seq >= ? AND first_t <= ? AND last_t >= ? AND count > 0 ORDER BY first_seq LIMIT ?
"""
_ENDS = "SELECT coalesce(min(first_seq), 0), coalesce(max(first_seq), -1) FROM bundles"
_FROM = "SELECT first_seq, last_t FROM bundles WHERE first_seq >= ? ORDER BY first_seq LIMIT 1"


async def bundle_at(rows: Rows, t: float) -> int:
    """The first number of the first bundle that reaches `t`, BEYOND when none does."""
    ((low, high),) = await rows(_ENDS, ())
    reaches = BEYOND
    while low <= high:
        middle = (low + high) // 2
        ((first, last_t),) = await rows(_FROM, (middle,))
        if last_t >= t:
            high, reaches = middle - 1, int(first)
        else:
            low = first + 1
    return reaches


async def bundles_between(
    rows: Rows, first_t: float, last_t: float, after_seq: int, most_lines: int
) -> list[tuple[int, list[SeqLine]]]:
    """(first number, lines) of the next bundles after number `after_seq` that overlap first_t..last_t.

    At most `most_lines` lines of that time, but at least one bundle; a damaged one is skipped.
    """
    begin = await bundle_at(rows, first_t)
    found = await rows(_BETWEEN, (after_seq, begin, last_t, first_t, most_lines))
    chosen: list[tuple[int, list[SeqLine]]] = []
    lines = 0
    for first, body in found:
        with contextlib.suppress(ValueError):
            bundle = unpack(body)
            lines += sum(first_t <= item.t <= last_t for _, item in bundle)
            if chosen and lines > most_lines:
                break
            chosen.append((int(first), bundle))
    return chosen


def line_at(first: int, packed: bytes, t: float) -> int:
    """The number of the first line at or after t in a block or bundle; the row's own first number where it is damaged.

    BEYOND where there is none: that part of the bundle is sealed, and its block is searched too.
    """
    with contextlib.suppress(ValueError):
        return next((seq for seq, item in unpack(packed) if item.t >= t), BEYOND)
    return first
