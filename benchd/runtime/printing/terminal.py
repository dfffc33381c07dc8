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
from collections.abc import Sequence
from typing import Any, Protocol, TextIO

from benchd.core.format.plain_text import json_text, printable

PLAIN, RED, YELLOW, CYAN, BOLD, DIM = "", "\x1b[1;31m", "\x1b[33m", "\x1b[36m", "\x1b[1m", "\x1b[2m"
_END = "\x1b[0m"


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


def progress(text: str) -> None:
    """Replace standard error's current line with this text."""
    sys.stderr.write(f"\r{printable(text)}   ")
    sys.stderr.flush()


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
