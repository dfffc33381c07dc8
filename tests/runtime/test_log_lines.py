"""Is every log line one line of key=value, harmless on a terminal, and is a flood held back?"""

from __future__ import annotations

import io
import logging
import os
import re
import shlex
import threading
from pathlib import Path

import pytest

from benchd.runtime.printing.log_lines import BURST, KeyValue, Repeats, logging_to, pairs, quoted

log = logging.getLogger("benchd.test_log_lines")


@pytest.fixture
def out() -> io.StringIO:
    return io.StringIO()


def keys(line: str) -> dict[str, str]:
    """A line read back by the shell's own rules of quoting (POSIX), another implementation than ours."""
    return dict(word.split("=", 1) for word in shlex.split(line))


def test_a_line_reads_back_as_its_keys_and_values(out: io.StringIO) -> None:
    with logging_to(out):
        log.warning("%s failed", "board", extra=pairs(part="board", why='no "port" a\\b = c', retry_s=0.5))
    (line,) = out.getvalue().splitlines()
    read = keys(line)
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", read.pop("time"))
    assert read == {
        "level": "warning", "from": "benchd.test_log_lines", "msg": "board failed", "part": "board",
        "why": 'no "port" a\\b = c', "retry_s": "0.5",
    }  # fmt: skip


@pytest.mark.parametrize(
    "nasty",
    ["a\nlevel=error msg=forged", "a\r\nb", "\x1b[2J\x1b]0;owned\x07", "x\x00y", "\x9b31m", "a\u2028b", "\ud800"],
    ids=ascii,
)
def test_nothing_from_outside_breaks_or_paints_a_line(out: io.StringIO, nasty: str) -> None:
    with logging_to(out):
        log.warning("board says %s", nasty, extra=pairs(why=nasty))
    (line,) = out.getvalue().splitlines()
    assert line.isprintable()
    assert keys(line)["level"] == "warning"


def test_a_traceback_is_one_line(out: io.StringIO) -> None:
    with logging_to(out):
        try:
            raise ValueError("bad\nvalue")
        except ValueError:
            log.exception("a watcher raised")
    (line,) = out.getvalue().splitlines()
    assert "ValueError: bad | value" in keys(line)["trace"]


@pytest.mark.parametrize(("level", "seen"), [("debug", 4), ("info", 3), ("warning", 2), ("error", 1)])
def test_the_level_is_the_least_written(out: io.StringIO, level: str, seen: int) -> None:
    with logging_to(out, level):
        for write in (log.debug, log.info, log.warning, log.error):
            write("x")
    assert len(out.getvalue().splitlines()) == seen


def record(text: str, *values: object) -> logging.LogRecord:
    return logging.LogRecord("benchd", logging.WARNING, "f", 1, text, values, None)


def test_lines_alike_but_for_numbers_are_held_back_and_counted() -> None:
    now_s = [0.0]
    repeats = Repeats(lambda: now_s[0])
    passed = [repeats.filter(record("board: gone; again in %.1f s", k / 10)) for k in range(50)]
    assert passed == [True] * BURST + [False] * (50 - BURST)
    assert repeats.filter(record("mqtt: gone; again in %.1f s", 1.0))
    now_s[0] = 61.0
    again = record("board: gone; again in %.1f s", 9.0)
    assert repeats.filter(again)
    assert KeyValue(for_journal=False).format(again).endswith(f" held_back={50 - BURST}")


def test_kinds_of_line_without_end_take_no_memory_without_end() -> None:
    repeats = Repeats(lambda: 0.0)
    for k in range(2000):
        repeats.filter(record("".join(chr(97 + int(d)) for d in str(k))))
    assert len(repeats._kinds) <= 256


def test_under_the_systems_journal_a_line_begins_with_its_level(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The numbers are syslog's, RFC 5424 table 2: 4 warning, 3 error; the prefix is that of sd-daemon(3)."""
    with (tmp_path / "log").open("w+") as out:
        found = os.fstat(out.fileno())
        monkeypatch.setenv("JOURNAL_STREAM", f"{found.st_dev}:{found.st_ino}")
        with logging_to(out):
            log.warning("x")
            log.error("y")
        out.seek(0)
        lines = out.read().splitlines()
    assert [line[:3] for line in lines] == ["<4>", "<3>"]
    assert "time=" not in lines[0]


def test_a_reader_who_does_not_read_holds_up_nobody() -> None:
    """A pipe of 64 kB that nobody empties, 2 MB of lines: the caller goes on, and the end comes in bounded time."""
    reader, writer = os.pipe()
    with os.fdopen(writer, "w") as stream:
        with logging_to(stream):
            for k in range(2000):
                log.warning("%s %s", "".join(chr(97 + int(d)) for d in str(k)), "x" * 1000)
        # got here: nobody waited for the full pipe
        drained = threading.Thread(target=lambda: [None for _ in iter(lambda: os.read(reader, 65536), b"")])
        drained.start()
    drained.join(30.0)
    os.close(reader)
    assert not drained.is_alive()


@pytest.mark.parametrize(("value", "expected"), [("", '""'), ("a", "a"), (0.1234, "0.123"), (3, "3"), ("a=b", '"a=b"')])
def test_values_are_quoted_only_where_needed(value: object, expected: str) -> None:
    assert quoted(value) == expected
