"""The composition root: builds a running watch of one bench from its settings.

The nesting defines how it stops: sources stop, the inbox drains, what is due is published, `gone` is published, the
journal closes.  Sources and outlets restart under supervision and never end the watch; a failure of the inbox, the
engine or the journal's own code does, and is left to the daemon's supervisor.
"""

from __future__ import annotations

import asyncio
import secrets
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import AsyncExitStack
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from benchd import __version__
from benchd.app.about import about
from benchd.app.broker import mind_broker
from benchd.app.inbox import WatchedInbox, bound
from benchd.app.journal_ends import closing
from benchd.app.page_port import page_socket
from benchd.core.bench import Bench
from benchd.core.casting.people.hands import is_at_bench
from benchd.core.engine import Engine
from benchd.core.model import Mark, Standing
from benchd.core.model.learned import Learned
from benchd.page.api import Api
from benchd.page.doors import BY_CONSOLE, LOOPBACK_NAMES
from benchd.page.orders_view import orders_routes
from benchd.page.pairing import console_routes, pairing_at
from benchd.page.plan_view import plan_routes
from benchd.page.reread import Reread, bench_route, reread_route
from benchd.page.shelf_view import shelf_routes
from benchd.page.site import Site
from benchd.plugins import make_of, watcher_plan
from benchd.reports.door import report_routes
from benchd.runtime.bulletin import Bulletin, Posted
from benchd.runtime.clock import BenchClock
from benchd.runtime.contracts import Health, Outlet, Source, TakesLines, Tools
from benchd.runtime.history.teach import Teacher
from benchd.runtime.http.https import AGAIN_AFTER_S
from benchd.runtime.http.serve import serving, unix_socket
from benchd.runtime.journal.age.keep import learned_pours
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.outbox import JournalOutbox
from benchd.runtime.shelf_desk import ShelfDesk
from benchd.runtime.watch.mailbox import Mailbox
from benchd.runtime.watch.pipeline import Pipeline
from benchd.runtime.watch.recovery import EngineMaker, Recovered
from benchd.runtime.watch.run_sheet import SheetKeeper
from benchd.runtime.watch.sections import TableStore, solved_tables, stored_tables
from benchd.runtime.watch.sieve import Sieve
from benchd.runtime.watch.supervise import PartState, end, keep_running
from benchd.runtime.watch.ticker import tick
from benchd.settings import Loaded
from benchd.settings.channels import PERIODS_SILENT
from benchd.settings.loading import shown_in

OutletMaker = Callable[[Tools], Outlet]


@dataclass(slots=True)
class Doors:
    """Addresses of the daemon: its own socket, and the page's port (None: not served)."""

    socket: Path | None = None
    page: bool = True


@dataclass(slots=True)
class Watch:
    """One bench being watched, and the state that its parts share."""

    loaded: Loaded
    clock: BenchClock
    doors: Doors = field(default_factory=Doors)
    extra_outlets: dict[str, OutletMaker] = field(default_factory=dict)
    on_ready: Callable[[Recovered], None] = lambda recovered: None
    on_part: Callable[[PartState], None] = lambda state: None
    bulletin: Bulletin = field(default_factory=Bulletin)
    health: Health = field(default_factory=Health)
    mailbox: Mailbox = field(default_factory=lambda: Mailbox(sieve=Sieve()))
    parts: dict[str, PartState] = field(default_factory=dict)
    learned: Learned = field(default_factory=Learned)
    keeper: SheetKeeper | None = None
    boards: dict[str, TakesLines] = field(default_factory=dict)
    boot: str = field(default_factory=lambda: secrets.token_hex(8))
    is_reread: asyncio.Event = field(default_factory=asyncio.Event)
    reread: Reread | None = None
    shelf: Callable[[], ShelfDesk | None] = lambda: None
    """Edits the shelf's file for the page; made when the page first needs it."""
    pipeline: Pipeline | None = field(default=None, init=False)
    journal: Journal | None = field(default=None, init=False)

    async def run(self, stop: asyncio.Event) -> None:
        """Watch until `stop` is set.

        Raises JournalInUse at once when another process writes the journal, later any exception of the engine or of the
        journal's own code.
        """
        outbox = JournalOutbox(self.clock.now, health=self.health)
        tools = self._tools(outbox)
        outlets = self._made_outlets(tools)
        outbox.rules = tools.outbox_rules
        async with AsyncExitStack() as stack:
            journal = await stack.enter_async_context(closing(Journal(self.loaded.journal_path)))
            self.journal = journal
            journal.claim()  # before a door is opened or a file beside it is touched
            keeper = self.keeper = self._keeper(journal)
            await self._open_doors(stack, journal, keeper)
            pipeline = Pipeline(
                self.mailbox, journal, EngineMaker(self._fresh, self._thawed), self.bulletin, outbox, self.health,
                self.clock.now, on_ready=lambda found: self._ready(found, keeper),
                keep=lambda: (self.loaded.keep, learned_pours(self.loaded.bench)),
            )  # fmt: skip
            self.pipeline = pipeline
            teacher = Teacher(journal, self.bulletin, lambda: self.loaded.bench, self.clock.now, self._take_lessons)
            await self._all_parts(pipeline, outlets | {"run sheet": keeper, "lessons": teacher}, stop)

    async def _all_parts(self, pipeline: Pipeline, outlets: Mapping[str, Outlet], stop: asyncio.Event) -> None:
        """Run engine and outlets around the sources; stop from the outside in."""
        async with asyncio.TaskGroup() as group:
            engine = group.create_task(pipeline.run(), name="pipeline")
            telling = [
                group.create_task(keep_running(name, outlet.run, self._note), name=name)
                for name, outlet in outlets.items()
            ]
            await self._sources_until(stop, engine)
            pipeline.close()
            await engine
            await end(telling)

    async def _sources_until(self, stop: asyncio.Event, engine: asyncio.Task[None]) -> None:
        self.take(self.loaded)
        self._give_sheet()
        store = self._tables
        inbox = WatchedInbox(self.mailbox, self.health)
        async with asyncio.TaskGroup() as group:
            tasks = [
                group.create_task(tick(self.clock, self.mailbox), name="ticker"),
                group.create_task(mind_broker(self.health, self.bulletin, self.clock.now, self.mailbox), name="broker"),
                group.create_task(self._solve_sections(store), name="sections"),
            ]
            for id, settings in self.loaded.sources.items():
                source: Source = make_of("sources", kind_of(settings))(settings, id, self.clock)
                if isinstance(source, TakesLines):
                    self.boards[id] = source
                run = bound(source, inbox)
                tasks.append(group.create_task(keep_running(id, run, self._note), name=f"source {id}"))
            waiting = asyncio.create_task(stop.wait(), name="stop")
            await asyncio.wait({waiting, engine}, return_when=asyncio.FIRST_COMPLETED)
            waiting.cancel()
            for task in tasks:
                task.cancel()

    async def _solve_sections(self, store: TableStore) -> None:
        """Queue the section tables not stored yet, as they are solved, now and after the files were read again.

        A failure never ends the watch.
        """
        while True:
            self.is_reread.clear()
            try:
                async for table in solved_tables(self.loaded.bench, store, self.clock.now, self._trouble):
                    self.mailbox.put(table)
            except Exception as error:  # the watch goes on without tables: a rule of thumb stands in for them
                self._trouble(f"section tables: {type(error).__name__}: {error}")
            await self.is_reread.wait()

    @property
    def _tables(self) -> TableStore:
        return TableStore(self.loaded.journal_path.parent / "tables")

    def _trouble(self, why: str) -> None:
        self.health.last_error = why

    def _keeper(self, journal: Journal) -> SheetKeeper:
        return SheetKeeper(
            self.loaded.journal_path.parent, self.clock.now, lambda: self.loaded.bench, lambda: self.learned, journal,
            self.bulletin, self._give_sheet,
        )  # fmt: skip

    def _bench_now(self) -> Bench:
        """The bench with everything learned about it, as in its context."""
        return replace(self.loaded.bench, learned=self.learned)

    def _give_sheet(self) -> None:
        """Pass the day's run sheet as it is now to the engine, whose first input is its context."""
        if self.keeper is not None and self.mailbox.input_t > 0.0:
            self.mailbox.put(self.keeper.given(self.clock.now()))

    def _take_lessons(self, lessons: Learned) -> None:
        """Pass on what the journal teaches, if it is new."""
        fresh = self.learned.updated(lessons)
        if fresh != self.learned:
            self.learned = fresh
            self.take(self.loaded)

    async def _open_doors(self, stack: AsyncExitStack, journal: Journal, keeper: SheetKeeper) -> None:
        api = Api(self.clock, self.bulletin, self.health, self.submit, self.about, time.monotonic)
        site = Site(
            api, self.clock, self.bulletin, self.health, self._bench_now, journal, self.boot, time.monotonic
        )  # fmt: skip
        folder = self.loaded.journal_path.parent
        reports = report_routes(journal, self._bench_now, self.clock.now, lambda: keeper.sheet, folder)
        reports += [*plan_routes(keeper, self.clock.now), *shelf_routes(lambda: self.shelf(), lambda: self.reread)]
        reports += orders_routes(folder, journal, self._bench_now, self.clock.now)
        address = self.loaded.page
        hosts = (*LOOPBACK_NAMES, address.host, *address.names)
        pairs = self.doors.page and address.pairing
        door, desk = pairing_at(folder / "https", address, self._https_trouble) if pairs else (None, None)
        if self.doors.socket is not None:
            own = [bench_route(self.loaded.places.bench, lambda: shown_in(self.loaded))]
            own += [reread_route(self.reread)] if self.reread else []
            app = site.app(more=[*console_routes(desk), *reports, *own], by=BY_CONSOLE)
            await stack.enter_async_context(serving(app, unix_socket(self.doors.socket)))
            stack.callback(self.doors.socket.unlink, missing_ok=True)
        if door is not None and desk is not None:
            app = site.app(hosts, [*desk.phone_routes(), *reports], desk.gate)
            await stack.enter_async_context(door.opened(app, page_socket(address, self.loaded.places.bench)))
        elif self.doors.page:
            app = site.app(hosts, reports)
            await stack.enter_async_context(serving(app, page_socket(address, self.loaded.places.bench)))
        await stack.enter_async_context(site.running())

    def _https_trouble(self, why: str) -> None:
        self.on_part(PartState("page", not why, why, AGAIN_AFTER_S if why else None))
        if why:
            self._trouble(f"page: {why}")

    def _made_outlets(self, tools: Tools) -> dict[str, Outlet]:
        made: dict[str, Outlet] = {}
        for id, settings in self.loaded.outlets.items():
            made[id] = make_of("outlets", kind_of(settings, id))(settings, tools)
        return made | {name: make(tools) for name, make in self.extra_outlets.items()}

    def _ready(self, found: Recovered, keeper: SheetKeeper) -> None:
        """The engine is back: publish the cards it remembers, which it would repeat only when they change."""
        if isinstance(found.engine, Engine):
            keeper.catch_up(found.engine.books.sheet, tuple(found.engine.desk.prep.done))
            self.bulletin.post([Posted(card) for card in found.engine.books.facts.cards(found.engine.now)])
        self.on_ready(found)

    def _tools(self, outbox: JournalOutbox) -> Tools:
        bench = self.loaded.bench
        return Tools(
            bench.shop, bench.id, self.boot, __version__, self.clock, self.bulletin, outbox, self.health, self.submit,
            self.about, [], self.boards, lambda: self.loaded.bench, self.loaded.page.url if self.doors.page else "",
            lambda: self.journal,
        )  # fmt: skip

    @staticmethod
    def _fresh() -> Engine:
        return Engine(watcher_plan)

    @staticmethod
    def _thawed(blob: bytes, standing: Sequence[Standing]) -> Engine:
        return Engine.thaw(blob, watcher_plan, standing)

    def take(self, loaded: Loaded) -> None:
        """Switch to other settings: what the core may know changes now, sources and outlets stay as they are."""
        self.loaded = loaded
        self.health.source_silent_s = PERIODS_SILENT * min((c.period_s for c in loaded.bench.channels), default=0.0)
        self.mailbox.put(loaded.context(self.clock.now(), self.learned))
        for table in stored_tables(loaded.bench, self._tables, self.clock.now):
            self.mailbox.put(table)  # a watcher made by this context has none yet
        self.is_reread.set()

    def submit(self, mark: Mark) -> None:
        """Queue a mark from outside."""
        if mark.verb == "heard" and not is_at_bench(mark):
            self.health.heard += 1
        self.mailbox.put(mark)

    def about(self) -> dict[str, Any]:
        """Which daemon this is and what it watches."""
        return about(self.loaded.bench, self.boot, {id: self._is_up(id) for id in self.loaded.sources})

    def _is_up(self, source: str) -> bool:
        state = self.parts.get(source)
        return state is not None and state.up

    def _note(self, state: PartState) -> None:
        self.parts[state.name] = state
        if not state.up and state.retry_s is not None:
            self.health.last_error = f"{state.name}: {state.why}"
        self.on_part(state)


def kind_of(settings: Any, fallback: str = "") -> str:
    """The plug-in kind a Settings object belongs to."""
    return str(getattr(settings, "kind", fallback) or fallback)
