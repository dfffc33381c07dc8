"""A journal and a recording that benchd 0.1.0 wrote still open, and go on.

The journal was left in mid-pour, as a kill leaves it, 150 s after the mix of the invented day's first load; its
checkpoints are of that version's own form.  The recording was exported from it, its state in its heading.
"""

from __future__ import annotations

import json
import lzma
import sqlite3
from pathlib import Path

import pytest
from runtime.journal_fakes import Watch, until, watching

from benchd import cli
from benchd.core.engine import Engine
from benchd.core.model import Gap, Line, Mark
from benchd.plugins import watcher_plan
from benchd.runtime.journal.reader import Logbook
from benchd.runtime.watch.recovery import EngineMaker, Recovered

HERE = Path(__file__).parent
MIX_T = 1_767_602_400.0


def old_file(name: str, folder: Path) -> Path:
    """A copy of a file of 0.1.0 that may be written to."""
    path = folder / name
    path.write_bytes(lzma.decompress((HERE / f"{name}.xz").read_bytes()))
    return path


class RealWatch(Watch):
    """A watch whose engine is benchd's own."""

    def _on_ready(self, recovered: Recovered) -> None:
        self.recovered = recovered
        self.ready.set()


MAKER = EngineMaker(
    lambda: Engine(watcher_plan), lambda blob, standing: Engine.thaw(blob, watcher_plan, standing)
)  # fmt: skip


async def test_the_watch_goes_on_where_a_journal_of_0_1_0_ends(tmp_path: Path) -> None:
    """Its checkpoints no longer fit: the inputs are replayed, the pour is open still, nothing is told twice."""
    path = old_file("journal-0.1.0.db", tmp_path)
    with sqlite3.connect(path) as before:
        (numbers,) = before.execute("SELECT max(number) FROM effects").fetchone()
        assert before.execute("SELECT count(*) FROM checkpoints").fetchone() == (3,)
    watch = RealWatch(path, maker=MAKER, t=MIX_T + 160.0)
    async with watching(watch):
        await until(watch.ready.is_set)
        assert watch.recovered.how == "silent"
        engine = watch.recovered.engine
        assert isinstance(engine, Engine)
        (pour,) = engine.books.pours
        assert pour.mix_t == pytest.approx(MIX_T, abs=2.0)
        assert (pour.molds, len(pour.poured)) == (("m02", "m03", "m06", "m01"), 4)
        watch.mailbox.put(Mark(t=MIX_T + 161.0, verb="note", text="gone on", id="n-1", by="cli"))
        await until(lambda: watch.pipeline.seq > 849)
    async with watch.journal as journal:
        told = [e async for e in Logbook(journal).effects(after_number=numbers)]
    assert [e.name for e in told].count("pour_started") == 0
    with sqlite3.connect(path) as after:
        assert after.execute("SELECT count(*) FROM effects WHERE name = 'pour_started'").fetchone() == (1,)


async def test_every_input_of_the_old_journal_is_read_as_it_was(tmp_path: Path) -> None:
    async with Watch(old_file("journal-0.1.0.db", tmp_path)).journal as journal:
        items = [item async for _, item in Logbook(journal).inputs(0, None)]
    kinds = [type(item) for item in items]
    assert len(items) == 849
    assert (kinds.count(Line), kinds.count(Mark), kinds.count(Gap)) == (845, 1, 0)


def test_a_recording_of_0_1_0_replays_and_says_what_it_lacks(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The state it carries is a pickle: never read, named with what it costs."""
    path = old_file("recording-0.1.0.jsonl", tmp_path)
    assert cli.main(["replay", str(path)]) == 0
    out, err = capsys.readouterr()
    assert "state carried by the recording left out" in err
    assert "what was known of its day" in err
    found = [json.loads(line).get("finding") for line in out.splitlines()]
    assert found.count("pour_started") == 1
    assert found.count("mold_poured") == 4
