"""Writes an input to a recording and reads it back: one JSON object per line; its kinds are the engine's inputs.

{"t": .., "context": {..}} | {"t", "source", "line"} | {"t", "source", "topic", "payload"} | {"t", "source", "raw_b64"}
| {"t", "mark": {..}} | {"t", "status": {..}} | {"t", "news": {..}} | {"t", "gap": {..}} | {"t", "clock": {..}}
| {"t", "sheet": {..}} | {"t", "table": {..}}

Version 0 had no news: what the shell reported about itself was a status of a source called journal, listener or
contested, and is read that way, whether or not a board had such a name.  From version 1 on a source may have any name.

A context without a key `day` was written before sheets had records of their own: its `learned` also holds the day's
counts and the sheet.
"""

from __future__ import annotations

import base64
import json
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from math import isfinite
from typing import Any, get_args, get_type_hints

from benchd.core.format.learned_form import learned_body, learned_from_body
from benchd.core.format.mark_form import mark_body, mark_from_body, raised
from benchd.core.format.plain_text import json_text
from benchd.core.format.sheet_form import sheet_body, sheet_from_body, sheet_in_context
from benchd.core.model import (
    ClockStep,
    Context,
    Gap,
    Input,
    Line,
    Mark,
    News,
    RawLine,
    Status,
    Table,
)
from benchd.core.model.day import DayBefore, DaySheet
from benchd.core.state.codec import MOST_BYTES
from benchd.errors import DecodeError, RecordingError

END_OF_TIME_T = 1e11  # the year 5138: no bench is recorded after that
RECORDING_VERSION = 1
KNOWN_VERSIONS = (0, 1)
NEWS: tuple[str, ...] = get_args(get_type_hints(News)["what"])
_NEWS_OF_VERSION_0 = ("journal", "listener", "contested")
_NO_RECORDING = 'not a recording: the first line must be {"recording": 1, "bench": "..."}'


def to_record(item: Input) -> dict[str, Any]:
    """The JSON object of one input."""
    match item:
        case Line(topic=None):
            return {"t": item.t, "source": item.source, "line": item.line}
        case Line():
            return {"t": item.t, "source": item.source, "topic": item.topic, "payload": item.line}
        case RawLine():
            return {"t": item.t, "source": item.source, "raw_b64": item.raw_b64}
        case Mark():
            return {"t": item.t, "mark": mark_body(item)}
        case Status():
            lost = {"lost": item.lost} if item.lost else {}
            return {"t": item.t, "status": {"source": item.source, "up": item.up, "why": item.why, **lost}}
        case News():
            return {"t": item.t, "news": {"what": item.what, "active": item.active, "why": item.why}}
        case Gap():
            return {"t": item.t, "gap": {"since": item.since, "why": item.why, "lost": item.lost}}
        case ClockStep():
            return {"t": item.t, "clock": {"offset_s": item.offset_s}}
        case Context():
            return {"t": item.t, "context": _context_body(item)}
        case DaySheet():
            return {"t": item.t, "sheet": sheet_body(item)}
        case Table():
            return {"t": item.t, "table": {"resin": item.resin, "hash": item.hash, "table": item.table}}


def to_json(item: Input) -> str:
    """One recording line, without its LF."""
    return json_text(to_record(item))


def _context_body(item: Context) -> dict[str, Any]:
    day = None if item.day is None else {"pours": item.day.pours, "loads": item.day.loads}
    learned = learned_body(item.learned)
    if item.sheet is not None:  # written as it was read
        sheet = sheet_body(item.sheet)
        learned |= ({"day": day} if day else {}) | ({"sheet": sheet} if sheet else {})
    return {
        "config": item.config, "shelf": item.shelf, "resins": item.resins, "learned": learned,
        **({"day": day} if item.sheet is None else {}), "utc_offsets": [list(pair) for pair in item.utc_offsets],
        "version": item.version, "hash": item.hash,
    }  # fmt: skip


def _context(t: float, body: dict[str, Any]) -> Context:
    config, shelf, resins, learned = (body[key] for key in ("config", "shelf", "resins", "learned"))
    is_old = "day" not in body
    return Context(
        t, config, shelf, resins, learned_from_body(learned),
        tuple((_finite(a), _finite(b)) for a, b in body["utc_offsets"]), body["version"], body["hash"],
        day=_day(learned.get("day") if is_old else body["day"]),
        sheet=sheet_in_context(t, learned.get("sheet")) if is_old else None,
    )  # fmt: skip


def _day(plain: Any) -> DayBefore | None:
    return DayBefore(int(plain.get("pours", 0)), int(plain.get("loads", 0))) if isinstance(plain, dict) else None


def is_time(t: object) -> bool:
    """Whether this is a valid bench time: finite, not negative, before END_OF_TIME_T [unix s]."""
    return isinstance(t, int | float) and not isinstance(t, bool) and 0 <= t < END_OF_TIME_T


def from_record(record: dict[str, Any]) -> Input:
    """One input from its JSON object.  Raises DecodeError saying what does not fit."""
    t = record.get("t")
    if not isinstance(t, int | float) or not is_time(t):
        raise DecodeError("record-time", "no usable t: unix seconds, from 0 to the year 5138")
    try:
        return _from_body(float(t), record)
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise DecodeError("record-shape", f"{type(error).__name__}: {error}") from error


def _finite(value: Any) -> float:
    """Raises ValueError on a number beyond a double."""
    number = float(value)
    if not isfinite(number):
        raise ValueError("a number beyond a double")
    return number


def _from_body(t: float, record: dict[str, Any]) -> Input:
    match record:
        case {"line": str(line), "source": str(source)}:
            return Line(t, source, line)
        case {"payload": str(payload), "topic": str(topic), "source": str(source)}:
            return Line(t, source, payload, topic)
        case {"raw_b64": str(raw), "source": str(source)}:
            return RawLine(t, source, raw)
        case {"mark": dict(body)}:
            return mark_from_body(t, body)
        case {"status": body}:
            return Status(t, str(body["source"]), bool(body["up"]), str(body.get("why", "")), int(body.get("lost", 0)))
        case {"news": body} if body["what"] in NEWS:
            return News(t, body["what"], bool(body["active"]), str(body.get("why", "")))
        case {"gap": body}:
            return Gap(t, _finite(body["since"]), str(body["why"]), int(body.get("lost", 0)))
        case {"clock": body}:
            return ClockStep(t, _finite(body["offset_s"]))
        case {"context": body}:
            return _context(t, body)
        case {"sheet": body}:
            return sheet_from_body(t, body)
        case {"table": body}:
            return Table(t, str(body["resin"]), str(body["hash"]), body["table"])
    raise DecodeError("record-kind", "no kind of input this version knows")


def as_meant(item: Input) -> Input:
    """An input from before News existed (a version 0 recording, a journal of 0.1.0), as the News it represents."""
    if isinstance(item, Status) and item.source in _NEWS_OF_VERSION_0:
        return News(item.t, item.source, not item.up, item.why)  # type: ignore[arg-type]
    return item


def heading(bench: str, state: bytes | None = None) -> str:
    """A recording's first line, without its LF; `state`: the engine's state before it (Engine.freeze)."""
    head: dict[str, Any] = {"recording": RECORDING_VERSION, "bench": bench}
    if state is not None:
        head["state"] = base64.b64encode(zlib.compress(state, 9)).decode()
    return json_text(head)


def heading_bench(line: str) -> str | None:
    """The bench a recording's first line names; None if it names none."""
    try:
        bench = _object(line).get("bench")
    except DecodeError:
        return None
    return bench if isinstance(bench, str) else None


def carried_state(line: str) -> bytes | None:
    """The engine's state in a recording's first line; None if there is none or it cannot be read."""
    try:
        packed = _object(line).get("state")
        unpacker = zlib.decompressobj()
        state = unpacker.decompress(base64.b64decode(packed, validate=True), MOST_BYTES)  # type: ignore[arg-type]
    except (DecodeError, ValueError, TypeError, zlib.error):
        return None
    return state if unpacker.eof else None


@dataclass(slots=True)
class ReadCounts:
    """Counts made while reading a recording: whole inputs, bad lines by reason, times that ran backwards."""

    inputs: int = 0
    bad: int = 0
    raised: int = 0
    reasons: dict[str, int] = field(default_factory=dict)
    first_bad: str = ""

    def count_bad(self, number: int, error: DecodeError) -> None:
        """Count a bad line under its reason."""
        self.bad += 1
        self.reasons[error.reason] = self.reasons.get(error.reason, 0) + 1
        self.first_bad = self.first_bad or f"line {number}: {error}"


def read_recording(lines: Iterable[str], counts: ReadCounts | None = None) -> Iterator[Input]:
    """The inputs of a recording, in file order; a t lower than the last is raised to it.

    Raises RecordingError at once if the first line is not a heading that this version knows.  Bad lines inside are
    counted in `counts` and skipped.  Undecodable bytes may come as surrogate escapes: those lines are bad.
    """
    rest = iter(lines)
    version = _version_of(next(rest, ""))
    items = _inputs(rest, ReadCounts() if counts is None else counts)
    return items if version else map(as_meant, items)


def _version_of(line: str) -> int:
    try:
        head = _object(line)
    except DecodeError as error:
        raise RecordingError(f"{_NO_RECORDING}; `benchd export recording` writes one") from error
    version = head.get("recording")
    if type(version) is not int or version < 0 or not isinstance(head.get("bench"), str):
        raise RecordingError(f"{_NO_RECORDING}; `benchd export recording` writes one")
    if version not in KNOWN_VERSIONS:
        raise RecordingError(f"a recording of version {version}; this benchd reads {KNOWN_VERSIONS}: use a newer one")
    return version


def _inputs(lines: Iterator[str], counts: ReadCounts) -> Iterator[Input]:
    last_t = 0.0
    for number, line in enumerate(lines, start=2):
        if line.isspace():
            continue
        try:
            record = _object(line)
            item = from_record(record)
        except DecodeError as error:
            counts.count_bad(number, error)
            continue
        counts.inputs += 1
        if item.t < last_t:
            counts.raised += 1
            item = raised(item, last_t)
        last_t = item.t
        yield item


def _no_constant(word: str) -> float:
    raise DecodeError("record-json", f"{word} is no JSON number")


_load = json.JSONDecoder(parse_constant=_no_constant).decode


def _object(line: str) -> dict[str, Any]:
    """One line's JSON object.  Raises DecodeError."""
    try:
        record = _load(line)
        if not line.isascii() or "\\u" in line:  # a lone surrogate could not be written again
            json.dumps(record, ensure_ascii=False).encode()
    except (ValueError, RecursionError) as error:
        raise DecodeError("record-json", str(error)) from error
    if not isinstance(record, dict):
        raise DecodeError("record-shape", "not an object")
    return record
