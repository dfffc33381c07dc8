"""Is all that was told there after a power cut, a torn last frame, a kill at any moment, a file that may not grow?"""

from __future__ import annotations

import json
import os
import random
import shutil
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

import pytest
from runtime.child_run import CHILD, Run
from runtime.journal_fakes import T0, Watch, context, query, settled, until, watching

from benchd.runtime.bulletin import Posted
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.reader import Logbook


async def copies_at_each_word(path: Path, folder: Path, words: int) -> list[tuple[int, Path]]:
    """(highest number told so far, a copy of the file and its log made at that moment) for each word told."""
    watch = Watch(path)
    copies: list[tuple[int, Path]] = []
    post = watch.bulletin.post

    def copying(batch: Sequence[Posted]) -> None:
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


def kill_many_times(path: Path, times: int) -> None:
    luck = random.Random(16)
    told: dict[int, str] = {}
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
            if effect_number == 0:  # an alarm that stood before this life: what it was numbered is said no more
                continue
            assert told.setdefault(effect_number, text) == text, "one number, one word"
        stored = dict(query(path, "SELECT number, body FROM effects"))
        for effect_number, text in told.items():
            assert json.loads(stored[effect_number])["text"] == text, "what was acknowledged is there"
        assert query(path, "PRAGMA integrity_check") == [("ok",)]
    assert len(told) > times


def test_killed_three_times_nothing_acknowledged_is_lost(tmp_path: Path) -> None:
    kill_many_times(tmp_path / "j.db", 3)


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
