"""How does the daemon write its log?  One line an event, key=value, never more than one line, never in a flood.

    time=2026-01-05T09:40:00.123Z level=warning from=benchd msg="board is gone" part=board retry_s=0.5

A value with a space, a quote or an = in it is quoted; control characters (CR, LF, ESC and their kin) become spaces, so
that no name from outside can forge a line or command a terminal.  Under the system's journal, which keeps its own time,
none is written, and a line begins with its level as sd-daemon(3) has it.  Lines alike but for their numbers are let
through a few times a minute; the next one says how many were held back.  Writing is a thread's: a pipe nobody reads
holds up no watch.
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
BURST = 3  # lines alike let through
WITHIN_S = 60.0  # in so long; both common practice, no source
KINDS_MOST = 256  # kinds of line remembered
WAITING_MOST = 1000  # lines waiting for a slow reader
LAST_LINES_S = 1.0  # so long the end waits for a reader

_SYSLOG = {logging.DEBUG: 7, logging.INFO: 6, logging.WARNING: 4, logging.ERROR: 3, logging.CRITICAL: 2}  # RFC 5424


def pairs(**more: Any) -> dict[str, Any]:
    """`extra` of a log call: the keys and values behind the message."""
    return {"pairs": more}


def quoted(value: object) -> str:
    """A value as it stands behind its =."""
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
        head = f"<{_SYSLOG.get(record.levelno, 5)}>" if self._for_journal else f"time={_utc(record.created)} "
        said = {"level": record.levelname.lower(), "from": record.name, "msg": record.getMessage()}
        said |= getattr(record, "pairs", {})
        if record.exc_info:
            said["trace"] = " | ".join(self.formatException(record.exc_info).splitlines())
        return head + " ".join(f"{key}={quoted(value)}" for key, value in said.items())


def _utc(t: float) -> str:
    return datetime.fromtimestamp(t, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


class Repeats(logging.Filter):
    """Lets BURST lines of a kind through in WITHIN_S; what it held back is counted on the next."""

    def __init__(self, monotonic: Callable[[], float] = time.monotonic) -> None:
        super().__init__()
        self._monotonic = monotonic
        self._kinds: dict[tuple[str, int, str], tuple[float, int]] = {}

    def filter(self, record: logging.LogRecord) -> bool:
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
    """Puts records in the queue; one that finds it full is dropped: the log is no reason to stop watching."""

    def enqueue(self, record: logging.LogRecord) -> None:
        with contextlib.suppress(queue.Full):
            self.queue.put_nowait(record)

    def prepare(self, record: logging.LogRecord) -> logging.LogRecord:
        return record  # written in this very process


class _Out(logging.StreamHandler[TextIO]):
    """Writes; a full disk or a closed stream under the log is not worth a traceback a line."""

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802  the library's name
        return


@contextlib.contextmanager
def logging_to(stream: TextIO, level: str = "info") -> Iterator[None]:
    """For the length of the block everything logged goes to `stream`; what waits at its end is written first."""
    waiting: queue.Queue[logging.LogRecord] = queue.Queue(WAITING_MOST)
    inlet, out, over = _Waiting(waiting), _Out(stream), threading.Event()
    inlet.addFilter(Repeats())
    out.setFormatter(KeyValue(for_journal=_is_journal(stream)))
    writer = threading.Thread(target=_write, args=(waiting, out, over), name="log", daemon=True)
    root = logging.getLogger()
    before = root.level
    root.setLevel(level.upper())
    logging.getLogger("uvicorn").setLevel(logging.WARNING)  # that it serves is told by what is served
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
    """Is this stream the one systemd connected to its journal (JOURNAL_STREAM, systemd.exec(5))?"""
    told = os.environ.get("JOURNAL_STREAM", "")
    try:
        found = os.fstat(stream.fileno())
    except (OSError, ValueError):
        return False
    return told == f"{found.st_dev}:{found.st_ino}"
