"""Builds the journal's rows; one `Writes` is one transaction.

The board lines of one commit are packed into one row, a *bundle*, which also says how far the engine had come: an SD
card writes whole pages, so an idle commit must touch one or two of them, not one for each table and index.  Other
inputs are stored as the recording's own JSON, effects in their printed form.  Contexts, run sheets and section tables
are packed and kept permanently, since without them no later line can be decoded.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from benchd.core.findings import Effect, Finding
from benchd.core.format.printed import to_json_object
from benchd.core.format.record import to_json
from benchd.core.model import (
    Alert,
    ClockStep,
    Context,
    Gap,
    Input,
    Line,
    Mark,
    MarkAnswer,
    News,
    RawLine,
    Standing,
    Status,
    Subject,
    Table,
    Utterance,
)
from benchd.core.model.day import DaySheet
from benchd.runtime.contracts import OutboxRow
from benchd.runtime.journal.packed_lines import SeqLine, pack

Statement = tuple[str, Sequence[tuple[Any, ...]]]
Event = Finding | Alert | Utterance | MarkAnswer
EVENTS = (Finding, Alert, Utterance, MarkAnswer)

KINDS: dict[type, str] = {
    Mark: "mark", Status: "source", News: "news", Gap: "gap", ClockStep: "clock", Context: "context",
    DaySheet: "sheet", Table: "table",
}  # fmt: skip
KIND_OF_0_1_0 = (
    "status"  # a source's, or news under a source's name: rows of this kind are as_meant (core/format/record.py)
)
KEPT_CHECKPOINTS = 3
EARLIER_EVERY_S, EARLIER_FOR_S = 600.0, 86_400.0  # of a day one each ten minutes: a load's recording begins with one
BUNDLE_LINES = 4000  # most lines in one row: they are unpacked together when read
ROW_BYTES = 64  # memory used by a row besides its text, counted against the buffer's limit


@dataclass(frozen=True, slots=True)
class Reached:
    """How far the engine had come: last input stepped, bench time ticked to, effects produced."""

    seq: int
    t: float
    told: int


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """The engine's whole state (packed) after input `seq`, ticked to `t`, with `told` effects produced."""

    seq: int
    t: float
    told: int
    body: bytes

    @property
    def crc(self) -> int:
        """The CRC-32 of the packed state."""
        return zlib.crc32(self.body)


@dataclass(frozen=True, slots=True)
class MinuteRow:
    """One channel's one minute: count, lowest, mean, highest, in the core's unit of that channel."""

    channel: str
    minute: int
    n: int
    lo: float
    mean: float
    hi: float


@dataclass(slots=True)
class Writes:
    """Rows that belong together; `size` is roughly their memory use [bytes]."""

    lines: list[SeqLine] = field(default_factory=list)
    inputs: list[tuple[Any, ...]] = field(default_factory=list)
    contexts: list[tuple[Any, ...]] = field(default_factory=list)
    effects: list[tuple[Any, ...]] = field(default_factory=list)
    outbox: list[tuple[Any, ...]] = field(default_factory=list)
    delivered: list[tuple[int]] = field(default_factory=list)
    parked: list[tuple[str, int]] = field(default_factory=list)
    minutes: list[MinuteRow] = field(default_factory=list)
    checkpoint: Checkpoint | None = None
    reached: Reached | None = None
    meta: dict[str, str] = field(default_factory=dict)
    size: int = 0

    def add_input(self, seq: int, item: Input) -> None:
        """Add an input under its sequence number."""
        if isinstance(item, Line | RawLine):
            self.lines.append((seq, item))
            self.size += ROW_BYTES + len(item.line if isinstance(item, Line) else item.raw_b64)
            return
        kind = KINDS[type(item)]
        text = to_json(item)
        if isinstance(item, Standing):
            key = item.id if isinstance(item, DaySheet) else item.hash
            self.contexts.append((seq, item.t, kind, key, zlib.compress(text.encode(), 6)))
            text = ""
        self.inputs.append((seq, item.t, kind, text))
        self.size += ROW_BYTES + len(text)

    def add_effect(self, number: int, seq: int, effect: Event) -> None:
        """Add an effect under its number, after input `seq`."""
        kind, name, subject = described(effect)
        text = json.dumps(to_json_object(effect), ensure_ascii=False, separators=(",", ":"), allow_nan=False)
        keys = (subject.pot, subject.load, subject.cup, subject.pour, subject.mold, subject.channel)
        self.effects.append((number, seq, effect.t, kind, name, *keys, text))
        self.size += 2 * ROW_BYTES + len(text)

    def add_outbox(self, row: OutboxRow) -> None:
        """Add a message that must be delivered."""
        self.outbox.append((row.id, row.topic, row.payload, row.priority, row.order_key, row.created_t, row.expires_t))
        self.size += ROW_BYTES + len(row.payload)

    def followed_by(self, later: Writes) -> Writes:
        """This one's rows followed by the later one's, as one transaction."""
        doubled = len(self.checkpoint.body) if self.checkpoint and later.checkpoint else 0
        return Writes(
            self.lines + later.lines,
            self.inputs + later.inputs,
            self.contexts + later.contexts,
            self.effects + later.effects,
            self.outbox + later.outbox,
            self.delivered + later.delivered,
            self.parked + later.parked,
            self.minutes + later.minutes,
            later.checkpoint or self.checkpoint,
            later.reached or self.reached,
            self.meta | later.meta,
            self.size + later.size - doubled,
        )

    def __bool__(self) -> bool:
        rows = (
            self.lines,
            self.inputs,
            self.effects,
            self.outbox,
            self.delivered,
            self.parked,
            self.minutes,
            self.meta,
        )
        return any(rows) or self.checkpoint is not None or self.reached is not None

    def statements(self) -> list[Statement]:
        """The transaction's statements, in order, each with its rows; statements without rows are left out.

        Packs the lines, some microseconds each: do not call it on the event loop.
        """
        meta = dict(self.meta)
        if self.reached is not None and not self.lines:
            meta["reached"] = json.dumps([self.reached.seq, self.reached.t, self.reached.told])
        point = self.checkpoint
        found: list[Statement] = [
            (_PUT_BUNDLE, _bundles(self.lines, self.reached)),
            (_INPUTS, self.inputs),
            (_CONTEXTS, self.contexts),
            (_EFFECTS, self.effects),
            (_OUTBOX, self.outbox),
            ("DELETE FROM outbox WHERE id = ?", self.delivered),
            ("UPDATE outbox SET parked = ? WHERE id = ?", self.parked),
            *_minute_statements(self.minutes),
            ("INSERT OR REPLACE INTO meta VALUES (?, ?)", list(meta.items())),
        ]
        if point is not None:
            row = (point.seq, point.t, point.told, point.crc, point.body)
            found.append(("INSERT INTO checkpoints (seq, t, told, crc, body) VALUES (?, ?, ?, ?, ?)", [row]))
            found.append((_DROP_CHECKPOINTS, [(point.t - EARLIER_FOR_S, EARLIER_EVERY_S, KEPT_CHECKPOINTS)]))
        return [(sql, rows) for sql, rows in found if rows]


_DROP_CHECKPOINTS = """
DELETE FROM checkpoints WHERE id > 0
AND (t < ?1 OR id NOT IN (SELECT max(id) FROM checkpoints WHERE id > 0 GROUP BY CAST(t / ?2 AS INTEGER)))
AND id NOT IN (SELECT id FROM checkpoints WHERE id > 0 ORDER BY id DESC LIMIT ?3)
"""


def _once(table: str, columns: str, values: str) -> str:
    """An insert statement; an existing number with the same content is a repeat (a commit retried after an error).

    With different content it is an error: NULL, where none is allowed, aborts the transaction.
    """
    key, *rest = columns.split(", ")
    same = f"({', '.join(rest)}) IS ({', '.join(f'excluded.{name}' for name in rest)})"
    return f"INSERT INTO {table} VALUES ({values}) ON CONFLICT ({key}) DO UPDATE SET {rest[-1]} = NULL WHERE NOT {same}"


_COLUMNS = {
    "inputs": "seq, t, kind, body",
    "contexts": "seq, t, kind, key, body",
    "effects": "number, seq, t, kind, name, pot, load, cup, pour, mold, channel, body",
    "outbox": "id, topic, payload",
    "bundles": "first_seq, last_seq, first_t, last_t, count, body",
}
_INPUTS = _once("inputs", _COLUMNS["inputs"], "?, ?, ?, ?")
_CONTEXTS = _once("contexts", _COLUMNS["contexts"], "?, ?, ?, ?, ?")
_EFFECTS = _once("effects", _COLUMNS["effects"], "?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?")
_OUTBOX = _once("outbox", _COLUMNS["outbox"], "?, ?, ?, ?, ?, ?, ?, NULL")

# A commit that failed is retried from the same first line on, perhaps with the lines since: its bundle then replaces
# the same or a shorter one, in case that did reach the disk.  Other lines under that number are an error: NULL, where
# none is allowed, aborts the transaction.
_PUT_BUNDLE = """
INSERT INTO bundles VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)
ON CONFLICT (first_seq) DO UPDATE SET
    body = CASE WHEN body = excluded.body OR (first_t = excluded.first_t AND last_seq < excluded.last_seq)
        THEN excluded.body END,
    last_seq = excluded.last_seq, last_t = excluded.last_t, count = excluded.count,
    reached_seq = excluded.reached_seq, reached_t = excluded.reached_t, told = excluded.told
"""


NUMBERED = {
    sql: (noun, f"SELECT {_COLUMNS[table]} FROM {table} WHERE {_COLUMNS[table].partition(',')[0]} = ?")
    for sql, noun, table in (
        (_INPUTS, "input", "inputs"), (_CONTEXTS, "context", "contexts"), (_EFFECTS, "effect", "effects"),
        (_OUTBOX, "message", "outbox"), (_PUT_BUNDLE, "input", "bundles"),
    )
}  # fmt: skip
"""Statement -> the name of its rows, and the query for the row that has a number."""


def described(effect: Event) -> tuple[str, str, Subject]:
    """(kind, name, subject) of an event effect, as the effects table keys them."""
    match effect:
        case Finding():
            return "finding", effect.finding, effect.subject
        case Alert():
            return "alert", effect.alert, effect.subject
        case Utterance():
            return "utterance", effect.code, effect.subject
        case MarkAnswer():
            return "answer", effect.verb, Subject(bench="")


def event_of(effect: Effect) -> Event | None:
    """The effect if it is numbered and waits at the gate; None for readings and cards."""
    return effect if isinstance(effect, EVENTS) else None


def _bundles(lines: Sequence[SeqLine], reached: Reached | None) -> list[tuple[Any, ...]]:
    """The lines as rows of at most BUNDLE_LINES; the last says how far the engine had come."""
    rows: list[tuple[Any, ...]] = []
    for at in range(0, len(lines), BUNDLE_LINES):
        part = lines[at : at + BUNDLE_LINES]
        is_last = at + BUNDLE_LINES >= len(lines)
        state = (reached.seq, reached.t, reached.told) if reached is not None and is_last else (None, None, None)
        (first, a), (last, b) = part[0], part[-1]
        rows.append((first, last, a.t, b.t, len(part), pack(part), *state))
    return rows


# Finished minutes collect in one table ordered by time, where the newest of all channels share a page; retention moves
# them into the one ordered by channel, which charts read.
_ADD_MINUTE = """
INSERT INTO fresh_minutes SELECT ?, id, ?, ?, ?, ? FROM channels WHERE name = ?
ON CONFLICT (minute, channel) DO UPDATE SET lo = min(lo, excluded.lo), hi = max(hi, excluded.hi),
    mean = (mean * n + excluded.mean * excluded.n) / (n + excluded.n), n = n + excluded.n
"""
MOVE_MINUTES = """
INSERT INTO minutes SELECT channel, minute, n, lo, mean, hi FROM fresh_minutes WHERE minute <= ?
ON CONFLICT (channel, minute) DO UPDATE SET lo = min(lo, excluded.lo), hi = max(hi, excluded.hi),
    mean = (mean * n + excluded.mean * excluded.n) / (n + excluded.n), n = n + excluded.n
"""


def _minute_statements(rows: Sequence[MinuteRow]) -> list[Statement]:
    """Values are stored as hundredths, the printed precision: integers take a third of the space of REAL."""
    names = [(name,) for name in dict.fromkeys(row.channel for row in rows)]
    values = [(r.minute, r.n, round(r.lo * 100), round(r.mean * 100), round(r.hi * 100), r.channel) for r in rows]
    return [("INSERT OR IGNORE INTO channels (name) VALUES (?)", names), (_ADD_MINUTE, values)]
