"""How long does a report take after a year of casting, and how large is the journal then?  Printed, not asserted.

250 days of four loads each: what a daemon writes about them (findings, marks, minutes), drawn from seeds.  The plain
baseline of the same run reads every row of the same file once, as a script with sqlite3 and json would.
"""

from __future__ import annotations

import asyncio
import json
import random
import sqlite3
import time
from pathlib import Path
from typing import Literal

import pytest

from benchd.core.bench import Bench
from benchd.core.findings import (
    CupPeaked,
    Finding,
    HoldComplete,
    Kicked,
    LoadClosed,
    LoadOpened,
    PotAtPressure,
    PotHold,
    PotIsolated,
    PotLeaking,
    PotVented,
    PotVenting,
    PourEnded,
    PourStarted,
)
from benchd.core.model import Mark, Subject
from benchd.plugins import load_settings
from benchd.reports.index import make_report
from benchd.reports.writer import to_html, to_text
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.rows import MinuteRow, Writes

ROOT = Path(__file__).parents[2]
DAYS, LOADS = 250, 4
FIRST_T = 1_736_150_400.0  # 2025-01-06, a Monday
DAY_S = 86_400.0
ASKED = (("day", "last"), ("load", "last"), ("part", "last"), ("mold", "m01"), ("lot", "r-07"), ("leaks", "barrel"),
         ("scrap", "all"), ("shopping", "now"), ("tomorrow", "next"))  # fmt: skip


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


async def write_year(path: Path, bench: Bench) -> int:
    """The year's journal; returns its number of findings."""
    dice, molds, number, seq = random.Random(1), [m.id for m in bench.molds], 0, 0
    async with Journal(path) as journal:
        for day in range(DAYS):
            writes = Writes()
            for load in range(LOADS):
                found, marks = load_of(FIRST_T + day * DAY_S + 32_400.0 + 5_400.0 * load, load + 1, dice, molds)
                things: list[Finding | Mark] = sorted([*found, *marks], key=lambda thing: thing.t)
                for thing in things:
                    if isinstance(thing, Mark):
                        seq += 1
                        writes.add_input(seq, thing)
                    else:
                        number += 1
                        writes.add_effect(number, seq, thing)
            first = int((FIRST_T + day * DAY_S) // 60)
            for channel in bench.channels:
                writes.minutes += [MinuteRow(channel.id, first + m, 60, 20.0, 21.0, 22.0) for m in range(480, 1080)]
            await journal.write(writes)
    return number


@pytest.fixture(scope="module")
def year(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Bench, int]:
    path = tmp_path_factory.mktemp("year") / "journal.db"
    bench = load_settings(ROOT / "config" / "bench.toml").bench
    return path, bench, asyncio.run(write_year(path, bench))


def plain_pass_s(path: Path) -> float:
    """The baseline: every finding and mark read and parsed once."""
    began_s = time.perf_counter()
    db = sqlite3.connect(path)
    rows = 0
    for table in ("effects", "inputs"):
        for (body,) in db.execute(f"SELECT body FROM {table}"):
            rows += bool(json.loads(body))
    db.close()
    assert rows > DAYS * LOADS * 10
    return time.perf_counter() - began_s


async def report_s(path: Path, bench: Bench, kind: str, id: str) -> tuple[float, int]:
    began_s = time.perf_counter()
    async with Journal(path, read_only=True) as journal:
        document = await make_report(journal, bench, kind, id, FIRST_T + DAYS * DAY_S)
        text = to_text(document) + to_html(document)
    return time.perf_counter() - began_s, len(text)


def test_every_report_after_a_year(year: tuple[Path, Bench, int], capsys: pytest.CaptureFixture[str]) -> None:
    path, bench, findings = year
    plain_s = plain_pass_s(path)
    took = {kind: asyncio.run(report_s(path, bench, kind, id)) for kind, id in ASKED}
    assert all(size > 1000 for _, size in took.values())
    assert findings > DAYS * LOADS * 15
    with capsys.disabled():
        told = ", ".join(f"{kind} {s:.2f} s ({s / plain_s:.1f})" for kind, (s, _) in took.items())
        print(f"\n  measured: {findings} findings of a year, {path.stat().st_size / 1e6:.0f} MB; {told}")
        print(f"  (in brackets: over one plain pass through the rows, {plain_s:.2f} s)")
