"""One night: the whole daemon in a simulated world, life after life, until it is whole again and stopped.

`watch_night(seed)` draws the day and the faults, runs `benchd.app.Watch` itself (pipeline, saver, gate, recovery,
outbox, marks, supervisor, outlets, engine, page's stream) on `SimLoop`, and returns what was broken.  What stands
outside the process is replaced where the code already has a place for it: the disk at aiosqlite's connection, the
broker at paho's client, the board at the serial port, the clocks at `BenchClock`, `Pipeline` and `time.monotonic`.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import functools
import gc
import random
import secrets
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from unittest.mock import patch

from faultsim import once
from faultsim.benches import SMALL, Shape, drawn_shape, loaded
from faultsim.boards import SimBoard, SimPort
from faultsim.broker import SimBroker, SimClient, fits
from faultsim.day import Day
from faultsim.disk import Disk, disk_error
from faultsim.faults import ENDS, MOMENTS, MORE_MOMENTS, Fault, drawn
from faultsim.loop import SimLoop, begin_serials
from faultsim.outside import Hub, Monitor, PushService
from faultsim.phones import Phones
from faultsim.promises import Promises
from faultsim.world import Crash, World

from benchd.app import Doors, Watch
from benchd.app.journal_ends import last_saved_t
from benchd.core.engine import Engine
from benchd.core.model import Standing
from benchd.errors import JournalError, SourceError
from benchd.outlets.deadman import DeadmanOutlet
from benchd.outlets.push import PushOutlet
from benchd.page.site import Site
from benchd.runtime.bulletin import Bulletin, Posted
from benchd.runtime.clock import BenchClock
from benchd.runtime.contracts import Outlet, Tools
from benchd.runtime.history.past import taught_before
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.schema import Prepared, prepare
from benchd.runtime.watch.pipeline import Pipeline
from benchd.runtime.watch.recovery import Recovered
from benchd.runtime.watch.saver import Timing
from benchd.runtime.watch.supervise import keep_running

STOP_WITHIN_S = 5.0
WHOLE_WITHIN_S = 150.0  # the longest pause of a reconnect is a minute, of a restart half a one
WHOLE_FOR_S = {False: 4.0, True: 2.0}  # by whether the bench is wide
AWAY_S = (0.5, 8.0)
FOLD_BYTES = 96 * 1024

FIRST_WIDE = 10_000
"""Seeds from here on draw a wide bench, and are shorter and denser; those below draw the nights they always drew."""


@dataclass
class Night:
    """What one night was like."""

    seed: int
    faults: list[Fault]
    violations: list[str] = field(default_factory=list)
    digest: str = ""
    happened: list[Fault] = field(default_factory=list)
    lives: int = 0
    steps: int = 0
    long_s: float = 0.0
    counts: dict[str, int] = field(default_factory=dict)
    trace: list[str] | None = None


class Life(Watch):
    """One process's watch; the world may look into it."""

    is_upgraded = False
    made: list[Outlet]

    def _made_outlets(self, tools: Tools) -> dict[str, Outlet]:
        made = super()._made_outlets(tools)
        self.made.extend(made.values())
        return made

    def _thawed(self, blob: bytes, standing: Sequence[Standing]) -> Engine:  # type: ignore[override]
        if self.is_upgraded:
            raise ValueError("a state of another version")
        return Engine.thaw(blob, once.plans, standing)


class SimBulletin(Bulletin):
    """The bulletin, overheard."""

    overhear: Callable[[Sequence[Posted]], None]

    def post(self, batch: Sequence[Posted]) -> None:
        self.overhear(batch)
        super().post(batch)


class Simulation:
    """The world, and one daemon after another in it."""

    def __init__(self, seed: int, faults: list[Fault] | None, folder: Path, keeps_trace: bool = False) -> None:
        rng = random.Random(f"{seed}/night")
        self.shape: Shape = drawn_shape(seed) if seed >= FIRST_WIDE else SMALL
        self.day = Day(rng, self.shape)
        if faults is None:
            faults = drawn(rng, self.day.long_s, self.day.moments_s, is_wide=self.shape.is_wide)
        self.world = world = World(seed, faults)
        world.trace = [] if keeps_trace else None
        self.folder = folder
        self.disk = Disk(world, folder / "journal.db")
        self.broker = SimBroker(world)
        spots = self.shape.spots
        self.boards = {
            spot.port: SimBoard(world, self.day, spot, index, len(spots)) for index, spot in enumerate(spots)
        }
        self.push, self.monitor, self.hub = PushService(world), Monitor(world), Hub(world, self.broker)
        self.phones = Phones(world, self.day, self.broker)
        self.promises = Promises(self)
        self.watch: Life | None = None
        self.pipeline: Pipeline | None = None
        self.journals: list[Journal] = []
        self.clients: list[SimClient] = []
        self.outlets: list[Outlet] = []
        self.lives = 0
        self.slow_s = 0.0
        self._stop: asyncio.Event | None = None
        self._asked_s: float | None = None
        self._is_upgrade = False
        self._is_last = False
        self._rng = world.stream("lives")
        self.timing = timing_of(world.stream("timing"), self.shape.is_wide)
        for fault in faults:
            if fault.kind in MORE_MOMENTS:
                world.at(world.t + fault.at_s, lambda fault=fault: self.hub.births(fault))  # type: ignore[misc]
            if fault.kind in MOMENTS and fault.kind != "board-resets":
                world.at(world.t + fault.at_s, lambda fault=fault: self._moment(fault))  # type: ignore[misc]

    @property
    def lamp_board(self) -> SimBoard:
        """The board with buzzer and lamp."""
        return next(iter(self.boards.values()))

    # ------------------------------------------------------------------------------------------------- what happens

    def _moment(self, fault: Fault) -> None:
        world = self.world
        if fault.kind == "clock-steps":
            world.happens(fault)
            world.wall_offset_s += 7200.0 * (fault.luck - 0.6)
        elif fault.kind == "pause":
            world.happens(fault)
            world.pause_s = 2.0 + 40.0 * fault.luck
            if self._asked_s is not None:
                self._asked_s += world.pause_s  # who stands still is in no hurry
        elif self.watch is not None:
            world.happens(fault)
            if fault.kind in ("kill", "power-cut"):
                world.crash_soon(fault)
            else:
                self._is_upgrade = fault.kind == "upgrade"
                self._ask_to_stop()

    def _ask_to_stop(self) -> None:
        if self._stop is None or self._asked_s is not None:
            return
        self._asked_s = self.world.t + self.world.pause_s  # a pause that has begun passes first
        asyncio_loop = self.phones.page.loop
        if asyncio_loop is not None:
            asyncio_loop.call_soon_threadsafe(self._stop.set)

    # ----------------------------------------------------------------------------------------------------- the lives

    def run(self) -> None:
        """Life after life until the last is whole and stopped."""
        while not self._is_last and not self.world.violations:
            self._one_life()
            if not self._is_last:
                self.world.sleep(self._rng.uniform(*AWAY_S))
        self.promises.at_the_end()

    def _one_life(self) -> None:
        self.lives += 1
        world = self.world
        world.forget_crash()
        world.note("life", self.lives)
        self._asked_s = None
        loop = SimLoop(world)
        asyncio.set_event_loop(None)
        self.phones.page.loop = loop
        how: BaseException | None = None
        main = loop.create_task(self._main())
        main.add_done_callback(lambda task: loop.stop())
        try:
            loop.run_forever()
            if main.done() and not main.cancelled() and main.exception() is not None:
                how = main.exception()
        except Crash as crash:
            how = crash
        self._bury(loop, how)

    def _bury(self, loop: SimLoop, how: BaseException | None) -> None:
        """The process is gone: put away what is left of it, which must not touch the world any more."""
        world, watch = self.world, self.watch
        self.phones.page.loop = self.phones.site = None
        self.watch = self.pipeline = None
        for client in self.clients:
            client.die()
        self.clients.clear()
        for board in self.boards.values():
            board.port = None
        self.hub.ends()
        if isinstance(how, Crash):
            self.promises.crashed(how.how)
            self.disk.after_cut() if how.how.kind == "power-cut" else self.disk.after_kill()
        else:
            if how is not None:
                self._failed(how)
            self.disk.after_kill()  # what a thread still had to do, it did or not
        left = loop.die()
        with contextlib.redirect_stderr(None):
            for coro in left:
                with contextlib.suppress(BaseException):
                    coro.close()
        for journal in self.journals:
            journal._writer.release()
        self.journals.clear()
        loop.close()
        self.promises.life_over(clean=how is None, watch=watch)
        world.note("end", type(how).__name__)

    def _failed(self, error: BaseException) -> None:
        """The daemon ended by itself: only a refusal of memory may do that, and the service manager starts it again."""
        while isinstance(error, BaseExceptionGroup):
            error = error.exceptions[0]
        if not isinstance(error, MemoryError):
            import traceback

            where = traceback.extract_tb(error.__traceback__)[-1]
            self.world.broken("the daemon ended", f"{type(error).__name__}: {error} ({where.name}:{where.lineno})")

    async def _main(self) -> None:
        """As commands.run.watch, without signals and doors."""
        world = self.world
        settings = replace(loaded(self.shape), journal_path=self.disk.journal)
        not_before_s = await last_saved_t(settings.journal_path)
        clock = BenchClock(1.0, not_before_s=not_before_s, monotonic=world.monotonic, wall=world.wall)
        bulletin = SimBulletin()
        bulletin.overhear = self.promises.posted
        doors, boot = Doors(None, False), f"boot{self.lives}"
        watch = Life(settings, clock, doors, bulletin=bulletin, boot=boot, on_ready=self._ready)
        watch.learned = await taught_before(settings.journal_path, clock.now())
        watch.made = self.outlets = []
        watch.is_upgraded, self._is_upgrade = self._is_upgrade, False
        self.watch, self.monitor.health = watch, watch.health
        self._stop = asyncio.Event()
        minding = asyncio.get_running_loop().create_task(self._mind())
        try:
            await watch.run(self._stop)
            await asyncio.get_running_loop().shutdown_default_executor()  # as asyncio.run does
        finally:
            minding.cancel()
        if self._asked_s is None:
            world.broken("the daemon ended", "without being asked")
        elif self._stopping_s() > STOP_WITHIN_S:
            world.broken("stops in time", f"{self._stopping_s():.1f} s after it was asked")

    def _stopping_s(self) -> float:
        """How long ago it was asked to stop [s]."""
        return self.world.t - self._asked_s if self._asked_s is not None else 0.0

    def _ready(self, found: Recovered) -> None:
        assert self.watch is not None
        self.push.begins(self.outlets, self.watch.health)
        self.hub.begins(self.outlets)

    async def _mind(self) -> None:
        """Each second look at the promises; end the night once all is well again."""
        whole_s = 0.0
        while True:
            await asyncio.sleep(1.0)
            if self.slow_s:
                time.sleep(self.slow_s)  # noqa: ASYNC251  the night stands still, for who watches it
            self.promises.look()
            if self._stopping_s() > STOP_WITHIN_S + 1.0:
                self.world.broken("stops in time", "it has not stopped")
                self.world.crash_soon(Fault(self.world.since_s, "kill"))
                return
            if self.world.since_s < self.day.long_s or not self.world.is_over or self._asked_s is not None:
                continue
            why = self.promises.not_whole()
            whole_s = whole_s + 1.0 if not why else 0.0
            if whole_s >= WHOLE_FOR_S[self.shape.is_wide]:
                self._is_last = True
                self.promises.counts["whole after s"] = round(min(self.world.calm_s, self.world.since_s))
                self._ask_to_stop()
            elif min(self.world.calm_s, self.world.since_s - self.day.long_s) > WHOLE_WITHIN_S:
                self.world.broken("whole again", f"not within {WHOLE_WITHIN_S:.0f} s: {why}")
                self.world.crash_soon(Fault(self.world.since_s, "kill"))
                return

    # -------------------------------------------------------------------------------------------- what it is made of

    def made_pipeline(self, pipeline: Pipeline) -> None:
        """A life's pipeline."""
        self.pipeline = pipeline
        self.promises.follow(pipeline)

    async def open_port(self, port: str, baud: int) -> SimPort:
        """As serial.port.open_port."""
        await asyncio.sleep(0.01)
        board = self.boards[port]
        if board.name is None:
            raise SourceError(f"{port}: no such port") from FileNotFoundError(errno.ENOENT, "not there")
        return board.opened()

    def made_site(self, site: Site) -> None:
        """A life's page."""
        self.phones.site = site
        self.phones.page.opened(site)

    def prepared(self, path: Path, stamp: int, *, is_suspect: bool = False) -> Prepared:
        """schema.prepare on this disk."""
        for kind in ("disk-full", "disk-io-error", "disk-locked"):
            if self.world.on(kind) and (kind != "disk-full" or not path.exists()):
                raise JournalError(f"{path.name}: {disk_error(kind)}")
        found = prepare(path, stamp, is_suspect=is_suspect)
        self.disk.sync()
        return found


def timing_of(rng: random.Random, is_wide: bool) -> Timing:
    """The saver's times as they are, or shorter: little memory, so that inputs are lost, and many checkpoints."""
    usual = Timing()
    buffer_bytes = rng.choice((usual.buffer_bytes, 60_000))
    checkpoints_s = (usual.checkpoint_s, usual.checkpoint_s, 3.0) if is_wide else (usual.checkpoint_s, 5.0)
    return replace(usual, buffer_bytes=buffer_bytes, checkpoint_s=rng.choice(checkpoints_s))


def _classes(sim: Simulation) -> dict[str, Any]:
    world = sim.world

    class SimPipeline(Pipeline):
        def __init__(self, *args: Any, **more: Any) -> None:
            super().__init__(*args, **more, wall=world.wall, timing=sim.timing)
            sim.made_pipeline(self)

    class SimJournal(Journal):
        def __init__(self, path: Path) -> None:
            super().__init__(path, wall=world.wall)
            sim.journals.append(self)

        async def fold_if_large(self, limit_bytes: int = FOLD_BYTES) -> None:
            await super().fold_if_large(limit_bytes)

    class SimSite(Site):
        def __init__(self, *args: Any, **more: Any) -> None:
            super().__init__(*args, **more)
            sim.made_site(self)

    class OurClient(SimClient):
        broker = sim.broker

        def __init__(self, *args: Any) -> None:
            super().__init__(*args)
            sim.clients.append(self)

    return {"Pipeline": SimPipeline, "Journal": SimJournal, "Site": SimSite, "Client": OurClient}


@contextlib.contextmanager
def outside_replaced(sim: Simulation) -> Iterator[None]:
    """While this lasts the process's outside is the simulation's."""
    world, made = sim.world, _classes(sim)
    tokens = world.stream("tokens")
    luck = world.stream("supervisor")
    state = random.getstate()
    random.seed(f"{world.seed}/pauses")
    monotonic = world.monotonic
    running = functools.partial(keep_running, luck=luck.random, monotonic=monotonic)

    async def aside(function: Callable[..., Any], *values: Any) -> Any:
        """runtime.http.aside.aside on this loop."""
        if function == sim.monitor.ping:
            sim.monitor.asked()
        loop = asyncio.get_running_loop()
        assert isinstance(loop, SimLoop)
        return await loop.aside(function, *values)

    with contextlib.ExitStack() as stack:
        for target, value in (
            ("benchd.app.Pipeline", made["Pipeline"]),
            ("benchd.app.Journal", made["Journal"]),
            ("benchd.app.Site", made["Site"]),
            ("benchd.app.keep_running", running),
            ("benchd.app.watcher_plan", once.plans),
            ("benchd.core.engine.bench_after", once.after),
            ("benchd.core.kept.bench_from_context", once.from_context),
            ("benchd.core.kept.Given", once.given),
            ("benchd.runtime.mqtt.session.Client", made["Client"]),
            ("benchd.runtime.mqtt.subscriptions.mqtt.topic_matches_sub", fits),
            ("benchd.runtime.journal.journal.aiosqlite", SimpleNamespace(connect=sim.disk.connect)),
            ("benchd.runtime.journal.journal.prepare", sim.prepared),
            ("benchd.sources.serial_lines.find_path", lambda port: sim.boards[port].find(port)),
            ("benchd.sources.serial_lines.open_port", sim.open_port),
            ("benchd.outlets.push.PushOutlet", functools.partial(PushOutlet, send=sim.push.send, monotonic=monotonic)),
            ("benchd.outlets.deadman.DeadmanOutlet", functools.partial(DeadmanOutlet, monotonic=monotonic)),
            ("benchd.outlets.deadman.ping", sim.monitor.ping),
            ("benchd.outlets.deadman.aside", aside),
            ("benchd.outlets.push.aside", aside),
        ):
            stack.enter_context(patch(target, value))
        stack.enter_context(patch.object(time, "monotonic", monotonic))
        stack.enter_context(patch.object(secrets, "token_hex", lambda n: f"{tokens.getrandbits(8 * n):0{2 * n}x}"))
        stack.enter_context(patch.object(sys, "unraisablehook", lambda what: None))
        try:
            yield
        finally:
            random.setstate(state)


def watch_night(seed: int, faults: list[Fault] | None = None, keeps_trace: bool = False, slow_s: float = 0.0) -> Night:
    """One night, whole; `slow_s`: real time to wait at each of its seconds."""
    memory = Path("/dev/shm")
    folder = Path(tempfile.mkdtemp(prefix="night-", dir=memory if memory.is_dir() else None))
    was_enabled = gc.isenabled()
    begin_serials()
    gc.disable()  # a collection at another moment closes other coroutines
    try:
        sim = Simulation(seed, faults, folder, keeps_trace)
        sim.slow_s = slow_s
        with outside_replaced(sim):
            sim.run()
    finally:
        if was_enabled:
            gc.enable()
        shutil.rmtree(folder, ignore_errors=True)
    world = sim.world
    return Night(
        seed, world.faults, world.violations, world.digest, world.happened, sim.lives, world.steps,
        world.since_s, sim.promises.counts, world.trace,
    )  # fmt: skip


def ends(faults: Sequence[Fault]) -> int:
    """How many of these end a process."""
    return sum(fault.kind in ENDS for fault in faults)
