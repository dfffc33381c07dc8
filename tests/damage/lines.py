"""A board's lines as the damage tests handle them: when each was made, when it arrives, what may be changed in it."""

from __future__ import annotations

import json
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

PA_PER_PSI = 6894.757293168
Record = dict[str, Any]
Change = Callable[[float], float | None]


@dataclass(frozen=True, slots=True)
class Sent:
    """One line without its LF; both times in s since the subject's start."""

    made_s: float
    arrives_s: float
    text: str


@dataclass(frozen=True, slots=True)
class Moments:
    """When things truly happen in a subject [s since its start]; None where they do not."""

    mix_s: float
    end_s: float
    kick_s: float | None = None
    at_floor_s: float | None = None
    shut_s: float | None = None


@dataclass(frozen=True, slots=True)
class Damaged:
    """What arrives in the end; `holes`: the spans [s since the start] in which nothing usable arrived; `step_s`:
    between two readings, where the damage is that they are far apart; `resets`: how often the board
    truly restarted."""

    lines: tuple[Sent, ...]
    holes: tuple[tuple[float, float], ...] = ()
    step_s: float = 0.0
    resets: int = 0


@dataclass(frozen=True, slots=True)
class Body:
    """The subject's lines as they were sent, and the moments to aim at."""

    lines: tuple[Sent, ...]
    at: Moments = field(default_factory=lambda: Moments(0.0, 0.0))


Ailment = Callable[[Body, np.random.Generator, float], Damaged]


def records_of(text: str) -> list[Record]:
    """The SenML records of a line that is whole."""
    records: list[Record] = json.loads(text[:-9])
    return records


def written(records: Sequence[Record]) -> str:
    """A whole line of these records, its checksum anew."""
    body = json.dumps(list(records), separators=(",", ":"))
    return f"{body} {zlib.crc32(body.encode()):08x}"


def changed(line: Sent, name: str, change: Change) -> Sent:
    """The line with one value changed; None makes it what a board sends of a probe it cannot read."""
    records = records_of(line.text)
    out: list[Record] = []
    for record in records:
        if record.get("n") != name:
            out.append(record)
            continue
        value = change(float(record["v"]))
        kept = {k: v for k, v in record.items() if k == "bn"}
        out.append(
            record | {"v": round(value, 2)} if value is not None else kept | {"n": "fault", "vs": f"{name} open"}
        )
    return replace(line, text=written(out)) if out != records else line


def renumbered(lines: Sequence[Sent]) -> tuple[Sent, ...]:
    """The lines with `seq` counted from the first one's on, as the board that sends only these would."""
    out = []
    first: int | None = None
    for count, line in enumerate(lines):
        records = records_of(line.text)
        if first is None:
            first = next(int(r["v"]) for r in records if r.get("n") == "seq")
        out.append(replace(line, text=written([_set(r, "seq", first + count) for r in records])))
    return tuple(out)


def _set(record: Record, name: str, value: float) -> Record:
    return record | {"v": value} if record.get("n") == name else record


def with_counts(line: Sent, seq: Callable[[int], int], up: Callable[[float], float]) -> Sent:
    """The line with the board's own counts changed."""
    records = [
        r | {"v": seq(int(r["v"]))} if r.get("n") == "seq"
        else r | {"v": round(up(float(r["v"])), 3)} if r.get("n") == "up" else r
        for r in records_of(line.text)
    ]  # fmt: skip
    return replace(line, text=written(records))


def in_order(lines: Sequence[Sent]) -> tuple[Sent, ...]:
    """The lines as they arrive; those of one moment in the order given."""
    return tuple(sorted(lines, key=lambda line: line.arrives_s))
