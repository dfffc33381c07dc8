"""Does the line decoder mean what the vectors, RFC 8428 and the checksum's own definition say, and never more?"""

from __future__ import annotations

import json
import math
import random
import zlib
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pytest
from frozen_copy import frozen_copy
from hypothesis import given
from hypothesis import strategies as st

from benchd.core.intake.wire import (
    LIMIT_BYTES,
    REASONS,
    UNITS,
    Decoded,
    PressCounter,
    SeqCounter,
    SeqNews,
    decode,
    encode,
)
from benchd.errors import DecodeError

VECTORS = Path(__file__).parents[1] / "published" / "wire.txt"


def rows() -> list[tuple[str, str, str, str]]:
    """(verdict, source, line, meaning or reason) of every vector."""
    found = []
    for line in VECTORS.read_text(encoding="utf-8").split("\n"):
        if line and not line.startswith("#"):
            verdict, source, text, meaning = line.split("\t")
            found.append((verdict, source, text, meaning))
    return found


ROWS = rows()


def crc_by_definition(data: bytes) -> int:
    """CRC-32 bit by bit from its polynomial: ITU-T V.42 section 8.1.1.6.2, reflected, inverted at both ends."""
    crc = 0xFFFFFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xEDB88320 if crc & 1 else 0)
    return crc ^ 0xFFFFFFFF


def as_vector(decoded: Decoded) -> dict[str, Any]:
    plain = asdict(decoded) | {"records": [list(r) for r in decoded.records], "presses": dict(decoded.presses)}
    return {k: v for k, v in plain.items() if k == "records" or v not in (None, "", {})}


def reason_of_encoding(said: list[Any], **about: Any) -> str:
    with pytest.raises(DecodeError) as refused:
        encode(said, **about)
    return refused.value.reason


def reason_of(line: str, checked: bool = True) -> str:
    with pytest.raises(DecodeError) as refused:
        decode(line, checked)
    return refused.value.reason


@pytest.mark.parametrize(("verdict", "source", "line", "meaning"), ROWS, ids=[f"{r[0]}: {r[1]}" for r in ROWS])
def test_vector(verdict: str, source: str, line: str, meaning: str) -> None:
    """Every row of the published vectors."""
    match verdict:
        case "accept" | "payload":
            assert as_vector(decode(line, checked=verdict == "accept")) == json.loads(meaning)
        case "refuse" | "payload-refuse":
            assert reason_of(line, checked=verdict == "refuse") == meaning
        case "crc":
            assert f"{zlib.crc32(line.encode()):08x}" == meaning
            assert f"{crc_by_definition(line.encode()):08x}" == meaning
        case other:
            pytest.fail(f"unknown verdict {other}")


def test_vectors_use_every_reason_and_every_unit() -> None:
    """No reason and no unit is documented but never shown."""
    refused = {r[3] for r in ROWS if r[0] in ("refuse", "payload-refuse")}
    assert refused == set(REASONS)
    accepted = " ".join(r[2] for r in ROWS if r[0] == "accept")
    assert [u for u in UNITS if f'"{u}"' not in accepted] == []


def test_accepted_trailers_follow_the_definition() -> None:
    """The trailers in the vectors agree with the checksum worked out bit by bit."""
    trailers = [(r[2][:-9], r[2][-8:]) for r in ROWS if r[0] == "accept"]
    assert len(trailers) > 10
    assert all(f"{crc_by_definition(body.encode()):08x}" == trailer for body, trailer in trailers)


def test_units_are_registered() -> None:
    """Units and what they mean: IANA SenML Units registry (RFC 8428 section 12.1); g is listed as not recommended."""
    registered = {"m", "kg", "g", "s", "A", "K", "Hz", "Pa", "V", "Cel", "%RH", "count"}
    assert set(UNITS) <= registered


names = st.from_regex(r"[A-Za-z0-9][-A-Za-z0-9:./_]{0,11}", fullmatch=True)
numbers = st.floats(allow_nan=False, allow_infinity=False)
texts = st.text(st.characters(codec="utf-8", exclude_categories=("C", "Z")), min_size=1, max_size=10)
units = st.none() | st.sampled_from(UNITS)
RESERVED = ("seq", "up", "fault", "press-short", "press-long", "press-double")


@st.composite
def records(draw: st.DrawFn) -> list[tuple[str, float | None, str | None, str | None]]:
    found = draw(st.lists(names.filter(lambda n: n not in RESERVED), max_size=4, unique=True))
    return [
        (n, draw(numbers), None, draw(units)) if draw(st.booleans()) else (n, None, draw(texts), draw(units))
        for n in found
    ]


@given(
    records(),
    st.integers(0, 2**32 - 1),
    st.none() | st.floats(0, 1e9),
    st.dictionaries(st.sampled_from(("short", "long", "double")), st.integers(0, 2**32 - 1)),
    st.none() | texts,
    st.sampled_from(("", "b1-", "urn:dev:ow:10e2073a01080063:")),
    st.booleans(),
)
def test_decode_undoes_encode(
    said: list[Any], seq: int, up: float | None, presses: dict[str, int], fault: str | None, board: str, checked: bool
) -> None:
    """What is encoded comes back, bit for bit, with names resolved as bn + n (RFC 8428 section 4.2)."""
    try:
        line = encode(said, board=board, seq=seq, up=up, presses=presses, fault=fault, checked=checked)
    except DecodeError:
        assert reason_of_encoding(said, board=board, seq=seq, up=up, presses=presses, fault=fault) == "length"
        return
    text = line.decode()
    assert text.endswith("\n") == checked
    resolved = tuple((board + n, v, vs, u) for n, v, vs, u in said)
    assert decode(text.rstrip("\n"), checked) == Decoded(resolved, seq, up, board, presses, fault)


@given(st.text(max_size=80) | st.binary(max_size=80).map(lambda b: b.decode("latin-1")), st.booleans())
def test_any_text_is_decoded_or_refused_with_a_known_reason(text: str, checked: bool) -> None:
    """No text raises anything but DecodeError, and none of these is a line."""
    assert reason_of(text, checked) in REASONS


@given(st.from_regex(r'\[(\{("(bn|n|u|v|vs|t)":("[a-z\\]{0,4}"|-?[0-9.eE]{1,5}|\[|null),?){0,3}\},?){0,3}\]?'))
def test_nearly_right_payloads_are_refused_with_a_known_reason_or_finite(text: str) -> None:
    """Random JSON-like text around the format gives only finite numbers, plain text and known units."""
    try:
        decoded = decode(text, checked=False)
    except DecodeError:
        assert reason_of(text, checked=False) in REASONS
        return
    for _, value, words, unit in decoded.records:
        assert (value is None) != (words is None)
        assert value is None or math.isfinite(value)
        assert unit is None or unit in UNITS


def test_lone_surrogates_are_refused_not_raised() -> None:
    """A recording can hold half a surrogate pair, which no board can send."""
    assert reason_of("\ud800" + "x" * 20) == "json"
    assert reason_of("\ud800", checked=False) == "json"


def test_encode_refuses_what_decode_would() -> None:
    """Neither a bad name, nor a non-finite number, nor a line too long leaves encode."""
    assert reason_of_encoding([("my cup", 1.0, None, None)]) == "name"
    assert reason_of_encoding([("cup", math.nan, None, None)]) == "json"
    assert reason_of_encoding([("cup", None, None, "Cel")]) == "value"
    assert reason_of_encoding([("cup", None, "x" * LIMIT_BYTES, None)]) == "length"
    assert reason_of_encoding([], fault="") == "value"
    assert reason_of_encoding([], seq=-1) == "reserved"
    assert reason_of_encoding([]) == "array"


# ---------------------------------------------------------------------------------------------------------- damage


def damaged(line: bytes, other: bytes, dice: random.Random) -> bytes:
    """One line with a byte or a stretch dropped, doubled, swapped, changed, or spliced with another line."""
    at, to = sorted((dice.randrange(len(line)), dice.randrange(len(line))))
    match dice.randrange(7):
        case 0:
            return line[:at] + line[at + 1 :]
        case 1:
            return line[:at] + line[at : at + 1] + line[at:]
        case 2:
            return line[:at] + line[to : to + 1] + line[at + 1 : to] + line[at : at + 1] + line[to + 1 :]
        case 3:
            return line[:at] + bytes([line[at] ^ 1 << dice.randrange(8)]) + line[at + 1 :]
        case 4:
            return line[:at] + line[to:]
        case 5:
            return line[:at] + other[min(at, len(other)) :]
        case _:
            return line[:at] + bytes([dice.randrange(256)]) + line[at:]


def wrong_readings(count: int, seed: int) -> int:
    """Of `count` lines really damaged, those that still decoded to something that was never sent."""
    dice = random.Random(seed)
    sent = [
        encode(
            [("cup", round(dice.uniform(15, 120), 2), None, "Cel"), ("pot", dice.randrange(400000), None, "Pa")],
            board="b1-",
            seq=dice.randrange(2**32),
            up=round(dice.uniform(0, 1e6), 1),
        ).rstrip(b"\n")
        for _ in range(500)
    ]
    known = set(sent)
    hurt = wrong = 0
    while hurt < count:
        line = damaged(dice.choice(sent), dice.choice(sent), dice)
        if line in known:
            continue
        hurt += 1
        try:
            decode(line.decode())
            wrong += 1
        except (DecodeError, UnicodeDecodeError):
            pass
    return wrong


def test_damaged_lines_give_no_wrong_reading() -> None:
    """50,000 damaged lines: not one is taken for a reading."""
    assert wrong_readings(50_000, seed=1) == 0


@pytest.mark.soak
@pytest.mark.timeout(600)
def test_a_million_damaged_lines_give_no_wrong_reading() -> None:
    """1,000,000 damaged lines: CRC-32 alone would let one pass in 4 x 10^9 at random."""
    assert wrong_readings(1_000_000, seed=2) == 0


@given(st.data())
def test_bursts_up_to_32_bits_are_always_caught(data: st.DataObject) -> None:
    """CRC-32 detects every error burst of up to 32 bits (Peterson and Brown, Proc. IRE 49, 1961), whatever the line."""
    line = encode([("cup", 23.41, None, "Cel")], board="b1-", seq=data.draw(st.integers(0, 9999))).rstrip(b"\n")
    burst = data.draw(st.integers(1, 2**32 - 1)) << data.draw(st.integers(0, 8 * (len(line) - 9) - 32))
    body = (int.from_bytes(line[:-9], "big") ^ burst).to_bytes(len(line) - 9, "big")
    assert zlib.crc32(body) != zlib.crc32(line[:-9])
    assert reason_of((body + line[-9:]).decode("latin-1")) in ("crc", "length")


# --------------------------------------------------------------------------------------------------------- counters


@pytest.mark.parametrize(
    ("seen", "lost", "resets", "repeats"),
    [
        ([(1, 1.0), (2, 2.0), (3, 3.0)], 0, 0, 0),
        ([(1, None), (5, None), (7, None)], 4, 0, 0),
        ([(2**32 - 2, 1.0), (2**32 - 1, 2.0), (0, 3.0), (1, 4.0)], 0, 0, 0),
        ([(2**32 - 2, 1.0), (2, 4.0)], 3, 0, 0),
        ([(900, 90.0), (0, 0.1), (1, 1.1)], 0, 1, 0),
        ([(900, 90.0), (901, 0.1), (902, 0.35)], 0, 1, 0),
        ([(900, 90.0), (899, 89.0), (901, 91.0)], 0, 0, 0),
        ([(899, 89.0), (901, 91.0), (900, 90.0), (902, 92.0)], 1, 0, 0),
        ([(900, 90.0), (0, 0.1), (901, 91.0)], 0, 0, 0),
        ([(5, 90.0), (700, 0.1), (701, 0.2)], 0, 1, 0),
        ([(3, 1.0), (3, 1.0), (4, 2.0)], 0, 0, 1),
        ([(3, 1.0), (None, 1.5), (4, 2.0)], 0, 0, 0),
        ([(900, 90.0), (0, None), (1, 1.0)], 0, 1, 0),
    ],
    ids=[
        "all there",
        "gaps",
        "wrap",
        "gap over the wrap",
        "reset",
        "reset seen by up",
        "an older one",
        "one place late",
        "a lone one from nowhere",
        "jump",
        "twice",
        "none",
        "no up",
    ],
)
def test_seq_counter(seen: list[tuple[int | None, float | None]], lost: int, resets: int, repeats: int) -> None:
    """Lost lines are seq's gaps round the circle of 2^32; a restart is one that a second line bears out."""
    counter = SeqCounter()
    news = [counter.see(seq, up_s) for seq, up_s in seen]
    assert (counter.lost, counter.resets, counter.repeats) == (lost, resets, repeats)
    assert sum(n.lost for n in news) == lost
    assert [n for n in news if n.reset and n.lost] == []


def test_press_counter_presses_once_for_each_count() -> None:
    """First value is the base; each count more is one press; kinds come in a fixed order; the count wraps at 2^32."""
    counter = PressCounter()
    assert counter.see({"short": 4}) == ()
    assert counter.see({"short": 4}) == ()
    assert counter.see({"short": 5}) == ("short",)
    assert counter.see({"double": 0, "long": 2}) == ()
    assert counter.see({"double": 1, "long": 3, "short": 7}) == ("short", "short", "long", "double")
    edge = PressCounter({"short": 2**32 - 1})
    assert edge.see({"short": 0}) == ("short",)


def test_press_counter_takes_no_press_from_a_reset() -> None:
    """After a boot the first value is the base again; a count that falls or leaps is no foot."""
    counter = PressCounter({"short": 5})
    assert counter.see({"short": 1}, reset=True) == ()
    assert counter.see({"short": 2}) == ("short",)
    assert counter.see({"short": 0}) == ()
    assert counter.see({"short": 5000}) == ()
    assert counter.see({"short": 5001}) == ("short",)


def test_counters_survive_a_checkpoint() -> None:
    """Frozen and thawed, they go on counting where they stood."""
    seq, press = SeqCounter(), PressCounter()
    seq.see(10, 1.0)
    press.see({"short": 1})
    seq2, press2 = frozen_copy(seq), frozen_copy(press)
    assert seq2.see(13, 2.0) == SeqNews(lost=2) == seq.see(13, 2.0)
    assert press2.see({"short": 2}) == ("short",)
