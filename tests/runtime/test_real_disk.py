"""Is all that was told there after the power of a real disk was cut, and does a disk that fails below its files lie?"""

from __future__ import annotations

import asyncio
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from disk_image import ImageDisk, checked, held, made, thin
from runtime.child_run import Run
from runtime.journal_fakes import T0, Watch, query, settled, until, watching

from benchd.core.model import Alert
from benchd.runtime.journal.schema import prepare

LONG = random.Random(5).randbytes(3000).hex()  # packs to no less, so that the log grows at once


def cut_many_times(folder: Path, times: int) -> Iterator[tuple[dict[int, str], int, Path]]:
    """(number -> text of what was told, lines put a second before, the disk) at each of the cuts of one run."""
    luck = random.Random(17)
    with held(made(folder / "disk.img"), folder / "disk") as disk, Run(disk.path / "j.db", 0) as run:
        run.wait_ready()
        for number in range(times):
            run.read_for(luck.uniform(0.02, 0.3))
            run.process.send_signal(signal.SIGSTOP)
            run.read_for(0.0)
            stopped_s = time.monotonic()
            copy = disk.copy(folder / f"cut{number}.img")  # the last one's loop may still be open
            run.process.send_signal(signal.SIGCONT)
            told = {number: text for number, text in run.of("told") if number}
            yield told, max((n for n, at_s in run.of("put") if at_s < stopped_s - 1.0), default=0), copy


async def all_is_there(told: dict[int, str], lines: int, disk: ImageDisk) -> None:
    path = disk.path / "j.db"
    again = Watch(path, t=T0 + 1e6)
    async with watching(again, clean=False):
        assert again.recovered.engine.told >= max(told, default=0)
        assert again.engine.lines >= lines, "at most a second of lines is lost"
    stored = dict(query(path, "SELECT number, json_extract(body, '$.text') FROM effects"))
    assert told.items() <= stored.items(), "what was told is there"
    assert query(path, "PRAGMA integrity_check") == [("ok",)]


async def power_cuts(folder: Path, times: int) -> int:
    told_at_last = 0
    for told, lines, copy in cut_many_times(folder, times):
        with held(copy, folder / "after") as after:
            await all_is_there(told, lines, after)
        copy.unlink()
        told_at_last = len(told)
    return told_at_last


async def test_three_cuts_of_a_real_disks_power_lose_nothing_told(tmp_path: Path) -> None:
    assert await power_cuts(tmp_path, 3) >= 3


@pytest.mark.soak
@pytest.mark.timeout(600)
async def test_a_hundred_cuts_of_a_real_disks_power_lose_nothing_told(tmp_path: Path) -> None:
    assert await power_cuts(tmp_path, 100) >= 100


@pytest.mark.parametrize(("before", "full_s"), [(1, 0.0), (100, 0.4)], ids=["in a commit", "in a fold"])
async def test_a_disk_that_fails_below_its_file_system_is_never_called_saved(
    tmp_path: Path, before: int, full_s: float
) -> None:
    """The writes are taken, and the fsync fails: ext4 over a device without room.

    After a hundred long lines the log is folded into the file while there is none, so that the file grows in vain.
    """
    with thin(tmp_path) as (disk, below):
        watch = Watch(disk.path / "j.db")
        async with watching(watch, clean=False):
            for n in range(before):
                watch.line(f"p3 before {n} {LONG}")
                await until(settled(watch, n + 1))
            below.fill()
            await lines_until_it_fails(watch)
            await asyncio.sleep(full_s)
            below.free()
            await until(lambda: watch.health.journal_ok)
            watch.line("p3 after")
            heard: list[tuple[str, bool]] = []
            while ("p3 after", False) not in heard:
                await asyncio.sleep(0.01)
                heard += [(e.text, unsaved) for e, number, unsaved in watch.heard() if number and isinstance(e, Alert)]
            copy = disk.copy(tmp_path / "cut.img")
        assert any(unsaved for _, unsaved in heard), "what could not be saved was told as unsaved"
        with held(checked(copy), tmp_path / "after") as after:
            stored = query(after.path / "j.db", "SELECT json_extract(body, '$.text') FROM effects WHERE kind = 'alert'")
            assert [text for text, _ in heard if LONG in text] == [text for (text,) in stored if LONG in text]
            assert {text for text, unsaved in heard if not unsaved} <= {text for (text,) in stored}
            assert query(after.path / "j.db", "PRAGMA integrity_check") == [("ok",)]


async def lines_until_it_fails(watch: Watch) -> None:
    for n in range(200):
        watch.line(f"p3 while full {n} {LONG}")
        await asyncio.sleep(0.01)
        if not watch.health.journal_ok:
            return
    raise AssertionError("the disk took 1.2 MB without room for them")


KILLED = """
import os, sqlite3, sys
db = sqlite3.connect(sys.argv[1], isolation_level=None)
for pragma in ("synchronous=FULL", "wal_autocheckpoint=0"):
    db.execute(f"PRAGMA {pragma}")
for n in range(100):
    db.execute("INSERT INTO meta VALUES (?, ?)", (f"word {n}", os.urandom(3000).hex()))
os._exit(0)
"""


def test_a_start_that_looks_at_the_file_while_its_disk_fails_loses_nothing_saved_before(tmp_path: Path) -> None:
    """The look is SQLite's only connection, and as it closes it folds the log of a killed process into the file."""
    with thin(tmp_path) as (disk, below):
        path = disk.path / "j.db"
        prepare(path, 0)
        subprocess.run([sys.executable, "-c", KILLED, str(path)], check=True)
        below.fill()
        prepare(path, 0)
        below.free()
        prepare(path, 0)
        copy = disk.copy(tmp_path / "cut.img")
    with held(checked(copy), tmp_path / "after") as after:
        assert query(after.path / "j.db", "PRAGMA integrity_check") == [("ok",)]
        assert query(after.path / "j.db", "SELECT count(*) FROM meta WHERE key LIKE 'word %'") == [(100,)]
