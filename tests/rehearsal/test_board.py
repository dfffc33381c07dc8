"""Are the board's lines what the interface says, its faults what was asked for?  Checked with json and zlib only."""

from __future__ import annotations

import json
import re
import zlib
from typing import Any

import pytest

from benchd.rehearsal.board import BANNER, BOOT_S, Board, checked_line
from benchd.rehearsal.scenario import BoardSpec

READINGS: dict[str, float | None] = {
    "cup": 23.25, "pot": 289579.8, "room": 21.53, "rh": 44.1, "tank": 772212.9, "tankt": 24.2,
}  # fmt: skip
TRAILER = re.compile(rb"^(\[.*\]) ([0-9a-f]{8})\n$")


def parsed(line: bytes) -> list[dict[str, Any]]:
    assert len(line) <= 512
    match = TRAILER.match(line)
    assert match is not None
    assert f"{zlib.crc32(match[1]):08x}" == match[2].decode()
    records = json.loads(match[1])
    assert isinstance(records, list)
    return records


def values(line: bytes) -> dict[str, Any]:
    return {r["n"]: r.get("v", r.get("vs")) for r in parsed(line)}


def test_crc_is_the_standard_one() -> None:
    """The check value of CRC-32 over "123456789" is cbf43926 (zlib's polynomial, any CRC catalogue)."""
    assert checked_line("123456789") == b"123456789 cbf43926\n"


def test_a_line_says_each_channel_with_its_unit() -> None:
    """Units from RFC 8428 / IANA SenML units: Cel, Pa, %RH, s; none for counts; labels bn, n, u, v, vs only."""
    (line,) = Board(BoardSpec(), 0).lines(0.0, READINGS)
    records = parsed(line)
    assert {r["n"]: r.get("u") for r in records} == {
        "seq": None, "up": "s", "cup": "Cel", "pot": "Pa", "room": "Cel", "rh": "%RH", "tank": "Pa", "tankt": "Cel",
        "press-short": None, "press-long": None, "press-double": None,
    }  # fmt: skip
    assert [r.get("bn") for r in records] == ["b1-"] + [None] * (len(records) - 1)
    assert all(set(r) <= {"bn", "n", "u", "v", "vs"} for r in records)
    assert values(line)["pot"] == 289580
    assert values(line)["cup"] == 23.25


def test_slow_channels_come_once_a_second() -> None:
    board = Board(BoardSpec(), 0)
    names = [set(values(line)) for k in range(8) for line in board.lines(k / 4, READINGS)]
    assert ["room" in n for n in names] == [True, False, False, False] * 2
    assert all("cup" in n for n in names)


def test_a_split_reading_takes_two_numbered_lines() -> None:
    board = Board(BoardSpec(split=True), 0)
    first, second = (values(line) for line in board.lines(0.0, READINGS))
    assert (first["seq"], second["seq"]) == (0, 1)
    assert "cup" in first
    assert "cup" not in second
    assert "room" in second
    assert values(board.lines(0.25, READINGS)[0])["seq"] == 2


def test_a_long_line_is_split_by_itself() -> None:
    many = READINGS | {f"cup-number-{i}": 20.0 for i in range(5)}
    lines = Board(BoardSpec(prefix="a-long-board-name-"), 0).lines(0.0, many)
    assert len(lines) == 2
    assert [values(line)["seq"] for line in lines] == [0, 1]


def test_a_broken_probe_is_a_fault_record_without_a_value() -> None:
    (line,) = Board(BoardSpec(), 0).lines(0.0, READINGS | {"cup": None})
    said = values(line)
    assert said["fault"] == "cup open"
    assert "cup" not in said


def test_presses_count_and_are_told_at_once() -> None:
    board = Board(BoardSpec(), 0)
    board.lines(0.0, READINGS)
    (line,) = board.press(0.1, "short")
    assert {k: v for k, v in values(line).items() if k.startswith("press")} == {
        "press-short": 1, "press-long": 0, "press-double": 0,
    }  # fmt: skip
    (line,) = board.press(0.2, "short")
    assert values(line)["press-short"] == 2
    assert values(line)["up"] == pytest.approx(0.2, abs=1e-3)


def test_reset_starts_everything_anew_behind_a_banner() -> None:
    board = Board(BoardSpec(), 0)
    board.lines(0.0, READINGS)
    board.press(5.0, "long")
    assert board.reset(10.0) == list(BANNER)
    assert all(line.startswith(b"#") and line.endswith(b"\n") for line in BANNER)
    assert board.lines(10.0 + BOOT_S - 0.1, READINGS) == []
    assert board.press(10.5, "short") == []
    said = values(board.lines(10.0 + BOOT_S, READINGS)[0])
    assert said["seq"] == 0
    assert said["up"] == pytest.approx(BOOT_S, abs=0.01)
    assert said["press-long"] == 0


def test_lost_lines_leave_gaps_in_seq() -> None:
    board = Board(BoardSpec(), 0)
    board.fault("drop", 50.0)
    seqs = [values(line)["seq"] for k in range(240) for line in board.lines(k / 4, READINGS)]
    assert seqs == sorted(set(seqs))
    assert 90 < len(seqs) < 150
    assert seqs[-40:] == list(range(200, 240))


def test_damage_spoils_lines_but_not_all() -> None:
    board = Board(BoardSpec(), 0)
    board.fault("garbage", 100.0)
    got = [line for k in range(400) for line in board.lines(k / 4, READINGS)]
    good = [line for line in got if (m := TRAILER.match(line)) and f"{zlib.crc32(m[1]):08x}".encode() == m[2]]
    assert 50 < len(good) < 110  # one in five is left alone
    assert any(len(line) > 512 for line in got)
    assert any(not line.endswith(b"\n") for line in got)


def test_silent_and_unplugged_boards_say_nothing_for_a_while() -> None:
    board = Board(BoardSpec(), 0)
    board.fault("silent", 10.0)
    assert board.lines(9.0, READINGS) == []
    assert board.is_plugged(9.0)
    assert board.lines(10.0, READINGS)
    board.fault("unplug", 20.0)
    assert not board.is_plugged(19.9)
    assert board.is_plugged(20.0)


def test_its_clock_is_a_little_wrong() -> None:
    (line,) = Board(BoardSpec(clock_ppm=100.0), 0).lines(10000.0, READINGS)
    assert values(line)["up"] == pytest.approx(10001.0, abs=0.01)
