"""Prints words, alerts and main findings on a terminal, one plain line each.

Writing happens in a thread of its own behind a bounded queue: a pager that does not read never holds up the watch.
"""

from __future__ import annotations

import asyncio
import contextlib
import queue
import sys
import threading
from typing import Literal, TextIO
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import BaseModel, ConfigDict, field_validator

from benchd.errors import OutletError
from benchd.runtime.contracts import Tools
from benchd.runtime.printing import terminal
from benchd.runtime.printing.finding_words import names_of
from benchd.runtime.printing.plain_lines import PlainLines, Style

LINES_MOST = 1000


class Settings(BaseModel):
    """The `[console]` table; `timezone` empty = the system's."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    kind: Literal["console"] = "console"
    color: Literal["auto", "always", "never"] = "auto"
    pressure: Literal["psi", "kPa", "bar"] = "psi"
    temperature: Literal["C", "F"] = "C"
    timezone: str = ""
    findings: bool = True

    @field_validator("timezone")
    @classmethod
    def _zone_exists(cls, name: str) -> str:
        try:
            return name and ZoneInfo(name).key
        except (ZoneInfoNotFoundError, ValueError) as error:
            raise ValueError(f'no time zone "{name}"; write for example "Europe/Paris"') from error


def make(settings: Settings, tools: Tools) -> ConsoleOutlet:
    """The outlet on standard output; no I/O."""
    return ConsoleOutlet(settings, tools)


def is_colored(choice: str, stream: TextIO) -> bool:
    """Whether to colour: as given, else on a terminal unless NO_COLOR is set and not empty (no-color.org)."""
    if choice != "auto":
        return choice == "always"
    return terminal.is_colored(stream)


class _Writer:
    """Lines to a stream in a thread of its own; `failed` tells the loop once writing is over for good."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self._lines: queue.Queue[str | None] = queue.Queue(LINES_MOST)
        self._loop = asyncio.get_running_loop()
        self.over: asyncio.Future[str] = self._loop.create_future()
        self._thread = threading.Thread(target=self._write, name="console", daemon=True)
        self._thread.start()

    def put(self, line: str | None) -> bool:
        with contextlib.suppress(queue.Full):
            self._lines.put_nowait(line)
            return True
        return False

    def _write(self) -> None:
        why = ""
        try:
            while (line := self._lines.get()) is not None:
                terminal.write_line(self._stream, line)
                if self._lines.empty():
                    self._stream.flush()
        except (OSError, ValueError) as error:
            why = f"{type(error).__name__}: {error}"
        with contextlib.suppress(RuntimeError):
            self._loop.call_soon_threadsafe(self._tell, why)

    def _tell(self, why: str) -> None:
        if not self.over.done():
            self.over.set_result(why)

    async def close(self, within_s: float = 1.0) -> None:
        self.put(None)
        await asyncio.wait([self.over], timeout=within_s)


class ConsoleOutlet:
    """Prints what is published.  `stream` is standard output unless given."""

    def __init__(self, settings: Settings, tools: Tools, stream: TextIO | None = None) -> None:
        self._settings = settings
        self._tools = tools
        self._stream = stream

    async def run(self) -> None:
        """Until cancelled.  Raises OutletError when the stream is closed."""
        stream = self._stream or sys.stdout
        lines = PlainLines(self._style(stream))
        news = self._tools.bulletin.subscribe()
        writer = _Writer(stream)
        try:
            while True:
                for posted in await news.batch():
                    line = lines.line(posted.effect)
                    if line is not None and not writer.put(line):
                        self._count_lost()
                if writer.over.done():
                    raise OutletError(f"console: {writer.over.result()}")
        finally:
            self._tools.bulletin.unsubscribe(news)
            await writer.close()

    def _style(self, stream: TextIO) -> Style:
        settings = self._settings
        return Style(
            settings.pressure,
            settings.temperature,
            ZoneInfo(settings.timezone) if settings.timezone else None,
            is_colored(settings.color, stream),
            settings.findings,
            names=names_of(self._tools.known()),
        )

    def _count_lost(self) -> None:
        dropped = self._tools.health.dropped
        dropped["console"] = dropped.get("console", 0) + 1
