"""What do a journal's loads teach: hands, lots as they age, molds as they wear?  The invented day, and a drawn year."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest
from core.bench_double import context
from nearly import nearly

from benchd.core.bench import Bench
from benchd.core.findings import Finding, Kicked, PartPulled, PourEnded, PourStarted
from benchd.core.learned.lot_drift import at_label_temp_s
from benchd.core.model import Mark, Subject
from benchd.core.model.learned import Learned, PotHabits
from benchd.plugins import load_settings
from benchd.runtime.history.lots import kicks_by_lot
from benchd.runtime.history.molds import histories
from benchd.runtime.history.past import learned_from, of_the_shelf, taught_before
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.rows import MinuteRow, Writes

T0 = 1_767_052_800.0  # 2025-12-30, the day R-07 was opened
NIGHT_T = 1_767_571_200.0 + 22 * 3600.0
DAY = 86_400.0


@pytest.fixture(scope="module")
def studio() -> Bench:
    return load_settings(Path(__file__).parents[2] / "config" / "bench.toml").bench


class Story:
    """A journal written finding by finding."""

    def __init__(self) -> None:
        self.writes, self.seq, self.number = Writes(), 0, 0

    def finds(self, finding: Finding) -> None:
        self.number += 1
        self.writes.add_effect(self.number, self.seq, finding)

    def marks(self, mark: Mark) -> None:
        self.seq += 1
        self.writes.add_input(self.seq, mark)

    def pours(self, t: float, *, molds: tuple[str, ...] = (), kick_s: float | None = None, room_c: float | None = None,
              b_g: float = 90.0) -> Subject:  # fmt: skip
        subject = Subject(bench="north", cup="cup-1", pour=f"cup-1-{int(t)}")
        self.finds(PourStarted(t=t, subject=subject, mix_t=t, lot="r-07", molds=molds, inferred=False, number=1,
                               a_g=100.0, b_g=b_g))  # fmt: skip
        if kick_s is not None:
            at = t + kick_s
            self.finds(Kicked(t=at, subject=subject, at=at, early=at, late=at, temp_c=None, basis="curve"))
        if room_c is not None:
            self.writes.minutes.append(MinuteRow("room-temperature", int(t // 60), 60, room_c, room_c, room_c))
        return subject

    async def kept(self, path: Path) -> Path:
        async with Journal(path) as journal:
            await journal.write(self.writes)
        return path


async def test_the_days_kicks_brought_to_23_degrees_are_the_lots_own(day_journal: Path, studio: Bench) -> None:
    async with Journal(day_journal, read_only=True) as journal:
        kicks = (await kicks_by_lot(journal, studio, 0.0, NIGHT_T))["r-07"]
    # the scenario: room 21.5, 22.8 and 24.1 C; the lot kicks at 165 s at 23 C, six days after it was opened
    assert [k.temp_c for k in kicks] == pytest.approx([21.5, 22.8, 24.1], abs=0.4)
    assert [at_label_temp_s(k.kick_s, k.temp_c, studio.lots[0].label) for k in kicks] == pytest.approx(
        [165] * 3, rel=0.04
    )
    assert [k.age_days for k in kicks] == pytest.approx([6.4, 6.5, 6.6], abs=0.15)


async def test_a_journal_teaches_hands_and_with_a_bench_its_shelf(day_journal: Path, studio: Bench) -> None:
    found = await learned_from(day_journal, NIGHT_T)
    assert (set(found.pots), found.molds, found.lots, found.silicones) == ({"barrel"}, {}, {}, {})
    assert found.caster.lid_s == pytest.approx(25.0, abs=4.0)  # the scenario's
    more = await learned_from(day_journal, NIGHT_T, studio)
    assert (more.caster, set(more.lots), more.silicones) == (found.caster, {"r-07"}, {})
    assert more.drift("r-07") is None  # three pours of one day: nothing clear


async def test_what_is_no_journal_teaches_nothing_and_so_does_what_is_long_ago(
    day_journal: Path, studio: Bench, tmp_path: Path
) -> None:
    spoilt = tmp_path / "journal.db"
    spoilt.write_bytes(b"no journal")
    assert await learned_from(spoilt, NIGHT_T, studio) == Learned()
    assert await learned_from(tmp_path / "none.db", NIGHT_T) == Learned()
    assert await learned_from(day_journal, NIGHT_T + 61 * DAY) == Learned()


async def test_a_watch_begins_with_all_that_the_run_before_had_learned(
    day_journal: Path, studio: Bench, tmp_path: Path
) -> None:
    last = Learned(pots={"barrel": PotHabits(fill_s=10.2)})
    story = Story()
    for t, learned in ((T0, Learned()), (T0 + 60.0, last)):
        story.seq += 1
        story.writes.add_input(story.seq, replace(context(studio, t), learned=learned))
    path = await story.kept(tmp_path / "journal.db")
    assert await taught_before(path, NIGHT_T) == last
    assert await taught_before(path, T0 + 61 * DAY) == Learned()
    without = await Story().kept(tmp_path / "empty.db")
    assert await taught_before(without, NIGHT_T) == await taught_before(tmp_path / "none.db", NIGHT_T) == Learned()


async def test_a_lot_that_slows_with_age_is_learned_from_its_pours_alone(studio: Bench, tmp_path: Path) -> None:
    story = Story()
    bench = replace(studio, lots=tuple(replace(lot, opened=T0) for lot in studio.lots))
    for n in range(12):
        room_c = 19.0 + n % 5
        at_23_s = 165.0 * math.exp(0.02 * 2 * n) * (1.03 if n % 2 else 0.97)
        story.pours(T0 + 2 * n * DAY, kick_s=at_23_s * 2 ** ((23.0 - room_c) / 10.0), room_c=room_c)
    story.pours(T0 + 5.5 * DAY, kick_s=30.0, room_c=21.0, b_g=120.0)  # weighed wrong: its kick is the ratio's
    undone = story.pours(T0 + 6.5 * DAY, kick_s=30.0, room_c=21.0)
    story.finds(PourEnded(t=T0 + 6.6 * DAY, subject=undone, why="undone"))
    story.pours(T0 + 7.5 * DAY, kick_s=30.0)  # nobody knows how warm it was
    async with Journal(await story.kept(tmp_path / "journal.db"), read_only=True) as journal:
        found = await of_the_shelf(Learned(), journal, bench, T0 + 30 * DAY)
    drift = found.drift("r-07")
    assert drift is not None
    assert (drift.pours, drift.per_day) == (12, nearly(0.02, abs=0.002))


async def test_the_first_part_that_sticks_is_a_molds_sign(studio: Bench, tmp_path: Path) -> None:
    story = Story()
    molds = tuple(replace(m, silicone="tin", casts_before=10) for m in studio.molds)
    bench = replace(studio, molds=molds)

    def out(t: float, pour: Subject, mold: str, feel: str, hard_s: float = 800.0) -> None:
        pulled = PartPulled(
            t=t, subject=pour.filled(mold=mold), mold=mold, resin="fast-white", after_s=900.0, feel=feel, green_s=500.0,
            hard_s=hard_s, log_bias=0.0, sd=0.1,
        )  # fmt: skip
        story.finds(pulled)
        story.marks(Mark(t=t, verb="demolded", id=f"{mold}{t}", mold=mold, feel=feel))

    for n in range(4):
        t = T0 + n * 7200.0
        pour = story.pours(t, molds=("m01", "m02", "m03"))
        out(t + 900.0, pour, "m01", "stuck" if n >= 2 else "hard")
        out(t + 930.0, pour, "m02", "stuck" if n >= 1 else "hard", hard_s=400.0)  # always left in too long
        out(t + 960.0, pour, "m03", "stuck" if n == 3 else "hard")
    story.marks(Mark(t=T0 + 3 * 7200.0 + 965.0, verb="undo", id="u"))  # the last one was a slip of the hand
    async with Journal(await story.kept(tmp_path / "journal.db"), read_only=True) as journal:
        found = {h.mold: (h.casts, h.before_sign) for h in await histories(journal, bench)}
    assert found["m01"] == (14, 12)
    assert found["m02"] == (14, None)
    assert found["m03"] == (14, None)
    assert found["m08"] == (10, None)
