"""Formats the daemon's log: each event one line of key=value pairs, never more than one line, with repeats limited.

    time=2026-01-05T09:40:00.123Z level=warning from=benchd msg="board is gone" part=board retry_s=0.5

A value with a space, a quote or an = in it is quoted; control characters (CR, LF, ESC and the like) become spaces, so
that no name from outside can forge a line or control a terminal.  Under the system's journal, which adds its own time,
no time is written, and a line begins with its level as sd-daemon(3) specifies.  Lines that differ only in their numbers
pass a few times a minute; the next one says how many were suppressed.  A thread does the writing: a pipe that nobody
reads does not hold up the watch.
"""

from __future__ import annotations

import contextlib
import logging
import logging.handlers
import os
import queue
import re
import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from typing import Any, TextIO

from benchd.core.format.plain_text import printable

LEVELS = ("debug", "info", "warning", "error")
BURST = 3  # similar lines that pass
WITHIN_S = 60.0  # in this time; both common practice, no source
KINDS_MOST = 256  # kinds of line remembered
WAITING_MOST = 1000  # lines waiting for a slow reader
LAST_LINES_S = 1.0  # how long shutdown waits for a slow reader

_SYSLOG = {logging.DEBUG: 7, logging.INFO: 6, logging.WARNING: 4, logging.ERROR: 3, logging.CRITICAL: 2}  # RFC 5424


def pairs(**more: Any) -> dict[str, Any]:
    """`extra` of a log call: the keys and values behind the message."""
    return {"pairs": more}


def quoted(value: object) -> str:
    """A value as written after its =."""
    text = printable(f"{value:.3g}" if isinstance(value, float) else str(value))
    if text and not re.search(r'[\s"=\\]', text):
        return text
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


class KeyValue(logging.Formatter):
    """Records as key=value lines."""

    def __init__(self, *, for_journal: bool) -> None:
        super().__init__()
        self._for_journal = for_journal

    def format(self, record: logging.LogRecord) -> str:
        """The record as one line."""
        head = f"<{_SYSLOG.get(record.levelno, 5)}>" if self._for_journal else f"time={_utc(record.created)} "
        said = {"level": record.levelname.lower(), "from": record.name, "msg": record.getMessage()}
        said |= getattr(record, "pairs", {})
        if record.exc_info:
            said["trace"] = " | ".join(self.formatException(record.exc_info).splitlines())
        return head + " ".join(f"{key}={quoted(value)}" for key, value in said.items())


def _utc(t: float) -> str:
    return datetime.fromtimestamp(t, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


class Repeats(logging.Filter):
    """Passes BURST lines of a kind in WITHIN_S; the next one carries the number suppressed."""

    def __init__(self, monotonic: Callable[[], float] = time.monotonic) -> None:
        super().__init__()
        self._monotonic = monotonic
        self._kinds: dict[tuple[str, int, str], tuple[float, int]] = {}

    def filter(self, record: logging.LogRecord) -> bool:
        """Whether to write the record."""
        kind = (record.name, record.levelno, re.sub(r"\d+(\.\d+)?", "#", record.getMessage() + _told(record))[:300])
        now_s = self._monotonic()
        since_s, count = self._kinds.pop(kind, (now_s, 0))
        if now_s - since_s >= WITHIN_S:
            held = count - BURST
            if held > 0:
                record.pairs = {**getattr(record, "pairs", {}), "held_back": held}
            since_s, count = now_s, 0
        self._kinds[kind] = (since_s, count + 1)
        if len(self._kinds) > KINDS_MOST:
            del self._kinds[next(iter(self._kinds))]
        return count < BURST


def _told(record: logging.LogRecord) -> str:
    return " ".join(f"{key}={value}" for key, value in getattr(record, "pairs", {}).items())


class _Waiting(logging.handlers.QueueHandler):
    """Puts records in the queue; drops a record when it is full: the log is no reason to stop watching."""

    def enqueue(self, record: logging.LogRecord) -> None:
        with contextlib.suppress(queue.Full):
            self.queue.put_nowait(record)

    def prepare(self, record: logging.LogRecord) -> logging.LogRecord:
        return record  # formatted in this process


class _Out(logging.StreamHandler[TextIO]):
    """Writes lines; a full disk or a closed stream does not cause a traceback for each line."""

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802  the library's name
        return


@contextlib.contextmanager
def logging_to(stream: TextIO, level: str = "info") -> Iterator[None]:
    """Write all logging to `stream` for the duration of the block; what is queued at its end is written first."""
    waiting: queue.Queue[logging.LogRecord] = queue.Queue(WAITING_MOST)
    inlet, out, over = _Waiting(waiting), _Out(stream), threading.Event()
    inlet.addFilter(Repeats())
    out.setFormatter(KeyValue(for_journal=_is_journal(stream)))
    writer = threading.Thread(target=_write, args=(waiting, out, over), name="log", daemon=True)
    root = logging.getLogger()
    before = root.level
    root.setLevel(level.upper())
    logging.getLogger("uvicorn").setLevel(logging.WARNING)  # its lines about starting up say nothing new
    root.addHandler(inlet)
    writer.start()
    try:
        yield
    finally:
        root.removeHandler(inlet)
        root.setLevel(before)
        over.set()
        writer.join(LAST_LINES_S)


def _write(waiting: queue.Queue[logging.LogRecord], out: logging.Handler, over: threading.Event) -> None:
    while not (over.is_set() and waiting.empty()):
        with contextlib.suppress(queue.Empty):
            out.handle(waiting.get(timeout=0.1))


def _is_journal(stream: TextIO) -> bool:
    """Whether this stream is the one systemd connected to its journal (JOURNAL_STREAM, systemd.exec(5))."""
    told = os.environ.get("JOURNAL_STREAM", "")
    try:
        found = os.fstat(stream.fileno())
    except (OSError, ValueError):
        return False
    return told == f"{found.st_dev}:{found.st_ino}"
