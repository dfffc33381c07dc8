"""Is nothing told before it is saved, is everything told, and does a restart go on where the watch stood?"""

from __future__ import annotations

import asyncio
import contextlib
import sqlite3
import threading
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from of_kind import as_kind
from runtime.journal_fakes import MAKER, QUICK, T0, FakeEngine, Watch, context, inputs_kept, settled, until, watching

from benchd.core.findings import BenchNotice, Effect, KickForecast, PourStarted
from benchd.core.model import Alert, Gap, Input, Line, Mark, MarkAnswer, Utterance
from benchd.runtime.bulletin import Posted
from benchd.runtime.journal.rows import Writes
from benchd.runtime.watch.mailbox import Advance, pause_first
from benchd.runtime.watch.recovery import EngineMaker
from benchd.runtime.watch.saver import Timing


def stored(path: Path, sql: str = "SELECT number, kind, name FROM effects ORDER BY number") -> list[tuple[Any, ...]]:
    """What another connection can see: only what was committed."""
    db = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    try:
        return db.execute(sql).fetchall()
    finally:
        db.close()


def texts(watch: Watch, kind: type[Alert]) -> list[str]:
    return [effect.text for effect, _, _ in watch.heard() if isinstance(effect, kind)]


async def test_an_event_is_told_only_after_it_and_its_causes_are_committed(tmp_path: Path) -> None:
    watch = Watch(tmp_path / "j.db", Timing(idle_commit_s=60.0))
    seen: list[tuple[int, int, int]] = []
    post = watch.bulletin.post

    def spying(batch: Sequence[Posted]) -> None:
        for posted in batch:
            if posted.id:
                effects = stored(tmp_path / "j.db", f"SELECT count(*) FROM effects WHERE number = {posted.id}")
                seen.append((posted.id, effects[0][0], inputs_kept(tmp_path / "j.db")[-1][0]))
        post(batch)

    watch.bulletin.post = spying  # type: ignore[method-assign]
    async with watching(watch):
        for text in ("20.0", "20.1", "p3 damp", "20.2", "say lid", "find", "p1 over"):
            watch.line(text)
            await asyncio.sleep(0.002)
        await until(lambda: len(seen) == 4)
    assert [(number, count) for number, count, _ in seen] == [(1, 1), (2, 1), (3, 1), (4, 1)]
    assert [last >= needed for (_, _, last), needed in zip(seen, (3, 5, 6, 7), strict=True)] == [True] * 4


async def test_without_events_commits_wait_for_their_interval_and_readings_do_not(tmp_path: Path) -> None:
    watch = Watch(tmp_path / "j.db", Timing(pouring_commit_s=0.05, busy_commit_s=0.05, idle_commit_s=60.0))
    async with watching(watch):
        watch.line("20.4")
        await until(lambda: watch.health.commit_ms > 0)  # the first batch brings a checkpoint, which is saved at once
        watch.line("20.5")
        await until(lambda: watch.bulletin.readings["cup-1-temperature"].value == 20.5)
        await asyncio.sleep(0.15)
        assert len(inputs_kept(tmp_path / "j.db")) == 1
        watch.mark("mix")
        await until(lambda: watch.pipeline.is_busy)
        watch.line("20.6")
        await until(lambda: len(inputs_kept(tmp_path / "j.db")) == 4)
    assert [type(item) for _, item in inputs_kept(tmp_path / "j.db")] == [Line, Line, Mark, Line]


async def test_a_slow_commit_lets_p1_go_first_and_unsaved_and_nothing_twice(tmp_path: Path) -> None:
    watch = Watch(tmp_path / "j.db", Timing(early_s=0.05, stuck_s=10.0))
    async with watching(watch):
        watch.line("20")
        await until(lambda: watch.health.commit_ms > 0)
        hold = asyncio.Event()
        write = watch.journal.write

        async def slowly(writes: Writes) -> None:
            await hold.wait()
            await write(writes)

        watch.journal.write = slowly  # type: ignore[method-assign]
        watch.line("p3 damp")
        watch.line("p1 over relief")
        watch.line("say lid")
        await until(lambda: watch.ear._events)
        await asyncio.sleep(0.05)
        first = watch.heard()
        assert [(as_kind(Alert, e).priority, number, unsaved) for e, number, unsaved in first] == [(1, 2, True)]
        assert len(await watch.outbox.pending()) == 1
        hold.set()
        await until(lambda: len(watch.ear._events) == 2)
    rest = watch.heard()
    assert [(type(e), number, unsaved) for e, number, unsaved in rest] == [(Alert, 1, False), (Utterance, 3, False)]
    assert [number for number, _, _ in stored(tmp_path / "j.db")] == [1, 2, 3]


async def test_outbox_rows_stand_in_the_transaction_of_their_alert(tmp_path: Path) -> None:
    watch = Watch(tmp_path / "j.db")
    async with watching(watch, clean=False):
        watch.line("p3 damp")
        await until(lambda: watch.outbox.arrived().is_set())
    assert stored(tmp_path / "j.db", "SELECT id, payload FROM outbox") == [(1, "p3 damp")]
    again = Watch(tmp_path / "j.db")
    async with watching(again):
        (row,) = await again.outbox.pending()
        assert (row.payload, row.priority) == ("p3 damp", 3)
        await again.outbox.delivered(row.id)
    assert stored(tmp_path / "j.db", "SELECT count(*) FROM outbox") == [(0,)]


async def test_the_engine_is_stepped_in_one_thread_which_is_not_the_loops(tmp_path: Path) -> None:
    threads: set[str] = set()

    class Spy(FakeEngine):
        def step(self, item: Input) -> list[Effect]:
            threads.add(threading.current_thread().name)
            return super().step(item)

    watch = Watch(tmp_path / "j.db", maker=EngineMaker(Spy, Spy.thaw))
    async with watching(watch):
        for _ in range(50):
            watch.line("20")
            await asyncio.sleep(0)
        await until(lambda: watch.pipeline.seq == 50)
    assert threads == {"engine_0"}


async def test_advances_tick_the_engine_and_are_not_stored(tmp_path: Path) -> None:
    watch = Watch(tmp_path / "j.db")
    async with watching(watch):
        watch.line("20")
        for _ in range(61):
            watch.t += 1
            watch.mailbox.put(Advance(watch.t))
            await asyncio.sleep(0)
        await until(lambda: watch.ear._events)
    assert [as_kind(BenchNotice, e).why for e, _, _ in watch.heard()] == ["tick 60"]
    assert [type(item) for _, item in inputs_kept(tmp_path / "j.db")] == [Line]


async def test_checkpoints_come_with_every_change_of_phase(tmp_path: Path) -> None:
    watch = Watch(tmp_path / "j.db")
    async with watching(watch, clean=False):
        for verb in ("mix", "note", "end"):
            watch.mark(verb)
            await asyncio.sleep(0.05)
        await until(lambda: watch.pipeline.saver.is_busy is False and len(watch.ear._events) >= 5)
    # the mix and the end; the note, a mark that changes no phase, brings none
    assert stored(tmp_path / "j.db", "SELECT seq FROM checkpoints ORDER BY id") == [(1,), (3,)]


async def test_an_engine_that_raises_ends_the_watch_with_its_inputs_saved(tmp_path: Path) -> None:
    watch = Watch(tmp_path / "j.db", Timing(idle_commit_s=60.0))
    watch.line("20")
    watch.line("boom")
    with pytest.raises(ExceptionGroup) as caught:
        await watch.pipeline.run()
    assert str(caught.value.exceptions[0]) == "boom"
    await watch.journal.close()
    assert len(inputs_kept(tmp_path / "j.db")) == 2


async def test_all_that_waits_is_stepped_saved_and_told_when_the_mailbox_closes(tmp_path: Path) -> None:
    watch = Watch(tmp_path / "j.db", Timing(idle_commit_s=60.0))
    for n in range(3000):
        watch.line("p3 flap" if n % 10 == 0 else "20")
    watch.mailbox.close()
    await watch.pipeline.run()
    await watch.journal.close(is_clean=True)
    told = watch.heard()
    assert [number for _, number, _ in told] == list(range(1, len(told) + 1))
    assert len([e for e, _, _ in told if isinstance(e, Alert)]) == 300
    assert len(inputs_kept(tmp_path / "j.db")) == 3000


# ------------------------------------------------------------------------------------------------------- the restart


async def test_a_restart_steps_the_tail_tells_nothing_twice_and_writes_a_gap(tmp_path: Path) -> None:
    watch = Watch(tmp_path / "j.db")
    async with watching(watch, clean=False):
        watch.mailbox.put(context())
        for text in ("p3 damp", "20", "say lid", "20", "find"):
            watch.line(text)
        await until(settled(watch, 6))
    again = Watch(tmp_path / "j.db", t=watch.t + 100)
    async with watching(again):
        assert again.recovered.how == "checkpoint"
        assert (again.recovered.seq, again.engine.lines) == (6, 5)
        again.line("20")
        await until(lambda: again.pipeline.seq == 8)
        await until(lambda: len(again.ear._events) == 2)
    standing = [p.effect.text for p in again.ear._events if not p.id and isinstance(p.effect, Alert)]
    assert standing == ["p3 damp"]  # a page that joined before the journal was read must get it too
    told = again.heard()
    assert [as_kind(BenchNotice, e).why for e, _, _ in told] == ["restart"]
    assert told[0][1] == 4
    assert again.engine.gaps == [[watch.t + 100.5, watch.t, "restart", 0]]
    assert again.engine.ticks < 5  # no ticks through the absence
    assert [a.text for a in again.bulletin.alerts.values()] == ["p3 damp"]


async def test_effects_of_ticks_after_the_last_input_keep_their_numbers(tmp_path: Path) -> None:
    watch = Watch(tmp_path / "j.db")
    async with watching(watch, clean=False):
        watch.line("20")
        watch.t += 61
        watch.mailbox.put(Advance(watch.t))
        await until(lambda: watch.ear._events)
    again = Watch(tmp_path / "j.db", t=watch.t + 5)
    async with watching(again):
        again.line("p3 after")
        await until(lambda: len(again.ear._events) == 2)
    told = [(number, type(e)) for e, number, _ in again.heard()]
    assert told == [(2, BenchNotice), (3, Alert)]
    assert [n for n, _, _ in stored(tmp_path / "j.db")] == [1, 2, 3]


async def test_what_was_stepped_but_never_saved_is_told_after_the_restart_if_it_still_matters(tmp_path: Path) -> None:
    watch = Watch(tmp_path / "j.db")
    async with watching(watch, clean=False):
        watch.line("20")
        await until(settled(watch, 1))
    # inputs that were committed without their effects: a crash between the two
    db = sqlite3.connect(tmp_path / "j.db")
    for seq, (dt, text) in enumerate([(1, "say too late"), (60, "p3 damp"), (61, "find"), (62, "say in time")], 2):
        body = f'{{"t":{watch.t + dt},"source":"board","line":"{text}"}}'
        db.execute("INSERT INTO inputs VALUES (?, ?, 'line', ?)", (seq, watch.t + dt, body))
    db.commit()
    db.close()
    again = Watch(tmp_path / "j.db", t=watch.t + 65)
    async with watching(again):
        await until(lambda: len(again.ear._events) >= 2)
        told = again.heard()
    assert [(type(e), unsaved) for e, _, unsaved in told] == [(Alert, False), (Utterance, False)]
    assert as_kind(Utterance, told[1][0]).say == "say in time"
    assert [name for _, _, name in stored(tmp_path / "j.db")][:5] == [
        "lid-now", "bench_notice", "room-damp", "kick_forecast", "lid-now",
    ]  # fmt: skip


def _has_reached(watch: Watch) -> bool:
    return watch.engine.now == watch.t


async def test_at_every_cut_checkpoint_and_tail_equal_the_whole(tmp_path: Path) -> None:
    script = ["20", "p3 a", "find", "20", "say b", "p1 c", "20", "find"]
    for cut in range(1, len(script) + 1):
        path = tmp_path / f"cut{cut}.db"
        watch = Watch(path)
        async with watching(watch, clean=False):
            for text in script[:cut]:
                watch.line(text, 13.0)
                await until(settled(watch, watch.pipeline.seq + 1))
            watch.t += 7.0
            watch.mailbox.put(Advance(watch.t))
            await until(settled(watch, cut))
            await until(partial(_has_reached, watch))
            await until(settled(watch, cut))
        again = Watch(path, t=watch.t + 50)
        async with watching(again, clean=False):
            assert again.state_at_start == watch.engine.__dict__, cut
            assert not again.recovered.produced


async def test_without_a_checkpoint_that_fits_the_open_pour_is_replayed_silently(tmp_path: Path) -> None:
    watch = Watch(tmp_path / "j.db")
    async with watching(watch, clean=False):
        watch.mailbox.put(context())
        watch.line("p3 long before")  # numbered, and not stepped again: numbers must go on after it
        for n in range(40):
            watch.line(str(n), 60.0)
            if n in (19, 29):
                await until(settled(watch, 3 + n))  # a replay begins with a commit's first line
        watch.mark("mix")
        watch.line("p3 damp")
        await until(settled(watch, 44))

    before = len(stored(tmp_path / "j.db"))

    def unfit(blob: bytes, standing: object) -> FakeEngine:
        raise ValueError("made by another version")

    again = Watch(tmp_path / "j.db", maker=EngineMaker(FakeEngine, unfit), t=watch.t + 50)
    async with watching(again):
        assert (again.recovered.how, again.recovered.seq) == ("silent", 44)
        assert again.pipeline.is_busy
        assert 10 <= again.engine.lines <= 22  # from ten minutes before the mix, at a line a minute
        again.line("p3 more")
        await until(lambda: len([posted for posted in again.ear._events if posted.id]) == 2)
    assert [type(e) for e, _, _ in again.heard()] == [BenchNotice, Alert]
    assert stored(tmp_path / "j.db")[before:] == [
        (before + 1, "finding", "bench_notice"),
        (before + 2, "alert", "room-damp"),
    ]


async def failing_run(watch: Watch, *lines: str) -> None:
    """A run that the engine ends by raising; its journal closes as the daemon's would."""
    for line in lines:
        watch.line(line)
    with pytest.raises((ExceptionGroup, RuntimeError)):
        await watch.pipeline.run()
    await watch.journal.close()


async def test_three_failed_starts_in_five_minutes_start_without_replay_and_say_so(tmp_path: Path) -> None:
    first = Watch(tmp_path / "j.db")
    async with watching(first, clean=False):
        first.line("p3 damp")
        await until(settled(first, 1))
        await until(lambda: stored(tmp_path / "j.db", "SELECT value FROM meta WHERE key = 'starts'") == [("[]",)])
    await failing_run(Watch(tmp_path / "j.db", t=T0 + 5), "boom")
    for n in (1, 2):  # the poison is in the journal now: the replay meets it again
        await failing_run(Watch(tmp_path / "j.db", t=T0 + 10 * n))
    watch = Watch(tmp_path / "j.db", t=T0 + 30)
    async with watching(watch):
        assert watch.recovered.how == "anew"
        watch.line("20")
        await until(lambda: len(watch.ear._events) >= 3)
    told = [e for e, _, _ in watch.heard()]
    withdrawn = next(e for e in told if isinstance(e, Alert))
    assert (withdrawn.active, withdrawn.alert) == (False, "room-damp")
    whys = [e.why for e in told if isinstance(e, BenchNotice)]
    assert "restart without replay" in whys
    assert any("3 failed starts within five minutes" in why for why in whys)
    after = Watch(tmp_path / "j.db", t=T0 + 60)
    async with watching(after):
        assert after.recovered.how == "checkpoint"  # it was ended on purpose: those starts are forgotten


async def test_kills_from_outside_never_cost_the_replay(tmp_path: Path) -> None:
    for n in range(6):
        watch = Watch(tmp_path / "j.db", t=T0 + 10 * n)
        async with watching(watch, clean=False):
            assert watch.recovered.how == ("anew" if n == 0 else "checkpoint")
            watch.line("20")
            await until(settled(watch, watch.pipeline.seq + 1))
            await until(lambda: stored(tmp_path / "j.db", "SELECT value FROM meta WHERE key = 'starts'") == [("[]",)])


async def test_new_inputs_wait_while_the_tail_is_stepped(tmp_path: Path) -> None:
    watch = Watch(tmp_path / "j.db")
    async with watching(watch, clean=False):
        watch.mark("mix")
        for _ in range(300):
            watch.line("20")
        await until(settled(watch, 301))
    again = Watch(tmp_path / "j.db", t=watch.t + 1)
    again.line("p1 first after the restart")
    async with watching(again):
        await until(lambda: len(again.ear._events) == 2)
    assert again.engine.lines == 301
    (gap, _, _), (alert, _, _) = again.heard()
    assert (as_kind(BenchNotice, gap).why, as_kind(Alert, alert).text) == ("restart", "p1 first after the restart")


async def test_a_stop_leaves_off_a_start_that_a_disk_holds_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchd.runtime.watch.pipeline.LONGEST_START_S", 0.05)
    path = tmp_path / "j.db"
    async with watching(Watch(path)) as before:
        before.line("p3 damp")
        await until(settled(before, 1))
    held_up = Watch(path)
    monkeypatch.setattr(held_up.journal, "rows", lambda *_: asyncio.Event().wait())
    task = asyncio.create_task(held_up.pipeline.run())
    await asyncio.sleep(0.02)
    held_up.pipeline.close()
    async with asyncio.timeout(10.0):
        await task
    await held_up.journal.close(is_clean=True)
    assert not held_up.ready.is_set()
    async with watching(Watch(path)) as after:
        assert (after.recovered.how, after.engine.lines) == ("checkpoint", 1)
    assert stored(path, "SELECT value FROM meta WHERE key = 'starts'") == [("[]",)]


async def test_mark_answers_are_told_and_kept(tmp_path: Path) -> None:
    watch = Watch(tmp_path / "j.db")
    async with watching(watch):
        watch.mark("mix")
        await until(lambda: len(watch.ear._events) == 2)
    told = [e for e, _, _ in watch.heard()]
    assert [type(e) for e in told] == [MarkAnswer, PourStarted]
    assert stored(tmp_path / "j.db") == [(1, "answer", "mix"), (2, "finding", "pour_started")]


def test_a_pause_goes_before_the_lines_read_after_it() -> None:
    before, late, later = Line(T0, "b", "1"), Line(T0 + 300, "b", "2"), Line(T0 + 300.1, "b", "3")
    gap = Gap(T0 + 300.2, T0 + 1, "paused")
    assert pause_first([before, late, later, gap]) == [before, Gap(T0 + 300, T0 + 1, "paused"), late, later]
    assert pause_first([before, gap, later]) == [before, gap, later]


async def test_the_card_of_an_event_and_the_forecast_reach_the_page(tmp_path: Path) -> None:
    watch = Watch(tmp_path / "j.db", QUICK, MAKER)
    async with watching(watch):
        watch.line("find")
        await until(lambda: watch.bulletin.findings)
    assert isinstance(watch.bulletin.findings[0], KickForecast)
    assert watch.bulletin.cards[("pour", "cup-1")].body == {"lines": 1}


async def test_a_damaged_entry_is_left_out_reported_and_the_watch_begins(tmp_path: Path) -> None:
    """Half an alert's row, and half the list of starts: what an SD card may leave of a commit."""
    path = tmp_path / "j.db"
    watch = Watch(path)
    async with watching(watch):
        watch.line("p1")
        watch.line("p3")
        await until(settled(watch, 2))
    with contextlib.closing(sqlite3.connect(path)) as db:
        changed = db.execute("UPDATE effects SET body = substr(body, 1, 30) WHERE kind = 'alert'").rowcount
        db.execute("INSERT OR REPLACE INTO meta (key, value) VALUES ('starts', '[17')")
        db.commit()
    assert changed > 0
    again = Watch(path, t=watch.t + 5)
    async with watching(again):
        (said,) = [why for why in again.recovered.notices if "cannot be read" in why]
        assert said.startswith(("one entry", f"{changed} entries"))
        again.line("p3 new")
        await until(lambda: len(again.ear._events) > 0)
