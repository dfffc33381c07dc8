"""Packs an engine's state for a checkpoint, and restores it together with what the configuration provides.

Packed: how much was said, the watchers by seat, the books, the intake, alerts, voice and desk.  From the configuration:
the bench, the plans' settings and places, the arguments of new watchers, the phrase table, and section tables by their
content.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import Any, Union

from benchd.core.alarm.alerts import AlertBook
from benchd.core.alarm.phrases import PHRASES
from benchd.core.alarm.speech import Voice
from benchd.core.bench import Bench
from benchd.core.bench.context import bench_from_context
from benchd.core.casting.books import Books
from benchd.core.casting.desk import Desk
from benchd.core.intake.intake import Intake
from benchd.core.model import Context, Standing, Table
from benchd.core.seat.roster import Seated
from benchd.core.seat.watcher import WatcherPlan
from benchd.core.state.codec import Given, pack, unpack
from benchd.core.state.errors import StateError
from benchd.core.state.shapes import digest_of
from benchd.physics.section_table import SectionTable, table_from_plain

Parts = tuple[Books, Intake, AlertBook, Voice, Desk]
PARTS = (Books, Intake, AlertBook, Voice, Desk)


class Kept:
    """Packs and unpacks the state of an engine on one bench with one set of plans."""

    def __init__(self, bench: Bench, plans: Sequence[WatcherPlan], tables: Iterable[SectionTable] = ()) -> None:
        self.bench = bench
        fresh = {plan.key: plan.make() for plan in sorted(plans, key=lambda p: p.key)}
        self._types = {key: type(watcher) for key, watcher in fresh.items()}
        given = [bench, [[plan.settings, plan.place] for plan in plans], fresh, list(PHRASES)]
        self._given = Given(given, {table.given_name(): table for table in tables})
        kinds = tuple(dict.fromkeys(self._types.values()))
        self.digest = _digest(kinds)
        watcher: Any = Union.__getitem__((*kinds, type(None)))
        seated: Any = list.__class_getitem__(tuple.__class_getitem__((str, str, watcher, bool)))
        self._shapes: tuple[Any, ...] = (int, seated, *PARTS)

    def pack(self, told: int, seated: Sequence[Seated], parts: Parts) -> bytes:
        """The state as bytes.  Raises StateError for a value that cannot be stored."""
        return pack([told, seated, *parts], self._shapes, self._given, self.digest)

    def unpack(self, blob: bytes) -> tuple[int, list[Seated], Parts]:
        """(told, the seats, the other parts).  Raises StateError where the blob does not fit."""
        told, seated, *parts = unpack(blob, self._shapes, self._given, self.digest)
        for name, place, watcher, _ in seated:
            if watcher is not None and type(watcher) is not self._types.get((name, place)):
                raise StateError(f"the watcher of {name}/{place} is not this version's")
        books, intake, alerts, voice, desk = parts
        return told, seated, (books, intake, alerts, voice, desk)


@lru_cache(maxsize=8)
def _digest(kinds: tuple[type, ...]) -> str:
    return digest_of((*PARTS, *kinds))


def in_force(standing: Iterable[Standing], otherwise: Bench) -> tuple[Bench, list[SectionTable]]:
    """The bench of the last context, and the section tables, among the inputs in force.

    Raises StateError where a context does not describe a bench of this version; a damaged table is skipped.
    """
    bench, tables = otherwise, []
    for item in standing:
        if isinstance(item, Context):
            try:
                bench = bench_from_context(item)
            except (KeyError, TypeError, ValueError, AttributeError) as error:
                raise StateError(f"its context describes no bench: {error}") from None
        elif isinstance(item, Table):
            try:
                tables.append(table_from_plain(item.table))
            except (ValueError, KeyError, TypeError):
                continue
    return bench, tables
