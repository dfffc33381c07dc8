"""`benchd backup` and `restore`: one file while the bench writes, the same journal elsewhere, nothing overwritten."""

from __future__ import annotations

import json
import shutil
import sqlite3
import threading
import zipfile
from pathlib import Path

import pytest

from benchd import cli
from benchd.runtime.journal.backup import JOURNAL, MANIFEST, BackupError, restore, write_backup
from benchd.runtime.journal.schema import MIGRATIONS, prepare

ROOT = Path(__file__).parents[2]
MADE_T = 1767607331.0


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """A folder with the example settings and a journal of a thousand rows."""
    shutil.copytree(ROOT / "config", tmp_path / "config")
    config = tmp_path / "config" / "bench.toml"
    journal = tmp_path / "state" / JOURNAL
    journal.parent.mkdir()
    config.write_text(config.read_text("utf-8") + f"\n[journal]\npath = {json.dumps(str(journal))}\n", "utf-8")
    prepare(journal, 0)
    with sqlite3.connect(journal) as db:
        db.executemany("INSERT INTO meta VALUES (?, ?)", [(f"row-{i}", str(i)) for i in range(1000)])
    db.close()
    (journal.parent / "calibrations.jsonl").write_text('{"t": 1}\n', "utf-8")
    (journal.parent / "https").mkdir()
    (journal.parent / "https" / "leaf.key").write_text("secret", "utf-8")
    return tmp_path


def dump(path: Path) -> list[str]:
    """All a database holds, as SQL: what two equal journals share whatever their pages look like."""
    db = sqlite3.connect(path)
    try:
        return list(db.iterdump())
    finally:
        db.close()


def config(bench: Path) -> list[str]:
    return ["-c", str(bench / "config" / "bench.toml")]


def test_a_backup_restores_to_the_same_journal_settings_and_history(bench: Path, tmp_path: Path) -> None:
    file, to = tmp_path / "b.zip", tmp_path / "again"
    assert cli.main(["backup", str(file), *config(bench)]) == 0
    assert cli.main(["restore", str(file), "--to", str(to)]) == 0
    assert dump(to / JOURNAL) == dump(bench / "state" / JOURNAL)
    assert (to / "calibrations.jsonl").read_text("utf-8") == '{"t": 1}\n'
    theirs = [bench / "config" / name for name in ("bench.toml", "shelf.toml")]
    for path in [*theirs, *(bench / "config" / "resins").glob("*.toml")]:
        assert (to / "config" / path.relative_to(bench / "config")).read_bytes() == path.read_bytes()
    assert sorted(p.name for p in (to / "config" / "resins").iterdir()) == sorted(
        p.name for p in (bench / "config" / "resins").iterdir()
    )


def test_keys_are_left_out_unless_asked_for(bench: Path, tmp_path: Path) -> None:
    plain, keyed = tmp_path / "b.zip", tmp_path / "k.zip"
    assert cli.main(["backup", str(plain), *config(bench)]) == 0
    assert cli.main(["backup", str(keyed), "--keys", *config(bench)]) == 0
    assert not any("https" in name for name in zipfile.ZipFile(plain).namelist())
    assert "state/https/leaf.key" in zipfile.ZipFile(keyed).namelist()
    assert keyed.stat().st_mode & 0o077 == 0


def test_a_backup_taken_while_rows_are_written_holds_whole_commits_only(bench: Path, tmp_path: Path) -> None:
    journal, stop = bench / "state" / JOURNAL, threading.Event()

    def write_pairs() -> None:
        db = sqlite3.connect(journal, isolation_level=None, timeout=10)
        n = 0
        while not stop.is_set():
            n += 1
            db.execute("BEGIN IMMEDIATE")
            db.execute("INSERT INTO meta VALUES (?, 'x')", (f"left-{n}",))
            db.execute("INSERT INTO meta VALUES (?, 'x')", (f"right-{n}",))
            db.execute("COMMIT")
        db.close()

    writer = threading.Thread(target=write_pairs)
    writer.start()
    try:
        for n in range(5):
            write_backup(tmp_path / f"b{n}.zip", journal, {}, MADE_T)
    finally:
        stop.set()
        writer.join()
    for n in range(5):
        restore(tmp_path / f"b{n}.zip", tmp_path / f"to{n}")
        db = sqlite3.connect(tmp_path / f"to{n}" / JOURNAL)
        left, right = (
            db.execute("SELECT count(*) FROM meta WHERE key LIKE ?", (f"{side}-%",)).fetchone()[0]
            for side in ("left", "right")
        )
        db.close()
        assert left == right
    assert sqlite3.connect(journal).execute("SELECT count(*) FROM meta WHERE key LIKE 'left-%'").fetchone()[0] > 0


def test_nothing_is_overwritten(bench: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file, to = tmp_path / "b.zip", tmp_path / "again"
    assert cli.main(["backup", str(file), *config(bench)]) == 0
    to.mkdir()
    (to / "mine.txt").write_text("mine", "utf-8")
    assert cli.main(["restore", str(file), "--to", str(to)]) == 1
    assert "name a new folder" in capsys.readouterr().err
    assert [p.name for p in to.iterdir()] == ["mine.txt"]


def rewritten(file: Path, to: Path, change: dict[str, bytes]) -> Path:
    """The zip with some members' bytes exchanged."""
    with zipfile.ZipFile(file) as old, zipfile.ZipFile(to, "w") as new:
        for name in old.namelist():
            new.writestr(name, change.get(name, old.read(name)))
    return to


def test_a_damaged_member_is_named_and_nothing_is_left_behind(bench: Path, tmp_path: Path) -> None:
    file, to = tmp_path / "b.zip", tmp_path / "again"
    write_backup(file, bench / "state" / JOURNAL, {"bench.toml": bench / "config" / "bench.toml"}, MADE_T)
    broken = rewritten(file, tmp_path / "broken.zip", {"config/bench.toml": b"[bench]\n"})
    with pytest.raises(BackupError, match=r"config/bench\.toml is damaged"):
        restore(broken, to)
    assert not to.exists()
    assert not list(tmp_path.glob(".again-*"))


@pytest.mark.parametrize("name", ["../outside", "/etc/x", "config/../../x", "other/x", "config\\x"])
def test_a_member_that_would_land_outside_is_refused(bench: Path, tmp_path: Path, name: str) -> None:
    file = tmp_path / "b.zip"
    write_backup(file, bench / "state" / JOURNAL, {}, MADE_T)
    manifest = json.loads(zipfile.ZipFile(file).read(MANIFEST))
    manifest["sums"][name] = "0" * 64
    odd = rewritten(file, tmp_path / "odd.zip", {MANIFEST: json.dumps(manifest).encode()})
    with pytest.raises(BackupError, match="odd name"):
        restore(odd, tmp_path / "again")
    assert not (tmp_path / "again").exists()


def test_a_journal_of_a_newer_benchd_says_which_version_reads_it(bench: Path, tmp_path: Path) -> None:
    file = tmp_path / "b.zip"
    write_backup(file, bench / "state" / JOURNAL, {}, MADE_T)
    manifest = json.loads(zipfile.ZipFile(file).read(MANIFEST))
    manifest |= {"schema": len(MIGRATIONS) + 1, "version": "9.9"}
    newer = rewritten(file, tmp_path / "newer.zip", {MANIFEST: json.dumps(manifest).encode()})
    with pytest.raises(BackupError, match=r"benchd 9\.9 or later"):
        restore(newer, tmp_path / "again")


@pytest.mark.parametrize("content", [b"", b"PK no zip", b"PK\x05\x06" + bytes(18)])
def test_what_is_no_backup_is_said_so(tmp_path: Path, content: bytes) -> None:
    file = tmp_path / "x.zip"
    file.write_bytes(content)
    with pytest.raises(BackupError, match="not a backup"):
        restore(file, tmp_path / "again")


def test_a_missing_journal_and_a_folder_that_is_not_there_are_said(bench: Path, tmp_path: Path) -> None:
    with pytest.raises(BackupError, match="no journal there"):
        write_backup(tmp_path / "b.zip", tmp_path / "none.db", {}, MADE_T)
    with pytest.raises(BackupError, match=r"b\.zip"):
        write_backup(tmp_path / "nowhere" / "b.zip", bench / "state" / JOURNAL, {}, MADE_T)


def test_a_failed_backup_leaves_the_earlier_one_standing(bench: Path, tmp_path: Path) -> None:
    file = tmp_path / "b.zip"
    write_backup(file, bench / "state" / JOURNAL, {}, MADE_T)
    before = file.read_bytes()
    with pytest.raises(BackupError):
        write_backup(file, bench / "state" / JOURNAL, {"bench.toml": tmp_path / "gone.toml"}, MADE_T)
    assert file.read_bytes() == before
    assert not list(tmp_path.glob(".backup-*"))
