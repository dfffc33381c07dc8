"""Limits how many bad lines of a board are kept, so that they cannot fill the disk, and counts the rest.

Rules.  1. A good line always passes; core/intake/wire decides whether it is good, by its checksum first, which is
cheap.  2. Of each source's bad lines the first BAD_KEPT of a minute pass, cut to BAD_BYTES; the others are only
counted.  3. Once a minute the count is passed on as an input of its own, a Status with `lost`: what is not saved is not
stepped, and what is stepped is saved, so a replay gives the same result.  4. A source whose good lines come faster than
MANY_A_MINUTE is reported once an hour: benchd keeps them, the disk may not have room.

A port at the wrong speed delivers some 100 bad lines a second; 20 a minute of at most 256 bytes are 11 MB a day.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from benchd.core.intake.wire import decode, has_right_sum
from benchd.core.model import Context, Input, Line, RawLine, Status
from benchd.errors import DecodeError

BAD_KEPT = 20  # enough to diagnose a board; common practice, no source
BAD_BYTES = 256
BAD_BASE64 = BAD_BYTES // 3 * 4
MINUTE_S = 60.0
MANY_A_MINUTE = 6000  # 100 a second, ten times the rate of the fastest example board
MANY_EVERY_S = 3600.0
FLOOD = "bad lines left out"


@dataclass(slots=True)
class _Minute:
    """One source's current minute: when it began, its lines, its bad ones, those dropped."""

    begun_t: float
    lines: int = 0
    bad: int = 0
    left_out: int = 0
    many_t: float = float("-inf")


class Sieve:
    """Receives every input in order and returns what passes."""

    def __init__(self) -> None:
        self._is_checked: dict[str, bool] = {}  # from the last context; for other sources both forms are good
        self._minutes: dict[str, _Minute] = {}

    def sift(self, item: Input) -> Input | None:
        """The input as passed on, or None when it is only counted."""
        if isinstance(item, Context):
            self._is_checked = _checks(item)
        if not isinstance(item, Line | RawLine):
            return item
        minute = self._minutes.get(item.source)
        if minute is None:
            minute = self._minutes[item.source] = _Minute(item.t)
        minute.lines += 1
        if self._is_good(item):
            return item
        minute.bad += 1
        if minute.bad > BAD_KEPT:
            minute.left_out += 1
            return None
        return _cut(item)

    def due(self, t: float) -> list[Status]:
        """The reports on the minutes that are over at t [unix s]; new minutes begin."""
        told: list[Status] = []
        for source, minute in self._minutes.items():
            if t - minute.begun_t < MINUTE_S:
                continue
            told += self._counted(source, minute, t)
            if minute.lines > MANY_A_MINUTE and t - minute.many_t >= MANY_EVERY_S:
                minute.many_t = t
                told.append(Status(t, source, True, f"{minute.lines} lines a minute; set the board to send fewer"))
            minute.begun_t, minute.lines, minute.bad = t, 0, 0
        return told

    def rest(self, t: float) -> list[Status]:
        """The counts not yet reported, when the watch ends at t."""
        return [status for source, minute in self._minutes.items() for status in self._counted(source, minute, t)]

    @staticmethod
    def _counted(source: str, minute: _Minute, t: float) -> list[Status]:
        lost, minute.left_out = minute.left_out, 0
        return [Status(t, source, True, FLOOD, lost)] if lost else []

    def _is_good(self, item: Line | RawLine) -> bool:
        if isinstance(item, RawLine):
            return False
        if item.topic is None and has_right_sum(item.line):
            return True
        if item.topic is None and self._is_checked.get(item.source, False):
            return False
        try:
            decode(item.line, checked=False)
        except DecodeError:
            return False
        return True


def _checks(context: Context) -> dict[str, bool]:
    """Which sources' lines carry a checksum, read as in core/bench/context.py."""
    sources = context.config.get("sources", ())
    return {str(source): crc != "none" for source, crc in sources}


def _cut(item: Line | RawLine) -> Line | RawLine:
    """A bad line cut to a bounded length; it stays bad."""
    if isinstance(item, RawLine):
        return item if len(item.raw_b64) <= BAD_BASE64 else replace(item, raw_b64=item.raw_b64[:BAD_BASE64])
    return item if len(item.line) <= BAD_BYTES else replace(item, line=f"{item.line[:BAD_BYTES]} ...")
