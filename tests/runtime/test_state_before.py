"""Does a load's recording begin with a checkpoint from before its mix, instead of playing the whole day again?"""

from __future__ import annotations

import json
import zlib
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from benchd.core.findings import Effect, Finding, PourEnded, PourStarted
from benchd.core.model import Alert, Context, Input, Line, Standing, Subject
from benchd.plugins import load_settings
from benchd.runtime.journal.age.retention import Retention
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.reader import ALERTS_SINCE, Logbook
from benchd.runtime.journal.rows import KEPT_CHECKPOINTS, Checkpoint, Writes
from benchd.runtime.recordings.extract import state_before
from benchd.runtime.watch.recovery import EngineMaker

T0 = 1_767_600_000.0
MIX_T = T0 + 7_200.0
BENCH = Path(__file__).parents[2] / "config" / "bench.toml"


class Counting:
    """An engine whose state is the inputs it was given, by the bench's clock."""

    def __init__(self, seen: Sequence[float] = ()) -> None:
        self.told, self.now, self.is_busy, self.is_pouring, self.seen = 0, 0.0, False, False, list(seen)

    def step(self, item: Input, /) -> list[Effect]:
        self.now = item.t
        self.seen.append(item.t)
        return []

    def advance(self, t: float, /) -> list[Effect]:
        self.now = t
        return []

    def freeze(self) -> bytes:
        return json.dumps(self.seen).encode()


MAKER = EngineMaker(Counting, lambda blob, standing: Counting(json.loads(blob)))


def thawing_fails(blob: bytes, standing: Sequence[Standing]) -> Counting:
    raise ValueError("another version's")


async def day(path: Path) -> Journal:
    """A line each three minutes for three hours, a checkpoint with each; a pour at MIX_T, ended later."""
    journal = Journal(path)
    await journal.open()
    for n in range(60):
        writes, t = Writes(), T0 + 180.0 * n
        if n == 0:
            writes.add_input(1, load_settings(BENCH).context(T0))
        writes.add_input(n + 2, Line(t + 1.0, "board", f"line {n}"))
        body = zlib.compress(json.dumps([-1.0, t]).encode())
        writes.checkpoint = Checkpoint(n + 2, t + 1.0, 0, body)
        await journal.write(writes)
    about = Subject(bench="north", cup="cup-1", pour="a")
    found: list[Finding] = [
        PourStarted(t=MIX_T, subject=about, mix_t=MIX_T, lot=None, molds=(), inferred=False, number=1),
        PourEnded(t=MIX_T + 1_800.0, subject=about, why="demolded"),
    ]
    writes = Writes()
    for number, one in enumerate(found, 1):
        writes.add_effect(number, 50, one)
    await journal.write(writes)
    return journal


async def count(journal: Journal) -> int:
    return int((await journal.rows("SELECT count(*) FROM checkpoints"))[0][0])


async def test_a_days_checkpoints_stay_ten_minutes_apart_and_a_recording_begins_with_one(tmp_path: Path) -> None:
    journal = await day(tmp_path / "j.db")
    book = Logbook(journal)
    assert await count(journal) == 18 + KEPT_CHECKPOINTS - 1  # one for each ten minutes, and the newest
    assert [point.seq for point in await book.checkpoints()] == [61, 60, 59]
    state = json.loads(await state_before(book, MIX_T - 600.0, MAKER) or b"")
    point_t = state[1]
    assert state[0] == -1.0  # from the checkpoint
    assert MIX_T - 600.0 - 780.0 <= point_t <= MIX_T - 600.0
    assert state[2:] == [T0 + 180.0 * n + 1.0 for n in range(37) if T0 + 180.0 * n > point_t]
    await journal.close()


async def test_the_one_before_a_mix_is_kept_when_the_days_others_are_dropped(tmp_path: Path) -> None:
    journal = await day(tmp_path / "j.db")
    book, late_t = Logbook(journal), T0 + 30 * 86_400.0
    await Retention(journal, lambda: T0 + 10_800.0, lambda: False).sweep()
    writes = Writes(checkpoint=Checkpoint(500, late_t, 0, b"x"))
    await journal.write(writes)
    point = await book.checkpoint_before(MIX_T - 600.0)
    assert point is not None
    assert MIX_T - 1_380.0 <= point.t <= MIX_T - 600.0
    assert await book.checkpoint_before(MIX_T + 7_200.0) is None
    await Retention(journal, lambda: T0 + 100 * 86_400.0, lambda: False).sweep()
    assert await book.checkpoint_before(MIX_T - 600.0) is None
    await journal.close()


@pytest.mark.parametrize("maker", [MAKER, EngineMaker(Counting, thawing_fails)])
async def test_without_one_that_fits_the_day_is_played_from_its_midnight(tmp_path: Path, maker: EngineMaker) -> None:
    journal = await day(tmp_path / "j.db")
    if maker is MAKER:
        await journal.commit([("DELETE FROM checkpoints", [()])])
    state = json.loads(await state_before(Logbook(journal), MIX_T - 600.0, maker) or b"")
    assert isinstance((await Logbook(journal).standing(1))[0][1], Context)
    assert state[0] == T0  # the context, then a line each three minutes
    assert len(state) == 1 + 37
    await journal.close()


async def test_a_start_looks_for_alerts_no_further_back_than_one_may_stand(tmp_path: Path) -> None:
    journal = await day(tmp_path / "j.db")
    book, writes = Logbook(journal), Writes()
    old = Alert(t=T0, alert="sensor-silent", active=True, heard=True, priority=2, subject=Subject(bench="n", pot="p"))
    over = Alert(t=T0, alert="cup-kicking", active=False, heard=True, priority=1, subject=Subject(bench="n", cup="c"))
    writes.add_effect(3, 1, over)
    writes.add_effect(4, 1, old)
    writes.add_effect(5, 1, over)
    await journal.write(writes)
    sweep = Retention(journal, lambda: T0 + 10_800.0, lambda: False).sweep
    await sweep()
    assert await book.meta(ALERTS_SINCE) == "4"
    assert await book.standing_alerts() == [old]
    writes = Writes()
    writes.add_effect(6, 1, replace(old, active=False))
    await journal.write(writes)
    assert await book.standing_alerts() == []
    await sweep()
    assert await book.meta(ALERTS_SINCE) == "7"
    await journal.close()
