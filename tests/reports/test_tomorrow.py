"""What is left of the invented day for tomorrow, and what has to be prepared?  By the scenario."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from benchd import cli
from benchd.core.bench import Bench
from benchd.reports.index import make_report
from benchd.reports.writer import Document, to_text
from benchd.runtime.journal.journal import Journal
from benchd.runtime.watch.sheet_file import write_sheet
from benchd.shelf.plan import plan
from benchd.shelf.plan.sheet import Sheet, sheet_of
from benchd.shelf.plan.slip import begun
from benchd.shelf.plan.wish import Wish, ask_of

EVENING_T = 1_767_571_200.0 + 20 * 3600.0  # 2026-01-05, 20:00 UTC
MORNING_T = EVENING_T - 11 * 3600.0


async def tomorrow(path: Path, bench: Bench, sheet: Sheet | None, now_t: float = EVENING_T) -> Document:
    async with Journal(path, read_only=True) as journal:
        return await make_report(journal, bench, "tomorrow", "next", now_t, sheet)


def day(bench: Bench) -> Sheet:
    """A sheet of two loads of which the first was mixed."""
    wish = Wish(molds=("M01", "M02", "M03", "M06", "M04", "M08"), temp_c=21.5, start_t=MORNING_T)
    return begun(sheet_of(plan(ask_of(wish, bench)), MORNING_T), {1: "cup-1-1"}, MORNING_T)


async def test_the_scrap_of_today_is_cast_again(day_journal: Path, studio: Bench) -> None:
    document = await tomorrow(day_journal, studio, None)
    assert document.title == "Tomorrow, 2026-01-06"
    assert (document.data["wanted"], document.data["loads"]) == (["m07"], [["m07"]])  # short at a strap loop
    text = to_text(document)
    assert "One load, one mold. First: Porter pack frame." in text
    assert "M07 " in text
    assert "poured at 40 C" in text
    # by hand: 1.03 x 1.07 x 52 ml + 20 g = 77 g; of 2 kg the day took 862 g
    assert "77 g wanted, 1138 g left" in text
    assert "shake A and B apart tonight" in text
    assert "41 of 45 casts used" in text  # M05, among what is to be made


async def test_what_was_not_mixed_today_stands_on_tomorrows_sheet(day_journal: Path, studio: Bench) -> None:
    sheet = day(studio)
    document = await tomorrow(day_journal, studio, sheet)
    open_casts = [m.mold for load in sheet.loads[1:] for m in load.molds]
    open_casts += [out.mold for out in sheet.left_out]
    assert open_casts
    assert document.data["wanted"] == [*open_casts, "m07"]
    placed = [mold for load in document.data["loads"] for mold in load]
    assert set(placed) == {*open_casts, "m07"}


async def test_the_wet_afternoon_has_the_tank_dried(day_journal: Path, studio: Bench) -> None:
    rows = {row[0]: row for row in (await tomorrow(day_journal, studio, None)).data["prepare"]}
    assert "dump and refill the tank" in rows["room and tank"][2]
    assert "compressor tank" in rows


async def test_yesterdays_sheet_is_nobodys_and_an_empty_day_says_so(day_journal: Path, studio: Bench) -> None:
    document = await tomorrow(day_journal, studio, day(studio), EVENING_T + 86_400.0)
    assert document.data["wanted"] == []
    assert "No cast is open" in to_text(document)


async def test_what_cannot_be_planned_says_why(day_journal: Path, studio: Bench) -> None:
    from dataclasses import replace

    lots = tuple(replace(lot, suspect="foams") for lot in studio.lots)
    assert "every lot is empty or suspect" in to_text(await tomorrow(day_journal, replace(studio, lots=lots), None))


def test_the_command_reads_the_sheet_beside_the_journal(
    day_journal: Path,
    studio: Bench,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    path = tmp_path / "journal.db"
    path.write_bytes(day_journal.read_bytes())
    write_sheet(tmp_path, day(studio))
    monkeypatch.setattr("time.time", lambda: EVENING_T)
    assert cli.main(["report", "tomorrow", "--journal", str(path), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["kind"] == "tomorrow"
    assert "m07" in told["wanted"]
    assert len(told["wanted"]) > 1
