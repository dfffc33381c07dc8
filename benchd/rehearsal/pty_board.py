"""Puts a rehearsal behind a serial port: a pseudo-terminal fed by a thread, at any multiple of real time.

The thread owns the terminal.  A reader that lags is waited for half a second; after that bytes are lost, as on a real
port without flow control, and counted, until the reader takes some again.  Closing always ends the thread.
"""

from __future__ import annotations

import os
import select
import threading
import time
import tty
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any

from benchd.rehearsal.rehearsal import Rehearsal
from benchd.rehearsal.scenario import Scenario

PATIENCE_S = 0.5
CLOSE_WITHIN_S = 5.0


class PtyBoard:
    """A board on a pty: `with PtyBoard(load_scenario("load-1"), speed=20) as board: open(board.port)`.

    on_mark is called on the board's thread with each typed mark ({"t_s", "verb", ...}) when it is due.  link: a
    symbolic link kept on the present port, through unplugging and replugging, as udev would.  pace: the speed at each
    moment of the script [s since start], in place of one speed; on_frame(t_s, speed) is called before each sampling.
    """

    def __init__(
        self,
        scenario: Scenario,
        speed: float = 1.0,
        *,
        seed: int = 0,
        on_mark: Callable[[dict[str, Any]], None] | None = None,
        link: Path | None = None,
        pace: Callable[[float], float] | None = None,
        on_frame: Callable[[float, float], None] = lambda t_s, speed: None,
    ) -> None:
        self.rehearsal = Rehearsal(scenario, seed)
        self.speed = speed
        self.lost_bytes = 0
        self.sent_lines = 0
        self.spoke_s = 0.0  # when it last spoke [s since the start]
        self.failure: BaseException | None = None
        self.done = threading.Event()
        self._on_mark = on_mark
        self._link = link
        self._pace = pace or (lambda t_s: speed)
        self._on_frame = on_frame
        self._stop = threading.Event()
        self._held_out = threading.Event()
        self._plug = threading.Lock()
        self._master = self._slave = -1
        self._is_reading = True
        self._thread = threading.Thread(target=self._run, name="pty board", daemon=True)
        self.port = ""

    def __enter__(self) -> PtyBoard:
        self._plug_in()
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Stop the thread and take the port away."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(CLOSE_WITHIN_S)
        self._pull()
        if self._link is not None:
            self._link.unlink(missing_ok=True)

    def reset(self) -> None:
        """Restart the board: banner, seq and up from zero."""
        self.rehearsal.reset_board()

    def unplug(self) -> None:
        """Take the port away until `replug`; readers see a hang-up."""
        self._held_out.set()
        self._pull()

    def replug(self) -> None:
        """Bring a port back, usually under a new name."""
        self._held_out.clear()
        self._plug_in()

    def _plug_in(self) -> None:
        with self._plug:
            if self._master >= 0:
                return
            self._master, self._slave = os.openpty()
            tty.setraw(self._slave)
            os.set_blocking(self._master, False)
            self.port = os.ttyname(self._slave)
            self._is_reading = True
            if self._link is not None:
                fresh = self._link.with_name(self._link.name + ".new")
                fresh.unlink(missing_ok=True)
                fresh.symlink_to(self.port)
                fresh.replace(self._link)

    def _pull(self) -> None:
        with self._plug:
            for fd in (self._master, self._slave):
                if fd >= 0:
                    os.close(fd)
            self._master = self._slave = -1

    def _run(self) -> None:
        try:
            self._play()
        except Exception as error:  # reported to the owner, whose thread this is not
            self.failure = error
        finally:
            self.done.set()

    def _play(self) -> None:
        due_s, last_s = time.monotonic(), 0.0
        for frame in self.rehearsal.frames():
            speed = self._pace(frame.t_s)
            due_s, last_s = due_s + (frame.t_s - last_s) / speed, frame.t_s
            if self._stop.wait(max(0.0, due_s - time.monotonic())):
                return
            self._on_frame(frame.t_s, speed)
            if not frame.is_plugged:
                self._pull()
            elif not self._held_out.is_set():
                self._plug_in()
            for mark in frame.marks:
                if self._on_mark is not None:
                    self._on_mark(mark)
            for line in frame.lines:
                self._send(line)
                self.spoke_s = frame.t_s

    def _send(self, line: bytes) -> None:
        """Write one line; wait a while for a reader that has been reading, lose bytes behind one that has not."""
        rest, until_s = line, time.monotonic() + PATIENCE_S
        while rest and not self._stop.is_set():
            took = self._write(rest)
            rest = rest[took:]
            self._is_reading = self._is_reading or took > 0
            if not rest:
                break
            if not self._is_reading or time.monotonic() > until_s:
                self._is_reading = False
                self.lost_bytes += len(rest)
                return
            self._await_room()
        self.sent_lines += 1

    def _write(self, data: bytes) -> int:
        with self._plug:
            if self._master < 0:
                return len(data)
            try:
                return os.write(self._master, data)
            except BlockingIOError:
                return 0

    def _await_room(self) -> None:
        with self._plug:
            master = self._master
        if master >= 0:
            try:
                select.select([], [master], [], 0.02)
            except OSError:
                time.sleep(0.02)  # the port went while we waited
