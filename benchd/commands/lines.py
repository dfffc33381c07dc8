"""`benchd lines`: shows the channels' readings live, each with a small plot.

From the daemon, or directly from a port or a broker.
"""

from __future__ import annotations

import argparse
import asyncio
import math
import sys
import time
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, TextIO
from zoneinfo import ZoneInfo

from benchd.commands._numbers import HeardNumbers, overhear_numbers
from benchd.core.bench import ROLES
from benchd.core.format.printed import format_number
from benchd.core.units import from_c, from_kpa
from benchd.errors import BenchdError
from benchd.runtime.http.local_client import NoDaemonError
from benchd.runtime.http.running import ROUTE as BENCH_ROUTE
from benchd.runtime.http.running import ask
from benchd.runtime.mqtt.address import BrokerAddress
from benchd.runtime.printing.terminal import CYAN, PLAIN, YELLOW, Redrawn, complain, is_colored, painted
from benchd.runtime.serial.overhear import Overheard, overhear
from benchd.settings.config_option import add_config

HELP = "show live what every channel reads, with a small plot of each"
EXAMPLE = "benchd lines --port /dev/ttyACM0"
BLOCKS = "▁▂▃▄▅▆▇█"
EVERY_S = 0.5
WAIT_S = 10.0  # a daemon that is being started has its socket within a few seconds
WIDTH = 40  # points of a plot, one every EVERY_S
NAME_MOST = 60  # letters of a channel, or of a topic and its key


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments to its parser."""
    add_config(parser)
    parser.add_argument("--port", help="listen to this port (no daemon may hold it) instead of asking the daemon")
    parser.add_argument("--baud", type=int, default=115_200, help="the port's speed (default 115200)")
    parser.add_argument("--no-crc", action="store_true", help="the board's lines carry no checksum")
    parser.add_argument(
        "--broker", type=broker_address, metavar="HOST:PORT", help="show every number that is published at this broker"
    )
    parser.add_argument("--topic", default="#", metavar="FILTER", help="of a broker: only these topics (default #)")
    parser.add_argument("--for", dest="for_s", type=float, metavar="S", help="stop after this many seconds")


def broker_address(text: str) -> BrokerAddress:
    """HOST or HOST:PORT.  Raises argparse.ArgumentTypeError."""
    host, _, port = text.partition(":")
    try:
        return BrokerAddress(host=host, port=int(port or 1883))
    except ValueError as error:
        raise argparse.ArgumentTypeError("write HOST:PORT, for example 127.0.0.1:1883") from error


def run(args: argparse.Namespace) -> int:
    """Run the command; returns the exit code."""
    screen = Screen(sys.stdout)
    if args.port:
        asyncio.run(_of_port(args.port, args.baud, not args.no_crc, args.for_s, screen))
    elif args.broker:
        asyncio.run(_of_broker(args.broker, args.topic, args.for_s, screen))
    else:
        _of_daemon(args.for_s, screen)
    if not screen.rows:
        raise BenchdError(
            "nothing was heard; is the board plugged in, and does it send? `benchd check` tries the ports"
        )
    return 0


def _of_daemon(for_s: float | None, screen: Screen) -> None:
    state = _first_state()
    shown = ShownIn.of(ask("GET", BENCH_ROUTE)[1])
    until_s = math.inf if for_s is None else time.monotonic() + for_s
    while True:
        for reading in state.get("readings", ()):
            value, unit = shown.value(reading["value"], ROLES.get(reading["role"], ""))
            screen.take(reading["channel"], reading["t"], value, unit, reading["quality"])
        about = state.get("about", {})
        screen.show(f"{about.get('name', 'bench')}, {shown.clock(float(state['now']))}")
        if time.monotonic() + EVERY_S > until_s:
            return
        time.sleep(EVERY_S)
        _, state = ask("GET", "/api/v0/state")


@dataclass(frozen=True, slots=True)
class ShownIn:
    """The bench's units and zone; a daemon that does not say has the core's units and UTC."""

    pressure: str
    temperature: str
    zone: str

    @classmethod
    def of(cls, told: Mapping[str, Any]) -> ShownIn:
        """From the daemon's answer about its bench."""
        units = told.get("units", {})
        return cls(units.get("pressure", "kPa"), units.get("temperature", "C"), told.get("timezone", "UTC"))

    def value(self, value: float | None, unit: str) -> tuple[float | None, str]:
        """A reading in the bench's unit."""
        if unit == "kPa":
            places = {"psi": 2, "bar": 3}.get(self.pressure, 1)
            return None if value is None else round(from_kpa(value, self.pressure), places), self.pressure
        if unit == "C":
            return None if value is None else round(from_c(value, self.temperature), 2), self.temperature
        return value, unit

    def clock(self, t: float) -> str:
        """The bench's time of day."""
        return f"{datetime.fromtimestamp(t, ZoneInfo(self.zone)):%H:%M:%S}"


def _first_state() -> dict[str, Any]:
    """The daemon's state; one that is only being started is waited for.  Raises NoDaemonError."""
    until_s = time.monotonic() + WAIT_S
    is_said = False
    while True:
        try:
            return ask("GET", "/api/v0/state")[1]
        except NoDaemonError:
            if time.monotonic() > until_s:
                raise
        if not is_said:
            complain(f"waiting {WAIT_S:.0f} s for `benchd run` ...")
            is_said = True
        time.sleep(EVERY_S)


async def _of_port(port: str, baud: int, checked: bool, for_s: float | None, screen: Screen) -> None:
    shown_s = 0.0

    def show(heard: Overheard) -> None:
        nonlocal shown_s
        if time.monotonic() - shown_s < EVERY_S:
            return
        shown_s = time.monotonic()
        for name, said in heard.names.items():
            screen.take(name, said.values[-1][0], said.last, said.unit, "good")
        refused = ", ".join(f"{count} refused: {why}" for why, count in heard.refused.items())
        screen.show(f"{port}: {heard.lines} lines" + (f", {refused}" if refused else ""))

    await overhear(port, baud, for_s, show, checked)


async def _of_broker(address: BrokerAddress, topic: str, for_s: float | None, screen: Screen) -> None:
    shown_s = 0.0

    def show(heard: HeardNumbers) -> None:
        nonlocal shown_s
        if time.monotonic() - shown_s < EVERY_S:
            return
        shown_s = time.monotonic()
        for (where, key), numbers in heard.names.items():
            screen.take(f"{where} {key}".strip(), numbers.values[-1][0], numbers.last, "", "good")
        screen.show(f"{address.host}:{address.port}: {heard.messages} messages; topic, then key")

    shown_s = -EVERY_S
    show(await overhear_numbers(address, topic, for_s, show))


@dataclass(slots=True)
class Row:
    """One channel on the screen."""

    unit: str
    t: float = -1.0
    quality: str = "good"
    values: deque[float | None] = field(default_factory=lambda: deque(maxlen=WIDTH))
    is_new: bool = False


class Screen:
    """On a terminal a table updated in place; elsewhere one plain line for each new reading."""

    def __init__(self, out: TextIO) -> None:
        self.rows: dict[str, Row] = {}
        self._out = Redrawn(out)
        self._paint = is_colored(out)

    def take(self, name: str, t: float, value: float | None, unit: str, quality: str) -> None:
        """Take a channel's newest reading; a repeated one is ignored."""
        row = self.rows.setdefault(name, Row(unit))
        row.is_new = t != row.t
        row.t, row.quality = t, quality
        row.values.append(value)

    def show(self, title: str) -> None:
        """Draw the table, or print the new readings."""
        if not self._out.is_live:
            self._out.draw([f"{name} {said(row)}" for name, row in self.rows.items() if row.is_new])
        else:
            self._out.draw([title, *(self._drawn_row(name, row) for name, row in self.rows.items())])

    def _drawn_row(self, name: str, row: Row) -> str:
        drawn = plot(list(row.values))
        wide = min(max(22, *map(len, self.rows)), NAME_MOST)
        color = YELLOW if row.quality != "good" else CYAN
        return painted(drawn, color if self._paint else PLAIN, before=f"{name:<{wide}.{wide}} {said(row):>22}  ")


def said(row: Row) -> str:
    """The last value with its unit, and its quality unless that is good."""
    value = row.values[-1] if row.values else None
    shown = "blind" if value is None else f"{format_number('value', value)} {row.unit}".rstrip()
    return shown if row.quality == "good" else f"{shown} ({row.quality})"


def plot(values: Sequence[float | None]) -> str:
    """A line of blocks scaled from the least value to the greatest.

    Centred if constant; blank where there is no value.
    """
    known = [value for value in values if value is not None]
    if not known:
        return " " * len(values)
    low, high = min(known), max(known)
    if high - low <= 1e-9 * max(1.0, abs(high)):
        return "".join(" " if value is None else BLOCKS[3] for value in values)
    top = len(BLOCKS) - 1
    return "".join(" " if v is None else BLOCKS[round((v - low) / (high - low) * top)] for v in values)
