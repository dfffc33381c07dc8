"""Is a rehearsal's recording what the interface says?  Read back with json only."""

from __future__ import annotations

import base64
import json
from dataclasses import replace
from itertools import pairwise

import pytest
from rehearsed.lines import recording_lines

from benchd.rehearsal import line_record, load_scenario
from benchd.rehearsal.acts import Act

START_T = 1767607200.0


def test_a_recording_holds_lines_and_marks_in_order() -> None:
    records = [json.loads(text) for text in recording_lines(load_scenario("load-1"), START_T, "board")]
    times = [r["t"] for r in records]
    assert all(b >= a - 0.25 for a, b in pairwise(times))
    assert times[0] == START_T
    assert times[-1] == START_T + load_scenario("load-1").duration_s
    assert {tuple(sorted(r)) for r in records} == {("status", "t"), ("line", "source", "t"), ("mark", "t")}
    marks = [r["mark"]["verb"] for r in records if "mark" in r]
    assert marks == ["mix", "shut", "demolded", "demolded", "demolded", "demolded"]
    assert next(r["t"] for r in records if "mark" in r) == START_T + 60.0
    assert all("\n" not in r["line"] for r in records if "line" in r)


def test_unplugging_and_odd_bytes_are_kept() -> None:
    scenario = load_scenario("load-1")
    faults = (Act(at_s=-50, do="board_unplug", for_s=5), Act(at_s=-30, do="board_garbage", for_s=20))
    short = replace(scenario, acts=faults + scenario.acts, end_s=60.0)
    records = [json.loads(text) for text in recording_lines(short, START_T)]
    assert [(r["t"] - START_T, r["status"]["up"]) for r in records if "status" in r] == [
        (0.0, True), (10.0, False), (15.0, True),
    ]  # fmt: skip
    assert any(b"\xff" in base64.b64decode(r["raw_b64"]) for r in records if "raw_b64" in r)


@pytest.mark.parametrize(
    ("raw", "record"),
    [
        (b"[1] 00\n", {"source": "b", "line": "[1] 00"}),
        (b"[1] 00\r\n", {"source": "b", "line": "[1] 00"}),
        (b"\xff\xfe\n", {"source": "b", "raw_b64": "//4="}),
    ],
)
def test_line_ends_go_and_bytes_stay(raw: bytes, record: dict[str, str]) -> None:
    assert line_record("b", raw) == record
