"""Does the check before a pour believe what was noted today, and only that?"""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from typing import Any

import pytest

from benchd.commands.check import preflight
from benchd.commands.check.day_notes import DayNotes, day_notes
from benchd.plugins import load_settings
from benchd.runtime.journal.journal import Journal
from benchd.settings.place import midnight_before

CONFIG = Path(__file__).parents[2] / "config" / "bench.toml"
NOON_T = 1_767_610_800.0  # 2026-01-05 11:00 UTC, noon in Oslo
MIDNIGHT_T = 1_767_567_600.0  # 2026-01-04 23:00 UTC, when Oslo's 5th began


def note(text: str, pot: str | None = None, id: str = "") -> dict[str, Any]:
    return {"verb": "note", "text": text, "id": id or text} | ({"pot": pot} if pot else {})


async def written(path: Path, marks: list[tuple[float, dict[str, Any]]], refused: tuple[str, ...] = ()) -> None:
    journal = Journal(path)
    await journal.open()
    inputs = [(i, t, json.dumps({"t": t, "mark": mark})) for i, (t, mark) in enumerate(marks, start=1)]
    answers = [
        (i, NOON_T, json.dumps({"t": NOON_T, "id": id, "verb": "note", "ok": False, "why": "no"}))
        for i, id in enumerate(refused, start=1)
    ]
    await journal.commit(
        [
            ("INSERT INTO inputs (seq, t, kind, body) VALUES (?, ?, 'mark', ?)", inputs),
            ("INSERT INTO effects (number, seq, t, kind, name, body) VALUES (?, 1, ?, 'answer', 'note', ?)", answers),
        ]
    )
    await journal.close()


def read(tmp_path: Path, *marks: tuple[float, dict[str, Any]], refused: tuple[str, ...] = ()) -> DayNotes:
    asyncio.run(written(tmp_path / "journal.db", list(marks), refused))
    return day_notes(tmp_path / "journal.db", NOON_T, "Europe/Oslo")


def answered(said: DayNotes, typed: preflight.Typed | None = None) -> dict[str, tuple[str, str]]:
    bench = load_settings(CONFIG).bench
    state = {"now": NOON_T, "rate": 1.0, "readings": []}
    found = preflight.answers(bench, state, typed or preflight.Typed(), CONFIG, NOON_T, said)
    return {a.what: (a.word, a.why) for a in found}


def test_the_day_begins_at_the_benchs_own_midnight() -> None:
    assert midnight_before(NOON_T, "Europe/Oslo") == MIDNIGHT_T


def test_todays_notes_answer_what_no_sensor_sees(tmp_path: Path) -> None:
    said = read(
        tmp_path,
        (MIDNIGHT_T + 60.0, note("Mask 3.5 h, cartridges 12 h")),
        (NOON_T - 3600.0, note("relief lifted")),
        (NOON_T - 1800.0, note("Tank drained and phone tested")),
        (NOON_T - 900.0, note("leaktest 0.012 psi/min, tight-to, tight to 0.06", pot="barrel")),
    )
    found = answered(said)
    assert found["mask"][0] == "yes"
    assert found["mask"][1].startswith("3.5 h, noted ")
    assert found["cartridges"][1].startswith("12 h, noted ")
    assert found["relief"][0] == found["tank water"][0] == "yes"
    assert found["Barrel's leak test"][0] == "yes"
    assert found["Barrel's leak test"][1].startswith("tight to 0.06 psi/min at ")


def test_yesterdays_notes_vouch_for_nothing_but_its_leak_test_is_shown(tmp_path: Path) -> None:
    early = MIDNIGHT_T - 60.0
    texts = ("mask 3 h", "cartridges 12 h", "relief lifted", "tank drained")
    test = note("leaktest 0.012 psi/min, tight-to, tight to 0.06", pot="barrel")
    found = answered(read(tmp_path, *((early, note(text)) for text in texts), (early, test)))
    for what in ("mask", "cartridges", "relief", "tank water", "Barrel's leak test"):
        assert found[what][0] == "not watched", what
    assert found["Barrel's leak test"][1] == "none today; 1 day ago tight to 0.06 psi/min"


def test_a_leaking_test_wants_a_look_and_the_newest_counts(tmp_path: Path) -> None:
    said = read(
        tmp_path,
        (NOON_T - 900.0, note("leaktest 0.012 psi/min, tight-to, tight to 0.06", pot="barrel", id="a")),
        (NOON_T - 300.0, note("leaktest 0.412 psi/min, slow, tight to 0.47", pot="barrel", id="b")),
    )
    word, why = answered(said)["Barrel's leak test"]
    assert word == "look"
    assert why.startswith("slow, 0.41 psi/min at ")


@pytest.mark.parametrize("text", ["the tank drained", "Drained the air tank", "mask 3 h, tank drained today"])
def test_what_a_report_counts_as_the_tank_drained_is_believed_here_too(tmp_path: Path, text: str) -> None:
    assert read(tmp_path, (NOON_T - 60.0, note(text))).drained_t == NOON_T - 60.0


def test_a_trap_drained_is_not_the_tank(tmp_path: Path) -> None:
    assert read(tmp_path, (NOON_T - 60.0, note("trap drained"))).drained_t is None


@pytest.mark.parametrize("text", ["relief never lifted", "tank not drained", "drained nothing", "mask for 3 h"])
def test_other_words_vouch_for_nothing(tmp_path: Path, text: str) -> None:
    found = answered(read(tmp_path, (NOON_T - 60.0, note(text))))
    assert {found[what][0] for what in ("mask", "relief", "tank water")} == {"not watched"}


def test_a_note_refused_or_taken_back_counts_for_nothing(tmp_path: Path) -> None:
    undone = ((NOON_T - 60.0, note("relief lifted", id="a")), (NOON_T - 55.0, {"verb": "undo", "id": "u"}))
    assert answered(read(tmp_path, *undone))["relief"][0] == "not watched"
    (tmp_path / "other").mkdir()
    said = read(tmp_path / "other", (NOON_T - 60.0, note("tank drained", id="b")), refused=("b",))
    assert answered(said)["tank water"][0] == "not watched"
    (tmp_path / "late").mkdir()
    late = ((NOON_T - 60.0, note("relief lifted", id="a")), (NOON_T - 49.0, {"verb": "undo", "id": "u"}))
    assert answered(read(tmp_path / "late", *late))["relief"][0] == "not watched"  # nothing followed: decision 11.9


def test_what_is_typed_now_goes_before_a_note(tmp_path: Path) -> None:
    said = read(tmp_path, (NOON_T - 60.0, note("relief lifted, tank drained, mask 3 h")))
    found = answered(said, preflight.Typed(mask_h=4.0, relief_lifted=False, drained=False))
    assert found["relief"] == ("look", "not lifted today, you say")
    assert found["tank water"] == ("look", "not drained today, you say")
    assert found["mask"] == ("yes", "4 h, you say")


def test_without_a_journal_nothing_is_said(tmp_path: Path) -> None:
    said = day_notes(tmp_path / "none.db", NOON_T, "Europe/Oslo")
    assert (said.mask, said.relief_t, said.drained_t, said.tests) == (None, None, None, {})
    (tmp_path / "broken.db").write_text("no journal at all", "utf-8")
    said = day_notes(tmp_path / "broken.db", NOON_T, "Europe/Oslo")
    assert (said.mask, said.relief_t, said.tests) == (None, None, {})
