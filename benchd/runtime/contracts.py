"""The contracts that every file in sources/ and outlets/ keeps.

A module holds, besides its docstring: `Settings` (frozen pydantic model, extra="forbid", `kind: Literal[<file name>]`)
and `make`.  For a source: `make(settings, id, clock) -> Source`.  For an outlet: `make(settings, tools) -> Outlet`.
`run` continues until cancelled; it raises SourceError or OutletError when it loses its connection, and is then
restarted with capped backoff and jitter.  Neither ever ends the watch.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol, runtime_checkable

from benchd.core.bench import Bench
from benchd.core.findings import Effect
from benchd.core.model import Input, Mark
from benchd.runtime.bulletin import Bulletin
from benchd.runtime.clock import BenchClock


class Inbox(Protocol):
    """Where a source puts inputs; call on the event loop only."""

    def put(self, item: Input, /) -> None:
        """Queue one input; never blocks."""


class Source(Protocol):
    """A sensor input that the daemon runs."""

    async def run(self, inbox: Inbox) -> None:
        """Open, read, put inputs; put Status(up=True) once open.  Returns when there will be no more input."""


@dataclass(frozen=True, slots=True)
class Sent:
    """One name that a source's own settings describe: its SenML unit (None for counts), how long it may be silent."""

    unit: str | None
    stale_after_s: float


@runtime_checkable
class TakesLines(Protocol):
    """A source that lines can be sent back through; the code that makes the sources lists these in Tools.boards."""

    def offer(self, line: bytes, /) -> bool:
        """Send one line, LF included; False when its port is not open or accepts no data.  Never waits."""


class Outlet(Protocol):
    """A way out for alerts and states that the daemon runs."""

    async def run(self) -> None:
        """Deliver until cancelled.  Raises OutletError when the connection is lost."""


class StoredRows(Protocol):
    """The journal, to whoever reads rows of it and keeps a few values in it."""

    async def rows(self, sql: str, values: Sequence[Any] = ..., /) -> list[tuple[Any, ...]]:
        """The committed rows of one query.  Raises JournalError."""

    async def commit(self, statements: Sequence[tuple[str, Sequence[tuple[Any, ...]]]], /) -> None:
        """Run these statements as one transaction.  Raises JournalError."""


@dataclass(frozen=True, slots=True)
class OutboxRow:
    """One message that must arrive: written in the same transaction as its cause, deleted once the recipient has it.

    `expires_t` [bench s]: not sent after it; None = never expires.  `order_key`: messages with the same key stay in
    order. `unsaved_why`: the reason for sending it although its cause is not in the journal; empty once it is.
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

    async def pending(self, most: int = 100) -> Sequence[OutboxRow]:
        """What to send, most urgent first; in order within one order_key."""

    async def delivered(self, id: int) -> None:
        """The recipient has the row: delete it."""

    async def parked(self, id: int, why: str) -> None:
        """The recipient refuses the row: keep it for a person to see, and do not send it again."""

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
    """Our client id while another client uses it at the broker too; empty otherwise."""
    clock_offset_s: float = 0.0
    last_error: str = ""
    moved: dict[str, float] = field(default_factory=dict)
    source_silent_s: float = 0.0
    """How long even the channel that comes most often may be silent."""
    commit_ms: float = 0.0
    heard: int = 0
    """How often a phone or page answered with `heard`: proof from the device itself, not a broker's acknowledgement."""
    delivered: dict[str, float] = field(default_factory=dict)
    """Outlet (say, a push target, deadman) -> when it last confirmed a message [bench unix s]."""
    alarms_per_load: dict[str, int] = field(default_factory=dict)
    """Load -> how many alarms of priority 1 and 2 it had; only the newest few loads."""


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
    """Each outlet appends its rule here when made: which effects become outbox rows, saved in the same transaction."""
    boards: Mapping[str, TakesLines] = field(default_factory=dict)
    """By source id: the sources that take lines.  Filled when the sources are made; look it up when sending."""
    known: Callable[[], Bench] = lambda: Bench(id="bench", shop="bench", name="bench")
    """The bench as it is configured now."""
    page_url: str = ""
    """What a browser opens; "" without a page."""
    journal: Callable[[], StoredRows | None] = lambda: None
    """The journal, once the watch has one."""
