"""The families' card: forecasts judged on resins that neither the product nor its simulated bench knows.

    PYTHONPATH=tests python tests/accuracy/family_table.py kick 25 4        25 resins of each family, 4 pours of each
    PYTHONPATH=tests python tests/accuracy/family_table.py learned 12 3     six marked pours, then 3 new ones
    PYTHONPATH=tests python tests/accuracy/family_table.py ready 12 3       parts of 3 to 25 mm, from the label
    PYTHONPATH=tests python tests/accuracy/family_table.py doubt 12 2       labels right, and twice and half the truth

Each row says which family was left out of what the windows were set on (chosen on seeds below 100; reported from 1000);
its pours have the windows that the other three make.
Beside each: the label's clock (twice as slow for each 10 C colder), its window calibrated on the other families, and a
detector of the steepest heating, which foretells nothing.  Interval score: Gneiting and Raftery, J Am Stat Assoc 102
(2007) 359, for 90 %, over the time to the kick: the width, and 20 times what lies outside.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from itertools import chain
from multiprocessing import get_context
from typing import TypeVar
from unittest.mock import patch

import numpy as np
from accuracy.family_parts import PartTold, parts_told
from accuracy.family_score import SHARES, Told, label_of, learned_told, told
from rehearsed.families import FAMILIES, draw
from rehearsed.family_pours import THICK_MM, pour_of

from benchd.physics import kick_window, mold_factor

FIRST = 1000
DOUBT_FIRST = 1200
WITHOUT: dict[str, tuple[tuple[tuple[float, float, float], ...], float]] = {
    "two-rate": (((0.6, 1.13, 1.0), (9.0, 1.07, 1.18)), 0.069),
    "delayed": (((0.6, 1.13, 1.0), (9.0, 1.0, 1.0)), 0.061),
    "diffusion": (((0.6, 1.13, 1.0), (9.0, 1.07, 1.18)), 0.069),
    "moisture": (((0.6, 1.0, 1.0), (9.0, 1.07, 1.18)), 0.069),
}
"""WIDER and LEAST_KICK of physics/kick_window.py as they are without each family (fit_windows.py kick 0 40)."""
WITHOUT_EDGES: dict[str, tuple[tuple[float, float, float], ...]] = {
    "two-rate": ((3.0, 1.15, 1.21), (6.0, 1.36, 1.17), (12.0, 1.05, 1.16), (20.0, 1.0, 1.07)),
    "delayed": ((3.0, 1.0, 1.09), (6.0, 1.13, 1.17), (12.0, 1.1, 1.06), (20.0, 1.01, 1.0)),
    "diffusion": ((3.0, 1.15, 1.21), (6.0, 1.36, 1.17), (12.0, 1.1, 1.16), (20.0, 1.01, 1.07)),
    "moisture": ((3.0, 1.15, 1.21), (6.0, 1.36, 1.0), (12.0, 1.1, 1.16), (20.0, 1.01, 1.07)),
}
"""EDGES of physics/mold_factor.py as they are without each family (fit_windows.py ready 0 60)."""
Job = tuple[str, int, int]
T = TypeVar("T")


def kick_job(job: Job) -> list[Told]:
    """One resin from its label alone."""
    family, seed, pours = job
    resin = draw(family, seed)
    drawn = (pour_of(resin, seed * 100 + i) for i in range(pours))
    wider, least_kick = WITHOUT[family]
    with patch.multiple(kick_window, WIDER=wider, LEAST_KICK=least_kick):
        return [told(pour, label_of(resin)) for pour in drawn if pour is not None]


def ready_job(job: Job) -> list[PartTold]:
    """One resin's parts from its label, and from its data sheet too."""
    with patch.object(mold_factor, "EDGES", WITHOUT_EDGES[job[0]]):
        return parts_told(job)


def doubt_job(job: Job) -> list[tuple[float, Told]]:
    """One resin's pours under labels that are right, twice and half the truth: (label over truth, told)."""
    family, seed, pours = job
    moved = seed + DOUBT_FIRST - FIRST
    resin = draw(family, moved)
    drawn = [pour for i in range(pours) if (pour := pour_of(resin, moved * 100 + i)) is not None]
    right = [(1.0, told(pour, label_of(resin))) for pour in drawn]
    return right + [(wrong, told(drawn[0], label_of(resin, wrong))) for wrong in (2.0, 0.5) if drawn]


def many(work: Callable[[Job], list[T]], resins: int, pours: int) -> list[T]:
    """All results, by as many processes as there are cores."""
    jobs = [(family, FIRST + i, pours) for family in FAMILIES for i in range(resins)]
    with ProcessPoolExecutor(mp_context=get_context("fork")) as pool:
        return list(chain.from_iterable(pool.map(work, jobs)))


def errors_pct(rows: Sequence[Told], share: float) -> np.ndarray:
    """|error| of the forecast standing at a share of the time to the kick, % of that time."""
    at = SHARES.index(share)
    return np.array([100.0 * abs(row.forecasts[at][1] - 1.0) for row in rows])


def held_pct(rows: Sequence[Told], share: float) -> float:
    """How many windows hold the kick [%]."""
    at = SHARES.index(share)
    return 100.0 * float(np.mean([row.forecasts[at][0] <= 1.0 <= row.forecasts[at][2] for row in rows]))


def width_pct(rows: Sequence[Told], share: float) -> float:
    """Median width of the windows [% of the time to the kick]."""
    at = SHARES.index(share)
    return 100.0 * float(np.median([row.forecasts[at][2] - row.forecasts[at][0] for row in rows]))


def interval_score(windows: Iterable[tuple[float, float]]) -> float:
    """Mean 90 % interval score of (early, late) over the truth."""
    each = [late - early + 20.0 * (max(0.0, early - 1.0) + max(0.0, 1.0 - late)) for early, late in windows]
    return float(np.mean(each))


def clock_windows(rows: Sequence[Told], others: Sequence[Told], share: float) -> list[tuple[float, float]]:
    """The label's clock with the factors that hold 90 % of the other families' kicks, cut at the moment it is told."""
    low, high = np.percentile([1.0 / row.clock for row in others], [5.0, 95.0])
    return [(max(share, row.clock * float(low)), max(share, row.clock * float(high))) for row in rows]


def kick_rows(rows: Sequence[Told]) -> list[str]:
    """The card's rows, one a family."""
    out = [
        "| left out | pours | clock: median / p90 % | half time | holds, width | 70 % | holds, width "
        "| interval score: ours, clock | found p5..p95 | its window holds | late or missed | steepest: p5..p95 "
        "| right labels doubted |",
        "|" + "---|" * 13,
    ]
    for family in FAMILIES:
        own, others = ([r for r in rows if (r.family == family) is is_own] for is_own in (True, False))
        clock = [100.0 * abs(r.clock - 1.0) for r in own]
        at = SHARES.index(0.7)
        ours = interval_score((r.forecasts[at][0], r.forecasts[at][2]) for r in own)
        found = [100.0 * (r.found - 1.0) for r in own if r.found is not None]
        cells = [
            family, str(len(own)), _two(clock), _two(errors_pct(own, 0.5)),
            f"{held_pct(own, 0.5):.0f}, {width_pct(own, 0.5):.0f} %", _two(errors_pct(own, 0.7)),
            f"{held_pct(own, 0.7):.0f}, {width_pct(own, 0.7):.0f} %",
            f"{ours:.2f}, {interval_score(clock_windows(own, others, 0.7)):.2f}",
            "{:+.0f}..{:+.0f} %".format(*np.percentile(found, [5, 95])),
            f"{100.0 * float(np.mean([r.held for r in own if r.found is not None])):.0f} %",
            str(sum(r.told_at is None or r.told_at > 1.15 for r in own)),
            "{:+.0f}..{:+.0f} %".format(*np.percentile([100.0 * (r.steepest - 1.0) for r in own], [5, 95])),
            f"{100.0 * float(np.mean([r.doubted for r in own])):.0f} %",
        ]  # fmt: skip
        out.append("| " + " | ".join(cells) + " |")
    return out


def learned_rows(rows: Sequence[tuple[Told, Told]]) -> list[str]:
    """Rows of (label alone, after six marked pours) of the same pours."""
    out = ["| family | pours | half time: label | learned | holds at 50, 70, 85 % | late or missed: label, learned |",
           "|" + "---|" * 6]  # fmt: skip
    for family in FAMILIES:
        label, after = ([pair[i] for pair in rows if pair[0].family == family] for i in (0, 1))
        held = ", ".join(f"{held_pct(after, share):.0f}" for share in (0.5, 0.7, 0.85))
        late = (sum(r.told_at is None or r.told_at > 1.15 for r in each) for each in (label, after))
        out.append(f"| {family} | {len(after)} | {_two(errors_pct(label, 0.5))} | {_two(errors_pct(after, 0.5))} "
                   f"| {held} | {', '.join(str(n) for n in late)} |")  # fmt: skip
    return out


def doubt_rows(rows: Sequence[tuple[float, Told]]) -> list[str]:
    """Rows of labels doubted, one a family, beside what the known kick would tell at 3 % of right labels doubted."""
    out = ["| family | right labels | doubted | wrong labels | said by 70 % | were the kick known | sd of ln kick over "
           "label |", "|" + "---|" * 7]  # fmt: skip
    for family in (*FAMILIES, "all"):
        own = [(wrong, row) for wrong, row in rows if family in ("all", row.family)]
        if not own:
            continue
        right, wrong = [row for x, row in own if x == 1.0], [(x, row) for x, row in own if x != 1.0]
        off = np.array([np.log(row.expected) for row in right])
        bar = float(np.percentile(np.abs(off), 97.0))
        best = float(np.mean([np.sign(np.log(x)) * np.log(row.expected) > bar for x, row in wrong]))
        said, false = (100.0 * float(np.mean([row.doubted for row in each])) for each in ([r for _, r in wrong], right))
        out.append(f"| {family} | {len(right)} | {false:.1f} % | {len(wrong)} | {said:.0f} % | {100.0 * best:.0f} % "
                   f"| {off.std():.2f} |")  # fmt: skip
    return out


def ready_rows(rows: Sequence[PartTold]) -> list[str]:
    """Rows of parts, one a family and thickness, and one of each family's 3 to 12 mm."""
    what = "median %, holds %, late edge > 5 % early %, over-wait at the likely time and at the late edge %"
    out = [f"| family | mm | parts | from the label: {what} | with its heat deflection temperature: the same |",
           "|" + "---|" * 5]  # fmt: skip
    groups = [(f"{mm:.0f}", (mm,)) for mm in THICK_MM] + [("3 to 12", THICK_MM[:3])]
    for family in (*FAMILIES, "all"):
        for name, thick in groups:
            own = [r for r in rows if family in (r.family, "all") and r.thick_mm in thick]
            cells = [_windows([(each(r), r.true) for r in own]) for each in (_by_label, _by_sheet)]
            out.append(f"| {family} | {name} | {len(own)} | {cells[0]} | {cells[1]} |")
    return out


def _windows(told_true: Sequence[tuple[tuple[float, float, float], float]]) -> str:
    error = _median_pct([abs(likely / true - 1.0) for (_, likely, _), true in told_true])
    held = float(np.mean([early <= true <= late for (early, _, late), true in told_true]))
    early = float(np.mean([late < 0.95 * true for (_, _, late), true in told_true]))
    waits = [_median_pct([told[i] / true - 1.0 for told, true in told_true]) for i in (1, 2)]
    return f"{error:.0f}, {100 * held:.0f}, {100 * early:.0f}, {waits[0]:+.0f} {waits[1]:+.0f}"


def _by_label(part: PartTold) -> tuple[float, float, float]:
    return part.early, part.likely, part.late


def _by_sheet(part: PartTold) -> tuple[float, float, float]:
    return part.with_sheet


def _median_pct(values: Sequence[float]) -> float:
    return 100.0 * float(np.median(values))


def _two(values: Sequence[float] | np.ndarray) -> str:
    return "{:.1f} / {:.1f}".format(*np.percentile(values, [50, 90]))


def main(what: str, resins: int, pours: int) -> None:
    """Print one card."""
    match what:
        case "kick":
            rows = kick_rows(many(kick_job, resins, pours))
        case "learned":
            rows = learned_rows(many(learned_told, resins, pours))
        case "doubt":
            rows = doubt_rows(many(doubt_job, resins, pours))
        case "ready":
            rows = ready_rows(many(ready_job, resins, pours))
        case _:
            raise SystemExit(f"no card {what!r}: kick, learned, ready or doubt")
    print("\n".join(rows))


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))
