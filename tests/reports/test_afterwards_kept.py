"""Do the oven, a picture's name, what was tried and what is not trimmed stand in the records and reports?"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from benchd.core.bench import Bench
from benchd.core.findings import PartCured, PourEnded, PourStarted
from benchd.core.model import Mark, MarkAnswer, Subject
from benchd.core.model.learned import Learned
from benchd.reports.index import make_report
from benchd.reports.trim_page import untrimmed
from benchd.reports.writer import to_text
from benchd.runtime.history.past import of_the_shelf
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.rows import Writes
from benchd.shelf.orders import Cast, Order

DAY_S, MIX_T = 86_400.0, 1_767_606_000.0
OUTCOMES = ("good", "scrap:trap", "scrap:trap", "scrap:trap", "scrap:trap", "good", "good", "scrap:trap", "good")
NOW_T = MIX_T + 9 * DAY_S


def writes() -> Writes:
    """Nine days with one cast of M07 each; from the sixth on a vent at its strap loops."""
    out, seq = Writes(), 0

    def marked(t: float, verb: str, **more: str) -> None:
        nonlocal seq
        seq += 1
        out.add_input(seq, Mark(t=t, verb=verb, id=f"{seq}", **more))  # type: ignore[arg-type]  # texts
        out.add_effect(1000 + seq, seq, MarkAnswer(t=t, id=f"{seq}", verb=verb, ok=True, why=""))

    for day, outcome in enumerate(OUTCOMES):
        t, (grade, _, cause) = MIX_T + DAY_S * day, outcome.partition(":")
        about = Subject(bench="north", cup="cup-1", pour=f"cup-1-{t:.0f}")
        if day == 5:
            marked(t - 600.0, "tried", mold="m07", text="vent at the strap loops")
        out.add_effect(2 * day + 1, 0, PourStarted(t=t, subject=about, mix_t=t, lot="r-07", molds=("m07",),
                                                   inferred=False, number=1))  # fmt: skip
        out.add_effect(2 * day + 2, 0, PourEnded(t=t + 3000.0, subject=about, why="demolded"))
        marked(
            t + 2900.0,
            "demolded",
            mold="m07",
            grade=grade,
            **({"cause": cause, "picture": "hole.jpg"} if cause else {}),
        )
    cured = Subject(bench="north", mold="m07", pour=f"cup-1-{MIX_T:.0f}")
    out.add_effect(500, 0, PartCured(t=MIX_T + 2 * DAY_S, subject=cured, since=MIX_T + 2 * DAY_S - 3600.0, for_s=3600.0,
                                     asked_s=14_400.0, temp_c=65.0))  # fmt: skip
    marked(NOW_T - 10.0, "trimmed", mold="m07")
    return out


@pytest.fixture
async def journal(tmp_path: Path) -> Journal:
    async with Journal(tmp_path / "journal.db") as journal:
        await journal.write(writes())
    return Journal(tmp_path / "journal.db")


async def test_a_mold_tells_what_was_tried_its_pictures_and_its_ovens(journal: Journal, studio: Bench) -> None:
    async with journal as rows:
        document = await make_report(rows, studio, "mold", "M07", NOW_T)
        learned = await of_the_shelf(Learned(), rows, studio, NOW_T)
    text = " ".join(to_text(document).split())
    assert "Vent at the strap loops: worked 3 of 4 (30 to 95 %); without it 1 of 5." in text
    assert "picture hole.jpg" in text
    assert "oven 1:00 h of 4:00 h at 65 C, about" in text
    assert document.data["pictures"] == ["hole.jpg"] * 5
    (remedy,) = learned.remedies["m07"]
    assert (remedy.worked, remedy.of, remedy.old_worked, remedy.old_of) == (3, 4, 1, 5)


async def test_what_is_out_and_not_trimmed_is_listed_by_order_and_without(journal: Journal, studio: Bench) -> None:
    order = Order(code="Q7", parts={"m07": 1}, figures=2, taken_t=MIX_T + 5 * DAY_S)
    async with journal as rows:
        document = await make_report(rows, studio, "trim", "now", NOW_T, orders=[order])
        nothing = await make_report(rows, replace(studio, molds=()), "trim", "now", NOW_T + 30 * DAY_S)
    # four good parts; the order takes the two first after it was taken; of the other two one is marked trimmed
    assert document.data == {"orders": [{"order": "Q7", "mold": "m07", "to_trim": 2}], "others": {"m07": 1}}
    assert "3 parts to trim." in to_text(document)
    assert "Nothing to trim." in to_text(nothing)


def test_a_mark_trims_the_oldest_part_before_it_and_scrap_is_not_trimmed() -> None:
    casts = [Cast(mold="m02", mix_t=DAY_S * n, out_t=DAY_S * n + 100.0, grade=grade)
             for n, grade in enumerate(("good", "scrap", None, "second"))]  # fmt: skip
    assert untrimmed(casts, {}, [("m02", DAY_S)], 4 * DAY_S) == {"m02": [2 * DAY_S + 100.0, 3 * DAY_S + 100.0]}
    assert untrimmed(casts, {"m02": 2}, [("m02", 50.0)], 4 * DAY_S) == {"m02": [100.0]}
    assert untrimmed(casts, {}, [], 40 * DAY_S) == {}
