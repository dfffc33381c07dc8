"""Does the kick keep what was promised on pours nobody tuned it on?  `pytest -m accuracy tests/accuracy -s` prints all.

The full scorecard writes its table between the `kick scorecard` marks of README.md here when BENCHD_WRITE_SCORECARD is
set.  In the wide suite thirty pours with limits that a broken fit fails; in the normal one four.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from multiprocessing import get_context
from typing import TypeVar

import numpy as np
import pytest
from accuracy.card import put
from accuracy.kick_score import (
    Score,
    bottle_scores,
    errors_pct,
    found_pct,
    held_pct,
    kicking,
    label,
    learned_scores,
    run,
    score,
    shifted_prior,
    width_pct,
)
from rehearsed.decoys import DECOYS, decoy
from rehearsed.pours import CUPS, CupKind, draw_resin

from benchd.core.bench import Resin
from benchd.core.findings import Kicked

Job = TypeVar("Job")
Result = TypeVar("Result")
REPORT_FROM = 5000
DOUBT_FROM = 7000  # the rule for doubting a label was changed after a card on 5500 to 5523,
BOTTLES_FROM = 7200  # and that for learned resins after one on 5200 to 5212


def _of_resin(job: tuple[int, int, str]) -> list[Score]:
    seed, pours, family = job
    resin = draw_resin(seed, family=family)
    return [score(resin, kicking(resin, seed * 100 + i, CUPS[i % 3])) for i in range(pours)]


def _many(work: Callable[[Job], Result], jobs: Iterable[Job]) -> list[Result]:
    """Results in order, worked out by as many processes as there are cores."""
    with ProcessPoolExecutor(mp_context=get_context("fork")) as pool:
        return list(pool.map(work, jobs))


def label_scores(first: int, resins: int, pours: int, family: str = "two-rate") -> list[Score]:
    jobs = [(seed, pours, family) for seed in range(first, first + resins)]
    return [s for found in _many(_of_resin, jobs) for s in found]


def of(scores: list[Score], *kinds: str) -> list[Score]:
    return [s for s in scores if s.kind in kinds or s.shape in kinds]


def test_four_pours_are_found_when_they_kick() -> None:
    low, high, missed = found_pct(of(label_scores(REPORT_FROM + 900, 2, 2), "witness", "mixing"))
    assert missed == 0.0
    assert low > -9.0
    assert high < 14.0


@pytest.mark.wide
@pytest.mark.timeout(400)  # a minute of a quiet core
def test_thirty_pours_from_the_label_only() -> None:
    scores = label_scores(REPORT_FROM + 900, 10, 3)
    full = of(scores, "witness", "mixing")
    errors, clock = errors_pct(scores, 0.5), [100.0 * abs(s.clock - 1.0) for s in scores]
    low, high, missed = found_pct(full)
    print(f"\nhalf time {np.percentile(errors, [50, 90])}, clock {np.percentile(clock, [50, 90])}, held "
          f"{held_pct(scores, 0.5):.0f} %, found {low:.1f}..{high:.1f} %, missed {missed:.0f} %")  # fmt: skip
    assert np.median(errors) < 12.0
    assert np.median(errors) < 0.7 * np.median(clock), "the label clock alone is the baseline"
    assert held_pct(scores, 0.5) >= 73.0, "30 windows: a true 90 % holds 73 % or more in 999 cases of 1000"
    assert missed <= 10.0
    assert low > -9.0
    assert high < 14.0


# ------------------------------------------------------------------------------------------------------ the scorecard


def _row(what: str, target: str, got: str) -> str:
    return f"| {what} | {target} | {got} |"


def _forecast_rows(name: str, scores: list[Score], targets: tuple[str, str, str]) -> list[str]:
    half = "{:.1f} / {:.1f}".format(*np.percentile(errors_pct(scores, 0.5), [50, 90]))
    clock = "{:.1f} / {:.1f}".format(*np.percentile([100.0 * abs(s.clock - 1.0) for s in scores], [50, 90]))
    others = ", ".join(
        "{:.0f} %: {:.1f} / {:.1f}".format(100 * share, *np.percentile(errors_pct(scores, share), [50, 90]))
        for share in (0.3, 0.7, 0.85)
    )
    shapes = ", ".join(
        f"{shape} {held_pct(of(scores, shape), 0.5):.0f}/{held_pct(of(scores, shape), 0.7):.0f}"
        for shape in ("steady", "mid", "snap") if of(scores, shape)
    )  # fmt: skip
    return [
        _row(f"{name}: error at half time, median / p90 (%)", targets[0], f"{half} (label clock {clock}; {others})"),
        _row(f"{name}: 90 % window holds at 50 / 70 %", targets[1],
             f"{held_pct(scores, 0.5):.0f} / {held_pct(scores, 0.7):.0f} % ({shapes})"),
        _row(f"{name}: its median width at 50 / 70 %", targets[2],
             f"{width_pct(scores, 0.5):.0f} / {width_pct(scores, 0.7):.0f} %"),
    ]  # fmt: skip


SHIFTS = {
    "as it is": (0.0, 0.0), "speed + 1 sd": (1.0, 0.0), "speed - 1 sd": (-1.0, 0.0), "law + 1 sd": (0.0, 1.0),
    "law - 1 sd": (0.0, -1.0),
}  # fmt: skip


def _shifted(job: tuple[int, int, str]) -> list[Score]:
    seed, pours, shift = job
    with shifted_prior(*SHIFTS[shift]):
        return _of_resin((seed, pours, "two-rate"))


def shifted_rows(resins: int, pours: int) -> list[str]:
    """The same pours by a label whose priors are off their centres by one of their own sd."""
    rows = []
    for shift in SHIFTS:
        jobs = [(seed, pours, shift) for seed in range(REPORT_FROM, REPORT_FROM + resins)]
        scores = [s for found in _many(_shifted, jobs) for s in found]
        each = (
            "{:.1f} / {:.1f}, {:.0f} %".format(*np.percentile(errors_pct(scores, share), [50, 90]),
                                               held_pct(scores, share)) for share in (0.5, 0.7)
        )  # fmt: skip
        name = f"label only, priors' centre {shift}, {len(scores)} pours: error and window at 50; 70 %"
        rows.append(_row(name, "apart", "; ".join(each)))
    return rows


def _found_row(name: str, scores: list[Score], target: str) -> str:
    low, high, missed = found_pct(scores)
    return _row(f"{name}: kick found, p5..p95 error; missed", target, f"{low:+.1f}..{high:+.1f} %; {missed:.1f} %")


def _decoy_row() -> tuple[str, int, int]:
    pot_lives = np.exp(np.random.default_rng(1).uniform(np.log(120.0), np.log(800.0), 400)).tolist()
    others = [d for d in DECOYS if d != "moved"]
    jobs = [(REPORT_FROM + i, others[i % len(others)], pot_lives[i], CUPS[i % 3]) for i in range(200)]
    moves = [(REPORT_FROM + 300 + i, "moved", pot_lives[200 + i], CUPS[i % 3]) for i in range(40)]
    other, moved = sum(_many(_is_kick, jobs)), sum(_many(_is_kick, moves))
    return (
        _row("false kicks; with a moved probe", "0 in 200; <= 1 in 40", f"{other} in 200; {moved} in 40"),
        other,
        moved,
    )


def _is_kick(job: tuple[int, str, float, CupKind]) -> bool:
    seed, what, pot_life_s, kind = job
    shown = Resin(id="drawn", name="Drawn", pot_life_s=pot_life_s, demold_s=4.0 * pot_life_s)
    drawn = decoy(seed, what)
    cup = replace(drawn, plan=replace(drawn.plan, kind=kind))
    return any(isinstance(f, Kicked) for f in run(shown, cup)[0])


LABELS = (2.0, 0.5, 1.0, 1.0)


def _doubted(job: tuple[int, int]) -> Score:
    seed, i = job
    resin = draw_resin(seed)
    return score(resin, kicking(resin, seed * 100 + i, CUPS[seed % 3]), label(resin, LABELS[i]))


def _doubt_row() -> tuple[str, float]:
    jobs = [(seed, i) for seed in range(DOUBT_FROM, DOUBT_FROM + 24) for i in range(len(LABELS))]
    found = list(zip(jobs, _many(_doubted, jobs), strict=True))
    wrong, right = ([s for (_, i), s in found if (LABELS[i] == 1.0) == is_right] for is_right in (False, True))
    said = 100.0 * float(np.mean([s.is_doubted for s in wrong]))
    false = 100.0 * float(np.mean([s.is_doubted for s in right]))
    full = 100.0 * float(np.mean([s.is_doubted for s in of(wrong, "witness", "mixing")]))
    return (
        _row("label x2 or x1/2 said by 70 %; right labels doubted", "80 %; <= 3 %",
             f"{said:.0f} % of {len(wrong)} (without residue cups {full:.0f} %); {false:.1f} % of {len(right)}"),
        full,
    )  # fmt: skip


def _bottle_row() -> tuple[str, float]:
    found: dict[str, list[Score]] = {}
    for by_case in _many(bottle_scores, range(BOTTLES_FROM, BOTTLES_FROM + 16)):
        for name, scores in by_case.items():
            found.setdefault(name, []).extend(scores)
    said, false = (100.0 * float(np.mean([s.is_doubted for s in found[name]])) for name in ("wrong", "right"))
    what = "learned: a bottle twice or half as fast said by 70 %; right ones doubted, new lots among them"
    return _row(
        what, "90 %; <= 2 %", f"{said:.0f} % of {len(found['wrong'])}; {false:.1f} % of {len(found['right'])}"
    ), said


def _table(resins: int) -> tuple[list[str], dict[str, float]]:
    rows: list[str] = []

    def tell(*more: str) -> None:
        rows.extend(more)
        print("\n".join(more), flush=True)

    scores = label_scores(REPORT_FROM, resins, 12)
    full, residue = of(scores, "witness", "mixing"), of(scores, "residue")
    tell(*_forecast_rows(f"label only, {len(scores)} pours of {resins} resins", scores,
                         ("9 / 20", "85 to 97 %", "50 / 25 %")))  # fmt: skip
    tell(_found_row("witness and mixing cups", full, "-5..+11 %; 2 %"))
    tell(_found_row("residue cups", residue, "-10..+15 %; 10 %"))
    short = [s for s in residue if s.clock > 0.55]
    tell(_found_row("residue cups that kick within 1.8 label clocks", short, "-10..+15 %; 10 %"))
    costs = np.concatenate([s.costs_ms for s in scores])
    tell(_row("cost of an update, median / p99 (ms), both cores busy", "10 / 40",
              "{:.1f} / {:.1f}".format(*np.percentile(costs, [50, 99]))))  # fmt: skip
    tell(*shifted_rows((resins + 1) // 2, 3))
    cases: dict[str, list[Score]] = {}
    for by_case in _many(learned_scores, range(REPORT_FROM + 200, REPORT_FROM + 200 + (resins + 1) // 2)):
        for name, found in by_case.items():
            cases.setdefault(name, []).extend(found)
    targets = {"one": "4 / 9", "six": "3.5 / 8", "new lot": "5 / 10", "other cup": "apart"}
    names = {"one": "one marked pour", "six": "six pours", "new lot": "six, a new lot", "other cup": "six, other cup"}
    for name, found in cases.items():
        tell(*_forecast_rows(f"learned, {names[name]}", found, (targets[name], "85 to 97 %", "20 / 15 %")))
        tell(_found_row(f"learned, {names[name]}", found, "-4..+9 %; 2 %"))
    doubt_row, said = _doubt_row()
    tell(doubt_row)
    bottle_row, bottles_said = _bottle_row()
    tell(bottle_row)
    decoy_row, other, moved = _decoy_row()
    tell(decoy_row)
    for family in ("two-step", "moisture"):
        outside = label_scores(REPORT_FROM + 700, (resins + 3) // 4, 6, family)
        tell(*_forecast_rows(f"outside the family, {family}", outside, ("apart", "apart", "apart")))
        tell(_found_row(f"outside the family, {family}", outside, "apart"))
    half = errors_pct(scores, 0.5)
    return rows, {
        "half": float(np.median(half)),
        "held": held_pct(scores, 0.5),
        "missed": found_pct(full)[2],
        "false": other,
        "moved": moved,
        "said": said,
        "bottles": bottles_said,
        "six": float(np.median(errors_pct(cases["six"], 0.5))),
        "p99": float(np.percentile(costs, 99)),
    }


@pytest.mark.accuracy
@pytest.mark.timeout(3600)
def test_the_kick_scorecard() -> None:
    rows, got = _table(int(os.environ.get("BENCHD_RESINS", "25")))
    put("kick scorecard", ["| figure | asked | got |", "|---|---|---|", *rows])
    assert got["half"] < 10.0
    assert got["six"] < 4.0
    assert 85.0 <= got["held"] <= 99.0
    assert got["false"] == 0
    assert got["moved"] <= 1
    assert got["said"] > 60.0, "witness and mixing cups; a residue cup seldom knows"
    assert got["bottles"] > 80.0
