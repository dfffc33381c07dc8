"""The one terminal output for every command: everything printed is made printable here.

Rules.  1. Commands print with `say` and `complain`, one argument per line; whatever a name, a note or an error
contains, a line stays one line and contains no colour codes of its own.  2. Colour is added by `painted` to text made
printable first; joined to other text it becomes plain text again, so a colour of unknown origin is lost, never passed
on.  3. Functions that move the cursor are in this file.  tests/security/test_terminal_text.py finds a command that
prints without this file.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Iterable, Iterator, Sequence
from typing import Any, Protocol, TextIO, TypeVar

from benchd.core.format.plain_text import json_text, printable

PLAIN, RED, YELLOW, CYAN, BOLD, DIM = "", "\x1b[1;31m", "\x1b[33m", "\x1b[36m", "\x1b[1m", "\x1b[2m"
_END = "\x1b[0m"

Item = TypeVar("Item")


class Painted(str):
    """Printable text with a colour of our own in it; only `painted` makes one."""

    __slots__ = ()


class Writable(Protocol):
    """A text destination: a file, or `Printed` standard output."""

    def write(self, text: str, /) -> int:
        """Write text; returns the number of characters."""


def painted(text: str, paint: str, *, before: str = "", after: str = "") -> Painted:
    """The text in a colour, between uncoloured `before` and `after`; all made printable."""
    shown = printable(text)
    return Painted(printable(before) + (f"{paint}{shown}{_END}" if paint else shown) + printable(after))


def is_colored(stream: TextIO) -> bool:
    """Whether to use colour on a stream: a terminal, unless NO_COLOR is set and not empty (no-color.org)."""
    return stream.isatty() and os.environ.get("TERM") != "dumb" and not os.environ.get("NO_COLOR")


def say(*lines: str, flush: bool = False) -> None:
    """Print lines on standard output; without arguments an empty one."""
    _print(sys.stdout, lines or ("",))
    if flush:
        sys.stdout.flush()


def say_json(value: Any, *, indent: int | None = None) -> None:
    """Print a complete value as JSON; characters a terminal must not get are escaped."""
    _write(sys.stdout, json_text(value, indent=indent) + "\n")


def say_own(text: str) -> None:
    """Print our own drawing, which contains no text from outside: its control characters are kept."""
    _write(sys.stdout, text)


def complain(*lines: str) -> None:
    """Print lines on standard error."""
    _print(sys.stderr, lines)


def asked(question: str) -> str:
    """The answer typed at a prompt.  Raises EOFError where nobody can answer."""
    return input(printable(question))


class Progress:
    """One line on standard error that says how far long work has come: on a terminal only, gone at the end.

    In a pipe or a service it prints nothing.
    """

    EVERY_S = 0.2

    def __init__(self, stream: TextIO | None = None) -> None:
        self._stream = stream or sys.stderr
        self._is_live = self._stream.isatty() and os.environ.get("TERM") != "dumb"
        self._shown_s = 0.0

    def __enter__(self) -> Progress:
        return self

    def __exit__(self, *_: object) -> None:
        if self._shown_s:
            _write(self._stream, "\r\x1b[2K")
            self._stream.flush()

    def show(self, text: str) -> None:
        """Replace the line, at most five times a second."""
        if not self._is_live or time.monotonic() - self._shown_s < self.EVERY_S:
            return
        self._shown_s = time.monotonic()
        _write(self._stream, f"\r\x1b[2K{printable(text)}")
        self._stream.flush()

    def each(self, items: Iterable[Item], text: str) -> Iterator[Item]:
        """Pass items on, showing their count before the text."""
        for count, item in enumerate(items, 1):
            self.show(f"{count} {text}")
            yield item


def printed(line: str) -> str:
    """A line made fit for a terminal."""
    return line if isinstance(line, Painted) else printable(line)


def _print(stream: TextIO, lines: Sequence[str]) -> None:
    for line in lines:
        write_line(stream, line)


def write_line(stream: TextIO, line: str) -> None:
    """Write one line to the caller's stream."""
    _write(stream, printed(line) + "\n")


def _write(stream: TextIO, text: str) -> None:
    """Write; characters that the stream cannot encode become question marks instead of an error."""
    try:
        stream.write(text)
    except UnicodeEncodeError:
        encoding = stream.encoding or "ascii"
        stream.write(text.encode(encoding, "replace").decode(encoding))


class Printed:
    """Standard output for text written in pieces: line feeds are kept, other control characters are not."""

    def write(self, text: str, /) -> int:
        _write(sys.stdout, "\n".join(map(printable, text.split("\n"))))
        return len(text)


class Redrawn:
    """Lines updated in place on a terminal; elsewhere they are simply printed one after another."""

    def __init__(self, out: TextIO) -> None:
        self._out = out
        self.is_live = out.isatty() and os.environ.get("TERM") != "dumb"
        self._drawn = 0

    def draw(self, lines: Sequence[str]) -> None:
        up = f"\x1b[{self._drawn}A" if self._drawn else ""
        clear = "\x1b[2K" if self.is_live else ""
        _write(self._out, up + "".join(f"{clear}{printed(line)}\n" for line in lines))
        self._out.flush()
        self._drawn = len(lines) if self.is_live else 0
