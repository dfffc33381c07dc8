"""Decides which stretches of time are kept raw, and condenses the rest to one-minute values.

A *span* is one stretch during which any pour or load was open, with some minutes before it: what a replay needs.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from benchd.core.casting.retold import StillOpen
from benchd.core.model import Quality, Reading
from benchd.runtime.journal.rows import MinuteRow

LEAD_S = 600.0  # raw kept before a pour: ten minutes of the cup at rest give its start; common practice, no source
TAIL_S = 60.0
LONGEST_POUR_S = 12 * 3600.0  # a pour closes 12 h after mix at the latest


@dataclass(frozen=True, slots=True)
class Phase:
    """One of the four findings that open or close a pour or load: the effect's number and its time."""

    number: int
    t: float
    name: str
    of: str
    since: float


@dataclass(frozen=True, slots=True)
class Span:
    """From `first_t` to `last_t` something was open; `number` is the effect that ended it."""

    first_t: float
    last_t: float
    number: int


def phase_from(number: int, t: float, name: str, of: str, body: dict[str, Any]) -> Phase:
    """The Phase of a stored finding that opens or closes a pour or load."""
    return Phase(number, t, name, of, float(body.get("mix_t", t)))


def busy_spans(phases: Iterable[Phase], now: float) -> list[Span]:
    """The closed spans, oldest first, when nothing is open at `now`; a phase that never ended (a restart) is closed."""
    spans: list[Span] = []
    still = StillOpen()
    first_t, last_t, number = math.inf, 0.0, 0
    for phase in phases:
        if still.open and phase.t - max(t for t, _ in still.open.values()) > LONGEST_POUR_S + TAIL_S:
            spans.append(Span(first_t - LEAD_S, last_t + TAIL_S, number))
            still, first_t = StillOpen(), math.inf
        number, last_t = phase.number, phase.t
        still.see(phase.name, phase.of, phase.t, phase.since)
        first_t = min([first_t, *(since for _, since in still.open.values())])
        if not still.open and first_t < math.inf:
            spans.append(Span(first_t - LEAD_S, last_t + TAIL_S, number))
            first_t = math.inf
    if still.open:
        spans.append(Span(first_t - LEAD_S, min(now, last_t + LONGEST_POUR_S) + TAIL_S, number))
    return spans


def open_since(phases: Iterable[Phase]) -> float | None:
    """When the oldest pour or load open now began, or None."""
    still = StillOpen()
    for phase in phases:
        still.see(phase.name, phase.of, phase.t, phase.since)
    return min((since for _, since in still.open.values()), default=None)


class MinuteBook:
    """Collects good readings into one row for each channel and minute."""

    def __init__(self) -> None:
        self._open: dict[str, _Minute] = {}

    def add(self, reading: Reading) -> MinuteRow | None:
        """The finished minute of this channel, if this reading starts a new one."""
        rows = self.add_all((reading,))
        return rows[0] if rows else None

    def add_all(self, effects: Iterable[object]) -> list[MinuteRow]:
        """The minutes that the readings among these finish, in order."""
        rows: list[MinuteRow] = []
        for reading in effects:
            if not isinstance(reading, Reading) or reading.quality is not Quality.GOOD:
                continue
            value, minute = reading.value, int(reading.t // 60)
            if value is None or not math.isfinite(value):
                continue
            one = self._open.get(reading.channel)
            if one is not None and one.minute == minute:
                one.add(value)
                continue
            self._open[reading.channel] = _Minute(minute, value)
            rows += [one.row(reading.channel)] if one is not None else []
        return rows

    def rest(self) -> list[MinuteRow]:
        """The unfinished minutes as rows; starts again empty."""
        rows = [one.row(channel) for channel, one in self._open.items()]
        self._open.clear()
        return rows


class _Minute:
    """A minute that is still being collected: changed in place, since every reading of every channel comes by."""

    __slots__ = ("hi", "lo", "mean", "minute", "n")

    def __init__(self, minute: int, value: float) -> None:
        self.minute, self.n, self.lo, self.mean, self.hi = minute, 1, value, value, value

    def add(self, value: float) -> None:
        self.n += 1
        self.mean += (value - self.mean) / self.n
        if value < self.lo:
            self.lo = value
        elif value > self.hi:
            self.hi = value

    def row(self, channel: str) -> MinuteRow:
        return MinuteRow(channel, self.minute, self.n, self.lo, self.mean, self.hi)
