"""Packs board lines into one row and reads them back: zlib over columns, the same for a commit's and a load's lines.

The sequence numbers and times are stored as differences, then the texts one after another, so that similar values are
adjacent.  A line's CRC trailer looks random to any compressor, yet follows from the line: a correct one is dropped, and
added again on reading.  Unpacking gives exactly the same inputs.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Sequence
from typing import Any

from benchd.core.format.record import is_time
from benchd.core.model import Line, RawLine
from benchd.runtime.files.expand import expand

STEPS_PER_S = 2**22  # a double holds unix times of today (2**30 to 2**31 s) in these steps: whole numbers, exact

MOST_BLOCK_BYTES = 64 * 2**20  # 4,000 lines of 512 bytes are 2 MB

SeqLine = tuple[int, Line | RawLine]


def pack(rows: Sequence[SeqLine]) -> bytes:
    """The rows as one block; `rows` in order of sequence, not empty."""
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


_DROPPED = "\x00"  # in place of a correct trailer
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
