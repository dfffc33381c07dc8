"""What must a source and an outlet be?  The contract of every file in sources/ and outlets/.

A module holds, besides its docstring: `Settings` (frozen pydantic model, extra="forbid", `kind: Literal[<file name>]`)
and `make`.  For a source: `make(settings, id, clock) -> Source`.  For an outlet: `make(settings, tools) -> Outlet`.
`run` goes on until cancelled; it raises SourceError or OutletError when its other side is gone and is then restarted
with capped backoff and jitter.  Neither ever ends the watch.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol, runtime_checkable

from benchd.core.findings import Effect
from benchd.core.model import Input, Mark
from benchd.runtime.bulletin import Bulletin
from benchd.runtime.clock import BenchClock


class Inbox(Protocol):
    """Where a source puts inputs; call on the event loop only."""

    def put(self, item: Input, /) -> None: ...


class Source(Protocol):
    async def run(self, inbox: Inbox) -> None:
        """Open, read, put inputs; put Status(up=True) once open.  Returns when its input has ended for good."""


@runtime_checkable
class TakesLines(Protocol):
    """A source that lines can be sent back through; whoever makes the sources lists these in Tools.boards."""

    def offer(self, line: bytes, /) -> bool:
        """Send one line, LF included, or False when its port is not open or takes nothing.  Never waits."""


class Outlet(Protocol):
    async def run(self) -> None: ...


@dataclass(frozen=True, slots=True)
class OutboxRow:
    """One message that must arrive: written with its cause in one transaction, deleted when the other side has it.

    `expires_t` [bench s]: not sent after it; None = never expires.  `order_key`: kept in order within one key.
    `unsaved_why`: why it is sent although its cause is not in the journal; empty once it is.
    """

    topic: str
    payload: str
    priority: int
    order_key: str
    created_t: float
    expires_t: float | None = None
    id: int = 0
    unsaved_why: str = ""


class Outbox(Protocol):
    """The journal's outbox as an outlet sees it."""

    async def pending(self, most: int = 100) -> Sequence[OutboxRow]: ...
    async def delivered(self, id: int) -> None: ...
    async def parked(self, id: int, why: str) -> None: ...
    def arrived(self) -> Any:
        """An asyncio.Event set when new rows were committed."""


@dataclass(slots=True)
class Health:
    """Counters shown by /healthz, the health topic and `benchd check`; written by their owners, read by all."""

    outbox_depth: int = 0
    journal_lag_s: float = 0.0
    journal_ok: bool = True
    dropped: dict[str, int] = field(default_factory=dict)
    listeners: int | None = None
    contested: str = ""
    """The id that another client uses at the broker too; empty while nobody does."""
    clock_offset_s: float = 0.0
    last_error: str = ""
    moved: dict[str, float] = field(default_factory=dict)
    commit_ms: float = 0.0
    heard: int = 0
    """How often a phone or page answered with `heard`: an echo, not an acknowledgement."""
    delivered: dict[str, float] = field(default_factory=dict)
    """Way out (say, a push target, deadman) -> when it last confirmed a message [bench unix s]."""
    alarms_per_load: dict[str, int] = field(default_factory=dict)
    """Load -> how many alarms of priority 1 and 2 it had, the newest few loads."""


@dataclass(frozen=True, slots=True)
class Tools:
    """What an outlet may use."""

    shop: str
    bench: str
    boot: str
    version: str
    clock: BenchClock
    bulletin: Bulletin
    outbox: Outbox
    health: Health
    submit: Callable[[Mark], None]
    about: Callable[[], dict[str, Any]]
    outbox_rules: list[Callable[[Effect], OutboxRow | None]]
    """An outlet appends its rule here when made: which effects become outbox rows, saved together with them."""
    boards: Mapping[str, TakesLines] = field(default_factory=dict)
    """By source id: where lines can be sent.  Filled when the sources are made; look it up when sending."""
