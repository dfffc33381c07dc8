"""Receives the lines a board sends on a serial port.

A port is a path ("/dev/serial/by-id/..."), a USB id ("usb:2e8a:000a" or "usb:2e8a:000a:SERIAL", found again under
any name it comes back with), or a pyserial URL ("socket://10.0.0.5:4000").  A named port is read by the event loop as
its bytes arrive; a URL by a thread of its own, in batches.  Boards reset, hubs drop out, plugs are pulled: a loss is
reported at once as a Status input and ends `run` with SourceError; when run again the source waits for the port's name.
"""

from __future__ import annotations

import asyncio
import base64
import contextlib
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator

from benchd.core.intake.full_scale import FullScale, full_scale_of
from benchd.core.model import Line, RawLine, Status
from benchd.errors import SourceError
from benchd.runtime.clock import BenchClock
from benchd.runtime.contracts import Inbox
from benchd.runtime.serial.framing import LineFramer
from benchd.runtime.serial.port import LOOK_EVERY_S, USB_ID, GoneError, Port, find_path, open_port

LOOK_USB_EVERY_S = 1.0  # wall; listing USB ids takes some milliseconds
SCALES_MOST = 8  # full scales of one board that are remembered: a chattering one must not grow without bound
QUOTE_EVERY_S = 10.0  # bench time: a board that restarts over and over, or chatters
PATIENCE_S = 600.0  # wall; how long one run waits for a port that was seen missing before


class Settings(BaseModel):
    """One board on a serial port."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    kind: Literal["serial_lines"] = "serial_lines"
    port: Annotated[str, Field(min_length=1)]
    """A path, "usb:VID:PID[:SERIAL]", or a pyserial URL."""
    baud: Annotated[int, Field(ge=300, le=4_000_000)] = 115_200
    """Boards that speak USB themselves don't mind which."""
    crc: Literal["crc32", "none"] = "crc32"
    """What guards a line; a home-made board without a checksum says "none"."""
    clock: Literal["up", "arrival"] = "up"
    """Whose time counts: the board's own, by its seconds since boot or the cadence of its lines, or that of arrival."""

    @field_validator("port")
    @classmethod
    def _usb_ids_are_whole(cls, port: str) -> str:
        if port.startswith("usb:") and USB_ID.fullmatch(port) is None:
            raise ValueError('write "usb:VID:PID" or "usb:VID:PID:SERIAL", VID and PID as four hex digits')
        return port


def make(settings: Settings, id: str, clock: BenchClock) -> SerialLines:
    """The source of this board's lines."""
    return SerialLines(settings, id, clock)


class SerialLines:
    """One board's lines as inputs.  `framer` counts lines that were too long and keeps the board's last comments."""

    def __init__(self, settings: Settings, id: str, clock: BenchClock) -> None:
        self.framer = LineFramer()
        self._settings = settings
        self._id = id
        self._clock = clock
        self._read, self._words, self._quoted_t = 0, "", float("-inf")
        self._scales: dict[str, FullScale] = {}
        self._told: tuple[bool, str] | None = None
        self._port: Port | None = None

    async def run(self, inbox: Inbox) -> None:
        """Open the port, put Status(up) and then each line, for ever.

        Raises SourceError, its Status already put, when the port cannot be opened or is lost.  A port reported missing
        is waited for, up to PATIENCE_S, before that is reported again.
        """
        try:
            port = await self._open()
        except SourceError as error:
            self._tell(inbox, False, str(error))
            raise
        try:
            self._port = port
            self._begin(inbox)
            await port.pump(lambda data: self._take(inbox, data))
        except GoneError as error:
            why = f"{self._settings.port}: {error}"
            self._tell(inbox, False, why)
            raise SourceError(why) from error
        finally:
            self._port = None
            port.close()

    def offer(self, line: bytes, /) -> bool:
        """Send a line to the board; False when its port is not open or takes no data just now.  Never waits."""
        return self._port is not None and self._port.offer(line)

    async def _open(self) -> Port:
        port = self._settings.port
        if self._told is not None and not self._told[0]:
            look_every_s = LOOK_USB_EVERY_S if USB_ID.fullmatch(port) else LOOK_EVERY_S
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(PATIENCE_S):
                    while await asyncio.to_thread(find_path, port) is None:  # noqa: ASYNC110  no bell rings for a name
                        await asyncio.sleep(look_every_s)
        return await open_port(port, self._settings.baud)

    def _begin(self, inbox: Inbox) -> None:
        """Start with a newly opened port: a half line left from before is discarded."""
        kept = self.framer
        self.framer = LineFramer()
        self.framer.too_long = kept.too_long
        self.framer.comments.extend(kept.comments)
        self._read = 0
        self._tell(inbox, True, self._settings.port)

    def _tell(self, inbox: Inbox, up: bool, why: str) -> None:
        """Put a Status, unless it equals the last one."""
        if up or (up, why) != self._told:
            inbox.put(Status(self._clock.now(), self._id, up, why))
        self._told = (up, why)

    def _take(self, inbox: Inbox, data: bytes) -> None:
        now = self._clock.now()
        for raw in self.framer.feed(data):
            try:
                line = raw.decode()
            except UnicodeDecodeError:
                inbox.put(RawLine(now, self._id, base64.b64encode(raw).decode()))
                continue
            self._quote(inbox, now)
            inbox.put(Line(now, self._id, line))

    def _quote(self, inbox: Inbox, now: float) -> None:
        """The board's last words about itself (its banner, or why it restarted), and each new full scale."""
        new = self.framer.commented - self._read
        if new:
            self._read += new
            self._read_comments(inbox, now, list(self.framer.comments)[-new:])
        if self._words and now - self._quoted_t >= QUOTE_EVERY_S:
            inbox.put(Status(now, self._id, True, f"board says: {self._words}"))
            self._words, self._quoted_t = "", now

    def _read_comments(self, inbox: Inbox, now: float, comments: list[bytes]) -> None:
        """A full scale is told once, whatever the board says after it; of the rest the last waits to be quoted."""
        for raw in comments:
            words = "".join(c for c in raw[:100].decode(errors="replace") if c.isprintable())
            scale = full_scale_of(words)
            if scale is None:
                self._words = words
            elif self._scales.get(scale.name) != scale and len(self._scales) < SCALES_MOST:
                self._scales[scale.name] = scale
                inbox.put(Status(now, self._id, True, f"board says: {scale.words}"))
