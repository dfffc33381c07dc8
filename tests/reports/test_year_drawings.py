"""The drawings of a year: what was seen with one day only collides once a mold has been cast all the year."""

from __future__ import annotations

import asyncio
import re
import xml.etree.ElementTree as ET
from itertools import combinations
from pathlib import Path

import pytest
from reports.cast_year import LAST_T, write_year

from benchd.core.bench import Bench
from benchd.reports.drawing.paper import NARROW, WIDE, Sheet
from benchd.reports.index import make_report
from benchd.runtime.journal.journal import Journal

REPORTS = [("mold", "m01"), ("lot", "r-07"), ("leaks", "barrel"), ("scrap", "all")]
Sheets = dict[tuple[str, str, float], Sheet]


@pytest.fixture(scope="module")
def year(tmp_path_factory: pytest.TempPathFactory, studio: Bench) -> Sheets:
    path = tmp_path_factory.mktemp("year") / "journal.db"
    return asyncio.run(drawn(path, studio))


async def drawn(path: Path, studio: Bench) -> Sheets:
    await write_year(path)
    found: Sheets = {}
    async with Journal(path, read_only=True) as journal:
        for kind, id in REPORTS:
            drawing = (await make_report(journal, studio, kind, id, LAST_T)).drawing
            assert drawing is not None
            found |= {(kind, id, width): (drawing.alone or drawing.draw)(width) for width in (WIDE, NARROW)}
    return found


@pytest.mark.parametrize("width", [WIDE, NARROW])
@pytest.mark.parametrize(("kind", "id"), REPORTS)
def test_a_years_words_stand_on_the_sheet_and_on_no_others(year: Sheets, kind: str, id: str, width: float) -> None:
    sheet = year[kind, id, width]
    assert sheet.boxes
    assert [b for b in sheet.boxes if b.left < 0 or b.right > sheet.width] == []
    assert [b for b in sheet.boxes if b.top < 0 or b.bottom > sheet.height] == []
    assert [pair for pair in combinations(sheet.boxes, 2) if pair[0].meets(pair[1])] == []


def said(sheet: Sheet) -> list[str]:
    return ["".join(text.itertext()) for text in ET.fromstring(sheet.svg()).iter("text")]


@pytest.mark.parametrize(("kind", "id"), [("mold", "m01"), ("leaks", "barrel")])
def test_a_year_is_told_by_its_months_and_the_first_says_which_year(year: Sheets, kind: str, id: str) -> None:
    """A dozen dates as 01-29 say neither year nor month at a glance."""
    for width in (WIDE, NARROW):
        words = said(year[kind, id, width])
        assert "Jan 2026" in words
        assert len({"Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"} & set(words)) >= 4
        assert not any(re.fullmatch(r"\d\d-\d\d", each) for each in words)


def test_what_went_wrong_lies_over_what_went_well(year: Sheets) -> None:
    """One scrap part among sixty is what the drawing is for: its mark is drawn last, larger, on its own ground."""
    parts = year["mold", "m01", NARROW].parts
    crosses = [n for n, part in enumerate(parts) if 'class="k"' in part]
    grounds = [n for n, part in enumerate(parts) if 'class="a"' in part]
    dots = [n for n, part in enumerate(parts) if 'class="m"' in part and re.search(r"a2\.\d+ ", part)]
    assert crosses[0] - 1 in grounds
    assert len(dots) > 30
    assert max(dots) < min(grounds)
