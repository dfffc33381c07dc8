"""How are a closed load's raw lines packed, which stretches of time are kept raw, and what is kept of the rest?

A *block* is zlib over columns: the sequence numbers and times as differences, then the texts one under another, so that
equal things stand side by side.  A line's CRC trailer is random to any packer, yet follows from the line: a correct one
is dropped and put back on reading.  Unpacking gives the very same inputs.

A *span* is one stretch during which any pour or load was open, with some minutes before it: what a replay needs.
"""

from __future__ import annotations

import json
import math
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from benchd.core.model import Line, Quality, RawLine, Reading
from benchd.core.record import is_time
from benchd.runtime.expand import expand
from benchd.runtime.journal_rows import MinuteRow

LEAD_S = 600.0  # raw kept before a pour: ten minutes of the cup at rest give its start; common practice, no source
TAIL_S = 60.0
LONGEST_POUR_S = 12 * 3600.0  # a pour closes 12 h after mix at the latest

STEPS_PER_S = 2**22  # a double holds unix times of today (2**30 to 2**31 s) in these steps: whole numbers, exact

MOST_BLOCK_BYTES = 64 * 2**20  # 4,000 lines of 512 bytes are 2 MB

SeqLine = tuple[int, Line | RawLine]


def pack(rows: Sequence[SeqLine]) -> bytes:
    """One block.  `rows` in order of sequence; not empty."""
    sources = list(dict.fromkeys((type(item) is RawLine, item.source, _topic(item)) for _, item in rows))
    number = {key: index for index, key in enumerate(sources)}
    steps = [round(item.t * STEPS_PER_S) for _, item in rows]
    exact = {index: item.t for index, (_, item) in enumerate(rows) if steps[index] / STEPS_PER_S != item.t}
    texts = [_without_crc(_text(item)) for _, item in rows]
    head = {
        "sources": sources,
        "seq": _differences([seq for seq, _ in rows]),
        "t": _differences(steps),
        "exact_t": exact,
        "of": [number[(type(item) is RawLine, item.source, _topic(item))] for _, item in rows],
        "lengths": [len(text) for text in texts] if any("\n" in text for text in texts) else None,
    }
    return zlib.compress("\n".join([json.dumps(head, separators=(",", ":")), *texts]).encode(), 9)


def unpack(block: bytes) -> list[SeqLine]:
    """The rows of one block.  Raises ValueError when the block is damaged."""
    head_text, _, body = expand(block, MOST_BLOCK_BYTES, "block").decode().partition("\n")
    try:
        return _rows(json.loads(head_text), body)
    except (KeyError, IndexError, TypeError, AttributeError, OverflowError, RecursionError) as error:
        raise ValueError(f"damaged block: {type(error).__name__}: {error}") from error


def _rows(head: dict[str, Any], body: str) -> list[SeqLine]:
    texts = body.split("\n") if head["lengths"] is None else _cut(body, head["lengths"])
    exact = {int(index): t for index, t in head["exact_t"].items()}
    rows: list[SeqLine] = []
    columns = zip(_sums(head["seq"]), _sums(head["t"]), head["of"], texts, strict=True)
    for index, (seq, steps, of, text) in enumerate(columns):
        is_raw, source, topic = head["sources"][of]
        t = exact.get(index, steps / STEPS_PER_S)
        if not is_time(t):
            raise ValueError("damaged block: a time no bench can have")
        whole = _with_crc(text)
        rows.append((seq, RawLine(t, source, whole) if is_raw else Line(t, source, whole, topic)))
    return rows


def _text(item: Line | RawLine) -> str:
    return item.line if isinstance(item, Line) else item.raw_b64


def _topic(item: Line | RawLine) -> str | None:
    return item.topic if isinstance(item, Line) else None


def _differences(values: Sequence[int]) -> list[int]:
    return [b - a for a, b in zip([0, *values], values, strict=False)]


def _sums(differences: Sequence[int]) -> list[int]:
    out, total = [], 0
    for step in differences:
        total += step
        out.append(total)
    return out


def _cut(body: str, lengths: Sequence[int]) -> list[str]:
    texts, at = [], 0
    for length in lengths:
        texts.append(body[at : at + length])
        at += length + 1
    return texts


_DROPPED = "\x00"  # stands where a correct trailer stood
_KEPT = "\x01"  # ends a text that must be left as it is


def _without_crc(text: str) -> str:
    body, space, trailer = text.rpartition(" ")
    if space and len(trailer) == 8 and trailer == f"{zlib.crc32(body.encode('utf-8', 'surrogatepass')):08x}":
        return body + _DROPPED
    return text + _KEPT if text.endswith((_DROPPED, _KEPT)) else text


def _with_crc(text: str) -> str:
    if text.endswith(_DROPPED):
        body = text[:-1]
        return f"{body} {zlib.crc32(body.encode('utf-8', 'surrogatepass')):08x}"
    return text[:-1] if text.endswith(_KEPT) else text


# ------------------------------------------------------------------------------------------------------- kept stretches


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


PHASE_NAMES = ("pour_started", "pour_ended", "load_closed", "load_opened")


def phase_from(number: int, t: float, name: str, of: str, body: dict[str, Any]) -> Phase:
    return Phase(number, t, name, of, float(body.get("mix_t", t)))


def busy_spans(phases: Iterable[Phase], now: float) -> list[Span]:
    """The closed spans, oldest first, when nothing is open at `now`: what never ended (a watch begun anew) is ended."""
    spans: list[Span] = []
    still_open: dict[str, float] = {}
    first_t, last_t, number = math.inf, 0.0, 0
    for phase in phases:
        if still_open and phase.t - max(still_open.values()) > LONGEST_POUR_S + TAIL_S:
            spans.append(Span(first_t - LEAD_S, last_t + TAIL_S, number))
            still_open, first_t = {}, math.inf
        number, last_t = phase.number, phase.t
        if phase.name in ("pour_started", "load_closed"):
            still_open[phase.of] = phase.t
            first_t = min(first_t, phase.since)
        else:
            still_open.pop(phase.of, None)
            if not still_open and first_t < math.inf:
                spans.append(Span(first_t - LEAD_S, last_t + TAIL_S, number))
                first_t = math.inf
    if still_open:
        spans.append(Span(first_t - LEAD_S, min(now, last_t + LONGEST_POUR_S) + TAIL_S, number))
    return spans


def open_since(phases: Iterable[Phase]) -> float | None:
    """When the oldest of what stands open now began, or None."""
    still_open: dict[str, float] = {}
    for phase in phases:
        if phase.name in ("pour_started", "load_closed"):
            still_open[phase.of] = phase.since
        else:
            still_open.pop(phase.of, None)
    return min(still_open.values(), default=None)


class MinuteBook:
    """Gathers good readings into one row a channel and minute."""

    def __init__(self) -> None:
        self._open: dict[str, MinuteRow] = {}

    def add(self, reading: Reading) -> MinuteRow | None:
        """The finished minute of this channel, if this reading begins another."""
        if reading.quality is not Quality.GOOD or reading.value is None or not math.isfinite(reading.value):
            return None
        minute, value = int(reading.t // 60), reading.value
        old = self._open.get(reading.channel)
        if old is None or old.minute != minute:
            self._open[reading.channel] = MinuteRow(reading.channel, minute, 1, value, value, value)
            return old
        n = old.n + 1
        mean = old.mean + (value - old.mean) / n
        row = MinuteRow(reading.channel, minute, n, min(old.lo, value), mean, max(old.hi, value))
        self._open[reading.channel] = row
        return None

    def rest(self) -> list[MinuteRow]:
        """What is gathered so far, as rows; begins anew."""
        rows = list(self._open.values())
        self._open.clear()
        return rows
