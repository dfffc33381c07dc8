"""The damage table: every ailment at every strength, what became of kicks, pots, words and decoys.

    PYTHONPATH=tests python -m damage.table [--runs N] [--decoys N] [--first SEED] [--only AILMENT] [--beyond]
    PYTHONPATH=tests python -m damage.table --one AILMENT STRENGTH SUBJECT SEED       tells one case's story

Each cell takes a few subjects, the next cell the next ones, each with damage of a seed of its own; `--runs 16` takes
all.  `--building` leaves the reporting subjects alone: for whoever changes the watch.  With BENCHD_WRITE_SCORECARD=1
the table goes into tests/accuracy/README.md.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections import Counter
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from itertools import cycle, islice
from multiprocessing import get_context

from accuracy.card import put
from damage.chart import CHART, run
from damage.judge import Verdict, plain
from damage.subjects import BUILDING, BUILDING_DECOYS, REPORTING, REPORTING_DECOYS

KEPT_SHARE = 0.97

Job = tuple[str, str, float, int]
"""subject, ailment, strength, seed"""


@dataclass
class Cell:
    """The verdicts on one ailment, at one strength or at several: loads and decoys apart."""

    loads: list[tuple[Job, Verdict]] = field(default_factory=list)
    decoys: list[tuple[Job, Verdict]] = field(default_factory=list)

    def kept_pct(self, what: str) -> float:
        """Share kept of "kick" or "at_pressure", of the loads that have one [%]."""
        due = [got for _, v in self.loads if (got := getattr(v, what))]
        kept: int = sum(got == "kept" for got in due)
        return 100.0 * kept / max(1, len(due))

    def count(self, what: str, verdict: str) -> int:
        """How many loads have this verdict."""
        return sum(getattr(v, what) == verdict for _, v in self.loads)

    @property
    def new(self) -> Counter[str]:
        """Alerts that are new, by code: in how many recordings."""
        return Counter(c for _, v in self.loads + self.decoys for c in v.new_alerts)

    @property
    def broken(self) -> int:
        """Decoys taken for a kick or a load."""
        return sum(bool(v.false) for _, v in self.decoys)

    @property
    def restarts(self) -> int:
        """Restarts of the board that were told and were none."""
        return sum(v.restarts for _, v in self.loads + self.decoys)

    @property
    def late(self) -> int:
        """Kicks told later than 15 % of the time to kick."""
        return sum((v.told_late_pct or 0.0) > 15.0 for _, v in self.loads)

    @property
    def holds(self) -> bool:
        """Are all promises kept?"""
        pct = min(self.kept_pct("kick"), self.kept_pct("at_pressure"))
        is_kept = pct >= 100.0 * KEPT_SHARE and not self.count("kick", "lost")
        return is_kept and not self.new and not self.broken and not self.restarts


def jobs(ailment: str, strength: float, loads: int, decoys: int, first: int, building: bool = False) -> Iterator[Job]:
    """The cases of one cell; `first`: the first damage seed; building: the building subjects alone."""
    some = BUILDING if building else (*REPORTING, *BUILDING)
    fakes = BUILDING_DECOYS if building else REPORTING_DECOYS
    entry = CHART[ailment]
    turn = list(CHART).index(ailment) + (*entry.asked, *entry.beyond).index(strength)
    for i, name in enumerate(islice(cycle(some), turn, turn + loads)):
        yield name, ailment, strength, first + i
    for i, name in enumerate(islice(cycle(fakes), turn, turn + decoys)):
        yield name, ailment, strength, first + i


def judged(todo: Iterable[Job], processes: int = 1) -> Cell:
    """All verdicts of these cases."""
    todo, out = list(todo), Cell()
    if processes == 1:
        got = [run(*job) for job in todo]
    else:
        with ProcessPoolExecutor(processes, mp_context=get_context("fork")) as pool:
            got = list(pool.map(_run, todo, chunksize=4))
    for job, verdict in zip(todo, got, strict=True):
        (out.decoys if job[0].startswith("decoy") else out.loads).append((job, verdict))
    return out


def _run(job: Job) -> Verdict:
    return run(*job)


HEAD = (
    "| ailment | strength | loads | kick kept % | lost | told late | at pressure kept % | lost | new urgent alerts "
    "| decoys broken | false restarts |",
    "|---|---|---|---|---|---|---|---|---|---|---|",
)


def row(ailment: str, strength: float, cell: Cell) -> str:
    """One line of the table; a strength beyond what is asked stands in brackets."""
    entry = CHART[ailment]
    shown = f"{strength:g} {entry.unit}"
    shown = shown if strength in entry.asked else f"({shown})"
    new = ", ".join(f"{code} {count}" for code, count in cell.new.most_common()) or "-"
    return (
        f"| {ailment} | {shown} | {len(cell.loads)} | {cell.kept_pct('kick'):.0f} | {cell.count('kick', 'lost')} "
        f"| {cell.late} | {cell.kept_pct('at_pressure'):.0f} | {cell.count('at_pressure', 'lost')} | {new} "
        f"| {cell.broken} of {len(cell.decoys)} | {cell.restarts} |"
    )


def failures(cell: Cell) -> list[str]:
    """Each case that is not good, as a line that `--one` can be given."""
    return [_line(job, v) for job, v in cell.loads + cell.decoys if not v.is_good]


def _line(job: Job, v: Verdict) -> str:
    name, ailment, strength, seed = job
    kick = "-" if not v.kick else v.kick if v.kick_error_pct is None else f"{v.kick} {v.kick_error_pct:+.0f} %"
    off = "" if v.pressure_error_s is None else f" {v.pressure_error_s:+.1f} s"
    wrong = f"new {list(v.new_alerts)}, false {list(v.false)}, restarts {v.restarts}"
    return f"{ailment!r} {strength:g} {name!r} {seed}: kick {kick}, at pressure {v.at_pressure or '-'}{off}, {wrong}"


def _one(ailment: str, strength: str, name: str, seed: str) -> None:
    print(run(name, ailment, float(strength), int(seed)))
    print("undamaged:", plain(name))
    print("\n".join(run(name, ailment, float(strength), int(seed)).story))


def main(argv: list[str]) -> None:
    parser = argparse.ArgumentParser(prog="damage.table", description=__doc__)
    parser.add_argument("--runs", type=int, default=8)
    parser.add_argument("--decoys", type=int, default=4)
    parser.add_argument("--first", type=int, default=5000)
    parser.add_argument("--only", action="append", choices=list(CHART))
    parser.add_argument("--beyond", action="store_true", help="strengths beyond what is asked too")
    parser.add_argument("--building", action="store_true", help="the building subjects alone")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--failures", action="store_true", help="each case that is not good, on standard error")
    parser.add_argument("--one", nargs=4, metavar=("AILMENT", "STRENGTH", "SUBJECT", "SEED"))
    args = parser.parse_args(argv)
    if args.one:
        return _one(*args.one)
    rows = [*HEAD]
    print("\n".join(HEAD), flush=True)
    for ailment in args.only or CHART:
        entry = CHART[ailment]
        for strength in (*entry.asked, *(entry.beyond if args.beyond else ())):
            cell = judged(jobs(ailment, strength, args.runs, args.decoys, args.first, args.building), args.processes)
            rows.append(row(ailment, strength, cell))
            print(rows[-1], flush=True)
            if args.failures and (found := failures(cell)):
                print("\n".join(found), file=sys.stderr, flush=True)
    if os.environ.get("BENCHD_WRITE_SCORECARD"):
        put("damage table", rows)
    return None


if __name__ == "__main__":
    main(sys.argv[1:])
