"""Finds and opens a serial port, reads it without blocking, and notices when it is gone.

A port with a file descriptor is read by the event loop when it has bytes.  URLs (socket://, rfc2217://, loop://), and
all ports where the loop cannot wait for one, are read by a thread in batches.  A hang-up shows as pyserial's
SerialException, as a bare OSError, or as reads that return nothing at once for ever: all three end as GoneError.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import os
import queue
import re
import select
import threading
from collections.abc import Callable
from functools import partial
from typing import Protocol

import serial
from serial.tools import list_ports

from benchd.errors import SourceError
from benchd.runtime.serial.line_out import LineOut

READ_BYTES = 65_536
BATCH_BYTES = 4096
BATCH_S = 0.05  # a reader thread hands on what came within this time
BATCHES_WAITING = 16  # then the thread waits for the loop, and the port's own buffer fills
LINES_OUT_MOST = 4  # lines waiting for the thread to send them
LOOK_EVERY_S = 0.25
TAKEN = "taken by another program"
MISSES = 2  # looks in a row that must find the name gone: device managers renew their links now and then

Take = Callable[[bytes], None]
USB_ID = re.compile(r"usb:([0-9a-fA-F]{4}):([0-9a-fA-F]{4})(?::(.+))?")


class GoneError(Exception):
    """The port that was open is lost; the text says how that showed."""


class Port(Protocol):
    """An open port."""

    async def pump(self, take: Take) -> None:
        """Hand each piece of what arrives to `take`, on the event loop; ends only by GoneError."""

    def offer(self, line: bytes) -> bool:
        """Send a line; False when the port takes none just now.  Never waits."""

    def close(self) -> None: ...


def find_path(port: str) -> str | None:
    """The device a port's name stands for just now, None if it is not there.  URLs stand for themselves.

    Raises SourceError if a USB id fits several boards.
    """
    usb = USB_ID.fullmatch(port)
    if usb is None:
        return port if "://" in port or os.sep not in port or os.path.exists(port) else None
    vid, pid, number = int(usb[1], 16), int(usb[2], 16), usb[3]
    found = sorted(
        p.device
        for p in list_ports.comports()
        if (p.vid, p.pid) == (vid, pid) and (number is None or p.serial_number == number)
    )
    if len(found) > 1:
        raise SourceError(f"{port}: fits {', '.join(found)}. Add the board's serial number: usb:VID:PID:SERIAL.")
    return found[0] if found else None


async def open_port(port: str, baud: int) -> Port:
    """The open port, what waited in it thrown away.  Raises SourceError that says what to do."""
    path = find_path(port)
    if path is None:
        raise SourceError(_remedy(port, FileNotFoundError(errno.ENOENT, "not there")))
    try:
        if "://" not in path and os.name == "posix":
            return FilePort(path, serial.Serial(path, baud, timeout=0, exclusive=True))
        threaded = ThreadPort(
            partial(serial.serial_for_url, path, baudrate=baud, timeout=BATCH_S, write_timeout=BATCH_S)
        )
        await threaded.open()
        return threaded
    except Exception as error:  # SerialException, OSError, termios.error, ValueError, or whatever a URL's driver raises
        raise SourceError(_remedy(port, error)) from error


def _remedy(port: str, error: Exception) -> str:
    """What is wrong with opening this port, and what the caster can do."""
    match getattr(error, "errno", None):
        case errno.ENOENT | errno.ENXIO | errno.ENODEV:
            return f"{port}: no such port. Plug the board in; `benchd init` lists the ports it finds."
        case errno.EACCES | errno.EPERM:
            return f"{port}: permission denied. Add the user benchd runs as to the group {_group(port)}, then restart."
        case errno.EAGAIN | errno.EBUSY:
            return f"{port}: {TAKEN}. Close it (a serial monitor, another benchd) and benchd goes on."
    return f"{port}: {error}. Check that it is a serial port and that the baud rate is one it knows."


def _group(port: str) -> str:
    """The group that owns the port, by name if it has one; "dialout" (Debian's for serial ports) when unknown."""
    import grp  # POSIX only

    try:
        return grp.getgrgid(os.stat(find_path(port) or port).st_gid).gr_name
    except (OSError, KeyError):
        return "dialout"


class FilePort:
    """A port with a file descriptor, read on the event loop."""

    def __init__(self, path: str, port: serial.Serial) -> None:
        self._path = path
        self._port = port
        self._fd: int = port.fileno()
        self._out = LineOut(self._fd)
        self._empty = 0

    async def pump(self, take: Take) -> None:
        """Read until the port hangs up or its name leads elsewhere."""
        loop = asyncio.get_running_loop()
        gone: asyncio.Future[str] = loop.create_future()
        loop.add_reader(self._fd, self._read, take, gone)
        self._look(gone, 0)
        try:
            raise GoneError(await gone)
        finally:
            self._looking.cancel()
            loop.remove_reader(self._fd)

    def _look(self, gone: asyncio.Future[str], misses: int) -> None:
        """Look for the name from time to time: a callback, for a task's wake-up costs several times as much."""
        misses = 0 if self._is_named() else misses + 1
        if misses < MISSES:
            self._looking = gone.get_loop().call_later(LOOK_EVERY_S, self._look, gone, misses)
        elif not gone.done():
            gone.set_result("its name has disappeared or leads to another device")

    def _read(self, take: Take, gone: asyncio.Future[str]) -> None:
        if gone.done():
            return
        try:
            data = os.read(self._fd, READ_BYTES)
        except (BlockingIOError, InterruptedError):
            return
        except OSError as error:
            gone.set_result(f"gone ({error.strerror or error})")
            return
        try:
            if data:
                self._empty = 0
                take(data)
            elif self._has_hung_up():
                gone.set_result("gone (hung up)")
        except Exception as error:  # ours, not the port's: out of `pump` with it
            gone.set_exception(error)

    def _has_hung_up(self) -> bool:
        """Was a read that returned nothing the end?  The kernel may say so; else the third in a row is."""
        self._empty += 1
        poll = select.poll()
        poll.register(self._fd, 0)
        return bool(poll.poll(0)) or self._empty >= 3

    def _is_named(self) -> bool:
        """True if the name we opened still leads to the device we hold."""
        try:
            return os.stat(self._path).st_rdev == os.fstat(self._fd).st_rdev
        except OSError:
            return False

    def offer(self, line: bytes) -> bool:
        return self._out.offer(line)

    def close(self) -> None:
        """Close; what a board that does not read left waiting is thrown away, or closing would wait for it."""
        self._out.close()
        with contextlib.suppress(Exception):  # a port that is gone has many ways to say so
            self._port.reset_output_buffer()
        with contextlib.suppress(OSError):
            self._port.close()


class ThreadPort:
    """A port read by a thread of its own, which also opens and closes it."""

    def __init__(self, opener: Callable[[], serial.Serial]) -> None:
        self._opener = opener
        self._loop = asyncio.get_running_loop()
        self._opened: asyncio.Future[None] = self._loop.create_future()
        self._arrived: asyncio.Queue[bytes | GoneError] = asyncio.Queue()
        self._out: queue.Queue[bytes] = queue.Queue(LINES_OUT_MOST)
        self._slots = threading.Semaphore(BATCHES_WAITING)
        self._stop = threading.Event()

    async def open(self) -> None:
        """Wait until the thread has opened the port.  Raises what opening raised."""
        threading.Thread(target=self._live, name="serial-port", daemon=True).start()
        try:
            await self._opened
        except BaseException:  # also a cancelled start: the thread would keep the port
            self.close()
            raise

    async def pump(self, take: Take) -> None:
        while True:
            arrived = await self._arrived.get()
            if isinstance(arrived, GoneError):
                raise arrived
            self._slots.release()
            take(arrived)

    def offer(self, line: bytes) -> bool:
        with contextlib.suppress(queue.Full):
            self._out.put_nowait(line)
            return True
        return False

    def close(self) -> None:
        """Tell the thread to close the port: it does within BATCH_S."""
        self._stop.set()

    def _live(self) -> None:
        try:
            port = self._opener()
        except Exception as error:  # raised by `open`, in whose thread this is not
            self._post(self._settle, error)
            return
        with contextlib.closing(port):
            self._post(self._settle, None)
            try:
                port.reset_input_buffer()
                self._read(port)
            except Exception as error:  # whatever a URL's driver raises, the port is of no use any more
                self._post(self._arrived.put_nowait, GoneError(f"gone ({error})"))

    def _read(self, port: serial.Serial) -> None:
        while not self._stop.is_set():
            self._write(port)
            data = port.read(BATCH_BYTES)
            while data and not self._slots.acquire(timeout=BATCH_S):
                if self._stop.is_set():
                    return
            if data:
                self._post(self._arrived.put_nowait, bytes(data))

    def _write(self, port: serial.Serial) -> None:
        """Send what waits; a line the other side does not take within BATCH_S is given up."""
        with contextlib.suppress(queue.Empty, serial.SerialTimeoutException):
            while True:
                port.write(self._out.get_nowait())

    def _settle(self, error: Exception | None) -> None:
        if self._opened.done():
            return
        if error is None:
            self._opened.set_result(None)
        else:
            self._opened.set_exception(error)

    def _post(self, call: Callable[..., None], *args: object) -> None:
        with contextlib.suppress(RuntimeError):  # the loop has closed: nobody listens any more
            self._loop.call_soon_threadsafe(call, *args)
