"""Which words come when a pot is vented or filled by hand, over rehearsed pots of 10, 13 and 60 L?

The small version runs always and checks the rules; `pytest -m accuracy tests/accuracy/test_hand_words.py` plays the
whole and, with BENCHD_WRITE_SCORECARD=1, writes its tables.  What a hand does (12 to 180 s, at one turn, evenly by the
dial, in steps) is invented; that a vent takes 20 to 60 s is common practice, no source.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from functools import cache
from itertools import product
from multiprocessing import Pool

import pytest
from accuracy.card import put
from hand_words import Played, Stage, codes, filled, held, mixed, spec_of, vented
from rehearsed.hands import Hand
from some_of import some_of

HANDS: tuple[Hand, ...] = ("turn", "even", "steps")
STAGES: tuple[Stage, ...] = ("done", "gelled", "begun")
SEED = 5
GROUPS = ((12.0, 20.0), (45.0, 60.0), (120.0, 180.0))
POTS = 4
FILLS_S = (12.0, 20.0, 30.0, 45.0, 60.0, 90.0, 120.0, 180.0)
VENTS = {"vented", "vent-too-fast"}
IN_STEPS = {"pot-letting-go"}
"""Each step of a vent of 12 or 20 s is faster than any hand's."""
ALLOWED: dict[tuple[Stage, bool], set[str]] = {
    ("done", False): VENTS,
    ("done", True): VENTS,
    ("gelled", False): {*VENTS, "vent-early", *IN_STEPS},
    ("gelled", True): {*VENTS, "vent-early"},
    ("begun", True): {*VENTS, "vent-early", "hold-lost"},
    ("begun", False): {*VENTS, "pot-losing", "pot-letting-go", "pot-leaking-fast", "hold-lost", "pot-below-floor"},
}
"""(how far the hold has come, marked) -> the words that are right.  Before the gel an unmarked vent may be a failing
seal: one alarm fits both, and only what no hand does is called letting go."""
PARTS = {"part-test", "part-due", "part-due-green", "part-going-hard"}
"""A part's own time may come while its pot is vented, whatever the hand does."""
NEVER = {"gauge-dropped", "pot-creeping", "pot-not-filling", "port-clogged", "tap-on-hose"}


@dataclass
class Row:
    """What was said in how many vents of one kind."""

    runs: int = 0
    words: Counter[str] = field(default_factory=Counter)

    def cell(self) -> str:
        said = (f"{code} {n}" for code, n in sorted(self.words.items(), key=lambda w: (-w[1], w[0])))
        return f"{self.runs}: " + ", ".join(said)


Case = tuple[int, Stage, bool]
"""(pot, how far the hold has come, fed)."""


@cache
def start(case: Case) -> Played:
    pot, stage, fed = case
    return held(spec_of(6, SEED)[pot], pot, fed=fed, stage=stage)


def vents(job: tuple[Case, bool, tuple[float, ...]]) -> Row:
    """One pot from one hold, vented by each hand in each of these times [s]."""
    case, marked, times = job
    row = Row()
    for in_s, hand in product(times, HANDS):
        said = codes(vented(start(case), in_s, hand, marked=marked))
        row.runs += 1
        row.words.update(said)
    return row


def total(rows: list[Row]) -> Row:
    out = Row()
    for row in rows:
        out.runs += row.runs
        out.words.update(row.words)
    return out


def check(stage: Stage, marked: bool, row: Row) -> None:
    """The rules of every vent: it is said that it is over, and nothing that can't be."""
    assert row.words["vented"] == row.runs
    assert not NEVER & set(row.words)
    assert set(row.words) <= ALLOWED[stage, marked] | PARTS


@pytest.mark.parametrize("marked", some_of([False, True], 1))
@pytest.mark.parametrize("stage", some_of(STAGES, 1))
@pytest.mark.parametrize("pot", some_of([0, 1], 1))
def test_a_few_vents_by_hand_bring_the_right_words(pot: int, stage: Stage, marked: bool) -> None:
    """Pots of 10 and of 60 L."""
    check(stage, marked, vents(((pot, stage, False), marked, (12.0, 45.0, 180.0))))


@pytest.mark.parametrize("pot", some_of([0, 1], 1))
def test_a_few_fills_by_hand_bring_the_right_words(pot: int) -> None:
    begun = mixed(spec_of(6, SEED)[pot], pot)
    for in_s in (12.0, 45.0, 180.0):
        check_fill(in_s, filled(begun, in_s))


def check_fill(in_s: float, said: list[tuple[float, str, str]]) -> None:
    assert set(codes(said)) <= {"past-floor", "at-pressure", "cools-low", "pot-jet", "shut-inlet"}
    up = [s for s, code, _ in said if code in ("at-pressure", "cools-low")]
    assert len(up) == 1
    assert up[0] <= in_s + 10.0


def fills(pot: int) -> list[Row]:
    """One pot filled by hand in each of FILLS_S [s], then fed and shut for four minutes."""
    begun, rows = mixed(spec_of(6, SEED)[pot], pot), []
    for in_s in FILLS_S:
        said = filled(begun, in_s)
        check_fill(in_s, said)
        rows.append(Row(1, Counter(codes(said))))
    return rows


@pytest.mark.accuracy
@pytest.mark.timeout(1800)
def test_all_vents_by_hand() -> None:
    kinds = list(product(STAGES, (True, False), (False, True)))
    jobs = [((pot, stage, fed), mark, times) for stage, fed, mark in kinds for times in GROUPS for pot in range(POTS)]
    with Pool(2) as pool:
        got = iter(pool.map(vents, jobs, chunksize=POTS))
    lines = [
        "| hold | inlet | marked | in 12 and 20 s | in 45 and 60 s | in 120 and 180 s |",
        "|---|---|---|---|---|---|",
    ]
    for stage, fed, marked in kinds:
        groups = [total([next(got) for _ in range(POTS)]) for _ in GROUPS]
        for row in groups:
            check(stage, marked, row)
        head = f"{stage} | {'fed' if fed else 'shut'} | {'yes' if marked else 'no'}"
        lines.append(f"| {head} | " + " | ".join(row.cell() for row in groups) + " |")
    put("vents by hand", lines)


@pytest.mark.accuracy
@pytest.mark.timeout(1800)
def test_all_fills_by_hand() -> None:
    with Pool(2) as pool:
        rows = [total(list(same)) for same in zip(*pool.map(fills, range(POTS)), strict=True)]
    lines = ["| filled in | words |", "|---|---|"]
    lines += [f"| {in_s:.0f} s | {row.cell()} |" for in_s, row in zip(FILLS_S, rows, strict=True)]
    put("fills by hand", lines)
