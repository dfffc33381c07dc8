"""Are alarms never dropped, the urgent sent first, and each subject's messages kept in order?"""

from __future__ import annotations

from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st
from runtime.journal_fakes import T0, alarm_rule

from benchd.core.model import Alert, Reading, Subject
from benchd.runtime.contracts import Health, OutboxRow
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.outbox import JournalOutbox
from benchd.runtime.journal.rows import Writes


class Bench:
    """An outbox with a clock moved by hand."""

    def __init__(self) -> None:
        self.now = T0
        self.health = Health()
        self.box = JournalOutbox(lambda: self.now, [alarm_rule], self.health)
        self._id = 0

    def add(self, priority: int, key: str = "k", expires_t: float | None = None) -> int:
        self._id += 1
        self.box.add([OutboxRow("t", f"{key}{self._id}", priority, key, self.now, expires_t, self._id)])
        return self._id

    async def ids(self) -> list[int]:
        return [row.id for row in await self.box.pending()]


async def test_the_most_urgent_goes_first_and_each_key_keeps_its_order() -> None:
    bench = Bench()
    bench.add(3, "air")
    bench.add(4, "pot")
    bench.add(2, "cup")
    bench.add(1, "pot")
    # the pot's older note must go before its P1, so it goes first of all
    assert await bench.ids() == [2, 4, 3, 1]


@given(st.lists(st.tuples(st.integers(1, 4), st.sampled_from("abc")), max_size=30))
async def test_order_within_a_key_holds_for_any_mix(rows: list[tuple[int, str]]) -> None:
    bench = Bench()
    for priority, key in rows:
        bench.add(priority, key)
    pending = await bench.box.pending(most=1000)
    assert len(pending) == len(rows)
    for key in "abc":
        ids = [row.id for row in pending if row.order_key == key]
        assert ids == sorted(ids)
    urgent_keys = {row.order_key for row in pending if row.priority == 1}
    last_urgent = max((i for i, row in enumerate(pending) if row.priority == 1), default=-1)
    assert {row.order_key for row in pending[: last_urgent + 1]} <= urgent_keys  # nothing else goes before a P1


async def test_after_an_hour_old_notes_give_way_alarms_never() -> None:
    bench = Bench()
    for priority in (1, 2, 3, 4, 1, 2, 3, 4):
        bench.add(priority)
    bench.now += 3601
    assert sorted(await bench.ids()) == [1, 2, 5, 6, 8]
    bench.now += 30 * 86400
    assert sorted(await bench.ids()) == [1, 2, 5, 6, 8]


async def test_notes_of_different_subjects_do_not_give_way_to_one_another() -> None:
    bench = Bench()
    bench.add(3, "air")
    bench.add(3, "cup")
    bench.now += 7200
    assert await bench.ids() == [1, 2]


async def test_nothing_is_sent_after_it_expires() -> None:
    bench = Bench()
    bench.add(1, expires_t=T0 + 20)
    bench.now += 20
    assert await bench.ids() == [1]
    bench.now += 0.1
    assert await bench.ids() == []


async def test_arrived_is_set_by_rows_and_cleared_when_none_are_left() -> None:
    bench = Bench()
    assert not bench.box.arrived().is_set()
    number = bench.add(2)
    assert bench.box.arrived().is_set()
    assert bench.health.outbox_depth == 1
    await bench.box.delivered(number)
    assert await bench.ids() == []
    assert not bench.box.arrived().is_set()
    assert bench.health.outbox_depth == 0


async def test_a_refused_row_is_kept_for_a_person_and_sent_no_more(tmp_path: Path) -> None:
    bench = Bench()
    row = bench.box.rows_for(
        Alert(t=T0, alert="x", active=True, heard=False, priority=2, subject=Subject(bench="n"), text="t")
    )
    writes = Writes()
    writes.add_outbox(row[0])
    async with Journal(tmp_path / "j.db") as journal:
        await journal.write(writes)
        bench.box.add(row)
        await bench.box.parked(row[0].id, "not authorized (0x87)")
        await bench.box.parked(99, "unknown rows are ignored")
        assert await bench.ids() == []
        assert "not authorized" in bench.health.last_error
        await journal.write(bench.box.writes)
        again = Bench()
        await again.box.load(journal)
        assert await again.ids() == []
        assert [(r.id, why) for r, why in again.box.refused()] == [(row[0].id, "not authorized (0x87)")]
        assert (
            again.box.rows_for(
                Alert(t=T0, alert="x", active=True, heard=False, priority=2, subject=Subject(bench="n"))
            )[0].id
            == 2
        )


async def test_rows_left_by_an_earlier_run_join_late_without_the_own_ones(tmp_path: Path) -> None:
    writes = Writes()
    for number, payload in ((7, "of before"), (5000, "of this run, delivered already")):
        writes.add_outbox(OutboxRow("t", payload, 2, "k", T0, None, number))
    async with Journal(tmp_path / "j.db") as journal:
        await journal.write(writes)
        bench = Bench()
        bench.box.start_ids_at(5000)
        await bench.box.load(journal)
    assert [row.payload for row in await bench.box.pending()] == ["of before"]


def test_a_rule_that_wants_nothing_makes_no_row() -> None:
    assert Bench().box.rows_for(Reading(T0, "c", "cup_temperature", "cup-1", 20.0, 20.0)) == []


async def test_a_row_that_waits_is_no_longer_unsaved_once_a_commit_holds_it() -> None:
    """The broker was away while the log could not be written: what is sent later says what is so by then."""
    bench = Bench()
    rows = [OutboxRow("t", str(id), 2, "k", T0, None, id, "disk full") for id in (1, 2)]
    bench.box.add(rows)
    bench.box.note_saved([1, 7])
    assert [(row.id, row.unsaved_why) for row in await bench.box.pending()] == [(1, ""), (2, "disk full")]
