"""Do pours and loads move only as their tables say, and do marks find what they mean?"""

from __future__ import annotations

from dataclasses import replace

import pytest
from core.bench_double import BENCH, T0, context, mark

from benchd.core.bench import Cup
from benchd.core.bench.context import bench_from_context
from benchd.core.casting import load, pour
from benchd.core.casting.books import Books
from benchd.core.casting.desk import Desk
from benchd.core.casting.load import LoadBook
from benchd.core.findings import CupReacting, LoadClosed, PotFilling, PotVented, PourStarted
from benchd.core.model import Subject
from benchd.errors import MarkRejected


@pytest.mark.parametrize("table", [pour.TRANSITIONS, load.TRANSITIONS])
def test_every_phase_of_a_table_can_be_reached_from_its_first(table: dict[tuple[str, str], str]) -> None:
    first = next(iter(table))[0]
    reached = [first]
    for phase in reached:
        reached += [to for (at, _), to in table.items() if at == phase and to not in reached]
    assert sorted(dict.fromkeys(reached)) == sorted(dict.fromkeys([*(p for p, _ in table), *table.values()]))


def test_an_unknown_event_leaves_the_phase() -> None:
    one = pour.Pour(id="c-1", number=1, cup="c", pot=None, mix_t=0.0)
    one.move("peak")
    assert one.phase == "mixing"


def books_with(*cups: str) -> Books:
    bench = replace(BENCH, cups=tuple(Cup(id=c, name=c) for c in cups))
    books = Books(bench)
    books.now = T0
    return books


def test_two_cups_two_pours_and_a_mark_without_subject_is_refused_with_their_names() -> None:
    books, desk = books_with("cup-1", "cup-2"), Desk()
    for cup in ("cup-1", "cup-2"):
        desk.take(mark("mix", cup=cup, molds=("M02",) if cup == "cup-1" else ("M05",)), books)
    with pytest.raises(MarkRejected, match=f"which pour\\? cup-1-{int(T0)} or cup-2-{int(T0)}"):
        desk.take(mark("poured", 10.0), books)
    taken = desk.take(mark("poured", 10.0, mold="M05"), books)
    assert taken.mark.cup == "cup-2"
    with pytest.raises(MarkRejected, match="which cup"):
        desk.take(mark("mix", 20.0), books)


def test_a_cup_is_free_once_its_pour_has_kicked_and_both_pours_stay_open() -> None:
    books, desk = books_with("cup-1"), Desk()
    desk.take(mark("mix", molds=("M02",)), books)
    with pytest.raises(MarkRejected, match="already runs"):
        desk.take(mark("mix", 5.0), books)
    next(iter(books.pours)).move("kick")
    desk.take(mark("mix", 600.0, molds=("M05",)), books)
    assert [p.molds for p in books.pours] == [("m02",), ("m05",)]


def test_a_late_mix_mark_joins_the_inferred_pour() -> None:
    books, desk = books_with("cup-1"), Desk()
    evidence = CupReacting(t=T0 + 60.0, subject=Subject(bench="north", cup="cup-1"), mix_t=T0)
    started = desk.infer(evidence, books)
    assert [(type(f), f.inferred, f.mix_t) for f in started if isinstance(f, PourStarted)] == [(PourStarted, True, T0)]
    taken = desk.take(mark("mix", 70.0, molds=("M02",), lot="R-07"), books)
    revised = taken.findings[0]
    assert isinstance(revised, PourStarted)
    assert (revised.finding, revised.mix_t, revised.molds, revised.lot, revised.inferred) == (
        "pour_revised", T0, ("m02",), "r-07", False,
    )  # fmt: skip
    assert len(books.pours.open) == 1


def test_a_mix_mark_a_pot_life_off_begins_its_own_pour_and_ends_the_inferred_one() -> None:
    """The label of this bench says 180 s."""
    for late_s, is_same in ((150.0, True), (200.0, False)):
        books, desk = books_with("cup-1"), Desk()
        evidence = CupReacting(t=T0 + 60.0, subject=Subject(bench="north", cup="cup-1"), mix_t=T0)
        books.now = T0 + 60.0
        desk.infer(evidence, books)
        books.now = T0 + late_s
        done = desk.take(mark("mix", late_s, molds=("M02",)), books)
        kinds = [f.finding for f in done.findings]
        assert kinds == (["pour_revised"] if is_same else ["pour_ended", "pour_started"])
        (only,) = list(books.pours)
        assert not only.inferred
        assert only.mix_t == (T0 if is_same else T0 + late_s)


def filling(t: float, pot: str = "barrel") -> PotFilling:
    return PotFilling(t=t, subject=Subject(bench="north", pot=pot), kpa=20.0, kpa_per_min=500.0)


def test_a_load_takes_the_pours_that_wait_for_its_pot_and_no_others() -> None:
    books, desk = books_with("cup-1", "cup-2"), Desk()
    desk.take(mark("mix", cup="cup-1"), books)
    desk.take(mark("mix", cup="cup-2"), books)
    list(books.pours)[1].pot = "other"
    closed = books.loads.see(filling(T0 + 100.0), books.pours, 0)
    assert [f.pours for f in closed if isinstance(f, LoadClosed)] == [(f"cup-1-{int(T0)}",)]
    again = books.loads.see(filling(T0 + 200.0), books.pours, 0)
    assert again == []


def test_a_mix_marked_while_its_pot_still_fills_joins_that_load() -> None:
    books, desk = books_with("cup-1"), Desk()
    books.loads.see(filling(T0), books.pours, 0)
    desk.take(mark("mix", 5.0), books)
    assert next(iter(books.pours)).load == f"barrel-{int(T0)}"


def test_loads_are_counted_by_the_local_day() -> None:
    loads, pours = LoadBook(), pour.PourBook()
    vented = PotVented(t=T0, subject=Subject(bench="north", pot="barrel"), kpa=0.0, near_zero=True, vent_s=30.0)
    numbers = []
    for day in (1, 1, 2):
        numbers += [f.number for f in loads.see(filling(T0), pours, day) if isinstance(f, LoadClosed)]
        loads.see(vented, pours, day)
    assert numbers == [1, 2, 1]


def test_a_context_carries_the_whole_bench() -> None:
    assert bench_from_context(context(BENCH)) == BENCH


def test_quiet_hours_wrap_past_midnight_in_local_time() -> None:
    from benchd.core.bench import Quiet

    books = Books(replace(BENCH, quiet=Quiet(start_min=22 * 60, end_min=7 * 60), utc_offsets=((0.0, 3600.0),)))
    for hour_utc, quiet in ((20.5, False), (21.0, True), (5.9, True), (6.0, False)):
        books.now = 20_000 * 86400.0 + hour_utc * 3600.0
        assert books.is_quiet() is quiet
