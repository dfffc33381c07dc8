"""`benchd demo`: an invented bench, a real serial device, a real broker, a real journal; one load, faster than life."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import logging
import shutil
import socket
import sys
import tempfile
from collections.abc import AsyncIterator, Mapping
from contextlib import AsyncExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import tomlkit

from benchd.app import Doors, Watch
from benchd.commands.demo_phone import Phone
from benchd.commands.demo_summary import Tally
from benchd.core.model import Utterance
from benchd.core.record import mark_from_body
from benchd.errors import OutletError, PluginError
from benchd.plugins import load_settings
from benchd.rehearsal.pty_board import PtyBoard
from benchd.rehearsal.scenario import Scenario
from benchd.rehearsal.scenario_file import load_scenario
from benchd.runtime.broker import EmbeddedBroker
from benchd.runtime.clock import BenchClock
from benchd.runtime.contracts import Tools
from benchd.runtime.plain_lines import PlainLines, Style
from benchd.runtime.topics import Topics

HELP = "watch a simulated bench: load 1 of an invented studio's day"
EXAMPLE = "benchd demo --speed 60"
SCENARIO = "load-1"
TAIL_S = 5.0  # bench seconds watched after the scenario ends
FASTEST = 300.0
MORNING_T = 1_767_602_340.0  # 09:39 of an invented Monday in the example bench's time zone: a minute before the mix


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--speed", type=float, default=20.0, help="times life's speed (default 20)")
    parser.add_argument("--scenario", default=SCENARIO, help=f"a scenario's name or file (default {SCENARIO})")
    parser.add_argument("--keep", type=Path, help="keep the config and the journal in this folder")
    parser.add_argument("--page", action="store_true", help="serve the phone page too, and print its address")
    parser.add_argument("--until", type=float, metavar="S", help="stop after so many bench seconds")


def run(args: argparse.Namespace) -> int:
    logging.basicConfig(level=logging.WARNING, format="%(levelname)s %(message)s", stream=sys.stderr)
    if not 0 < args.speed <= FASTEST:
        print(f"benchd demo: --speed goes from above 0 to {FASTEST:.0f}, for example --speed 20", file=sys.stderr)
        return 2
    scenario = load_scenario(args.scenario)
    folder = args.keep or Path(tempfile.mkdtemp(prefix="benchd-demo-"))
    folder.mkdir(parents=True, exist_ok=True)
    try:
        tally = asyncio.run(Demo(scenario, args.speed, folder, args.until, args.page).play())
    except KeyboardInterrupt:
        return 1
    finally:
        if args.keep is None:
            shutil.rmtree(folder, ignore_errors=True)
    print(tally.summary(args.keep))
    return 0


@dataclass(slots=True)
class Demo:
    """One performance: a scenario at a speed, its config and journal in a folder."""

    scenario: Scenario
    speed: float
    folder: Path
    until_s: float | None
    has_page: bool = False
    tally: Tally = field(default_factory=Tally)
    phone: Phone | None = None
    timezone: str = "UTC"

    async def play(self) -> Tally:
        """Run broker, board, daemon and phone to the scenario's end."""
        print(f"{self.scenario.title}  ({self.speed:g} times life's speed; Ctrl-C ends it)")
        async with AsyncExitStack() as stack:
            broker = await stack.enter_async_context(maybe_broker())
            board = PtyBoard(self.scenario, self.speed, on_mark=self._mark_later, link=self.folder / "board")
            board.replug()  # the device is there; the board speaks once the daemon listens
            config = write_config(self.folder, broker, free_port() if self.has_page else None)
            self.tally.truth = board.rehearsal.truth
            await self._watch(config, board, broker, stack)
        return self.tally

    async def _watch(self, config: Path, board: PtyBoard, broker: EmbeddedBroker | None, stack: AsyncExitStack) -> None:
        loaded = load_settings(config)
        self.timezone = loaded.timezone
        ready, stop = asyncio.Event(), asyncio.Event()
        clock = BenchClock(self.speed, anchor_s=MORNING_T)
        watch = Watch(
            loaded, clock, Doors(self.folder / "benchd.sock", page=self.has_page),
            extra_outlets={"screen": self._screen}, on_ready=lambda _: ready.set(),
        )  # fmt: skip
        self._watch_now, self._loop = watch, asyncio.get_running_loop()
        running = asyncio.create_task(watch.run(stop), name="watch")
        await asyncio.wait({running, asyncio.ensure_future(ready.wait())}, return_when=asyncio.FIRST_COMPLETED)
        if self.has_page:
            print(f"the page: http://{loaded.page.host}:{loaded.page.port}/", flush=True)
        if broker is not None:
            self._connect_phone(broker, Topics(loaded.bench.shop, loaded.bench.id).root, stack)
        with board:
            await self._until_over(board, running)
            await asyncio.sleep(TAIL_S / self.speed)
            stop.set()
            await running
        if board.failure is not None:
            raise board.failure

    async def _until_over(self, board: PtyBoard, running: asyncio.Task[None]) -> None:
        over = asyncio.ensure_future(asyncio.to_thread(board.done.wait))
        limit = None if self.until_s is None else self.until_s / self.speed
        await asyncio.wait({over, running}, timeout=limit, return_when=asyncio.FIRST_COMPLETED)
        if not over.done():
            board.close()
            await over

    def _connect_phone(self, broker: EmbeddedBroker, root: str, stack: AsyncExitStack) -> None:
        password = broker.password_file.read_text("utf-8")
        self.phone = Phone("127.0.0.1", broker.port, broker.username, password, self._heard)
        self.phone.connect(root)
        stack.callback(self.phone.close)
        self.tally.by_broker = True

    def _heard(self, said: Mapping[str, Any]) -> None:
        self.tally.heard.append(str(said["say"]))
        print(f'{"":16}phone  ({said["tone"]}) "{said["say"]}"', flush=True)

    def _mark_later(self, mark: dict[str, Any]) -> None:
        """A typed mark, on the board's thread: the phone sends it, or without a broker the console does."""
        if self.phone is not None:
            self.phone.mark(mark)
            return
        body = {k: v for k, v in mark.items() if k != "t_s"}
        self._loop.call_soon_threadsafe(self._submit, body)

    def _submit(self, body: dict[str, Any]) -> None:
        watch = self._watch_now
        watch.submit(mark_from_body(watch.clock.now(), body | {"by": "console"}))

    def _screen(self, tools: Tools) -> Screen:
        return Screen(tools, self)

    _watch_now: Watch = field(init=False)
    _loop: asyncio.AbstractEventLoop = field(init=False)


class Screen:
    """Prints findings and alerts as they are told; words too when no phone is there to hear them."""

    def __init__(self, tools: Tools, demo: Demo) -> None:
        self._tools, self._demo = tools, demo

    async def run(self) -> None:
        lines, news = PlainLines(Style(zone=ZoneInfo(self._demo.timezone))), self._tools.bulletin.subscribe()
        async for posted in news:
            self._demo.tally.add(posted.effect)
            if isinstance(posted.effect, Utterance) and self._demo.phone is not None:
                continue
            line = lines.line(posted.effect)
            if line is not None:
                print(line, flush=True)


@contextlib.asynccontextmanager
async def maybe_broker() -> AsyncIterator[EmbeddedBroker | None]:
    """The embedded broker, or None, saying why, when it is not installed or does not start."""
    broker = EmbeddedBroker(free_port(), free_port())
    try:
        await broker.start()
    except (PluginError, OutletError) as error:
        print(f"no broker: {error}\nThe bench is watched and logged all the same; words appear here.")
        yield None
        return
    try:
        yield broker
    finally:
        await broker.stop()


def example_config() -> Path:
    """The folder of example files: beside the package in a clone, inside it when installed."""
    package = Path(__file__).resolve().parents[1]
    inside = package / "example_config"
    return inside if inside.is_dir() else package.parent / "config"


def write_config(folder: Path, broker: EmbeddedBroker | None, page_port: int | None = None) -> Path:
    """The example bench, its board on the demo's port, in demo time, its journal in the folder, its page where told."""
    example = example_config()
    bench = tomlkit.parse((example / "bench.toml").read_text("utf-8"))
    source = bench["source"][0]
    source["port"], source["clock"] = str(folder / "board"), "up"
    bench["journal"] = {"path": str(folder / "journal.db")}
    bench.pop("mqtt", None)
    if page_port is not None:
        bench["page"] = {"listen": f"127.0.0.1:{page_port}"}
    if broker is not None:
        bench["mqtt"] = {
            "host": "127.0.0.1", "port": broker.port, "username": broker.username,
            "password_file": str(broker.password_file),
        }  # fmt: skip
    path = folder / "bench.toml"
    path.write_text(tomlkit.dumps(bench), "utf-8")
    shutil.copyfile(example / "shelf.toml", folder / "shelf.toml")
    shutil.copytree(example / "resins", folder / "resins", dirs_exist_ok=True)
    return path


def free_port() -> int:
    """A loopback TCP port nobody listens on."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        return int(listener.getsockname()[1])
