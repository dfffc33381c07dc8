"""What becomes of the watch when disk, file or process fails?  Never a false "saved", never a missing word."""

from __future__ import annotations

import asyncio
import json
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path

import pytest
from runtime.journal_fakes import QUICK, T0, Watch, context, settled, until, watching

from benchd.core.findings import BenchNotice
from benchd.core.format.record import to_json
from benchd.core.model import Alert, Gap, Line, News
from benchd.errors import JournalError
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.reader import Logbook
from benchd.runtime.watch.recovery import first_number
from benchd.runtime.watch.saver import Timing

CHILD = Path(__file__).with_name("watch_child.py")


def query(path: Path, sql: str) -> list[tuple]:
    db = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    try:
        return db.execute(sql).fetchall()
    finally:
        db.close()


async def inputs_of(path: Path) -> list[object]:
    async with Journal(path, read_only=True) as journal:
        return [item async for _, item in Logbook(journal).inputs()]


def told_texts(told: list) -> list[tuple[str, bool]]:
    return [(effect.text.strip(), unsaved) for effect, _, unsaved in told if isinstance(effect, Alert)]


# ------------------------------------------------------------------------------- it cannot be written for a while


@contextmanager
def locked(watch: Watch):
    """Another process holds the file."""
    other = sqlite3.connect(watch.journal.path, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    try:
        yield
    finally:
        other.rollback()
        other.close()


@contextmanager
def full(watch: Watch):
    """The file may not grow."""
    _pragma(watch, "max_page_count=1")
    try:
        yield
    finally:
        _pragma(watch, "max_page_count=1073741823")


@contextmanager
def read_only(watch: Watch):
    _pragma(watch, "query_only=1")
    try:
        yield
    finally:
        _pragma(watch, "query_only=0")


def _pragma(watch: Watch, text: str) -> None:
    """On the watch's own connection, by its thread's queue."""
    db = watch.journal._db
    assert db is not None
    db._tx.put_nowait((None, lambda: db._conn.execute(f"PRAGMA {text}").fetchall()))


@contextmanager
def failing_sync(watch: Watch):
    """Every commit fails as the disk would report it."""
    db = watch.journal._db
    assert db is not None

    async def fail() -> None:
        raise sqlite3.OperationalError("disk I/O error")

    db.commit = fail  # type: ignore[method-assign]
    try:
        yield
    finally:
        del db.commit


FAULTS = {"locked": locked, "full": full, "readonly": read_only, "I/O error": failing_sync}


@pytest.mark.parametrize("fault", FAULTS)
async def test_while_it_cannot_be_written_everything_is_told_unsaved_and_saved_once_it_can(
    tmp_path: Path, fault: str
) -> None:
    watch = Watch(tmp_path / "j.db")
    async with watching(watch):
        watch.mailbox.put(context())
        watch.line("20")
        await until(settled(watch, 2))
        with FAULTS[fault](watch):
            watch.line("p3 damp" + " " * 9000)  # more than the free room of a page
            await until(lambda: not watch.health.journal_ok)
            watch.line("p1 over relief")
            watch.line("say lid")
            for n in range(3000):
                watch.line(str(n), 0.01)
            await until(lambda: len(watch.ear._events) >= 4 and watch.pipeline.seq >= 3006)
            told = watch.heard()
            assert all(unsaved for _, _, unsaved in told)
            assert told_texts(told) == [("p3 damp", True), ("p1 over relief", True)]
            notice = next(effect for effect, _, _ in told if isinstance(effect, BenchNotice))
            assert notice.active
            assert any(word in notice.why for word in ("locked", "full", "readonly", "I/O"))
            assert query(watch.journal.path, "SELECT count(*) FROM effects") == [(0,)]
        await until(lambda: watch.health.journal_ok and watch.ear._events)
        back = watch.heard()
        assert [(effect.why, effect.active, unsaved) for effect, _, unsaved in back] == [("saving again", False, False)]
    kept = await inputs_of(tmp_path / "j.db")
    assert len([item for item in kept if isinstance(item, Line)]) == 3004
    assert [item.active for item in kept if isinstance(item, News)] == [True, False]
    assert not [item for item in kept if isinstance(item, Gap)]
    assert query(tmp_path / "j.db", "SELECT number FROM effects ORDER BY number") == [(n,) for n in range(1, 6)]
    assert query(tmp_path / "j.db", "PRAGMA integrity_check") == [("ok",)]


async def test_past_the_buffer_inputs_are_stepped_counted_and_a_gap_and_checkpoint_close_the_hole(
    tmp_path: Path,
) -> None:
    small = Timing(**{**_as_dict(QUICK), "buffer_bytes": 40_000})
    watch = Watch(tmp_path / "j.db", small)
    async with watching(watch, clean=False):
        watch.mailbox.put(context())
        watch.mark("mix")
        await until(settled(watch, 2))
        with locked(watch):
            watch.line("p3 damp")
            await until(lambda: not watch.health.journal_ok)
            for n in range(2000):
                watch.line(str(n), 0.01)
            await until(lambda: watch.recovered.engine.lines == 2001)
            watch.line("p1 over relief")
            await until(lambda: ("p1 over relief", True) in told_texts(_peek(watch)))
            lost = watch.health.dropped["journal"]
            assert 1000 < lost < 2000
        await until(lambda: watch.health.journal_ok and watch.recovered.engine.gaps)
        watch.line("20")
        await until(settled(watch, watch.pipeline.seq + 1))
        live = watch.recovered.engine.__dict__ | {}
    kept = await inputs_of(tmp_path / "j.db")
    (gap,) = [item for item in kept if isinstance(item, Gap)]
    assert (gap.why, gap.lost) == ("journal", lost)
    assert len([item for item in kept if isinstance(item, Line)]) + lost == 2003
    assert query(tmp_path / "j.db", "SELECT payload FROM outbox") == [
        ("p3 damp",),
        ("p1 over relief",),
    ]
    again = Watch(tmp_path / "j.db", t=watch.t + 10)
    async with watching(again):
        assert again.recovered.how == "checkpoint"
        assert again.state_at_start == live  # the checkpoint holds what the log does not


def _as_dict(timing: Timing) -> dict[str, float]:
    return {name: getattr(timing, name) for name in Timing.__slots__}


def _peek(watch: Watch) -> list:
    return [(p.effect, p.id, p.unsaved) for p in watch.ear._events]


async def test_a_commit_that_hangs_holds_up_p1_a_moment_the_rest_a_little_longer(tmp_path: Path) -> None:
    watch = Watch(tmp_path / "j.db")
    async with watching(watch):
        watch.line("20")
        await until(settled(watch, 1))
        write, go_on = watch.journal.write, asyncio.Event()

        async def hang(writes) -> None:
            await go_on.wait()
            await write(writes)

        watch.journal.write = hang  # type: ignore[method-assign]
        start_s = time.monotonic()
        watch.line("p3 damp")
        watch.line("p1 over relief")
        await until(lambda: watch.ear._events)
        p1_s = time.monotonic() - start_s
        assert told_texts(_peek(watch)) == [("p1 over relief", True)]
        await until(lambda: len(watch.ear._events) >= 3)
        rest_s = time.monotonic() - start_s
        assert QUICK.early_s <= p1_s < QUICK.stuck_s <= rest_s
        watch.line("p1 next while it hangs")
        await until(lambda: ("p1 next while it hangs", True) in told_texts(_peek(watch)))
        go_on.set()
        await until(lambda: watch.health.journal_ok)
    texts = [text for text, _ in told_texts(watch.heard())]
    assert sorted(texts) == ["p1 next while it hangs", "p1 over relief", "p3 damp"]  # each once


async def test_a_disk_that_hangs_does_not_hold_up_the_end_of_the_watch(tmp_path: Path) -> None:
    watch = Watch(tmp_path / "j.db", Timing(last_commit_s=0.3))
    watch.line("20")
    async with watching(watch):
        await until(settled(watch, 1))
        watch.journal.write = lambda writes: asyncio.Event().wait()  # type: ignore[method-assign,assignment,return-value]
        watch.line("p3 damp")
        await until(lambda: watch.pipeline.seq == 2)
        start_s = time.monotonic()
    assert time.monotonic() - start_s < 2.0
    assert told_texts(watch.heard()) == [("p3 damp", True)]


async def test_a_file_taken_away_under_way_is_begun_anew_with_context_and_checkpoint(tmp_path: Path) -> None:
    watch = Watch(tmp_path / "j.db")
    async with watching(watch, clean=False):
        watch.mailbox.put(context())
        watch.mark("mix")
        watch.line("20")
        await until(settled(watch, 3))
        for name in ("j.db", "j.db-wal", "j.db-shm"):
            os.unlink(tmp_path / name)
        watch.line("p1 over relief")
        await until(lambda: any("taken away" in getattr(e, "why", "") for e, _, _ in _peek(watch)))
        await until(settled(watch, watch.pipeline.seq))
        live = watch.recovered.engine.__dict__ | {}
    again = Watch(tmp_path / "j.db", t=watch.t + 10)
    async with watching(again):
        assert (again.recovered.how, again.state_at_start) == ("checkpoint", live)
    assert context() in await inputs_of(tmp_path / "j.db")


# ----------------------------------------------------------------------------------------------------------- the start


@pytest.mark.parametrize("damage", ["corrupt", "newer"])
async def test_an_unusable_journal_is_told_and_the_watch_goes_on_with_numbers_of_its_own(
    tmp_path: Path, damage: str
) -> None:
    watch = Watch(tmp_path / "j.db")
    async with watching(watch):
        watch.line("p3 damp")
        await until(settled(watch, 1))
    if damage == "newer":
        db = sqlite3.connect(tmp_path / "j.db")
        db.execute("PRAGMA user_version=99")
        db.close()
    else:
        with open(tmp_path / "j.db", "r+b") as file:  # noqa: ASYNC230
            file.seek(0)
            file.write(os.urandom(6000))
    again = Watch(tmp_path / "j.db", t=watch.t + 10)
    async with watching(again):
        again.line("p1 over relief")
        await until(lambda: len(again.ear._events) == 2)
    told = again.heard()
    (notice,) = (effect for effect, _, _ in told if isinstance(effect, BenchNotice))
    assert ("newer benchd" if damage == "newer" else "set-aside") in notice.why
    assert notice.what == "journal-changed"
    assert not any(unsaved for _, _, unsaved in told)
    assert [number - first_number(again.recovered.engine.now) > -100_000 for _, number, _ in told] == [True] * 2


async def test_with_no_journal_at_all_the_watch_begins_and_saves_as_soon_as_it_can(tmp_path: Path) -> None:
    folder = tmp_path / "not-mounted-yet"
    watch = Watch(folder / "j.db")
    async with watching(watch):
        watch.mailbox.put(context())
        watch.line("p1 over relief")
        await until(lambda: len(watch.ear._events) >= 2)
        assert all(unsaved for _, _, unsaved in watch.heard())
        assert not watch.health.journal_ok
        folder.mkdir()
        await until(lambda: watch.health.journal_ok)
    kept = await inputs_of(folder / "j.db")
    assert context() in kept
    assert [item.line for item in kept if isinstance(item, Line)] == ["p1 over relief"]
    assert query(folder / "j.db", "SELECT payload FROM outbox") == [("p1 over relief",)]


async def test_a_journal_locked_at_the_start_is_joined_later_without_a_clash_of_numbers(tmp_path: Path) -> None:
    watch = Watch(tmp_path / "j.db")
    async with watching(watch):
        watch.line("p3 damp")
        await until(settled(watch, 1))
    other = sqlite3.connect(tmp_path / "j.db", isolation_level=None)
    other.execute("PRAGMA locking_mode=EXCLUSIVE")
    other.execute("BEGIN EXCLUSIVE")
    again = Watch(tmp_path / "j.db", t=watch.t + 10)
    async with watching(again):
        again.line("p1 over relief")
        await until(lambda: any(isinstance(posted.effect, Alert) for posted in again.ear._events))
        assert all(unsaved for _, _, unsaved in again.heard())
        other.rollback()
        other.close()
        await until(lambda: again.health.journal_ok and again.outbox.is_loaded)
        assert [row.payload for row in await again.outbox.pending()] == ["p1 over relief", "p3 damp"]
    names = [name for (name,) in query(tmp_path / "j.db", "SELECT name FROM effects ORDER BY number")]
    assert names[:1] == ["room-damp"]
    assert "pot-over-relief" in names


async def test_a_disk_full_at_the_start_still_gives_back_the_open_pour(tmp_path: Path) -> None:
    watch = Watch(tmp_path / "j.db")
    async with watching(watch, clean=False):
        watch.mark("mix")
        watch.line("20")
        await until(settled(watch, 2))
    again = Watch(tmp_path / "j.db", t=watch.t + 10)
    commit, is_full = again.journal.commit, True

    async def refuse(statements) -> None:
        if is_full:
            raise JournalError("database or disk is full")
        await commit(statements)

    again.journal.commit = refuse  # type: ignore[method-assign]
    async with watching(again):
        assert again.recovered.how == "checkpoint"
        assert again.pipeline.is_busy
        again.line("p1 over relief")
        await until(lambda: told_texts(_peek(again)) == [("p1 over relief", True)])
        is_full = False
        await until(lambda: again.health.journal_ok)
        await until(settled(again, again.pipeline.seq))
    assert [g.why for g in await inputs_of(tmp_path / "j.db") if isinstance(g, Gap)] == ["restart"]


async def test_an_input_that_cannot_be_read_is_a_gap_of_one(tmp_path: Path) -> None:
    """Lines in rows of their own, as 0.1.0 wrote them."""
    async with Journal(tmp_path / "j.db") as journal:
        rows = [(n + 1, T0 + n, to_json(Line(T0 + n, "board", str(n)))) for n in range(5)]
        await journal.commit([("INSERT INTO inputs VALUES (?, ?, 'line', ?)", rows)])
    db = sqlite3.connect(tmp_path / "j.db")
    db.execute("UPDATE inputs SET body = '{torn' WHERE seq = 3")
    db.execute("""UPDATE inputs SET body = '{"t": 1, "omen": {}}' WHERE seq = 4""")
    db.commit()
    db.close()
    kept = await inputs_of(tmp_path / "j.db")
    assert [getattr(item, "line", "") for item in kept] == ["0", "1", "", "", "4"]
    assert [item.why for item in kept if isinstance(item, Gap)] == ["unreadable input"] * 2


# ------------------------------------------------------------------------------------------ power cuts, torn frames


async def copies_at_each_word(path: Path, folder: Path, words: int) -> list[tuple[int, Path]]:
    """(highest number told so far, a copy of the file and its log made at that moment) for each word told."""
    watch, copies = Watch(path), []
    post = watch.bulletin.post

    def copying(batch) -> None:
        post(batch)
        numbers = [p.id for p in batch if p.id and not p.unsaved]
        if numbers:
            to = folder / f"copy{len(copies)}.db"
            shutil.copy(path, to)
            shutil.copy(f"{path}-wal", f"{to}-wal")
            copies.append((max(numbers), to))

    watch.bulletin.post = copying  # type: ignore[method-assign]
    async with watching(watch, clean=False):
        watch.mailbox.put(context())
        for n in range(words):
            watch.line("20")
            watch.line(f"p3 word {n}")
            await until(settled(watch, 3 + 2 * n))
    return copies


async def test_after_a_power_cut_at_any_commit_all_that_was_told_is_there(tmp_path: Path) -> None:
    copies = await copies_at_each_word(tmp_path / "j.db", tmp_path, 15)
    assert len(copies) == 15
    for told, path in copies:
        again = Watch(path, t=T0 + 1000)
        async with watching(again, clean=False):
            assert again.recovered.engine.told >= told
        assert query(path, f"SELECT count(*) FROM effects WHERE number <= {told}") == [(told,)]
        assert query(path, "PRAGMA integrity_check") == [("ok",)]


async def test_a_torn_last_frame_leaves_the_commits_before_it_whole(tmp_path: Path) -> None:
    told, path = (await copies_at_each_word(tmp_path / "j.db", tmp_path, 12))[-1]
    luck = random.Random(18)
    for attempt in range(12):
        torn = tmp_path / f"torn{attempt}.db"
        shutil.copy(path, torn)
        log = bytearray(Path(f"{path}-wal").read_bytes())  # noqa: ASYNC240
        cut = luck.randrange(len(log) - 4096, len(log))
        log = log[:cut] if attempt % 2 else log[:cut] + os.urandom(len(log) - cut)
        Path(f"{torn}-wal").write_bytes(log)  # noqa: ASYNC240
        async with Journal(torn) as journal:
            assert not journal.is_new
            numbers = [e.number async for e in Logbook(journal).effects()]
            assert await journal.rows("PRAGMA integrity_check") == [("ok",)]
        assert numbers == list(range(1, len(numbers) + 1))
        assert told - 1 <= len(numbers) <= told


# ------------------------------------------------------------------------------------------------ killed processes


class Run:
    """One life of the child: what it said before it was killed."""

    def __init__(self, path: Path, number: int, *options: str) -> None:
        environment = {**os.environ, "PYTHONPATH": os.pathsep.join([p for p in sys.path if p])}
        command = [sys.executable, str(CHILD), str(path), str(number), *options]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, env=environment)
        self.said: list[list] = []

    def __enter__(self) -> Run:
        return self

    def __exit__(self, *_: object) -> None:
        if self.process.poll() is None:
            self.kill()

    def wait_ready(self) -> None:
        assert self.process.stdout is not None
        self.said.append(json.loads(self.process.stdout.readline()))

    def kill(self) -> None:
        self.process.send_signal(signal.SIGKILL)
        self.finish()

    def finish(self, timeout_s: float = 20.0) -> None:
        out, _ = self.process.communicate(timeout=timeout_s)
        whole = out[: out.rfind(b"\n") + 1].splitlines()  # a line cut by the kill was not said
        self.said += [json.loads(line) for line in whole]

    def of(self, kind: str) -> list[list]:
        return [entry[1:] for entry in self.said if entry[0] == kind]


def kill_many_times(path: Path, times: int) -> None:
    luck, told = random.Random(16), {}
    put_lines = 0
    for number in range(times):
        with Run(path, number) as run:
            run.wait_ready()
            time.sleep(luck.uniform(0.05, 0.4))
        ((lines, is_busy),) = run.of("ready")
        assert is_busy, "the pour goes on"
        assert lines >= put_lines, "at most a second of lines is lost"
        last_s = max((at_s for _, at_s in run.of("put")), default=0.0)
        put_lines = max((n for n, at_s in run.of("put") if at_s < last_s - 1.0), default=put_lines)
        for effect_number, text in run.of("told"):
            assert told.setdefault(effect_number, text) == text, "one number, one word"
        stored = dict(query(path, "SELECT number, body FROM effects"))
        for effect_number, text in told.items():
            assert json.loads(stored[effect_number])["text"] == text, "what was acknowledged is there"
        assert query(path, "PRAGMA integrity_check") == [("ok",)]
    assert len(told) > times


def test_killed_twenty_times_nothing_acknowledged_is_lost(tmp_path: Path) -> None:
    kill_many_times(tmp_path / "j.db", 20)


@pytest.mark.soak
@pytest.mark.timeout(600)
def test_killed_two_hundred_times_nothing_acknowledged_is_lost(tmp_path: Path) -> None:
    kill_many_times(tmp_path / "j.db", 200)


def test_at_the_limit_of_the_file_size_it_watches_on_and_saves_again_after(tmp_path: Path) -> None:
    """A real refused write (RLIMIT_FSIZE, POSIX setrlimit), in a process of its own."""
    with Run(tmp_path / "j.db", 0, "limit") as run:
        run.finish()
    assert run.process.returncode == 0
    assert run.of("limited")[0][0] >= 20, "told while nothing could be written"
    assert run.of("limited")[0][1] is True, "all of them flagged unsaved"
    assert run.of("recovered")
    stored = [
        json.loads(b)["text"] for (b,) in query(tmp_path / "j.db", "SELECT body FROM effects WHERE kind = 'alert'")
    ]
    assert [f"p3 limited {n}" for n in range(20)] == [text for text in stored if "limited" in text]
    assert query(tmp_path / "j.db", "PRAGMA integrity_check") == [("ok",)]


STRACE = shutil.which("strace")


@pytest.mark.skipif(STRACE is None, reason="needs strace")
def test_every_word_is_preceded_by_a_sync_of_the_disk(tmp_path: Path) -> None:
    """In the order of system calls: since the last word said saved, the log was synced before the next."""
    trace = tmp_path / "trace"
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([p for p in sys.path if p])}
    command = [
        str(STRACE),
        "-f",
        "-e",
        "trace=fsync,fdatasync,write",
        "-e",
        "signal=none",
        "-s",
        "12",
        "-o",
        str(trace),
    ]
    command += [sys.executable, str(CHILD), str(tmp_path / "j.db"), "0", "short"]
    subprocess.run(command, env=environment, stdout=subprocess.PIPE, check=True, timeout=60)
    words, synced = 0, False
    for call in trace.read_text().splitlines():
        if "sync(" in call or "sync resumed" in call:
            synced = True
        elif 'write(1, "[\\"told' in call:
            words += 1
            assert synced, call
            synced = False
    assert words >= 5
