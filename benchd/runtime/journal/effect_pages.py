"""Reads effects page by page, in order of number, and looks only at the numbers that the asked times span.

A bench's effects are kept for good, so what a query costs must follow what it asks for and not the journal's age: the
times are turned into a range of numbers by the index on time, and the names into a list of numbers by the index on
name; a page then reads its own rows alone.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from dataclasses import dataclass
from typing import Any

from benchd.runtime.journal.bundles import BEYOND

PAGE = 1000
Rows = list[tuple[Any, ...]]
Ask = Callable[[str, tuple[Any, ...]], Awaitable[Rows]]


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which effects: every filter that is given must hold."""

    kind: str | None = None
    names: tuple[str, ...] = ()
    pour: str | None = None
    load: str | None = None
    since_t: float | None = None
    until_t: float | None = None
    after_number: int = 0

    @property
    def is_by_name(self) -> bool:
        """Whether the index on names finds them; a pour's and a load's are few, and have an index of their own."""
        return bool(self.names) and self.pour is None and self.load is None

    def where(self) -> tuple[str, tuple[Any, ...]]:
        """The filters as SQL, to be held beside a range of numbers, and their values."""
        bound: list[tuple[str, Any]] = [
            ("kind = ?", self.kind), ("pour = ?", self.pour), ("load = ?", self.load), ("t >= ?", self.since_t),
            ("t <= ?", self.until_t),
        ]  # fmt: skip
        held = [(clause, value) for clause, value in bound if value is not None]
        named = [_named(self.names)] if self.names else []
        clauses = ["number >= ? AND number <= ?", *(clause for clause, _ in held), *named]
        return " AND ".join(clauses), (*(value for _, value in held), *self.names)


async def effect_pages(ask: Ask, wanted: Wanted) -> AsyncIterator[Rows]:
    """Rows (number, seq, t, kind, name, body), some hundreds at a time."""
    first, last = await _range(ask, wanted)
    where, values = wanted.where()
    index = "INDEXED BY effects_name" if wanted.is_by_name else ""
    sql = f"SELECT number, seq, t, kind, name, body FROM effects {index} WHERE {where} ORDER BY number LIMIT ?"
    if wanted.is_by_name:
        for low, high in await _ranges(ask, wanted.names, first, last):
            yield await ask(sql, (low, high, *values, PAGE))
        return
    while first <= last:
        page = await ask(sql, (first, last, *values, PAGE))
        yield page
        if len(page) < PAGE:
            return
        first = page[-1][0] + 1


async def _range(ask: Ask, wanted: Wanted) -> tuple[int, int]:
    """The least and greatest number that the asked times allow; the first above the last where they allow none."""
    first, last = wanted.after_number + 1, BEYOND
    if wanted.since_t is None and wanted.until_t is None:
        return first, last
    since_t = -BEYOND if wanted.since_t is None else wanted.since_t
    until_t = BEYOND if wanted.until_t is None else wanted.until_t
    sql = "SELECT min(number), max(number) FROM effects WHERE t >= ? AND t <= ?"
    ((least, greatest),) = await ask(sql, (since_t, until_t))
    return (first, 0) if least is None else (max(first, least), greatest)


async def _ranges(ask: Ask, names: Sequence[str], first: int, last: int) -> list[tuple[int, int]]:
    """Ranges of numbers that hold at most PAGE effects of these names each, in order."""
    sql = f"SELECT number FROM effects WHERE {_named(names)} AND number BETWEEN ? AND ?"
    numbers = sorted(number for (number,) in await ask(sql, (*names, first, last)))
    return [(page[0], page[-1]) for at in range(0, len(numbers), PAGE) if (page := numbers[at : at + PAGE])]


def _named(names: Sequence[str]) -> str:
    return f"name IN ({', '.join('?' * len(names))})"
