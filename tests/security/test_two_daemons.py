"""Can two processes write one journal?  A lock of the kernel's lets one; nothing is ever dropped without a word."""

from __future__ import annotations

import errno
import fcntl
import os
import signal
import socket
import stat
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from daemon import Daemon, wait_for
from recordings_by_hand import context as typed_context
from recordings_by_hand import fill_and_vent, write
from runtime.journal_fakes import T0, Watch, context, settled, until, watching

from benchd.core.model import Alert, Line, Subject
from benchd.errors import JournalError, JournalInUse
from benchd.runtime.contracts import OutboxRow
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.lock import JournalLock
from benchd.runtime.journal.reader import Logbook
from benchd.runtime.journal.rows import Writes

EX_TEMPFAIL = 75  # sysexits.h
POT = Subject(bench="north", pot="barrel")


@dataclass
class OnJournal(Daemon):
    """A daemon on a journal that is not its own folder's."""

    file: Path = Path()

    @property
    def journal(self) -> Path:
        return self.file

    def runs_to_its_end(self, **more: str) -> subprocess.CompletedProcess[str]:
        """Start it and wait until it ends by itself."""
        command = [sys.executable, "-m", "benchd", "run", "-c", str(self.folder / "bench.toml"), "--no-page"]
        env = os.environ | {"RUNTIME_DIRECTORY": str(self.folder / "run"), "NO_COLOR": "1"} | more
        return subprocess.run(command, env=env, capture_output=True, text=True, timeout=60)


def benchd(*words: str | Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "benchd", *map(str, words)]
    return subprocess.run(command, env=os.environ | {"NO_COLOR": "1"}, capture_output=True, text=True, timeout=100)


@pytest.fixture
def first(tmp_path: Path) -> Iterator[Daemon]:
    made = Daemon(tmp_path / "first")
    with made.started():
        yield made


@pytest.fixture
def second(tmp_path: Path, first: Daemon) -> Iterator[OnJournal]:
    """Not started: another bench.toml, another socket, the same journal."""
    made = OnJournal(tmp_path / "second", file=first.journal)
    try:
        yield made
    finally:
        made.close()


def refusal(first: Daemon) -> str:
    assert first.process is not None
    return f"error: journal.db is in use by pid {first.process.pid}: stop that benchd first\n"


def test_a_second_daemon_is_refused_by_the_firsts_pid_and_the_first_goes_on(first: Daemon, second: OnJournal) -> None:
    """Exit code 75 (EX_TEMPFAIL), who has it and what to do; what the first answers is in the journal."""
    ended = second.runs_to_its_end()
    assert (ended.returncode, ended.stderr) == (EX_TEMPFAIL, refusal(first))
    answer = first.mark("note", id="after")
    assert answer["ok"]
    assert "unsaved" not in answer
    assert first.rows("SELECT count(*) FROM inputs WHERE body LIKE '%\"after\"%'") == [(1,)]
    assert not second.socket.exists()


@pytest.mark.wide
def test_a_second_name_for_the_journal_is_no_second_journal(first: Daemon, tmp_path: Path) -> None:
    """By a symbolic link it is the same file, and the same lock."""
    link = tmp_path / "journal.db"
    link.symlink_to(first.journal)
    other = OnJournal(tmp_path / "third", file=link)
    try:
        ended = other.runs_to_its_end()
        assert (ended.returncode, ended.stderr) == (EX_TEMPFAIL, refusal(first))
    finally:
        other.close()


def test_a_kill_takes_the_lock_away(first: Daemon, second: OnJournal) -> None:
    """After kill -9 the next daemon starts at once; nobody has to delete a file."""
    first.kill()
    second.start()
    assert second.mark("note")["ok"]


def test_what_writes_is_refused_and_what_reads_is_not(first: Daemon, tmp_path: Path) -> None:
    """`import` into a journal in use ends with 75; `log` and `export` read it."""
    recording = tmp_path / "load.jsonl"
    write(recording, [typed_context(), *fill_and_vent()])
    refused = benchd("import", recording, "--journal", first.journal)
    assert (refused.returncode, refused.stderr) == (EX_TEMPFAIL, refusal(first))
    config = first.folder / "bench.toml"
    assert benchd("log", "-c", config, "--journal", first.journal).returncode == 0
    assert benchd("export", "recording", "--journal", first.journal, "-o", tmp_path / "out").returncode == 0


def test_a_service_waits_for_its_turn_and_takes_over(first: Daemon, second: OnJournal, tmp_path: Path) -> None:
    """Under a service manager it is not started over and over: it waits, says so, and watches when the first ends."""
    where = tmp_path / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(where))
        manager.settimeout(20.0)
        env = {"RUNTIME_DIRECTORY": str(second.folder / "run"), "NOTIFY_SOCKET": str(where)}
        command = [sys.executable, "-m", "benchd", "run", "-c", str(second.folder / "bench.toml"), "--no-page"]
        with (second.folder / "stderr.txt").open("ab") as stderr:
            second.process = subprocess.Popen(command, env=os.environ | env, stdout=stderr, stderr=stderr)
        assert first.process is not None
        assert manager.recv(1000) == f"STATUS=waits: {refusal(first)[7:].strip()}".encode()
        first.process.send_signal(signal.SIGTERM)
        first.process.wait(10)
        while b"READY=1" not in manager.recv(1000):
            pass
    wait_for(lambda: second.socket.exists())
    assert second.stderr.count("waiting for it") == 1


@pytest.mark.wide
def test_the_lock_is_the_owners_alone_and_taken_anew_when_its_file_is_deleted(first: Daemon, second: OnJournal) -> None:
    """Mode 0600; whoever deletes it does not let a second daemon in."""
    lock = first.journal.with_name("journal.db.lock")
    assert stat.S_IMODE(lock.stat().st_mode) == 0o600
    lock.unlink()
    assert "unsaved" not in first.mark("note")
    assert lock.exists()
    assert second.runs_to_its_end().returncode == EX_TEMPFAIL


@pytest.mark.wide
def test_where_the_lock_cannot_be_made_the_bench_is_watched_and_told(tmp_path: Path) -> None:
    """A folder lies in the lock's place: nothing is written without it, which is told; once it is gone all is kept."""
    bench = Daemon(tmp_path)
    in_the_way = tmp_path / "journal.db.lock"
    in_the_way.mkdir()
    with bench.started():
        answer = bench.mark("note", id="early")
        assert (answer["ok"], answer["unsaved"]) == (True, True)
        assert "journal.db.lock" in answer["unsaved_why"]
        assert {a["alert"]: a["active"] for a in bench.get("/api/v0/state")["alerts"]}["journal-failing"]
        in_the_way.rmdir()
        wait_for(lambda: bench.get("/api/v0/state")["health"]["journal_ok"], 15.0)
        assert "unsaved" not in bench.mark("note", id="late")
        kept = str(bench.rows("SELECT body FROM inputs WHERE kind = 'mark'"))
        assert "early" in kept
        assert "late" in kept


@pytest.mark.wide
def test_without_the_lock_the_open_pour_is_still_given_back(first: Daemon) -> None:
    """A journal that cannot be locked is read all the same: a pour that was open at the kill goes on, unsaved."""
    assert first.mark("mix", molds=["M02"])["ok"]
    first.kill()
    lock = first.journal.with_name("journal.db.lock")
    lock.unlink()
    lock.mkdir()
    first.start()

    def poured_into() -> list[str]:
        cards = first.get("/api/v0/state")["cards"]
        return [mold for card in cards if card["of"] == "pour" for mold in card.get("molds", ())]

    wait_for(lambda: poured_into() == ["m02"])  # a card is shown with the next second's tick
    assert first.mark("note", id="early")["unsaved"] is True
    lock.rmdir()
    wait_for(lambda: first.get("/api/v0/state")["health"]["journal_ok"], 15.0)
    assert first.rows("SELECT count(*) FROM inputs WHERE body LIKE '%\"early\"%'") == [(1,)]


async def test_a_file_system_without_locks_is_written_and_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Some network mounts know no flock: the bench is logged there as before, with a word of warning."""

    def refuse(handle: int, how: int) -> None:
        raise OSError(errno.ENOLCK, os.strerror(errno.ENOLCK))

    monkeypatch.setattr(fcntl, "flock", refuse)
    async with Journal(tmp_path / "j.db") as journal:
        await journal.write(Writes(meta={"kept": "yes"}))
        assert ["make sure that only one benchd writes this journal" in notice for notice in journal.notices] == [True]
        assert await Logbook(journal).meta("kept") == "yes"


async def test_a_lock_that_is_lost_under_way_stops_the_writing(tmp_path: Path) -> None:
    """Another process got the lock of a folder that was swapped: this one's rows do not go between its rows."""
    async with Journal(tmp_path / "j.db") as journal:
        (tmp_path / "j.db.lock").unlink()
        other = JournalLock(tmp_path / "j.db")
        other.take()
        with pytest.raises(JournalInUse, match=f"in use by pid {os.getpid()}"):
            await journal.write(Writes(meta={"kept": "no"}))
        other.release()
        await journal.write(Writes(meta={"kept": "yes"}))
        assert await Logbook(journal).meta("kept") == "yes"


def test_what_is_no_pid_is_not_named(tmp_path: Path) -> None:
    """A full disk keeps the lock but not the number in it."""
    holder = JournalLock(tmp_path / "j.db")
    holder.take()
    (tmp_path / "j.db.lock").write_text("rm -rf;\n")
    with pytest.raises(JournalInUse, match="in use by another process: stop that benchd first"):
        JournalLock(tmp_path / "j.db").take()
    holder.release()


# ------------------------------------------------------------------------------------------- the same number twice


def alert(text: str) -> Alert:
    return Alert(t=T0, alert="pot-leaking", active=True, heard=False, priority=2, subject=POT, text=text)


def numbered(kind: str, what: str) -> Writes:
    """A row of each kind, number 7, that says `what`."""
    writes = Writes()
    match kind:
        case "input":
            writes.add_input(7, Line(T0, "board", what))
        case "context":
            writes.add_input(7, context(hash=what))
        case "effect":
            writes.add_effect(7, 1, alert(what))
        case "message":
            writes.add_outbox(OutboxRow("say", what, 2, "say", T0, None, 7))
    return writes


KINDS = ("input", "context", "effect", "message")


@pytest.mark.parametrize("kind", KINDS)
async def test_the_same_number_with_another_body_is_an_error_that_names_it(tmp_path: Path, kind: str) -> None:
    """It used to be dropped without a word; now the whole commit is refused and nothing of it is kept."""
    async with Journal(tmp_path / "j.db") as journal:
        await journal.write(numbered(kind, "first"))
        clash = numbered(kind, "second")
        clash.meta["with"] = "it"
        name = "input" if kind == "context" else kind
        pattern = f"j.db: ({kind}|{name}) 7 is in it already and says something else"
        with pytest.raises(JournalError, match=pattern):
            await journal.write(clash)
        assert await Logbook(journal).meta("with") is None
        with pytest.raises(JournalError, match=pattern):  # twice in one commit, too
            await journal.write(numbered(kind, "third").followed_by(numbered(kind, "fourth")))


@pytest.mark.parametrize("kind", KINDS)
async def test_the_same_number_with_the_same_body_is_a_repeat(tmp_path: Path, kind: str) -> None:
    async with Journal(tmp_path / "j.db") as journal:
        for _ in range(2):
            await journal.write(numbered(kind, "first"))
        table = {"input": "bundles", "context": "contexts", "effect": "effects", "message": "outbox"}[kind]
        assert await journal.rows(f"SELECT count(*) FROM {table}") == [(1,)]


async def test_a_commit_that_came_through_although_it_failed_is_made_again(tmp_path: Path) -> None:
    """The disk reports an error after the rows are in: the redo writes the same rows, and the trouble is over."""
    watch = Watch(tmp_path / "j.db")
    async with watching(watch):
        watch.mailbox.put(context())
        watch.line("20")
        await until(settled(watch, 2))
        commit, failures = watch.journal.commit, iter([True])

        async def late(statements: Any) -> None:
            await commit(statements)
            if next(failures, False):
                raise JournalError("disk I/O error")

        watch.journal.commit = late  # type: ignore[method-assign]
        watch.line("p3 damp")
        watch.line("21")
        await until(lambda: not watch.health.journal_ok)
        await until(lambda: watch.health.journal_ok)
        await until(settled(watch, watch.pipeline.seq))
        assert await watch.journal.rows("SELECT count(*) FROM effects WHERE name = 'room-damp'") == [(1,)]
        assert [type(x) async for _, x in Logbook(watch.journal).inputs()].count(Line) == 3
