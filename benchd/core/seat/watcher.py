"""The contract of a watcher, which each file in watchers/ keeps and the plug-in loader checks.

A watcher module holds, besides its docstring:

    SCOPE   "bench" | "cup" | "pot": one watcher is made for the bench, for each cup or for each pot
    ORDER   int: lower steps first within one event (sensors 0, safety of the pot 10, the cup 20, derived 30 and up)
    READS   Reads(...): the roles, findings and marks it is shown; no other event reaches it
    EMITS   tuple of Finding classes
    Settings    frozen pydantic model, extra="forbid", all fields defaulted, each with its source in a comment
    make(settings, place) -> Watcher

`Watcher.see(event)` returns the findings that follow from that one event.  Rules: no clock, no I/O, no randomness, no
iteration over sets; bounded memory; state is declared fields of tagged types (the engine keeps it); only readings of
quality GOOD arrive unless READS.all_qualities; ticks come each whole second of bench time.  Findings are routed to a
watcher when their subject does not contradict its place: same cup, or same pot, or the bench.  A watcher may put the
bare place subject (place.subject) into its findings: the engine fills pour, load and pot in.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal, Protocol

from benchd.core.bench import Bench, Cup, Pot
from benchd.core.findings import Event, Finding
from benchd.core.model import Subject
from benchd.stored import stored

Scope = Literal["bench", "cup", "pot"]


@dataclass(frozen=True, slots=True)
class Reads:
    """The events a watcher is shown.

    For scope cup and pot, it is shown readings of its own cup or pot and of the room and tank only; those of `any_of`
    whosever they are.
    """

    roles: tuple[str, ...] = ()
    any_of: tuple[str, ...] = ()
    findings: tuple[type[Finding], ...] = ()
    marks: tuple[str, ...] = ()
    ticks: bool = False
    all_qualities: bool = False
    tables: bool = False
    """Section tables; the shell sends them again after each context, so a new watcher gets them too."""
    learned: bool = False
    """Place.bench.learned; a watcher that does not read it keeps its seat when only that changed."""


@stored("place")
@dataclass(frozen=True, slots=True)
class Place:
    """A watcher's place: the whole bench as configured, its subject, and its cup or pot."""

    bench: Bench
    subject: Subject
    cup: Cup | None = None
    pot: Pot | None = None


class Watcher(Protocol):
    """A watcher as the engine sees it."""

    def see(self, event: Event) -> Sequence[Finding]:
        """The findings that follow from one event."""


@dataclass(frozen=True, slots=True)
class WatcherPlan:
    """One watcher to be seated: what it reads, where, and how to make a new one.

    `settings` is compared (not called) to decide whether a new context changes anything for this seat.
    """

    name: str
    order: int
    scope: Scope
    reads: Reads
    place: Place
    settings: object
    make: Callable[[], Watcher]

    @property
    def key(self) -> tuple[str, str]:
        """The seat: kind of watcher and id of its place."""
        return self.name, self.place.subject.id
