"""What an undo took back counts nowhere: engine, check before a pour, page, reports and lessons ask one place."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from core.bench_double import T0, mark, of, scripted

from benchd.commands.check.day_notes import day_notes
from benchd.core.intake.wire import encode
from benchd.core.model import Input, Line, MarkAnswer
from benchd.page.book import read_book
from benchd.reports.records_read import read_records
from benchd.runtime.history.marks import marks_that_stood
from benchd.runtime.history.shelf import scrapped, spent
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.rows import Writes, event_of

MIX = mark("mix", 1.0, id="mix", molds=("M02", "M05"))
OUT = mark("demolded", 900.0, id="out", mold="M02", grade="scrap", cause="trap")


def press(seq: int, after_s: float, long: int) -> Line:
    return Line(T0 + after_s, "board", encode([], board="b1-", seq=seq, presses={"long": long}).decode().rstrip("\n"))


async def stepped(path: Path, items: Sequence[Input]) -> list[bool]:
    """Step a small bench through these inputs and keep all in a journal as the watch does; each mark: was it taken?"""
    engine, writes, taken = scripted(), Writes(), []
    for seq, item in enumerate(items, start=1):
        effects = engine.step(item)
        writes.add_input(seq, item)
        first = engine.told - sum(event_of(e) is not None for e in effects)
        for number, event in enumerate((e for e in map(event_of, effects) if e is not None), start=first + 1):
            writes.add_effect(number, seq, event)
        taken += [answer.ok for answer in of(effects, MarkAnswer)]
    async with Journal(path) as journal:
        await journal.write(writes)
    return taken


async def parts_out(path: Path) -> list[tuple[int, int, int]]:
    """How many parts are out by page, reports and the planner's log, journal by journal."""
    async with Journal(path, read_only=True) as journal:
        book = await read_book(journal, T0, T0 + 9e3)
        records = await read_records(journal, T0, T0 + 9e3)
        scrap = await scrapped(journal, T0)
    by_page = sum(len(page["outcomes"]) for page in book.pours.values())
    return [(by_page, sum(part.out_t is not None for p in records.pours.values() for part in p.parts), len(scrap))]


async def test_what_two_hands_marked_counts_once(tmp_path: Path) -> None:
    """A part that both marked is one cast out, also of a mold that was cast before and whose part was never marked."""
    before = mark("mix", -4000.0, id="before", molds=("M02",))
    hands = [replace(OUT, by="page:Ada"), replace(OUT, t=OUT.t + 2.0, id="again", by="page:Bo")]
    ended = [mark("end", -600.0, id="end"), MIX, mark("kicked", 200.0, id="kick"), *hands]
    path = tmp_path / "journal.db"
    assert await stepped(path, [before, *ended]) == [True] * 6
    assert await parts_out(path) == [(1, 1, 1)]
    async with Journal(path, read_only=True) as journal:
        stood = await marks_that_stood(journal, T0 - 9e3)
    assert [mark["id"] for _, mark in stood if mark["verb"] == "demolded"] == ["out"]


def test_a_note_taken_back_vouches_for_nothing() -> None:
    engine = scripted()
    engine.step(mark("note", 1.0, text="relief lifted, compressor off"))
    assert set(engine.books.noted) == {"relief", "compressor"}
    answer = of(engine.step(mark("undo", 5.0)), MarkAnswer)[0]
    assert (answer.ok, answer.why) == (True, "note taken back")
    assert engine.books.noted == {}


def test_a_note_before_the_one_taken_back_still_vouches() -> None:
    engine = scripted()
    engine.step(mark("note", 1.0, text="relief lifted"))
    engine.step(mark("note", 60.0, text="relief lifted, phone tested"))
    engine.step(mark("undo", 65.0))
    assert engine.books.noted == {"relief": T0 + 1.0}


def test_a_phone_test_taken_back_is_not_answered() -> None:
    engine = scripted()
    engine.step(mark("note", 1.0, text="phone test"))
    engine.step(mark("undo", 3.0))
    engine.step(mark("heard", 6.0, by="phone-1"))
    assert engine.books.noted == {}


async def test_a_note_taken_back_counts_nowhere_and_the_part_before_it_stands(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    items = [MIX, OUT, mark("note", 902.0, id="n", text="relief lifted, tank drained"), mark("undo", 905.0, id="u")]
    assert await stepped(path, items) == [True] * 4
    assert await parts_out(path) == [(1, 1, 1)]
    said = await asyncio.to_thread(day_notes, path, T0 + 1000.0, "UTC")
    assert (said.relief_t, said.drained_t) == (None, None)
    async with Journal(path, read_only=True) as journal:
        assert (await read_records(journal, T0, T0 + 9e3)).notes == []


async def test_a_switch_press_taken_back_leaves_the_part_marked_before_it(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    items: list[Input] = [press(1, 0.5, 0), MIX, OUT, press(2, 903.0, 1), mark("undo", 906.0, id="u")]
    assert await stepped(path, items) == [True] * 4
    assert await parts_out(path) == [(1, 1, 1)]


async def test_a_mark_sent_twice_counts_once(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    again = mark("demolded", 903.0, id="out", mold="M02", grade="scrap", cause="trap")
    assert await stepped(path, [MIX, OUT, again]) == [True, True, False]
    assert await parts_out(path) == [(1, 1, 1)]


async def test_a_part_taken_back_is_in_its_mold_again(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    assert await stepped(path, [MIX, OUT, mark("undo", 906.0, id="u")]) == [True] * 3
    assert await parts_out(path) == [(0, 0, 0)]


@pytest.mark.parametrize("id", ["", "u"])
async def test_a_part_can_be_taken_back_later_too(tmp_path: Path, id: str) -> None:
    path = tmp_path / "journal.db"
    assert await stepped(path, [MIX, OUT, mark("undo", 960.0, id=id)]) == [True, True, True]
    assert await parts_out(path) == [(0, 0, 0)]


async def test_a_mix_taken_back_casts_nothing_for_anyone(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    assert await stepped(path, [MIX, mark("undo", 6.0, id="u")]) == [True, True]
    async with Journal(path, read_only=True) as journal:
        assert list((await read_book(journal, T0, T0 + 9e3)).pours) == []
        assert list((await read_records(journal, T0, T0 + 9e3)).pours) == []
        assert (await spent(journal, T0)).casts == {}
        assert [mark.get("verb") for _, mark in await marks_that_stood(journal, T0)] == []
