"""What does a person see who starts benchd on a journal of another version: newer, older, or not a journal at all?"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from itertools import count
from pathlib import Path

from daemon import Daemon, wait_for

from benchd.core.intake.wire import encode
from benchd.runtime.journal.schema import MIGRATIONS, prepare


def line(seq: int) -> bytes:
    return encode([("cup", 23.5, None, "Cel"), ("pot", 120.0, None, "Pa")], board="b1-", seq=seq)


@contextlib.contextmanager
def on(folder: Path) -> Iterator[Daemon]:
    """A daemon whose journal can be laid out before it starts."""
    daemon = Daemon(folder)
    try:
        yield daemon
    finally:
        daemon.close()


def version(path: Path) -> int:
    with contextlib.closing(sqlite3.connect(path)) as db:
        return int(db.execute("PRAGMA user_version").fetchone()[0])


def watches(daemon: Daemon) -> bool:
    """Whether lines still become readings, and a mark is still taken."""
    numbers = count(1)

    def seen() -> bool:
        daemon.port.write(line(next(numbers)))  # what comes before the port is open is thrown away
        return any(r["value"] == 23.5 for r in daemon.get("/api/v0/state")["readings"])

    wait_for(seen)
    return bool(daemon.mark("mix", molds=["M02"])["ok"])


def test_a_newer_journal_is_left_alone_and_told_and_the_watch_goes_on_beside_it(tmp_path: Path) -> None:
    with on(tmp_path) as daemon:
        prepare(daemon.journal, 0)
        with contextlib.closing(sqlite3.connect(daemon.journal)) as db:
            db.execute(f"PRAGMA user_version={len(MIGRATIONS) + 5}")
        before = daemon.journal.read_bytes()
        daemon.start()
        assert watches(daemon)
        newer = f"journal.db was written by a newer benchd (schema {len(MIGRATIONS) + 5}); it is left alone"
        assert newer in daemon.stderr
        beside = daemon.journal.with_name(f"journal-schema{len(MIGRATIONS)}.db")
        assert beside.name in daemon.stderr
        assert daemon.stop() == 0
        assert daemon.journal.read_bytes() == before
        with contextlib.closing(sqlite3.connect(beside)) as db:
            assert db.execute("SELECT count(*) FROM effects WHERE name = 'pour_started'").fetchone()[0] == 1
            notices = db.execute("SELECT body FROM effects WHERE name = 'bench_notice'").fetchall()
        assert any("newer benchd" in body for (body,) in notices)  # told to phones and kept, not only printed
        daemon.start()  # once more: the one beside is found again, nothing third is begun
        assert wait_for(lambda: daemon.get("/api/v0/state")["cards"])
        assert daemon.stop() == 0
        assert sorted(p.name for p in tmp_path.glob("*.db")) == [f"journal-schema{len(MIGRATIONS)}.db", "journal.db"]


def test_an_older_journal_is_copied_brought_up_to_date_and_gone_on_with(tmp_path: Path) -> None:
    with on(tmp_path) as daemon:
        prepare(daemon.journal, 0, MIGRATIONS[:1])
        with contextlib.closing(sqlite3.connect(daemon.journal)) as db:
            db.execute("INSERT INTO meta VALUES ('kept', 'by the caster')")
            db.commit()
        daemon.start()
        assert watches(daemon)
        assert daemon.stop() == 0
        assert version(daemon.journal) == len(MIGRATIONS)
        assert daemon.rows("SELECT value FROM meta WHERE key = 'kept'") == [("by the caster",)]
        copy = daemon.journal.with_name("journal.db.before-schema-2")
        assert version(copy) == 1
        with contextlib.closing(sqlite3.connect(copy)) as db:
            assert db.execute("SELECT value FROM meta WHERE key = 'kept'").fetchone() == ("by the caster",)


def test_a_file_that_is_no_journal_is_kept_aside_told_and_the_watch_begins(tmp_path: Path) -> None:
    with on(tmp_path) as daemon:
        daemon.journal.write_bytes(b"a shopping list, by mistake " * 40)
        daemon.start()
        assert watches(daemon)
        assert "the journal could not be used" in daemon.stderr
        assert daemon.stop() == 0
        (kept,) = tmp_path.glob("journal.db.set-aside-*")
        assert kept.read_bytes().startswith(b"a shopping list")
