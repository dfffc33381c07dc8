"""What two ways without a model make of the kick scorecard's pours: the steepest heating, and the label's clock.

    PYTHONPATH=tests python tests/accuracy/kick_baselines.py 25      # as many resins as the scorecard has; about 5 min

The same resins, pours and seeds as each "kick found" row of the scorecard.  The steepest heating is the true one of the
cup's hottest resin, which a detector of the greatest slope can at best find; the clock is twice as slow for each 10 C
colder.  No watcher runs.
"""

from __future__ import annotations

import sys
from multiprocessing import Pool
from typing import NamedTuple

import numpy as np
from accuracy.kick_score import kicking
from accuracy.test_kick_accuracy import REPORT_FROM
from rehearsed.pours import CUPS, CupKind, DrawnPour, DrawnResin, draw_plan, draw_resin


class Found(NamedTuple):
    """Kind of cup; steepest and clock over the true time from mix to kick."""

    kind: str
    steepest: float
    clock: float


def baseline(resin: DrawnResin, drawn: DrawnPour) -> Found:
    """One pour by both ways."""
    assert drawn.kick_s is not None
    clock_s = resin.pot_life_s * 2.0 ** ((23.0 - drawn.room_c) / 10.0)
    return Found(drawn.plan.kind, drawn.hottest_s / drawn.kick_s, clock_s / drawn.kick_s)


def label_pours(job: tuple[int, int, str]) -> list[Found]:
    """The pours of one resin known by its label."""
    seed, pours, family = job
    resin = draw_resin(seed, family=family)
    return [baseline(resin, kicking(resin, seed * 100 + i, CUPS[i % 3])) for i in range(pours)]


def learned_pours(seed: int) -> dict[str, list[Found]]:
    """The pours a resin's lessons are tried on: its own lot, a new lot, another kind of cup."""
    resin, lot, new_lot = draw_resin(seed), draw_plan(seed).lot, draw_plan(seed + 31).lot
    kind: CupKind = CUPS[seed % 3] if seed % 2 else "witness"
    other: CupKind = "mixing" if kind == "witness" else "witness"
    todo = {
        "learned, one marked pour or six": [(10, kind, lot), (11, kind, lot)],
        "learned, six, a new lot": [(20, kind, new_lot), (21, kind, new_lot)],
        "learned, six, other cup": [(30, other, lot)],
    }
    return {
        name: [baseline(resin, kicking(resin, seed * 100 + n, k, speed)) for n, k, speed in cases]
        for name, cases in todo.items()
    }


def row(name: str, found: list[Found]) -> str:
    """One row of the table: p5..p95 of both, in % of the time to kick."""
    steepest, clock = (
        np.percentile([100.0 * (ratio - 1.0) for ratio in ratios], [5, 95])
        for ratios in ([f.steepest for f in found], [f.clock for f in found])
    )
    return f"| {name} | {len(found)} | {steepest[0]:+.1f}..{steepest[1]:+.1f} % | {clock[0]:+.1f}..{clock[1]:+.1f} % |"


def table(resins: int) -> list[str]:
    """The rows, in the scorecard's order."""
    with Pool(1) as pool:
        known = [
            f for got in pool.map(label_pours, [(REPORT_FROM + i, 12, "two-rate") for i in range(resins)]) for f in got
        ]
        residue = [f for f in known if f.kind == "residue"]
        out = [
            "| pours | n | steepest heating, p5..p95 | label's clock, p5..p95 |", "|---|---|---|---|",
            row("witness and mixing cups", [f for f in known if f.kind != "residue"]), row("residue cups", residue),
            row("residue cups that kick within 1.8 label clocks", [f for f in residue if f.clock > 0.55]),
        ]  # fmt: skip
        learned = pool.map(learned_pours, range(REPORT_FROM + 200, REPORT_FROM + 200 + (resins + 1) // 2))
        out += [row(name, [f for by_case in learned for f in by_case[name]]) for name in learned[0]]
        for family in ("two-step", "moisture"):
            jobs = [(REPORT_FROM + 700 + i, 6, family) for i in range((resins + 3) // 4)]
            out.append(row(f"outside the family, {family}", [f for got in pool.map(label_pours, jobs) for f in got]))
    return out


if __name__ == "__main__":
    print("\n".join(table(int(sys.argv[1]) if len(sys.argv) > 1 else 25)))
