"""`benchd demo`: a day on an invented bench, faster than real time, with a real serial device, broker and journal."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import math
import shutil
import signal
import sys
import tempfile
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Mapping
from contextlib import AsyncExitStack
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from benchd.app import Doors, Watch
from benchd.commands.demo.bench import JOURNAL, free_port, maybe_broker, write_config
from benchd.commands.demo.clock import Leash, PacedClock, Words
from benchd.commands.demo.phone import Phone
from benchd.commands.demo.screen import Screen, said_by_hand
from benchd.commands.demo.summary import Tally
from benchd.core.findings import Effect
from benchd.core.format.mark_form import mark_from_body
from benchd.core.model import Utterance
from benchd.plugins import load_settings
from benchd.rehearsal.pace import Pace, PacedScript
from benchd.rehearsal.pty_board import PtyBoard
from benchd.rehearsal.scenario import Scenario
from benchd.rehearsal.scenario_file import load_scenario, scenario_names
from benchd.runtime.contracts import Tools
from benchd.runtime.mqtt.embedded_broker import EmbeddedBroker
from benchd.runtime.mqtt.topics import Topics
from benchd.runtime.printing.finding_words import Names, names_of
from benchd.runtime.printing.log_lines import logging_to
from benchd.runtime.printing.plain_lines import Style
from benchd.runtime.printing.terminal import complain, say
from benchd.settings import Loaded

HELP = "watch a simulated bench through an invented studio's day: three loads in under three minutes"
EXAMPLE = "benchd demo --load 2 --speed 60"
SCENARIO = "day"
LONGEST_STAY_S = 4 * 3600.0
SPOKEN_S, SPOKEN_SPEED = 0.4, 30.0
TAIL_S = 5.0  # bench seconds watched after the scenario ends
FASTEST = 300.0
MORNING_T = 1_767_602_340.0  # 09:39 of an invented Monday in the example bench's time zone: a minute before the mix


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments to its parser."""
    parser.add_argument(
        "--speed", type=float, help="times life's speed in the loads (default: 20 at a pour, up to 200 in a hold); "
        "hours between loads go by at 300 in any case",
    )  # fmt: skip
    parser.add_argument("--load", type=int, choices=(1, 2, 3), help="one load of the day")
    parser.add_argument("--scenario", help=f"a scenario's name or file (default {SCENARIO})")
    parser.add_argument("--keep", type=Path, help="keep the config and the journal in this folder")
    parser.add_argument("--page", action=argparse.BooleanOptionalAction, default=True, help="serve the phone page")
    parser.add_argument(
        "--stay", action=argparse.BooleanOptionalAction, default=None,
        help="leave the page open at the end until Ctrl-C (default: when a terminal is attached)",
    )  # fmt: skip
    parser.add_argument("--until", type=float, metavar="S", help="stop after this many bench seconds")
    parser.set_defaults(parser=parser)


def run(args: argparse.Namespace) -> int:
    """Run the command; returns the exit code."""
    if args.speed is not None and not 0 < args.speed <= FASTEST:
        complain(f"benchd demo: --speed goes from above 0 to {FASTEST:.0f}, for example --speed 20")
        return 2
    if args.load is not None and args.scenario is not None:
        args.parser.error("--load names the scenario: leave --scenario out")
    scenario = load_scenario(args.scenario or _scenario_of(args.load))
    if args.keep is not None and (args.keep / JOURNAL).exists():
        complain(f"benchd demo: {args.keep} holds a journal already; name a new folder")
        return 2
    folder = args.keep or Path(tempfile.mkdtemp(prefix="benchd-demo-"))
    folder.mkdir(parents=True, exist_ok=True)
    stay = sys.stdout.isatty() if args.stay is None else args.stay
    pace = Pace() if args.speed is None else Pace.steady(args.speed, FASTEST)
    demo = Demo(scenario, pace, folder, args.until, args.page, args.page and stay, args.keep)
    try:
        with logging_to(sys.stderr, "warning"):
            return asyncio.run(demo.play())
    except KeyboardInterrupt:
        if not demo.is_over:
            raise
        return 0
    finally:
        if args.keep is None:
            shutil.rmtree(folder, ignore_errors=True)


def _scenario_of(load: int | None) -> str:
    return SCENARIO if load is None else next(n for n in scenario_names() if n.startswith(f"load-{load}"))


@dataclass(slots=True)
class Demo:
    """One run of the demo: a scenario at a pace, with its config and journal in a folder."""

    scenario: Scenario
    pace: Pace
    folder: Path
    until_s: float | None
    has_page: bool
    stays: bool
    kept: Path | None
    tally: Tally = field(default_factory=Tally)
    phone: Phone | None = None
    words: Words = field(default_factory=Words)
    played: threading.Event = field(default_factory=threading.Event)
    speaking_until_s: float = 0.0
    timezone: str = "UTC"
    is_over: bool = False

    def __post_init__(self) -> None:
        self.leash = Leash(MORNING_T, self._is_speaking, self._stepped_t)

    async def play(self) -> int:
        """Run broker, board, daemon and phone to the scenario's end, then show what was seen."""
        say(self.scenario.title)
        say(f"{self._told_pace()}.  All of it is invented.  Ctrl-C ends it.", flush=True)
        async with AsyncExitStack() as stack:
            broker = await stack.enter_async_context(maybe_broker())
            clock = PacedClock(MORNING_T, self.pace.fastest)
            board = self._board(clock)
            board.replug()  # the device exists already; the board sends once the daemon listens
            config = write_config(self.folder, broker, free_port() if self.has_page else None)
            self.tally.truth = board.rehearsal.truth
            await self._watch(load_settings(config), clock, board, broker, stack)
        return 0

    def _board(self, clock: PacedClock) -> PtyBoard:
        """The board, which sets the clock; a demo that stays open continues in real time, with nobody at the bench."""
        script = PacedScript(self.scenario, self.pace)
        end_s = min(self.scenario.duration_s, float("inf") if self.until_s is None else self.until_s)
        longer_s = LONGEST_STAY_S if self.stays else 0.0

        def on_frame(t_s: float, speed: float) -> None:
            self.leash.wait(board.spoke_s)
            clock.reached(t_s, speed)
            if t_s >= end_s:
                self.played.set()

        board = PtyBoard(
            replace(self.scenario, end_s=self.scenario.end_s + longer_s), on_mark=self._mark_later,
            link=self.folder / "board", pace=lambda t_s: 1.0 if t_s >= end_s else self._eased(script.speed_at(t_s)),
            on_frame=on_frame,
        )  # fmt: skip
        return board

    def _eased(self, speed: float) -> float:
        """The speed, reduced after an utterance, which expires after thirty bench seconds: it must be heard in time."""
        is_speaking = time.monotonic() < self.speaking_until_s
        return min(speed, max(self.pace.hands, SPOKEN_SPEED)) if is_speaking else speed

    def _noted(self, effect: Effect) -> None:
        if isinstance(effect, Utterance):
            self.speaking_until_s = time.monotonic() + SPOKEN_S
            if self.phone is not None:
                self.words.said()
        self.tally.add(effect)

    def _is_speaking(self) -> bool:
        """True while a word is on its way from the engine to the phone."""
        pipeline = self._watch_now.pipeline
        return self.words.are_under_way or (pipeline is not None and pipeline.saver.has_unsaid)

    def _stepped_t(self) -> float:
        pipeline = self._watch_now.pipeline
        return math.inf if pipeline is None else pipeline.t

    def _told_pace(self) -> str:
        pace = self.pace
        if pace.hands == pace.waiting:
            between = ", quicker between loads" if pace.quiet > pace.hands else ""
            return f"Played at {pace.hands:g} times life's speed{between}"
        return f"Played at {pace.hands:g} times life's speed while hands are busy, up to {pace.fastest:g} between"

    async def _watch(
        self, loaded: Loaded, clock: PacedClock, board: PtyBoard, broker: EmbeddedBroker | None, stack: AsyncExitStack
    ) -> None:
        self.timezone, self.tally.bench, self._names = loaded.timezone, loaded.bench, names_of(loaded.bench)
        ready, stop = asyncio.Event(), asyncio.Event()
        watch = Watch(
            loaded, clock, Doors(self.folder / "benchd.sock", page=self.has_page),
            extra_outlets={"screen": self._screen}, on_ready=lambda _: ready.set(),
        )  # fmt: skip
        self._watch_now, self._loop = watch, asyncio.get_running_loop()
        running = asyncio.create_task(watch.run(stop), name="watch")
        await asyncio.wait({running, asyncio.ensure_future(ready.wait())}, return_when=asyncio.FIRST_COMPLETED)
        if self.has_page:
            say(f"The phone page: {_page_of(loaded)}/", flush=True)
        say(flush=True)
        if broker is not None:
            self._connect_phone(broker, Topics(loaded.bench.shop, loaded.bench.id).root, stack)
        with board:
            try:
                await self._until_over(board, running)
                await asyncio.sleep(min(1.0, TAIL_S / clock.rate))
                await self._show_end(loaded, running)
                stop.set()  # before the board closes: the end of the demo is not an unplugged cable
                await running
            finally:
                self.leash.let_go()
        if board.failure is not None:
            raise board.failure

    async def _show_end(self, loaded: Loaded, running: asyncio.Task[None]) -> None:
        """Print the day's summary; then, when asked to stay, serve the page until Ctrl-C."""
        say(*self.tally.summary(self.kept).split("\n"), flush=True)
        self.is_over = True
        if not self.has_page or running.done():
            return
        report = f"{_page_of(loaded)}/report/day/today"
        if await asyncio.to_thread(_is_served, report):
            say("", f"The day's report: {report}", flush=True)
        if self.stays:
            say(f"The page stays open at {_page_of(loaded)}/ until Ctrl-C.", flush=True)
            loop, ended = asyncio.get_running_loop(), asyncio.Event()
            for number in (signal.SIGINT, signal.SIGTERM):
                loop.add_signal_handler(number, ended.set)
            waiting = asyncio.create_task(ended.wait())
            await asyncio.wait({running, waiting}, return_when=asyncio.FIRST_COMPLETED)
            waiting.cancel()

    async def _until_over(self, board: PtyBoard, running: asyncio.Task[None]) -> None:
        while not (self.played.is_set() or board.done.is_set()):
            done, _ = await asyncio.wait({running}, timeout=0.1)
            if done:
                return

    def _connect_phone(self, broker: EmbeddedBroker, root: str, stack: AsyncExitStack) -> None:
        password = broker.password_file.read_text("utf-8")
        self.phone = Phone("127.0.0.1", broker.port, broker.username, password, MORNING_T, self._heard)
        self.phone.connect(root)
        stack.callback(self.phone.close)
        self.tally.by_broker = True

    def _heard(self, said: Mapping[str, Any]) -> None:
        self.words.arrived()
        self.tally.heard.append(str(said["say"]))
        say(self._line(float(said["t"]), f'phone  ({said["tone"]}) "{said["say"]}"'), flush=True)

    def _line(self, t: float, text: str) -> str:
        """A line from one of the participants, in the format of the daemon's own lines."""
        return f"{datetime.fromtimestamp(t, ZoneInfo(self.timezone)):%H:%M:%S}        {text}"

    def _mark_later(self, mark: dict[str, Any]) -> None:
        """Send a typed mark, called on the board's thread: through the phone, or without a broker from the console."""
        self.tally.marks.append(mark)
        say(self._line(MORNING_T + float(mark["t_s"]), f"caster {said_by_hand(mark)}"), flush=True)
        if self.phone is not None:
            self.phone.mark(mark)
            return
        with contextlib.suppress(RuntimeError):  # the loop is closed: the demo is over
            self._loop.call_soon_threadsafe(self._submit, mark)

    def _submit(self, mark: dict[str, Any]) -> None:
        body = {k: v for k, v in mark.items() if k != "t_s"} | {"by": "console"}
        self._watch_now.submit(mark_from_body(MORNING_T + float(mark["t_s"]), body))

    def _screen(self, tools: Tools) -> Screen:
        style = Style(zone=ZoneInfo(self.timezone), names=self._names)
        return Screen(tools, style, lambda: self.phone is not None, self._noted, self.leash.heard)

    leash: Leash = field(init=False)
    _watch_now: Watch = field(init=False)
    _names: Names = field(init=False)
    _loop: asyncio.AbstractEventLoop = field(init=False)


def _page_of(loaded: Loaded) -> str:
    return loaded.page.url


def _is_served(url: str) -> bool:
    try:
        with urllib.request.urlopen(url, timeout=10.0) as answer:
            return bool(answer.status == 200)
    except (urllib.error.URLError, OSError):
        return False
