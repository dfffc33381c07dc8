"""Does every input survive being written and read, and does a damaged recording cost only its damaged lines?"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.core.format.learned_form import learned_body, learned_from_body
from benchd.core.format.record import (
    ReadCounts,
    carried_state,
    from_record,
    heading,
    read_recording,
    to_json,
    to_record,
)
from benchd.core.model import ClockStep, Context, Gap, Input, Line, Mark, News, RawLine, Status, Table
from benchd.core.model.day import DayBefore, DaySheet, SheetLoad
from benchd.core.model.learned import CasterHabits, Drift, Learned, LearnedLife, PotHabits
from benchd.errors import DecodeError, RecordingError
from benchd.physics.leak_bank import generic_prior
from benchd.physics.leak_learning import shapes_of
from benchd.physics.mold_factor import MoldFactor

T = 1767607331.42
FACTOR = MoldFactor(log_bias=0.1, sd=0.1, pulls=4, note="earlier once", kept=2)
LEARNED = Learned(
    caster=CasterHabits(lid_s=24.0), pots={"barrel": PotHabits(fill_s=30.0, bare=shapes_of(generic_prior()))},
    molds={"m02": {"fast": FACTOR}}, silicones={"tin": LearnedLife(41, 3, 4)},
    lots={"r-07": Drift(level=0.1, per_day=0.0, sd=0.1, noise=0.1, pours=3, mean_days=2.0, last_days=4.0,
                        is_clear=False)},
)  # fmt: skip
EVERY_KIND: Sequence[Input] = [
    Context(T, {"id": "north"}, {"molds": []}, {}, LEARNED, ((0.0, 3600.0),), "0.1.0", "abc", DayBefore(2, 1)),
    Line(T + 1, "board", '[{"bn":"b1-","n":"cup","u":"Cel","v":23.1}] 00000000'),
    Line(T + 1, "air", '[{"n":"room","u":"%RH","v":44}]', topic="bench/air"),
    RawLine(T + 2, "board", "/////w=="),
    Mark(t=T + 3, verb="mix", cup="cup-1", pot="barrel", lot="R-07", molds=("M02", "M03"), a_g=159.5, b_g=143.5),
    Mark(t=T + 3.5, verb="poured", mold="M02", at=T - 20.0),
    Status(T + 4, "board", False, "gone (hung up)"),
    News(T + 5, "journal", True, "disk full"),
    Gap(T + 9, T + 5, "stopped", 12),
    ClockStep(T + 10, -7200.0),
    DaySheet(T + 10, "sheet-1", T, (SheetLoad(1, ("m02", "m05"), pot="barrel", a_g=50.5, pour="cup-1-5"),)),
    DaySheet(T + 11),
    Table(T + 11, "r-07", "def", {"rows": [1.0, 2.0]}),
]


def recording(*records: str) -> list[str]:
    return [heading("north") + "\n", *(r + "\n" for r in records)]


def test_every_kind_comes_back_the_same() -> None:
    """Written and read, all eleven kinds of line equal what was put."""
    counts = ReadCounts()
    assert list(read_recording(recording(*map(to_json, EVERY_KIND)), counts)) == list(EVERY_KIND)
    assert (counts.inputs, counts.bad, counts.raised) == (len(EVERY_KIND), 0, 0)


def test_lines_have_the_documented_keys() -> None:
    """Each kind's JSON object has exactly its documented keys, checked by an independent schema validator."""
    kinds: list[dict[str, Any]] = [
        {"required": ["t", "source", "line"], "maxProperties": 3},
        {"required": ["t", "source", "topic", "payload"], "maxProperties": 4},
        {"required": ["t", "source", "raw_b64"], "maxProperties": 3},
        *(
            {"required": ["t", k], "maxProperties": 2}
            for k in ("context", "mark", "status", "news", "gap", "clock", "sheet", "table")
        ),
    ]
    schema = {"type": "object", "properties": {"t": {"type": "number"}}, "oneOf": kinds}
    for item in EVERY_KIND:
        jsonschema.validate(json.loads(to_json(item)), schema)
        assert "\n" not in to_json(item)


@pytest.mark.parametrize(
    "spoilt",
    [{"caster": 3}, {"caster": {"lid_s": "x"}}, {"caster": {"lid_s": 1e9}}, {"caster": {"lid_s": True}}, {"pots": []},
     {"pots": {"barrel": 3}}, {"pots": {"barrel": {"bare": {"mean": "x"}}}}, {"molds": {"m02": "x"}}, 7,
     {"molds": {"m02": {"fast": {"log_bias": "x", "sd": 1, "pulls": 0}}}}, {"lots": {"r-07": None}}, {"silicones": 3},
     {"silicones": {"tin": {"casts": True, "signs": 3, "molds": 4}}}],
)  # fmt: skip
def test_a_spoilt_lesson_is_left_out(spoilt: object) -> None:
    """Nothing that cannot be read is learned from."""
    read = learned_from_body(spoilt)
    assert (read.caster, read.pot("barrel"), read.factor("m02", "fast")) == (CasterHabits(), PotHabits(), None)
    assert (read.drift("r-07"), read.silicones) == (None, {})


def test_a_spoilt_lesson_costs_no_other() -> None:
    """Each entry is read by itself, so the rest of a context still teaches."""
    plain = learned_body(LEARNED)
    plain["caster"]["pour_s"], plain["pots"]["barrel"]["bare"]["mean"] = "x", [1.0]
    plain["molds"]["m02"]["slow"], plain["later"] = {}, {"new": 1}
    assert learned_from_body(plain) == replace(LEARNED, pots={"barrel": PotHabits(fill_s=30.0)})


@given(st.floats(0, 9e10), st.text(st.characters(codec="utf-8"), max_size=40), st.none() | st.text("ab/é", max_size=9))
def test_any_line_comes_back_the_same(t: float, text: str, topic: str | None) -> None:
    """Whatever text a board sends, it comes back to the character, and t to the bit."""
    item = Line(t, "board", text, topic)
    assert list(read_recording(recording(to_json(item)))) == [item]
    assert from_record(to_record(item)) == item


BAD = [
    ("{", "record-json"),
    ("[]", "record-shape"),
    ('"text"', "record-shape"),
    ('{"t": NaN, "source": "b", "line": ""}', "record-json"),
    ('{"t": "1", "source": "b", "line": ""}', "record-time"),
    ('{"t": true, "source": "b", "line": ""}', "record-time"),
    ('{"t": -1, "source": "b", "line": ""}', "record-time"),
    ('{"t": 1e300, "source": "b", "line": ""}', "record-time"),
    ('{"source": "b", "line": ""}', "record-time"),
    ('{"t": 5}', "record-kind"),
    ('{"t": 5, "line": "x"}', "record-kind"),
    ('{"t": 5, "weather": {}}', "record-kind"),
    ('{"t": 5, "status": []}', "record-shape"),
    ('{"t": 5, "gap": {"since": "x", "why": ""}}', "record-shape"),
    ('{"t": 5, "mark": {"cup": "c"}}', "mark-verb"),
    ('{"t": 5, "mark": {"verb": "mix", "colour": "red"}}', "mark-key"),
    ('{"t": 5, "mark": {"verb": "mix", "a_g": "159"}}', "mark-value"),
    ('{"t": 5, "mark": {"verb": "mix", "molds": "M02"}}', "mark-value"),
    ('{"t": 5, "source": "b", "line": "\\ud800"}', "record-json"),
    ('{"t": 5, "source": "b", "line": "\udc80"}', "record-json"),
    ("[" * 100_000, "record-json"),
]


@pytest.mark.parametrize(("line", "reason"), BAD, ids=[b[0][:50].encode("ascii", "replace").decode() for b in BAD])
def test_a_bad_line_is_counted_and_left_out(line: str, reason: str) -> None:
    """Whatever is wrong with one line, the ones around it are read."""
    counts = ReadCounts()
    before, after = Line(1.0, "b", "x"), Line(9.0, "b", "y")
    assert list(read_recording(recording(to_json(before), line, "", to_json(after)), counts)) == [before, after]
    assert counts.reasons == {reason: 1}
    assert (counts.inputs, counts.bad) == (2, 1)
    assert counts.first_bad.startswith("line 3: ")


@given(st.lists(st.text(max_size=30) | st.sampled_from([to_json(i) for i in EVERY_KIND]), max_size=8))
def test_any_text_after_the_heading_is_read_or_counted(lines: list[str]) -> None:
    """No text after the heading raises, and each line is an input, a bad line or blank."""
    counts = ReadCounts()
    inputs = list(read_recording(recording(*(x.replace("\n", " ") for x in lines)), counts))
    assert len(inputs) == counts.inputs
    assert counts.inputs + counts.bad + sum(not x.strip() for x in lines) == len(lines)


def test_time_that_runs_back_is_raised_and_counted() -> None:
    """File order is truth: a t below the last becomes the last."""
    counts = ReadCounts()
    items: list[Input] = [Line(5.0, "b", "1"), Mark(t=3.0, verb="kicked"), Line(4.0, "b", "2"), Line(6.0, "b", "3")]
    read = list(read_recording(recording(*map(to_json, items)), counts))
    assert [i.t for i in read] == [5.0, 5.0, 5.0, 6.0]
    assert isinstance(read[1], Mark)
    assert counts.raised == 2


NO_HEADINGS = [
    "",
    "not JSON",
    "[]",
    "{}",
    '{"recording": 0}',
    '{"recording": "0", "bench": "n"}',
    '{"recording": true, "bench": "n"}',
    '{"recording": -1, "bench": "n"}',
    '{"recording": 0.0, "bench": "n"}',
    '{"t": 1, "source": "b", "line": ""}',
]


@pytest.mark.parametrize("first", NO_HEADINGS)
def test_what_has_no_heading_is_no_recording(first: str) -> None:
    """Refused at once, before any input is asked for."""
    with pytest.raises(RecordingError, match="not a recording"):
        read_recording([first, to_json(EVERY_KIND[1])])


def test_versions() -> None:
    """This version and the one before are read; a newer one is refused with its number."""
    line = to_json(EVERY_KIND[1])
    for version in (0, 1):
        assert list(read_recording([f'{{"recording": {version}, "bench": "north"}}', line])) == [EVERY_KIND[1]]
    with pytest.raises(RecordingError, match="version 2"):
        read_recording(['{"recording": 2, "bench": "north"}', line])


def test_marks_refuse_numbers_out_of_range() -> None:
    """A mark's weights are finite and sane."""
    for value in (1e12, -1e12, True):
        with pytest.raises(DecodeError):
            from_record({"t": 1.0, "mark": {"verb": "mix", "a_g": value}})


@pytest.mark.parametrize(
    "line",
    [
        heading("north"), "not json", '{"recording": 0, "bench": "north", "state": 3}',
        '{"recording": 0, "bench": "north", "state": "%%%"}', '{"recording": 0, "bench": "north", "state": "aGVsbG8="}',
    ],
)  # fmt: skip
def test_a_heading_without_a_state_that_can_be_read_carries_none(line: str) -> None:
    assert carried_state(line) is None


def test_a_state_comes_back_whole_and_a_bomb_does_not(monkeypatch: pytest.MonkeyPatch) -> None:
    assert carried_state(heading("north", b"x" * 70_000)) == b"x" * 70_000
    monkeypatch.setattr("benchd.core.format.record.MOST_BYTES", 60_000)
    assert carried_state(heading("north", b"x" * 70_000)) is None
