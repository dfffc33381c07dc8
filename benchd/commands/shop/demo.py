"""The demo of a shop: three simulated benches, an embedded broker, SQLite in place of PostgreSQL, the shop's page."""

from __future__ import annotations

import asyncio
import contextlib
import shutil
import signal
import tempfile
import time
from contextlib import AsyncExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import tomlkit

from benchd.app import Doors, Watch
from benchd.commands.demo.bench import free_port, write_config
from benchd.commands.demo.clock import Leash, PacedClock
from benchd.core.findings import Effect
from benchd.core.format.mark_form import mark_from_body
from benchd.core.model import Reading
from benchd.plugins import load_settings
from benchd.rehearsal.pty_board import PtyBoard
from benchd.rehearsal.scenario_file import load_scenario
from benchd.runtime.contracts import Outlet, Tools
from benchd.runtime.http.serve import serving, tcp_socket
from benchd.runtime.mqtt.client import Message
from benchd.runtime.mqtt.embedded_broker import EmbeddedBroker
from benchd.runtime.mqtt.link import MqttLink
from benchd.runtime.printing.terminal import say
from benchd.settings import Loaded
from benchd.workshop.database.sqlite import DemoDatabase
from benchd.workshop.incoming import Arrival, Batch
from benchd.workshop.page.site import ShopSite
from benchd.workshop.page.wall import Wall

BENCHES = (("north", "North bench", "load-1"), ("south", "South bench", "load-2-crumb"), ("window", "Window bench",
           "load-3-damp"))  # fmt: skip
SPEED = 20.0
MORNING_T = 1_767_602_340.0
LONGEST_S = 4 * 3600.0
SHOP = "Quiet Harbour Figures"


async def play(port: int | None, seconds: float | None) -> int:
    """Play until Ctrl-C, or for so many seconds; returns the exit code.  Raises PluginError without a broker."""
    folder = Path(tempfile.mkdtemp(prefix="benchd-shop-"))
    ended, loop = asyncio.Event(), asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, ended.set)
    try:
        async with AsyncExitStack() as stack:
            broker = await stack.enter_async_context(EmbeddedBroker(free_port(), free_port()))
            page = port or free_port()
            await _shop(stack, folder, broker, page)
            say(f"Three simulated benches at {SPEED:g} times life's speed.  All of it is invented.")
            say(f"The shop's page: http://127.0.0.1:{page}/   Ctrl-C ends it.", flush=True)
            for id, name, scenario in BENCHES:
                await stack.enter_async_context(DemoBench(folder / id, id, name, scenario, broker))
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(seconds):
                    await ended.wait()
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    return 0


async def _shop(stack: AsyncExitStack, folder: Path, broker: EmbeddedBroker, port: int) -> None:
    """The shop's side: one client fills the wall and the database; the page shows both."""
    database = DemoDatabase(folder / "shop.db")
    database.prepare()
    stack.callback(database.close)
    wall = Wall("benchd", rate=SPEED)
    link = MqttLink(_address(broker), "benchd-shop")
    for topic_filter in wall.filters:
        link.subscribe(topic_filter, wall.take)

    def gather(message: Message) -> None:
        database.write(Batch.of([Arrival(message.topic, message.payload, time.time())]))

    link.subscribe("benchd/v0/+/+/record/+", gather)
    await stack.enter_async_context(link.opened())
    site = ShopSite(wall, database, SHOP, "psi")
    await stack.enter_async_context(serving(site.app(), tcp_socket("127.0.0.1", port)))


def _address(broker: EmbeddedBroker) -> Any:
    from benchd.runtime.mqtt.address import BrokerAddress

    return BrokerAddress(port=broker.port, username=broker.username, password_file=broker.password_file)


@dataclass
class DemoBench:
    """One simulated bench: its board on a pseudo-terminal, its watch in this process."""

    folder: Path
    id: str
    name: str
    scenario: str
    broker: EmbeddedBroker

    async def __aenter__(self) -> DemoBench:
        self.folder.mkdir()
        loaded = self._loaded()
        scenario = load_scenario(self.scenario)
        self._clock = PacedClock(MORNING_T, SPEED)
        self._leash = Leash(MORNING_T, stepped_t=self._stepped_t)
        self._loop = asyncio.get_running_loop()
        self._board = PtyBoard(
            replace(scenario, end_s=scenario.end_s + LONGEST_S), SPEED, on_mark=self._mark_later,
            link=self.folder / "board", on_frame=self._framed,
        )  # fmt: skip
        self._board.replug()
        self._stop, ready = asyncio.Event(), asyncio.Event()
        self._watch = Watch(
            loaded, self._clock, Doors(page=False), extra_outlets={"leash": self._following},
            on_ready=lambda _: ready.set(),
        )  # fmt: skip
        self._running = asyncio.create_task(self._watch.run(self._stop), name=f"bench {self.id}")
        waiting = asyncio.ensure_future(ready.wait())
        await asyncio.wait({self._running, waiting}, return_when=asyncio.FIRST_COMPLETED)
        self._board.__enter__()
        return self

    async def __aexit__(self, *problem: object) -> None:
        self._leash.let_go()
        self._stop.set()
        await asyncio.wait({self._running})
        await asyncio.to_thread(self._board.close)
        self._running.result()

    def _loaded(self) -> Loaded:
        path = write_config(self.folder, self.broker)
        bench = tomlkit.parse(path.read_text("utf-8"))
        bench["bench"] |= {"id": self.id, "name": self.name}
        bench["workshop"] = dict(bench["mqtt"].items())
        path.write_text(tomlkit.dumps(bench), "utf-8")
        return load_settings(path)

    def _framed(self, t_s: float, speed: float) -> None:
        self._leash.wait(self._board.spoke_s)
        self._clock.reached(t_s, speed)

    def _stepped_t(self) -> float:
        pipeline = self._watch.pipeline
        return float("inf") if pipeline is None else pipeline.t

    def _mark_later(self, mark: dict[str, Any]) -> None:
        with contextlib.suppress(RuntimeError):  # the loop is closed: the demo is over
            self._loop.call_soon_threadsafe(self._submit, mark)

    def _submit(self, mark: dict[str, Any]) -> None:
        body = {k: v for k, v in mark.items() if k != "t_s"} | {"by": "console"}
        self._watch.submit(mark_from_body(MORNING_T + float(mark["t_s"]), body))

    def _following(self, tools: Tools) -> Outlet:
        return _Following(tools, self._leash)


class _Following:
    """An outlet that only tells the board how far the watch has come."""

    def __init__(self, tools: Tools, leash: Leash) -> None:
        self._tools, self._leash = tools, leash

    async def run(self) -> None:
        async for posted in self._tools.bulletin.subscribe():
            self._see(posted.effect)

    def _see(self, effect: Effect) -> None:
        if isinstance(effect, Reading):
            self._leash.heard(effect.t)
