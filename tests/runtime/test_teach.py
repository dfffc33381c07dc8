"""What the invented day teaches: hands, a pot's tight fills but not its leaking one, molds by their pulls."""

from __future__ import annotations

import asyncio
import shutil
import sqlite3
from pathlib import Path

import pytest

from benchd.core.bench import Bench
from benchd.core.findings import LoadOpened
from benchd.core.model import Subject
from benchd.core.model.learned import Learned
from benchd.plugins import load_settings
from benchd.runtime.bulletin import Bulletin, Posted
from benchd.runtime.history.past import learned_from
from benchd.runtime.history.teach import Teacher, lessons
from benchd.runtime.journal.journal import Journal

NIGHT_T = 1_767_571_200.0 + 22 * 3600.0


@pytest.fixture(scope="module")
def studio() -> Bench:
    return load_settings(Path(__file__).parents[2] / "config" / "bench.toml").bench


async def test_the_day_teaches_hands_pot_and_molds(day_journal: Path, studio: Bench) -> None:
    async with Journal(day_journal, read_only=True) as journal:
        found = await lessons(journal, studio, NIGHT_T)
    # the scenario: pours of 12 to 20 s a mold, lid 25 s, fills of about 30 s to the floor
    assert 10.0 <= (found.caster.pour_s or 0.0) <= 22.0
    assert found.caster.lid_s == pytest.approx(25.0, abs=4.0)
    assert found.pot("barrel").fill_s == pytest.approx(30.0, abs=5.0)
    # load 1 was tight for ten minutes, load 3 for six and a half until it was vented; load 2 leaked through a crumb
    assert found.pot("barrel").fills == 2
    assert set(found.molds) <= {mold.id for mold in studio.molds}
    assert all(abs(known.log_bias) < 1.0 for by in found.molds.values() for known in by.values())
    assert found.molds


@pytest.mark.wide
async def test_the_loop_is_not_held_up_while_it_reads(day_journal: Path, studio: Bench) -> None:
    turns, is_done = 0, False

    async def beat() -> None:
        nonlocal turns
        while not is_done:
            turns += 1
            await asyncio.sleep(0)

    async with Journal(day_journal, read_only=True) as journal:
        beating = asyncio.create_task(beat())
        await lessons(journal, studio, NIGHT_T)
        is_done = True
        await beating
    assert turns > 100  # some 24,000 lines are decoded: a turn for others at least every two hundred


@pytest.mark.wide
async def test_it_teaches_at_the_start_and_after_a_load(day_journal: Path, studio: Bench) -> None:
    bulletin, taught = Bulletin(), asyncio.Queue[Learned]()
    async with Journal(day_journal, read_only=True) as journal:
        teacher = Teacher(journal, bulletin, lambda: studio, lambda: NIGHT_T, taught.put_nowait, after_s=0.0)
        running = asyncio.create_task(teacher.run())
        async with asyncio.timeout(30.0):
            first = await taught.get()
            opened = LoadOpened(t=NIGHT_T, subject=Subject(bench="north", pot="barrel"), pours=(), number=4)
            bulletin.post([Posted(opened, 1)])
            assert await taught.get() == first
        running.cancel()
        await asyncio.wait([running])


@pytest.mark.parametrize(
    "damage",
    [
        "DROP TABLE effects",
        "INSERT INTO effects (number, seq, t, kind, name, body) VALUES (1, 1, 1767600000.0, 'finding', 'part_pulled', "
        """'{"finding": "part_pulled", "t": "soon"}')""",
        "INSERT INTO effects (number, seq, t, kind, name, body) VALUES (1, 1, 1767600000.0, 'finding', 'load_closed', "
        """'{"finding": "load_closed", "t": null}')""",
    ],
)
async def test_a_journal_that_cannot_be_read_teaches_nothing(tmp_path: Path, studio: Bench, damage: str) -> None:
    path = tmp_path / "j.db"
    async with Journal(path):
        pass
    db = sqlite3.connect(path)
    db.execute(damage)
    db.commit()
    db.close()
    assert await learned_from(path, NIGHT_T, studio) == Learned()
    taught = list[Learned]()
    async with Journal(path, read_only=True) as journal:
        teacher = Teacher(journal, Bulletin(), lambda: studio, lambda: NIGHT_T, taught.append, after_s=0.0)
        running = asyncio.create_task(teacher.run())
        await asyncio.sleep(0.3)
        assert not running.done()
        running.cancel()
        await asyncio.wait([running])
    assert taught == []


async def test_one_entry_cut_off_in_its_middle_costs_only_itself(
    day_journal: Path, tmp_path: Path, studio: Bench
) -> None:
    """An SD card may lose half a row: the other loads still teach."""
    path = tmp_path / "j.db"
    shutil.copyfile(day_journal, path)
    whole = await learned_from(path, NIGHT_T, studio)
    db = sqlite3.connect(path)
    found = db.execute("UPDATE effects SET body = substr(body, 1, 40) WHERE name = 'mold_poured' AND number = ("
                       "SELECT min(number) FROM effects WHERE name = 'mold_poured')").rowcount  # fmt: skip
    db.commit()
    db.close()
    assert found == 1
    now = await learned_from(path, NIGHT_T, studio)
    assert whole.caster.lid_s is not None
    assert now.caster.lid_s == whole.caster.lid_s
