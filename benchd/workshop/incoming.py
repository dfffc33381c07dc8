"""Turns messages from benches into rows for the database.

1. Shop and bench are taken from the topic, which the broker's access list guards, never from the payload.
2. A message that is no record is kept as refused, with the reason: one bad bench must not stop the others.
3. A record's body stays the text it came as, apart from what PostgreSQL's jsonb cannot hold: U+0000 and lone
   surrogates (RFC 8259 section 8.2) become U+FFFD.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import msgspec

from benchd.errors import DecodeError

MOST_BYTES = 65_536
MOST_NUMBER = 2**62
KINDS = ("finding", "alert", "mark")
PLACES = ("pot", "load", "cup", "pour", "mold", "channel")
LEVEL = r"[a-z0-9-]{1,64}"
_TAIL = re.compile(rf"/v0/({LEVEL})/({LEVEL})/record/({LEVEL})$")
_LONE = re.compile("[\ud800-\udfff\0]")

RecordRow = tuple[Any, ...]
"""In the order of RECORD_COLUMNS."""
RECORD_COLUMNS = (
    "shop", "bench", "journal", "number", "after", "kind", "name", "t", "sent_t", "received_t", *PLACES, "body",
)  # fmt: skip
MINUTE_COLUMNS = ("shop", "bench", "journal", "channel", "minute", "n", "lo", "mean", "hi")


class _Record(msgspec.Struct):
    journal: str
    number: int
    after: int
    name: str
    t: float
    sent_t: float
    subject: dict[str, str | None]
    body: msgspec.Raw


class _Minutes(msgspec.Struct):
    journal: str
    minutes: list[tuple[str, int, int, float, float, float]]


_RECORDS = msgspec.json.Decoder(_Record)
_MINUTES = msgspec.json.Decoder(_Minutes)


@dataclass(frozen=True, slots=True)
class Arrival:
    """One message as it came; `receipt` is what its way in needs to acknowledge it."""

    topic: str
    payload: bytes
    received_t: float
    receipt: Any = None


@dataclass(frozen=True, slots=True)
class Refusal:
    """A message that is no record, and why."""

    arrival: Arrival
    why: str


@dataclass(slots=True)
class Batch:
    """What one transaction writes; `minutes` by their key, the fullest of each."""

    records: list[RecordRow] = field(default_factory=list)
    minutes: dict[tuple[Any, ...], tuple[Any, ...]] = field(default_factory=dict)
    refused: list[Refusal] = field(default_factory=list)

    def add(self, arrival: Arrival) -> None:
        """Add one message, or keep it as refused."""
        try:
            self._add(arrival)
        except DecodeError as error:
            self.refused.append(Refusal(arrival, error.detail))

    def _add(self, arrival: Arrival) -> None:
        found = _TAIL.search(arrival.topic)
        if found is None:
            raise DecodeError("topic", "no topic of a record")
        if len(arrival.payload) > MOST_BYTES:
            raise DecodeError("length", f"longer than {MOST_BYTES} bytes")
        shop, bench, kind = found.groups()
        payload = arrival.payload if b"\\u" not in arrival.payload else _plain(arrival.payload)
        if kind == "minutes":
            self._add_minutes(shop, bench, _decoded(_MINUTES, payload))
        elif kind in KINDS:
            self.records.append(_row(shop, bench, kind, arrival.received_t, _decoded(_RECORDS, payload)))
        else:
            raise DecodeError("kind", f"no record of kind {kind}")

    def _add_minutes(self, shop: str, bench: str, told: _Minutes) -> None:
        for channel, minute, n, lo, mean, hi in told.minutes:
            if not (0 <= minute < MOST_NUMBER and 0 < n < 2**31):
                raise DecodeError("minute", "a minute that no clock has")
            key = (shop, bench, _short(told.journal), _short(channel), minute)
            if key not in self.minutes or self.minutes[key][5] < n:
                self.minutes[key] = (*key, n, lo, mean, hi)

    @classmethod
    def of(cls, arrivals: Iterable[Arrival]) -> Batch:
        """All of these."""
        batch = cls()
        for arrival in arrivals:
            batch.add(arrival)
        return batch


def _decoded(decoder: msgspec.json.Decoder[Any], payload: bytes) -> Any:
    try:
        return decoder.decode(payload)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise DecodeError("payload", str(error)[:200]) from error


def _row(shop: str, bench: str, kind: str, received_t: float, told: _Record) -> RecordRow:
    if not (0 < told.number < MOST_NUMBER and 0 <= told.after < told.number):
        raise DecodeError("number", "a number that no journal has")
    body = bytes(told.body)
    if body[:1] != b"{":
        raise DecodeError("payload", "its body is no object")
    places: dict[str, Any] = dict(told.subject)
    if kind == "mark":
        plain = msgspec.json.decode(body)
        places |= {key: plain[key] for key in PLACES if isinstance(plain.get(key), str)}
    where = [str(places[key])[:64].lower() if places.get(key) else None for key in PLACES]
    head = (shop, bench, _short(told.journal), told.number, told.after, kind, _short(told.name))
    return (*head, told.t, told.sent_t, received_t, *where, body.decode())


def _short(text: str) -> str:
    if not 0 < len(text) <= 64:
        raise DecodeError("name", "a name that is empty or longer than 64 letters")
    return text


def _plain(payload: bytes) -> bytes:
    """The payload without what jsonb cannot hold.  Raises DecodeError."""
    try:
        text = json.dumps(json.loads(payload), ensure_ascii=False)
    except (ValueError, RecursionError) as error:
        raise DecodeError("payload", str(error)[:200]) from error
    return _LONE.sub("�", text).replace("\\u0000", "�").encode()
