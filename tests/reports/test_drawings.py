"""The reports' drawings: nothing cut, no words on others, every event named, PNG and SVG of the same sheet."""

from __future__ import annotations

import struct
import xml.etree.ElementTree as ET
from dataclasses import replace
from itertools import combinations, pairwise
from pathlib import Path

import pytest

from benchd import cli
from benchd.core.bench import Bench
from benchd.errors import BenchdError
from benchd.reports.clocks import clock
from benchd.reports.drawing.course import Course, Level, MoldRow, Moment
from benchd.reports.drawing.day_strip import Hours
from benchd.reports.drawing.flags import Flag, set_flags
from benchd.reports.drawing.load_sheet import load_sheet
from benchd.reports.drawing.paper import NARROW, WIDE, Box, Scale, Sheet, clock_ticks, spread, ticks, width_of
from benchd.reports.index import make_report
from benchd.reports.png import png_of
from benchd.reports.writer import Drawing, to_html
from benchd.runtime.journal.journal import Journal

DAY_T = 1_767_571_200.0  # 2026-01-05 00:00 UTC
REPORTS = [("load", "barrel-1767606117"), ("load", "barrel-1767612105"), ("load", "last"), ("day", "2026-01-05"),
           ("mold", "m01"), ("mold", "m07"), ("lot", "r-07"), ("leaks", "barrel"), ("scrap", "all")]  # fmt: skip


async def drawing_of(path: Path, bench: Bench, kind: str, id: str) -> Drawing:
    async with Journal(path, read_only=True) as journal:
        found = (await make_report(journal, bench, kind, id, DAY_T + 20 * 3600.0)).drawing
    assert found is not None
    return found


def words_of(sheet: Sheet) -> list[str]:
    root = ET.fromstring(sheet.svg())
    return ["".join(text.itertext()) for text in root.iter("text")]


@pytest.mark.parametrize(("kind", "id"), REPORTS)
async def test_words_stand_on_the_sheet_and_on_no_others(day_journal: Path, studio: Bench, kind: str, id: str) -> None:
    found = await drawing_of(day_journal, studio, kind, id)
    assert found.alone is not None
    for sheet in (draw(width) for draw in (found.draw, found.alone) for width in (WIDE, NARROW)):
        assert sheet.boxes
        across, down = (0.0, sheet.width), (0.0, sheet.height)
        assert [b for b in sheet.boxes if b.left < across[0] or b.right > across[1]] == []
        assert [b for b in sheet.boxes if b.top < down[0] or b.bottom > down[1]] == []
        assert [pair for pair in combinations(sheet.boxes, 2) if pair[0].meets(pair[1])] == []


async def test_the_loads_sheet_names_what_happened(day_journal: Path, studio: Bench) -> None:
    """Load 2 of the scenario: every event with its clock, the levels at the edge, each mold's way out."""
    found = await drawing_of(day_journal, studio, "load", "barrel-1767612105")
    starts = ("mix 0:00", "air on 1:", "at pressure 2:", "inlet shut 4:", "topped up 9:", "hold done ", "kick 2:4",
              "bleed open ", "near zero ", "floor 35", "target 42", "limit 54", "relief 55", "scrap: trap",
              "M07 Porter pack frame, green", "kick found", "pot, psi", "cup, C",
              "kick expected at lid time")  # fmt: skip
    for said in (words_of(found.draw(WIDE)), words_of(found.draw(NARROW))):
        assert [start for start in starts if not any(each.startswith(start) for each in said)] == []


async def test_a_bench_in_bar_and_fahrenheit_is_drawn_in_them(day_journal: Path, studio: Bench) -> None:
    metric = replace(studio, pressure_unit="bar", temperature_unit="F")
    said = words_of((await drawing_of(day_journal, metric, "load", "last")).draw(WIDE))
    assert {"bar", "F", "pot, bar", "cup, F", "floor 2.4", "target 2.9"} <= set(said)  # 35 psi = 2.41, 42 = 2.90 bar


def test_a_load_without_curves_or_molds_is_drawn_all_the_same() -> None:
    bare = Course(name="Load 1, Pot", unit="psi", temp_unit="C", zero_t=0.0, end_t=600.0)
    assert "0:00" in words_of(load_sheet(bare, NARROW))


def test_a_hostile_name_stays_text() -> None:
    evil = '<script>"&'
    course = Course(name=evil, unit="psi", temp_unit="C", zero_t=0.0, end_t=600.0, levels=[Level(35.0, evil)],
                    moments=[Moment(30.0, evil)], molds=[MoldRow("M", evil, outcome=evil)])  # fmt: skip
    svg = load_sheet(course, WIDE, evil, evil).svg()
    assert "<script" not in svg
    assert sum(evil in words for words in words_of(load_sheet(course, WIDE, evil, evil))) >= 5


def test_a_sheet_as_a_picture_is_as_wide_as_it_is_drawn() -> None:
    pytest.importorskip("resvg_py", reason="resvg-py is not installed: pip install -e '.[test]'")
    sheet = Sheet(200.0, 100.0, "a line")
    sheet.line(0, 50, 200, 50, "l")
    png = png_of(sheet, zoom=2.0)
    # PNG (ISO/IEC 15948): signature, then IHDR with width and height; 16 units of margin around, twice the size
    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    assert struct.unpack(">II", png[16:24]) == (2 * (200 + 32), 2 * (100 + 32))


def test_the_command_writes_a_picture(day_journal: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("resvg_py", reason="resvg-py is not installed: pip install -e '.[test]'")
    path = tmp_path / "load.png"
    assert cli.main(["report", "load", "last", "--journal", str(day_journal), "--png", str(path)]) == 0
    assert path.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    assert cli.main(["report", "shopping", "--journal", str(day_journal), "--png", str(path)]) != 0
    assert "no drawing; use --html" in capsys.readouterr().err


def test_without_the_extra_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "resvg_py", None)
    with pytest.raises(BenchdError, match=r"pip install 'benchd\[png\]'"):
        png_of(Sheet(10.0, 10.0, "nothing"))


async def test_the_page_holds_both_widths_and_no_style_of_its_own(day_journal: Path, studio: Bench) -> None:
    """The report's policy allows its one style sheet alone: an inline style would be refused."""
    async with Journal(day_journal, read_only=True) as journal:
        page = to_html(await make_report(journal, studio, "load", "last", DAY_T + 20 * 3600.0))
    body = page.split("<body>")[1]
    assert body.count('class="sheet desk"') == 1
    assert body.count('class="sheet phone"') == 1
    assert "<style" not in body
    assert " style=" not in body


def test_crowded_words_go_to_the_key_and_none_is_lost() -> None:
    sheet = Sheet(200.0, 80.0, "crowd")
    flags = [Flag(100.0 + n, 10.0, f"event {n} 1:00") for n in range(8)]
    left = set_flags(sheet, flags, [30.0, 46.0], [], Box(0, 0, 200, 80))
    assert len(left) + len(sheet.boxes) == 8
    assert left
    assert sheet.boxes


@pytest.mark.parametrize(
    ("low", "high", "most", "expected"),
    [(0.0, 57.8, 3, [0.0, 20.0, 40.0]), (0.0, 134.0, 3, [0.0, 50.0, 100.0]), (0.0, 0.9, 3, [0.0, 0.5])],
)
def test_an_axis_has_three_round_numbers_at_most(low: float, high: float, most: int, expected: list[float]) -> None:
    assert ticks(low, high, most) == pytest.approx(expected)


def test_a_clocks_axis_has_round_steps() -> None:
    assert [clock_ticks(s, 6) for s in (90.0, 1000.0, 5400.0, 86400.0)] == [15.0, 300.0, 900.0, 21600.0]
    assert clock(144.0) == "2:24"


def test_places_are_spread_and_stay_in_order() -> None:
    found = spread([10.0, 12.0, 60.0, 61.0], 15.0, 0.0, 70.0)
    assert all(b - a >= 15.0 - 1e-9 for a, b in pairwise(found))
    assert found[0] == 10.0
    assert found[-1] <= 70.0


def test_hours_without_anything_are_left_out_and_time_goes_on() -> None:
    hours = Hours([(0.0, 600.0), (7200.0, 7800.0)], 0.0, 218.0)
    places = [hours(t) for t in (0.0, 300.0, 600.0, 7200.0, 7800.0)]
    assert places == sorted(places)
    assert places == pytest.approx([0.0, 50.0, 100.0, 118.0, 218.0])


def test_a_scale_keeps_to_its_ends() -> None:
    scale = Scale(0.0, 10.0, 100.0, 0.0)
    assert (scale(0.0), scale(5.0), scale(99.0)) == (100.0, 50.0, 0.0)
    assert width_of("WWW") > width_of("iii")
