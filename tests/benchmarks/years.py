"""Writes the journal of a bench that was used for years: what a daemon writes, drawn from seeds, by one command.

250 casting days a year of four loads each: findings, alerts with their acknowledgements, words, marks with their
answers, one-minute values of every channel, a context a day, and a load's raw lines in a block (a recorded load's own;
of all loads but the last its bytes are copied, since nothing but a backup reads them).  Molds wear and begin to stick.

    PYTHONPATH=tests python -m benchmarks.years YEARS JOURNAL
"""

from __future__ import annotations

import asyncio
import itertools
import json
import lzma
import random
import sys
from dataclasses import replace
from pathlib import Path
from typing import Literal

from benchd.core.bench import Bench
from benchd.core.findings import (
    CupPeaked,
    Finding,
    HoldComplete,
    Kicked,
    LoadClosed,
    LoadOpened,
    PartPulled,
    PotAtPressure,
    PotHold,
    PotIsolated,
    PotLeaking,
    PotVented,
    PotVenting,
    PourEnded,
    PourStarted,
)
from benchd.core.format.record import from_record
from benchd.core.model import Alert, Line, Mark, MarkAnswer, Subject, Utterance
from benchd.plugins import load_settings
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.packed_lines import SeqLine, pack
from benchd.runtime.journal.rows import Event, MinuteRow, Writes
from benchd.settings import Loaded

ROOT = Path(__file__).parents[2]
DAYS_A_YEAR, LOADS = 250, 4
END_T = 1_767_571_200.0  # 2026-01-05: every journal ends here, however long it is
DAY_S = 86_400.0
LINES_WHOLE = 12  # loads at the end whose raw lines can be decoded: what lessons and an export read
STICKS_AFTER = (25, 60)  # casts of a mold before its parts stick
ALERTS = ("cup-kicking", "pot-leaking-slow", "hold-complete", "mold-ready")
WORDS = "Barrel at pressure, thirty seconds before the kick."


def load_of(t: float, number: int, dice: random.Random, molds: list[str]) -> tuple[list[Finding], list[Mark]]:
    """One load mixed at t: its findings in order, and the marks of its parts."""
    pour, load = f"cup-1-{int(t)}", f"barrel-{int(t) + 115}"
    about = Subject(bench="north", pot="barrel", cup="cup-1", pour=pour, load=load)
    kick_t, up_t = t + dice.gauss(175.0, 12.0), t + dice.gauss(140.0, 6.0)
    cast = tuple(dice.sample(molds, 3))
    found: list[Finding] = [
        PourStarted(t=t, subject=about, mix_t=t, lot="r-07", molds=cast, inferred=False, number=number, a_g=150.0,
                    b_g=135.0),
        LoadClosed(t=t + 115, subject=about, pours=(pour,), number=number),
        PotAtPressure(t=up_t + 5, subject=about, kpa=260.0, since=up_t, margin_s=kick_t - up_t),
        Kicked(t=kick_t + 8, subject=about, at=kick_t, early=kick_t - 9, late=kick_t + 9, temp_c=115.0, basis="curve"),
        CupPeaked(t=kick_t + 60, subject=about, at=kick_t + 50, temp_c=130.0),
        PotIsolated(t=t + 270, subject=about, since=t + 270, by="mark"),
    ]  # fmt: skip
    leaks = dice.random() < 0.1
    for minute in range(9):
        verdict: Literal["slow", "tight-to"] = "slow" if leaks else "tight-to"
        found.append(PotHold(t=t + 330 + 60 * minute, subject=about, verdict=verdict, kpa=285.0, kpa_per_min=1.0,
                             low=0.5, high=1.5, smallest_seen=1.4))  # fmt: skip
        if leaks:
            found.append(PotLeaking(t=t + 330 + 60 * minute, subject=about, verdict="slow", kpa_per_min=2.0, low=1.0,
                                    high=3.0, conductance_m3_s_pa=1e-11, hole_mm=0.1, floor_at=None, matters=False,
                                    active=True))  # fmt: skip
    found += [
        HoldComplete(t=t + 640, subject=about, since=up_t, min_kpa=280.0),
        PotVenting(t=t + 700, subject=about, kpa=270.0, kpa_per_min=-80.0, before_hold_complete=False, active=True),
        PotVented(t=t + 740, subject=about, kpa=2.0, near_zero=True, vent_s=40.0),
        LoadOpened(t=t + 740, subject=about, pours=(pour,), number=number),
        PourEnded(t=t + 1900, subject=about, why="demolded"),
    ]
    grades = dice.choices(["good", "second", "scrap"], [88, 7, 5], k=3)
    marks = [
        Mark(t=t + 1200 + 300 * i, verb="demolded", id=f"{pour}-{mold}", mold=mold, pour=pour, feel="hard", grade=grade,
             cause=None if grade == "good" else dice.choice(["trap", "foam", "pinhole", "soft"]))
        for i, (mold, grade) in enumerate(zip(cast, grades, strict=True))
    ]  # fmt: skip
    return found, marks


def words_of(found: list[Finding], marks: list[Mark]) -> list[Event]:
    """What is said of a load: four alerts raised, acknowledged and ended, six utterances, an answer for each mark."""
    about, t = found[0].subject, found[0].t
    said: list[Event] = []
    for n, code in enumerate(ALERTS):
        alert = Alert(t=t + 200 + 100 * n, alert=code, active=True, heard=False, priority=2, subject=about, text=WORDS)
        said += [
            alert,
            replace(alert, t=alert.t + 20, heard=True),
            replace(alert, t=alert.t + 60, heard=True, active=False),
        ]
    said += [
        Utterance(t=t + 30 + 110 * n, say=WORDS, priority=3, tone="calm", say_until=t + 60 + 110 * n, subject=about)
        for n in range(6)
    ]
    said += [MarkAnswer(t=mark.t, id=mark.id, verb=mark.verb, ok=True, why="") for mark in marks]
    said += [
        PartPulled(t=mark.t, subject=replace(about, mold=mark.mold), mold=str(mark.mold), resin="fast-white",
                   after_s=mark.t - t, feel="hard", green_s=900.0, hard_s=1200.0, log_bias=0.02, sd=0.2)
        for mark in marks
    ]  # fmt: skip
    return said


class Wear:
    """Counts each mold's casts; past its life its parts stick, now and then."""

    def __init__(self, dice: random.Random) -> None:
        self._dice, self._casts, self._lives = dice, dict[str, int](), dict[str, int]()

    def worn(self, mark: Mark) -> Mark:
        mold = str(mark.mold)
        self._casts[mold] = self._casts.get(mold, 0) + 1
        life = self._lives.setdefault(mold, self._dice.randint(*STICKS_AFTER))
        is_stuck = self._casts[mold] > life and self._dice.random() < 0.2
        return replace(mark, feel="stuck", text="it stuck") if is_stuck else mark


class Years:
    """Writes day after day into one journal."""

    def __init__(self, loaded: Loaded, molds: int | None = None) -> None:
        self.loaded, self.dice, self.numbers, self.seq = loaded, random.Random(1), itertools.count(1), 0
        self.molds = [mold.id for mold in loaded.bench.molds][:molds]
        self.wear = Wear(self.dice)
        with lzma.open(ROOT / "tests" / "recordings" / "load-1.jsonl.xz", "rt") as file:
            items = [from_record(json.loads(text)) for text in itertools.islice(file, 1, None)]
        self.lines = [item for item in items if isinstance(item, Line)]
        self.block = pack(list(enumerate(self.lines, 1)))

    def day(self, first_t: float, is_whole: bool) -> tuple[Writes, list[tuple[object, ...]]]:
        """One day's rows, and its blocks of raw lines; is_whole: they can be decoded."""
        writes, blocks = Writes(), list[tuple[object, ...]]()
        self.seq += 1
        writes.add_input(self.seq, self.loaded.context(first_t))
        for load in range(LOADS):
            t = first_t + 32_400.0 + 5_400.0 * load
            blocks.append(self._block(t, is_whole))
            found, marks = load_of(t, load + 1, self.dice, self.molds)
            marks = [self.wear.worn(mark) for mark in marks]
            things: list[Event | Mark] = sorted([*found, *marks, *words_of(found, marks)], key=lambda thing: thing.t)
            for thing in things:
                if isinstance(thing, Mark):
                    self.seq += 1
                    writes.add_input(self.seq, thing)
                else:
                    writes.add_effect(next(self.numbers), self.seq, thing)
        first = int(first_t // 60)
        for channel in self.loaded.bench.channels:
            writes.minutes += [MinuteRow(channel.id, first + m, 60, 20.0, 21.0, 22.0) for m in range(480, 1080)]
        return writes, blocks

    def _block(self, mix_t: float, is_whole: bool) -> tuple[object, ...]:
        first, shift_s = self.seq + 1, mix_t - 60.0 - self.lines[0].t
        self.seq += len(self.lines)
        body = self.block
        if is_whole:
            rows: list[SeqLine] = [(first + n, replace(one, t=one.t + shift_s)) for n, one in enumerate(self.lines)]
            body = pack(rows)
        last_t = self.lines[-1].t + shift_s
        return (first, self.seq, self.lines[0].t + shift_s, last_t, len(self.lines), body)


async def write_years(path: Path, years: float, bench_file: Path = ROOT / "config" / "bench.toml") -> Bench:
    """Write the journal of `years`, ended cleanly; returns its bench."""
    loaded = load_settings(bench_file)
    writer, days = Years(loaded), max(1, round(years * DAYS_A_YEAR))
    async with Journal(path) as journal:
        await journal.rows("PRAGMA synchronous=OFF")
        for day in range(days):
            first_t = END_T - DAY_S * ((days - day) * 365 // DAYS_A_YEAR)
            writes, blocks = writer.day(first_t, is_whole=day >= days - LINES_WHOLE // LOADS)
            await journal.commit([*writes.statements(), ("INSERT INTO blocks VALUES (?, ?, ?, ?, ?, ?)", blocks)])
    return loaded.bench


if __name__ == "__main__":
    asyncio.run(write_years(Path(sys.argv[2]), float(sys.argv[1])))
