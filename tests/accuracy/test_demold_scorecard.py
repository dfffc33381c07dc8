"""How good are the molds' forecasts on resins and molds never built on?  The demold rows of the cure's scorecard.

    pytest -m accuracy -s tests/accuracy/test_demold_scorecard.py

Truth: rehearsal's two-rate resins, vitrification, lots, weighing errors, film and wall drawn (tests/mold_population.py;
reporting seeds from 1000).  Errors are shares of the true time from the mix.  Baseline: the label's demold time alone.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from functools import cache

import numpy as np
import pytest
from accuracy.card import put
from mold_bench import T0, Scored, cups_watched, learned_cure, play
from mold_population import Shelf, draw_molds, draw_shelf

from benchd.core.findings import Kicked

CLASSES: dict[str, Callable[[Scored], bool]] = {
    "3-12 mm": lambda r: r.thin_mm >= 3.0 and r.thick_mm <= 12.0,
    "2-3 mm": lambda r: r.thick_mm <= 3.0,
    "13-30 mm": lambda r: r.thin_mm >= 13.0,
}
AFTER = 5


@cache
def shelf(seed: int, pours: int = 6, family: str = "two-rate") -> Shelf:
    molds = [*draw_molds(seed, 3), *draw_molds(seed, 1, 2.0, 3.0, "t"), *draw_molds(seed, 1, 13.0, 30.0, "k")]
    return draw_shelf(seed, pours, molds, family)


def figures(rows: Sequence[Scored]) -> dict[str, float]:
    """Shares of 1: median and p90 error, coverage, calls > 5 % early, median over-wait, gel windows ending early."""
    errors = [r.error for r in rows]
    return {
        "median": float(np.median(errors)), "p90": float(np.percentile(errors, 90)),
        "held": float(np.mean([r.is_held for r in rows])), "early": float(np.mean([r.is_early for r in rows])),
        "over": float(np.median([r.over_wait for r in rows])),
        "gel early": float(np.mean([r.gel[2] < r.gel_s for r in rows])), "n": float(len(rows)),
    }  # fmt: skip


def of(rows: Sequence[Scored], kind: str) -> list[Scored]:
    return [r for r in rows if CLASSES[kind](r)]


def line(name: str, kind: str, f: dict[str, float]) -> str:
    cells = [f"{100 * f[k]:.1f}" for k in ("median", "p90", "held", "early", "over", "gel early")]
    return f"| {name} | {kind} | {f['n']:.0f} | " + " | ".join(cells) + " |"


HEAD = "| known | sections | casts | median % | p90 % | held % | > 5 % early % | over-wait % | gel late edge early % |"


def baseline(shelves: Sequence[Shelf], kind: str) -> float:
    """Median error of the label's demold time."""
    errors = [
        abs(s.demold_s / c.truth.hard_s - 1.0)
        for s in shelves for pour in s.casts for c in pour
        if c.truth.hard_s is not None and CLASSES[kind](Scored(c.mold.thin_mm, c.mold.thick_mm, 0, (0, 0, 0), (0, 0, 0),
                                                               None, 1.0, 1.0))
    ]  # fmt: skip
    return float(np.median(errors))


def test_a_part_is_foretold_from_the_kick_that_the_watcher_finds() -> None:
    few = draw_shelf(1010, 1, draw_molds(1010, 1))
    (watched,) = cups_watched(few)
    kicks = [f for f in watched if isinstance(f, Kicked)]
    assert len(kicks) == 1
    assert kicks[0].at - T0 == pytest.approx(few.cups[0].kick_s, rel=0.12)
    (row,) = play(few, 0, tick_s=60.0, watched=[watched])
    early_s, _, late_s = row.hard
    assert row.called_s is not None
    assert kicks[0].t - T0 < early_s < row.called_s < late_s + 120.0


@pytest.mark.wide
@pytest.mark.xfail(strict=True, reason="open: the over-wait is 1.18 of the time, 0.95 asked; edges suit every family")
def test_thirty_pours_hold_the_marks() -> None:
    """The suite's own small run: five reporting resins, six pours each; wider bounds, since few casts tell less."""
    rows, marked = [], []
    for seed in range(1000, 1005):
        few = draw_shelf(seed, 6, draw_molds(seed, 3))
        watched = cups_watched(few)
        rows += play(few, seed, tick_s=30.0, watched=watched)
        marked += play(few, seed, marks=True, tick_s=30.0, watched=watched)
    label, after = figures(of(rows, "3-12 mm")), figures(of([r for r in marked if r.pour == AFTER], "3-12 mm"))
    assert label["n"] >= 60
    assert label["median"] < 0.28
    assert label["early"] <= 0.10
    assert label["over"] < 0.95
    assert after["median"] < 0.20
    assert after["over"] < label["over"]
    assert all(r.called_s is not None for r in [*rows, *marked])


@pytest.mark.accuracy
@pytest.mark.timeout(1500)
def test_the_demold_scorecard() -> None:
    """Bounds are the requirement's, with what is not reached said beside it; BENCHD_SHELVES: of how many resins."""
    count, tick_s = int(os.environ.get("BENCHD_SHELVES", "50")), float(os.environ.get("BENCHD_TICK_S", "10"))
    shelves = [shelf(seed) for seed in range(1000, 1000 + count)]
    watched = [cups_watched(s) for s in shelves]
    every = list(zip(range(count), shelves, watched, strict=True))
    label = [r for i, s, w in every for r in play(s, i, tick_s=tick_s, watched=w)]
    marked = [r for i, s, w in every for r in play(s, i, marks=True, tick_s=tick_s, watched=w)]
    learned = [r for i, s, _ in every for r in play(s, i, cure=learned_cure(s.resin, 3000 + 10 * i), tick_s=tick_s)]
    shared = [r for i, s, w in every for r in play(s, i, marks="m01", tick_s=tick_s, watched=w) if r.mold != "m01"]
    two_step = [
        r for i in range(1100, 1100 + (count + 3) // 4) for r in play(shelf(i, 3, "two-step"), i, tick_s=tick_s)
    ]
    table = [HEAD, "|" + "---|" * 9]
    found: dict[tuple[str, str], dict[str, float]] = {}
    known = {
        "label": label, "six pours learned": learned, "five marks": [r for r in marked if r.pour == AFTER],
        "five marks in another mold": [r for r in shared if r.pour == AFTER],
        "label, two-step resins": two_step,
    }  # fmt: skip
    for name, rows in known.items():
        for kind in CLASSES:
            found[name, kind] = figures(of(rows, kind))
            table.append(line(name, kind, found[name, kind]))
    table += [
        f"| label's demold time alone | {k} | | {100 * baseline(shelves, k):.1f} | | | | | |" for k in CLASSES
    ]  # fmt: skip
    put("demold scorecard", table)
    middle = {name: found[name, "3-12 mm"] for name in known}
    assert middle["label"]["median"] <= 0.20
    assert middle["label"]["early"] <= 0.05
    assert middle["label"]["over"] <= 0.70
    assert middle["five marks"]["median"] <= 0.10
    assert middle["five marks"]["early"] <= 0.05
    assert middle["five marks"]["over"] <= 0.25
    assert middle["five marks in another mold"]["over"] < middle["label"]["over"]
    assert middle["six pours learned"]["early"] <= 0.05
    assert middle["label"]["median"] < baseline(shelves, "3-12 mm")
