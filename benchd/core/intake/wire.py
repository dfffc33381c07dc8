"""Decodes one line from a board, strictly: it is understood wholly, or refused with a reason that can be counted.

    <SenML JSON array> SP <8 lowercase hex: CRC-32 of the bytes before that space>

The array follows RFC 8428 (Sensor Measurement Lists) cut down to the labels bn, n, u, v, vs; the checksum is zlib's
CRC-32 (that of ISO 3309 and ITU-T V.42).  A name resolves as bn + n.  Records whose *unresolved* n is reserved speak
of the board itself: `seq` counts its lines, `up` its seconds since boot, `fault` says which probe it could not read,
`press-short`, `press-long`, `press-double` count presses of its foot switch.  Payloads of Wi-Fi boards have no trailer.
"""

from __future__ import annotations

import json
import re
import zlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from math import isfinite
from typing import Any

from benchd.core.intake.board_counts import COUNT_WRAP, PRESSES, PressCounter, SeqCounter, SeqNews
from benchd.errors import DecodeError

__all__ = (
    "LIMIT_BYTES",
    "REASONS",
    "UNITS",
    "Decoded",
    "PressCounter",
    "Record",
    "SeqCounter",
    "SeqNews",
    "decode",
    "encode",
    "has_right_sum",
)

LIMIT_BYTES = 512
UNITS = ("Cel", "Pa", "%RH", "V", "A", "g", "s")  # IANA SenML Units registry; a count has none

REASONS: dict[str, str] = {
    "length": f"longer than {LIMIT_BYTES} bytes",
    "trailer": "does not end in one space and eight lowercase hex digits",
    "crc": "the checksum differs: a byte was lost or changed on the way",
    "json": "not strict JSON",
    "trailing": "something stands before or after the JSON array",
    "array": "not a JSON array of objects, or an empty one",
    "repeated": "a label stands twice in one record, or a name twice in one line",
    "label": "a label other than bn, n, u, v, vs",
    "bn": "a base name that is not text, or not in the first record",
    "name": "a name that is empty or has characters RFC 8428 does not allow",
    "unit": "a unit other than " + ", ".join(UNITS),
    "value": "not exactly one of v (a finite number) and vs (plain text)",
    "reserved": "a reserved name with the wrong kind of value",
}
"""Every reason `decode` gives, and what it means."""

Record = tuple[str, float | None, str | None, str | None]
"""(resolved name, value, text, unit): exactly one of value and text is set."""


@dataclass(frozen=True, slots=True)
class Decoded:
    """One understood line.

    `records` leaves the reserved names out.  `up` [s since the board's boot].  `board` is the base name, "" if none.
    `presses` holds running counts by "short", "long", "double".  Several faults on one line are joined by "; ".
    """

    records: tuple[Record, ...]
    seq: int | None = None
    up: float | None = None
    board: str = ""
    presses: Mapping[str, int] = field(default_factory=dict)
    fault: str | None = None


def _no_constant(word: str) -> float:
    raise DecodeError("json", f"{word} is no JSON number")


# Objects come back as tuples of pairs: a doubled label stays visible, an object differs from an array, all at C speed.
_parse = json.JSONDecoder(object_pairs_hook=tuple, parse_constant=_no_constant).raw_decode
_is_name = re.compile(r"[A-Za-z0-9][-A-Za-z0-9:./_]*").fullmatch  # RFC 8428 section 4.5.1
_is_trailer = re.compile(r" [0-9a-f]{8}").fullmatch
_LABELS = frozenset(("bn", "n", "u", "v", "vs"))
_UNITS = frozenset(UNITS)
_RESERVED = frozenset(("seq", "up", "fault", *(f"press-{kind}" for kind in PRESSES)))


def decode(line: str, checked: bool = True) -> Decoded:
    """What `line` (no LF, no CR) says; `checked` = it carries the CRC-32 trailer.

    Raises DecodeError whose `reason` is a key of REASONS; never returns part of a line.
    """
    array = _array(_body(line) if checked else _short(line))
    board = ""
    records: list[Record] = []
    about: dict[str, Any] = {}
    for index, pairs in enumerate(array):
        if type(pairs) is not tuple:
            raise DecodeError("array", "a record is not an object")
        record = dict(pairs)
        if len(record) != len(pairs):
            raise DecodeError("repeated", "a label stands twice in one record")
        if not record.keys() <= _LABELS:
            raise DecodeError("label", str(next(k for k in record if k not in _LABELS)))
        if "bn" in record:
            board = _base_name(record.pop("bn"), index)
            if not record:
                continue
        name = record.get("n", "")
        if name.__class__ is str and name in _RESERVED:
            _reserved(name, record, about)
        else:
            records.append(_measured(board, name, record))
    names = [r[0] for r in records]
    if len(set(names)) != len(names):
        raise DecodeError("repeated", "a name stands twice in one line")
    return Decoded(tuple(records), board=board, **about)


def _short(line: str) -> str:
    if len(line) > LIMIT_BYTES or (not line.isascii() and len(_bytes(line)) > LIMIT_BYTES):
        raise DecodeError("length", f"{len(line)} characters")
    return line


def _bytes(text: str) -> bytes:
    try:
        return text.encode()
    except UnicodeEncodeError as error:  # half a surrogate pair, from a recording's escapes
        raise DecodeError("json", "not text") from error


def _body(line: str) -> str:
    """The line without its trailer, which was right."""
    body, trailer = _short(line)[:-9], line[-9:]
    if f" {zlib.crc32(_bytes(body)):08x}" == trailer:
        return body
    if not _is_trailer(trailer):
        raise DecodeError("trailer", repr(trailer))
    raise DecodeError("crc", trailer[1:])


def has_right_sum(line: str) -> bool:
    """Does a line end in its own checksum, within the limit?  A small part of what `decode` asks, and costs."""
    try:
        _body(line)
    except DecodeError:
        return False
    return True


def _array(text: str) -> list[Any]:
    try:
        array, end = _parse(text)
    except (ValueError, RecursionError) as error:
        raise DecodeError("trailing" if text[:1].isspace() else "json", str(error)) from error
    if end != len(text):
        raise DecodeError("trailing", repr(text[end : end + 20]))
    if type(array) is not list or not array:
        raise DecodeError("array", "no array of records")
    return array


def _base_name(value: Any, index: int) -> str:
    if type(value) is not str or index:
        raise DecodeError("bn", repr(value))
    return value


def _measured(board: str, name: Any, record: dict[str, Any]) -> Record:
    resolved = board + name if type(name) is str else ""
    if not _is_name(resolved):
        raise DecodeError("name", repr(name))
    unit = record.get("u")
    if unit is not None and (type(unit) is not str or unit not in _UNITS):
        raise DecodeError("unit", repr(unit))
    if "u" in record and unit is None:
        raise DecodeError("unit", "null")
    if ("v" in record) == ("vs" in record):
        raise DecodeError("value", f"{resolved}: needs one of v and vs")
    if "v" in record:
        return resolved, _number(record["v"]), None, unit
    return resolved, None, _text(record["vs"]), unit


def _number(value: Any) -> float:
    if type(value) is float:
        number = value
    elif type(value) is int:
        try:
            number = float(value)
        except OverflowError as error:
            raise DecodeError("value", "a number beyond a double") from error
    else:
        raise DecodeError("value", f"{value!r} is no number")
    if not isfinite(number):
        raise DecodeError("value", "a number beyond a double")
    return number


def _text(value: Any) -> str:
    # isprintable also refuses control characters and lone surrogates: this text reaches logs, phones and pages.
    if type(value) is not str or not value or not value.isprintable():
        raise DecodeError("value", f"{value!r} is no plain text")
    return value


def _reserved(name: str, record: dict[str, Any], about: dict[str, Any]) -> None:
    """Take what the board says of itself into `about`, the keyword arguments of Decoded."""
    if name == "fault":
        text = _fault(record)
        about["fault"] = f"{about['fault']}; {text}" if "fault" in about else text
        return
    value = _up(record) if name == "up" else _count(name, record)
    kind = name.removeprefix("press-")
    place = about if kind == name else about.setdefault("presses", {})
    if kind in place:
        raise DecodeError("repeated", name)
    place[kind] = value


def _fault(record: dict[str, Any]) -> str:
    if record.keys() != {"n", "vs"}:
        raise DecodeError("reserved", "fault needs vs alone")
    return _text(record["vs"])


def _up(record: dict[str, Any]) -> float:
    if "v" not in record or "vs" in record or record.get("u", "s") != "s":
        raise DecodeError("reserved", "up needs v in seconds")
    up_s = _number(record["v"])
    if up_s < 0.0:
        raise DecodeError("reserved", "up is below zero")
    return up_s


def _count(name: str, record: dict[str, Any]) -> int:
    value = record.get("v")
    if record.keys() != {"n", "v"} or type(value) is not int or not 0 <= value < COUNT_WRAP:
        raise DecodeError("reserved", f"{name} needs v alone, a whole number below 2^32")
    return value


def encode(
    records: Iterable[Record] = (),
    *,
    board: str = "",
    seq: int | None = None,
    up: float | None = None,
    presses: Mapping[str, int] | None = None,
    fault: str | None = None,
    checked: bool = True,
) -> bytes:
    """One line as a board sends it, LF included (no trailer and no LF when not `checked`: a broker's payload).

    `records` hold names without the `board` prefix, which goes into bn.  Raises DecodeError where `decode` would.
    """
    said: list[dict[str, Any]] = [{"n": n, "u": u, "v": v, "vs": text} for n, v, text, u in records]
    if fault is not None:
        said.append({"n": "fault", "vs": fault})
    said += [{"n": f"press-{kind}", "v": count} for kind, count in (presses or {}).items()]
    said += [{"n": "up", "u": "s", "v": up}] if up is not None else []
    said += [{"n": "seq", "v": seq}] if seq is not None else []
    said = [{k: v for k, v in record.items() if v is not None} for record in said]
    if board and said:
        said[0] = {"bn": board} | said[0]
    text = json.dumps(said, ensure_ascii=False, separators=(",", ":"))
    line = f"{text} {zlib.crc32(_bytes(text)):08x}" if checked else text
    decode(line, checked)
    return f"{line}\n".encode() if checked else line.encode()
