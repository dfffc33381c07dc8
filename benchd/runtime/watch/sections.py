"""Provides the section tables: from disk by their hash, or solved in a worker thread, resin by resin.

A table depends on a resin's label and [cure] alone, so it is solved once and kept beside the journal; it reaches the
engine as an input, so a recording contains it.  A folder that can't be written costs a second's work at each start.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path
from typing import Any

from benchd.core.bench import Bench, Resin
from benchd.core.model import Table
from benchd.core.mold_forecast import resin_hash
from benchd.physics.label_cure import resin_cure
from benchd.physics.section_table import solve_table, table_from_plain
from benchd.runtime.files.whole_file import put_whole

MOST_KEPT = 32  # tables of some 25 kB; those read longest ago are deleted


class TableStore:
    """Tables in a folder, one file each, named by hash."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def read(self, hash: str) -> dict[str, Any] | None:
        """The stored table, None if there is none or it is damaged."""
        path = self._path(hash)
        try:
            plain: dict[str, Any] = json.loads(path.read_text("utf-8"))
            table_from_plain(plain)
        except (OSError, ValueError, TypeError):
            return None
        with contextlib.suppress(OSError):  # a read-only folder keeps its order
            path.touch()
        return plain

    def keep(self, hash: str, plain: dict[str, Any]) -> None:
        """Store a table; the oldest beyond MOST_KEPT are deleted.  Raises OSError."""
        self._folder.mkdir(parents=True, exist_ok=True)
        put_whole(self._path(hash), json.dumps(plain).encode(), mode=0o644)
        by_age = sorted(self._folder.glob("*.json"), key=lambda p: p.stat().st_mtime)
        for old in by_age[: len(by_age) - MOST_KEPT]:
            old.unlink(missing_ok=True)

    def _path(self, hash: str) -> Path:
        return self._folder / f"{hash}.json"


def needed(bench: Bench) -> list[Resin]:
    """The resins that need tables: those of the lots on the shelf first, then the others."""
    in_lots = [lot.resin for lot in bench.lots]
    return sorted(bench.resins, key=lambda r: (r.id not in in_lots, r.id != bench.default_resin))


def stored_tables(bench: Bench, store: TableStore, now: Callable[[], float]) -> Iterator[Table]:
    """The tables that need no solving, as inputs at now()."""
    for resin in needed(bench):
        hash = resin_hash(resin)
        plain = store.read(hash)
        if plain is not None:
            yield Table(now(), resin.id, hash, plain)


async def solved_tables(
    bench: Bench, store: TableStore, now: Callable[[], float], trouble: Callable[[str], None]
) -> AsyncIterator[Table]:
    """Solve the tables that the store lacks, in a thread one after another, and keep them.

    Yields each as an input when done.

    A table that cannot be solved or kept is reported to `trouble` and skipped.
    """
    for resin in needed(bench):
        hash = resin_hash(resin)
        if await asyncio.to_thread(store.read, hash) is not None:
            continue
        try:
            plain = await asyncio.to_thread(solve_plain, resin)
        except (ValueError, ArithmeticError) as error:
            trouble(f"sections of {resin.id}: {error}")
            continue
        try:
            await asyncio.to_thread(store.keep, hash, plain)
        except OSError as error:
            trouble(f"section table of {resin.id} not kept: {error}")
        yield Table(now(), resin.id, hash, plain)


def solve_plain(resin: Resin) -> dict[str, Any]:
    """A resin's table in the form of a Table input; takes half a second.  Raises ValueError on an impossible label."""
    cure = resin_cure(resin.pot_life_s, resin.pot_life_mass_g, resin.cure)
    return dict(solve_table(cure, resin.pot_life_s).to_plain())
