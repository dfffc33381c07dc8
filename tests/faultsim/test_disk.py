"""Is the order of writes and syncs that the simulated disk takes for granted the one in which SQLite asks for them?"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

STRACE = shutil.which("strace")
FOLDS = """
import sqlite3, sys
db = sqlite3.connect(sys.argv[1], isolation_level=None)
for pragma in ("journal_mode=WAL", "synchronous=FULL", "wal_autocheckpoint=0"):
    db.execute(f"PRAGMA {pragma}")
db.execute("CREATE TABLE rows (body)")
for how in ("TRUNCATE", "PASSIVE", "PASSIVE"):
    for n in range(3):
        db.execute("INSERT INTO rows VALUES (?)", (f"{how} {n} " * 900,))
    open(sys.argv[2], "w").close()
    print(db.execute(f"PRAGMA wal_checkpoint({how})").fetchall())
    open(sys.argv[2], "w").close()
db.execute("INSERT INTO rows VALUES ('last')")
"""
CALL = re.compile(r"(pwrite64|fdatasync|fsync|ftruncate|openat)\(.*?(j\.db-wal|j\.db|mark)[>\"](.*)")


def calls(folder: Path) -> list[tuple[str, str, str]]:
    """(call, file, what follows the file in its line) of a process that commits and folds the log three times."""
    trace, what = folder / "trace", "trace=pwrite64,fdatasync,fsync,ftruncate,openat"
    words = [str(STRACE), "-f", "-y", "-s", "0", "-e", what, "-o", str(trace), sys.executable, "-c", FOLDS]
    subprocess.run([*words, str(folder / "j.db"), str(folder / "mark")], check=True, stdout=subprocess.PIPE, timeout=60)
    return [found.groups() for found in map(CALL.search, trace.read_text().splitlines()) if found]  # type: ignore[misc]


@pytest.mark.skipif(STRACE is None, reason="needs strace")
def test_sqlite_syncs_in_the_order_that_the_simulated_disk_takes_for_granted(tmp_path: Path) -> None:
    found = calls(tmp_path)
    marks = [at for at, (call, name, _) in enumerate(found) if (call, name) == ("openat", "mark")]
    for begin, end in zip(marks[::2], marks[1::2], strict=True):
        fold = [(call, name) for call, name, _ in found[begin + 1 : end] if call != "openat"]
        pages = [at for at, step in enumerate(fold) if step == ("pwrite64", "j.db")]
        assert ("fdatasync", "j.db-wal") in fold[: pages[0]], "the log is on the disk before a page is written"
        synced = fold.index(("fdatasync", "j.db"), pages[-1])
        assert set(fold[pages[-1] + 1 : synced]) <= {("ftruncate", "j.db")}, "the file is synced after its pages"
        rest = fold[synced + 1 :]
        assert set(rest) <= {("ftruncate", "j.db-wal")}, "only then is the log cut short, if at all"
    anew = [step for step in found[marks[3] :] if step[1] == "j.db-wal" and step[0] != "openat"]
    assert re.search(r", 32, 0\)", anew[0][2]), "a log begun anew: its header"
    assert anew[1][0] == "fdatasync", "the header is on the disk before the frames"
