"""How do tests get a bench's journal with something in it?  A real file, filled through the saver's own rows."""

from __future__ import annotations

from pathlib import Path

from outlet_tools import leak

from benchd.core.findings import Kicked, PourStarted
from benchd.core.model import Mark, MarkAnswer, Subject
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.rows import Event, MinuteRow, Writes

T0 = 1_767_602_340.0


def kicked(t: float, number: int) -> Kicked:
    subject = Subject(bench="north", cup="cup-1", pour=f"cup-1-{number}")
    return Kicked(t=t, subject=subject, at=t, early=t - 2.0, late=t + 2.0, temp_c=40.0, basis="curve")


def poured(t: float, number: int, lot: str = "r-07", molds: tuple[str, ...] = ("m01", "m02")) -> PourStarted:
    subject = Subject(bench="north", cup="cup-1", pour=f"cup-1-{number}")
    return PourStarted(t=t, subject=subject, mix_t=t, lot=lot, molds=molds, inferred=False, number=number)


def day() -> list[Event]:
    """A pour, its kick, a mark that is refused, one that is accepted, and a leak: four of them are records."""
    return [
        poured(T0, 1),
        kicked(T0 + 165, 1),
        MarkAnswer(t=T0 + 200, id="a", verb="end", ok=False, why="no open pour"),
        MarkAnswer(t=T0 + 700, id="b", verb="demolded", ok=True, why=""),
        leak(T0 + 800),
    ]


async def filled(path: Path) -> Journal:
    """An open journal that holds `day` and three minutes of two channels."""
    journal = Journal(path)
    await journal.open()
    writes = Writes()
    by, note = "page:somebody", "told to nobody"
    writes.add_input(
        7, Mark(t=T0 + 700, verb="demolded", id="b", by=by, mold="m01", grade="scrap", cause="trap", text=note)
    )
    for number, event in enumerate(day(), 1):
        writes.add_effect(number, 7, event)
    minute = int(T0 // 60)
    for channel in ("cup-1-temperature", "barrel-pressure"):
        writes.minutes += [MinuteRow(channel, minute + n, 240, 21.0, 21.5, 22.25) for n in range(3)]
    await journal.write(writes)
    return journal


async def add(journal: Journal, first: int, events: list[Event]) -> None:
    """Add events under the numbers from `first` on."""
    writes = Writes()
    for number, event in enumerate(events, first):
        writes.add_effect(number, 8, event)
    await journal.write(writes)
