"""The one way out to a terminal for every command: what it prints is made printable here.

Rules.  1. Commands print with `say` and `complain`, a line an argument; whatever a name, a note or an error holds, a
line stays one line and paints nothing.  2. Colour is `painted` around text that was made printable first; joined to
other text it is plain text again, so a colour that cannot be vouched for is lost, never passed on.  3. What moves the
cursor is a function here.  tests/security/test_terminal_text.py finds a command that prints past this file.
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
    """Where text goes: a file, or `Printed` standard output."""

    def write(self, text: str, /) -> int: ...


def painted(text: str, paint: str, *, before: str = "", after: str = "") -> Painted:
    """The text in a colour, between `before` and `after` in none; all made printable."""
    shown = printable(text)
    return Painted(printable(before) + (f"{paint}{shown}{_END}" if paint else shown) + printable(after))


def is_colored(stream: TextIO) -> bool:
    """Whether to colour what goes there: a terminal, unless NO_COLOR is set and not empty (no-color.org)."""
    return stream.isatty() and os.environ.get("TERM") != "dumb" and not os.environ.get("NO_COLOR")


def say(*lines: str, flush: bool = False) -> None:
    """Print lines on standard output; none: an empty one."""
    _print(sys.stdout, lines or ("",))
    if flush:
        sys.stdout.flush()


def say_json(value: Any, *, indent: int | None = None) -> None:
    """Print a value as JSON, whole: what a terminal must not get stands there as an escape."""
    _write(sys.stdout, json_text(value, indent=indent) + "\n")


def say_own(text: str) -> None:
    """Print a drawing of our own, in which nothing from outside stands: it goes out with all its controls."""
    _write(sys.stdout, text)


def complain(*lines: str) -> None:
    """Print lines on standard error."""
    _print(sys.stderr, lines)


def asked(question: str) -> str:
    """What is typed in answer.  Raises EOFError where nobody can answer."""
    return input(printable(question))


def progress(text: str) -> None:
    """Show this in place of the line standard error's cursor is on."""
    sys.stderr.write(f"\r{printable(text)}   ")
    sys.stderr.flush()


def printed(line: str) -> str:
    """A line as it may go to a terminal."""
    return line if isinstance(line, Painted) else printable(line)


def _print(stream: TextIO, lines: Sequence[str]) -> None:
    for line in lines:
        write_line(stream, line)


def write_line(stream: TextIO, line: str) -> None:
    """One line to a stream of the caller's own."""
    _write(stream, printed(line) + "\n")


def _write(stream: TextIO, text: str) -> None:
    """Write; what the stream's own encoding cannot hold is shown as question marks, not as a crash."""
    try:
        stream.write(text)
    except UnicodeEncodeError:
        encoding = stream.encoding or "ascii"
        stream.write(text.encode(encoding, "replace").decode(encoding))


class Printed:
    """Standard output for what is written piece by piece: line feeds stay, other controls do not."""

    def write(self, text: str, /) -> int:
        _write(sys.stdout, "\n".join(map(printable, text.split("\n"))))
        return len(text)


class Redrawn:
    """Lines on a terminal that are renewed in place; elsewhere they just follow one another."""

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
