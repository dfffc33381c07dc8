"""How good is the leak watcher?

The whole table: PYTHONPATH=tests python tests/accuracy/test_leak_scorecard.py

Truth comes from rehearsal/pot_population.py, whose gas, walls, molds and gauges share no code with the estimator.
Priors and thresholds were set on building seeds (1 to 99, and 10000 up for thresholds); all here is drawn from seeds
5000 and up.  The watchers pot, inlet and leak run as on a bench, one reading a second.

`pytest` runs a small version; `pytest -m accuracy` the whole one.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from multiprocessing import Pool
from typing import Any

import numpy as np
import pytest
from leak_chain import PSI, Told, lessons, straight_line, told
from leak_runs import T0

from benchd.core.findings import PotBelowFloor, PotFloorAhead, PotLeaking
from benchd.physics.empty_pot import EmptyPot, empty_observer, judge_empty
from benchd.physics.leak_bank import Prior, generic_prior
from benchd.physics.leak_learning import learned
from benchd.rehearsal import pot_population as population
from benchd.rehearsal.pot_population import Fills, Pots, Recorded

SEED = 5000
ATM_PSI = 14.696
SETTLING_S = 90.0  # three cooling times: until then the floor's word is the pot watcher's
LEAKS = {False: (0.3, 0.4, 0.5, 0.7, 1.0), True: (0.1, 0.15, 0.2)}
WITHIN_S = (306.0, 606.0)  # the verdict of a whole minute is out within six seconds of it


@dataclass(frozen=True)
class World:
    """Which pots, how many, what is known of them."""

    pots: int
    use_probe: bool = False
    is_learned: bool = False
    second: bool = False

    def draw(self) -> Pots:
        return population.draw_pots(self.pots, SEED + 1)

    def known(self, pots: Pots) -> list[dict[str, Any]]:
        return lessons(pots, SEED + 2, self.use_probe, self.second) if self.is_learned else [{}] * len(pots)


@dataclass
class Row:
    """Figures of one world; leaks: size -> (share found in 5 min, in 10 min, by the straight line at 5, at 10).

    size_now_p90: error in % against the loss at the pressure then, at 5 and 10 min.
    """

    tight: int = 0
    false_holds: int = 0
    false_pots: int = 0
    leaks: dict[float, tuple[float, ...]] = field(default_factory=dict)
    size_p90: float = math.nan
    size_10_p90: float = math.nan
    size_now_p90: tuple[float, float] = (math.nan, math.nan)
    covered: tuple[int, int] = (0, 0)
    median_x: float = math.nan
    line_limit: tuple[float, float] = (math.nan, math.nan)


def holds(
    world: World, pots: Pots, known: list[dict[str, Any]], seed: int, leak: float
) -> tuple[list[Told], Fills, Recorded]:
    fills = population.draw_fills(pots, seed, second=world.second).leaking(leak)
    heard = population.record(pots, fills, 900.0, seed)
    return [told(pots, fills, heard, k, known[k], use_probe=world.use_probe) for k in range(len(pots))], fills, heard


def row(world: World) -> Row:
    """Tight and leaking holds of one world."""
    pots, out = world.draw(), Row()
    known, lines = world.known(pots), []
    wrong = np.zeros(len(pots), dtype=bool)
    widths: list[float] = []
    for seed in (SEED + 10, SEED + 11):
        got, fills, heard = holds(world, pots, known, seed, 0.0)
        bad = np.array([t.leak_after_s(T0) < math.inf for t in got])
        out.tight += len(got)
        out.false_holds += int(bad.sum())
        wrong |= bad
        lines.append([[straight_line(heard, fills, k, m) for m in (5, 10)] for k in range(len(pots))])
        widths += [
            h.smallest_seen / PSI for t in got if (h := t.hold(10)) and h.verdict == "tight-to" and h.smallest_seen
        ]
    out.false_pots, out.median_x = int(wrong.sum()), float(np.median(widths))
    all_lines = np.concatenate([np.array(x) for x in lines])
    out.line_limit = tuple(float(np.quantile(all_lines[:, i], 0.99)) for i in (0, 1))  # type: ignore[assignment]
    for i, size in enumerate(LEAKS[world.use_probe]):
        got, fills, heard = holds(world, pots, known, SEED + 20 + i, size)
        line = np.array([[straight_line(heard, fills, k, m) for m in (5, 10)] for k in range(len(pots))])
        by_line = [float(np.mean(line[:, j] > lim)) for j, lim in enumerate(out.line_limit)]
        times = [t.leak_after_s(t.mark_t) for t in got]
        out.leaks[size] = (*(float(np.mean([s <= w for s in times])) for w in WITHIN_S), *by_line)
        if size == LEAKS[world.use_probe][-1]:
            out.size_p90, out.size_10_p90 = (_off(got, size, m) for m in (5, 10))
            out.size_now_p90 = (_off_now(got, fills, heard, size, 5), _off_now(got, fills, heard, size, 10))
    out.covered = _covered(world, pots, known)
    return out


def equal(world: World) -> dict[float, tuple[tuple[float, float], ...]]:
    """The estimate and the line as if each had been given these fills' own threshold: size -> at minutes 3, 5 and 10
    (found by the estimate, by the line), each at the 99 % quantile of these very tight fills."""
    minutes, pots = (3, 5, 10), world.draw()
    known = world.known(pots)

    def both(seed: int, leak: float) -> np.ndarray:
        got, fills, heard = holds(world, pots, known, seed, leak)
        sizes = [[(h.kpa_per_min or -9.0) / PSI if (h := t.hold(m)) else -9.0 for m in minutes] for t in got]
        return np.array([sizes, [[straight_line(heard, fills, k, m) for m in minutes] for k in range(len(pots))]])

    limits = np.quantile(np.concatenate([both(SEED + 10 + i, 0.0) for i in (0, 1)], axis=1), 0.99, axis=1)
    found = {x: np.mean(both(SEED + 30 + i, x) > limits[:, None, :], axis=1) for i, x in enumerate((0.1, 0.2))}
    return {x: tuple((float(a), float(b)) for a, b in shares.T) for x, shares in found.items()}


def _covered(world: World, pots: Pots, known: list[dict[str, Any]]) -> tuple[int, int]:
    """Of leaks of 0.03 to 0.3 psi/min: how many "tight to X" at minute 10 hold the true leak, of how many said."""
    size = np.exp(np.random.default_rng(SEED + 90).uniform(math.log(0.03), math.log(0.3), len(pots)))
    fills = population.draw_fills(pots, SEED + 91, second=world.second).leaking(size)
    heard = population.record(pots, fills, 900.0, SEED + 91)
    got = [told(pots, fills, heard, k, known[k], use_probe=world.use_probe) for k in range(len(pots))]
    said = [
        (h.smallest_seen / PSI, float(true))
        for t, true in zip(got, size, strict=True)
        if (h := t.hold(10)) and h.verdict == "tight-to" and h.smallest_seen
    ]
    return sum(x >= true for x, true in said), len(said)


def _off(got: list[Told], size: float, minute: int) -> float:
    """p90 of the size's error at this minute [%]."""
    sizes = [h.kpa_per_min / PSI for t in got if (h := t.hold(minute)) is not None and h.kpa_per_min is not None]
    return float(np.quantile(np.abs(np.array(sizes) / size - 1.0), 0.9)) * 100.0


def _off_now(got: list[Told], fills: Fills, heard: Recorded, size: float, minute: int) -> float:
    """p90 of the error [%] against the loss at the pressure of that minute, by the leak's true law."""
    off = []
    for k, t in enumerate(got):
        hold, at = t.hold(minute), int(fills.mark_s[k]) + 60 * minute
        if hold is None or hold.kpa_per_min is None:
            continue
        p, full = float(heard.true_psi[at, k]) + ATM_PSI, float(fills.target_psi[k]) + ATM_PSI
        law = (p**2 - ATM_PSI**2) / (full**2 - ATM_PSI**2) if fills.second else p / full
        off.append(abs(hold.kpa_per_min / PSI * p / full / (size * law) - 1.0))
    return float(np.quantile(off, 0.9)) * 100.0


@dataclass(frozen=True)
class Fast:
    """Seconds to the word fast: median, p95 and share never told; false alarms of tight fast fills."""

    after: tuple[float, float, float]
    during: tuple[float, float, float]
    false: int
    tight: int


def fast(world: World) -> Fast:
    """Leaks of 5 and 8 psi/min, opened in mid hold or there from the fill on; and tight fast fills."""
    pots = world.draw()
    known, after, during = world.known(pots), [], []
    for i, size in enumerate((5.0, 8.0)):
        fills = population.draw_fills(pots, SEED + 40 + i, second=world.second).leaking(size, 420.0)
        heard = population.record(pots, fills, 560.0, SEED + 40 + i)
        after += [
            _fast_s(told(pots, fills, heard, k, known[k], use_probe=world.use_probe), T0 + 420.0)
            for k in range(len(pots))
        ]
        fills = population.draw_fills(pots, SEED + 50 + i, at_once=1.0, fast=0.5, second=world.second).leaking(size)
        heard = population.record(pots, fills, 300.0, SEED + 50 + i)
        told_all = [
            told(pots, fills, heard, k, known[k], use_probe=world.use_probe, until_s=180.0) for k in range(len(pots))
        ]
        during += [_fast_s(t, t.mark_t) for t in told_all]
    false = tight = 0
    for seed in (SEED + 60, SEED + 61):
        fills = population.draw_fills(pots, seed, fast=1.0, at_once=0.6, second=world.second)
        heard = population.record(pots, fills, 420.0, seed)
        got = [
            told(pots, fills, heard, k, known[k], use_probe=world.use_probe, until_s=240.0) for k in range(len(pots))
        ]
        tight += len(got)
        false += sum(t.leak_after_s(T0, "fast") < math.inf for t in got)
    return Fast(_three(after), _three(during), false, tight)


def _fast_s(got: Told, since_t: float) -> float:
    """Seconds to the word; letting go is the pot watcher's stronger word for the same."""
    others = [f.t - since_t for f in got.findings if f.finding == "pot_letting_go" and f.t >= since_t]
    return min([got.leak_after_s(since_t, "fast"), *others])


def _three(times: list[float]) -> tuple[float, float, float]:
    a = np.array(times)
    return (
        float(np.quantile(a, 0.5, method="higher")),
        float(np.quantile(a, 0.95, method="higher")),
        float(np.mean(np.isinf(a))),
    )


@dataclass(frozen=True)
class Floor:
    """Holds where the floor truly came before the gel, and the verdict missed it; where it did not, and was said to.

    ever: kept holds in which it was said at any time, then taken back.  lead_s: how long before the crossing the word
    had stood: median and 10 % quantile of those not missed.
    """

    crossed: int
    missed: int
    kept: int
    false: int
    far: tuple[int, int, int, int]
    settling: int
    ever: int
    lead_s: tuple[float, float]


def floor(world: World) -> Floor:
    """Leaks of 0.2 to 5 psi/min, floors 3 to 10 psi below the target, gels 4 to 10 minutes after the kick."""
    pots, rng = world.draw(), np.random.default_rng(SEED + 70)
    known, cases = world.known(pots), []
    for seed in (SEED + 71, SEED + 72):
        n = len(pots)
        size = np.exp(rng.uniform(math.log(0.2), math.log(5.0), n)) * (rng.random(n) > 0.25)
        fills = population.draw_fills(pots, seed, second=world.second).leaking(size)
        heard = population.record(pots, fills, 900.0, seed)
        below, gel_s = rng.uniform(3.0, 10.0, n), np.minimum(fills.kick_s + rng.uniform(240.0, 600.0, n), 890.0)
        for k in range(n):
            got = told(
                pots, fills, heard, k, known[k], use_probe=world.use_probe, until_s=602.0, gel_s=float(gel_s[k]),
                floor_below_psi=float(below[k]),
            )  # fmt: skip
            cases.append(_floor_case(got, heard, fills, k, float(gel_s[k]), float(below[k])))
    judged = [c for c in cases if c is not None]
    return _count(judged, len(cases) - len(judged))


@dataclass(frozen=True)
class Case:
    """Did the floor truly come before the gel, was that said then, was it ever; how near [psi], how long before [s]."""

    crossed: bool
    said: bool
    ever: bool
    near_psi: float
    lead_s: float


def _floor_case(got: Told, heard: Recorded, fills: Fills, k: int, gel_s: float, below: float) -> Case | None:
    """What came and what was said; None when the floor was crossed while the fill still cooled, leak or no leak.

    Said: the floor is foreseen, or a leak that brings it, or the gauge is past it, when the pressure truly crosses.
    """
    floor_psi = float(fills.target_psi[k]) - below
    inside = (heard.t_s >= fills.mark_s[k]) & (heard.t_s <= gel_s)
    true = heard.true_psi[inside, k]
    under = true < floor_psi
    if under.any() and float(heard.t_s[inside][under][0]) < float(fills.fill_s[k]) + 3.0 + SETTLING_S:
        return None
    cross_t = T0 + float(heard.t_s[inside][under][0]) if under.any() else math.inf
    decide_t = min(cross_t, T0 + gel_s, got.mark_t + 602.0)
    ahead = [(f.t, f.active) for f in got.of(PotFloorAhead) if f.t <= decide_t]
    leak = [(f.t, f.active and f.matters) for f in got.of(PotLeaking) if f.t <= decide_t]
    past = [(f.t, f.active) for f in got.of(PotBelowFloor) if f.t <= decide_t]
    said = any(bool(words) and words[-1][1] for words in (ahead, leak, past))
    ever = any(on for words in (ahead, leak) for _, on in words)
    lead_s = max((decide_t - _since(words) for words in (ahead, leak, past)), default=0.0)
    return Case(bool(under.any()), said, ever, abs(float(true.min()) - floor_psi), lead_s)


def _since(words: list[tuple[float, bool]]) -> float:
    """Since when the last of these words has stood; inf when it does not."""
    since = math.inf
    for t, on in words:
        since = min(since, t) if on else math.inf
    return since


def _count(cases: list[Case], settling: int) -> Floor:
    def four(some: list[Case]) -> tuple[int, int, int, int]:
        crossed, kept = [c for c in some if c.crossed], [c for c in some if not c.crossed]
        return len(crossed), sum(not c.said for c in crossed), len(kept), sum(c.said for c in kept)

    leads = [c.lead_s for c in cases if c.crossed and c.said]
    return Floor(
        *four(cases), far=four([c for c in cases if c.near_psi > 0.3]), settling=settling,
        ever=sum(c.ever for c in cases if not c.crossed),
        lead_s=(float(np.median(leads)), float(np.quantile(leads, 0.1))),
    )  # fmt: skip


def empty(world: World) -> dict[float, tuple[float, float]]:
    """Leak tests of ten minutes: leak -> (share told to leak, p90 of the size's error in %); 0: false alarms."""
    pots = world.draw()
    priors = [generic_prior("empty")] * len(pots)
    for i in range(5 if world.is_learned else 0):
        fills = population.draw_fills(pots, SEED + 80 + i, empty=True)
        heard = population.record(pots, fills, 900.0, SEED + 80 + i)
        priors = [_taught(pots, fills, heard, k, priors[k]) for k in range(len(pots))]
    out = {}
    for leak, seeds in ((0.0, (90, 91)), (0.1, (92,)), (0.2, (93,))):
        got = []
        for seed in seeds:
            fills = population.draw_fills(pots, SEED + seed, empty=True).leaking(leak)
            heard = population.record(pots, fills, 850.0, SEED + seed)
            for k in range(len(pots)):
                result = judge_empty(*_tested(pots, fills, heard, k), priors[k])
                assert result is not None
                got.append(result.verdict)
        sizes = np.array([v.kpa_per_min / PSI for v in got])
        share = float(np.mean([v.word in ("slow", "fast") for v in got]))
        out[leak] = (share, float(np.quantile(np.abs(sizes / leak - 1), 0.9)) * 100 if leak else math.nan)
    return out


def _tested(pots: Pots, fills: Fills, heard: Recorded, k: int) -> tuple[EmptyPot, list[tuple[float, float]], float]:
    pot = EmptyPot(
        target_kpa=float(fills.target_psi[k]) * PSI, p_atm_kpa=101.325, free_l=float(pots.free_l[k]),
        room_k=population.ROOM_K, resolution_kpa=float(fills.step_psi[k]) * PSI,
    )  # fmt: skip
    last = int(fills.mark_s[k]) + 602
    samples = zip((T0 + heard.t_s[:last]).tolist(), (heard.psi[:last, k] * PSI).tolist(), strict=True)
    return pot, list(samples), T0 + float(fills.mark_s[k])


def _taught(pots: Pots, fills: Fills, heard: Recorded, k: int, prior: Prior) -> Prior:
    bank = empty_observer(*_tested(pots, fills, heard, k), prior).bank
    assert bank is not None
    return learned(prior, bank)


# --------------------------------------------------------------------------------------------------------- the table


def _run(job: tuple[Callable[[World], Any], World]) -> Any:
    return job[0](job[1])


def table(pots: int) -> str:
    """The scorecard as markdown."""
    plain = [World(pots), World(pots, is_learned=True)]
    probed = [World(pots, use_probe=True), World(pots, use_probe=True, is_learned=True)]
    second = [World(pots, second=True)]
    jobs: list[tuple[Callable[[World], Any], World]] = []
    jobs += [(row, w) for w in plain + probed + second] + [(fast, w) for w in plain + second]
    jobs += [(floor, w) for w in plain + second] + [(empty, w) for w in plain] + [(equal, plain[0])]
    with Pool(2) as pool:
        got = pool.map(_run, jobs, chunksize=1)
    names = ("generic pot", "after five tight fills")
    out = []
    a, b, c, d, other, fast_a, fast_b, fast_c, floor_a, floor_b, floor_c, empty_a, empty_b, same = got
    for title, left, right in (("leak", a, b), ("leak, with a gas probe", c, d), ("leak, second family", other, None)):
        out += [*_head(title, names, right), *_rows(left, right or left, right is not None), ""]
    for title, f, g, m, n in (
        ("fast, floor", fast_a, fast_b, floor_a, floor_b),
        ("the same, second family", fast_c, None, floor_c, None),
    ):
        rows = [*_fast_rows(f, g or f), *_floor_rows(m, n or m)]
        out += [*_head(title, names, g), *(r if g else r.rsplit("|", 2)[0] + "|" for r in rows), ""]
    out += [*_head("empty-pot test, 10 min", names, empty_b), *_empty_rows(empty_a, empty_b)]
    out += ["", *_head("found at equal false alarms (line), minutes 3, 5, 10", names, None)]
    for size, pairs in same.items():
        out.append(f"| {size} psi/min | {', '.join(f'{found:.0%} ({line:.0%})' for found, line in pairs)} |")
    return "\n".join(out)


def _head(title: str, names: tuple[str, str], right: object) -> list[str]:
    return (
        [f"| {title} | {names[0]} | {names[1]} |", "|---|---|---|"]
        if right
        else [f"| {title} | {names[0]} |", "|---|---|"]
    )


def _line(name: str, a: object, b: object) -> str:
    return f"| {name} | {a} | {b} |"


def _rows(a: Row, b: Row, two: bool) -> list[str]:
    out = [
        _line(
            "false alarms in 10 min: holds (pots)", *(f"{r.false_holds} of {r.tight} ({r.false_pots})" for r in (a, b))
        )
    ]
    for size in a.leaks:
        shares = [f"{r.leaks[size][0]:.1%} / {r.leaks[size][1]:.1%}" for r in (a, b)]
        out.append(_line(f"{size} psi/min found in 5 / 10 min", *shares))
        shares = [f"{r.leaks[size][2]:.1%} / {r.leaks[size][3]:.1%}" for r in (a, b)]
        out.append(
            _line(
                "the same by a straight line through the last 3 min at minute 5 / 10 (1 % false of these fills)",
                *shares,
            )
        )
    out.append(
        _line(
            "size error p90 of the largest of these, at 5 / 10 min",
            *(f"{r.size_p90:.0f} / {r.size_10_p90:.0f} %" for r in (a, b)),
        )
    )
    out.append(
        _line(
            "the same against the loss at the pressure then",
            *(f"{r.size_now_p90[0]:.0f} / {r.size_now_p90[1]:.0f} %" for r in (a, b)),
        )
    )
    out.append(
        _line(
            "tight-to holds the truth, leaks of 0.03 to 0.3 psi/min, minute 10",
            *(f"{r.covered[0]} of {r.covered[1]}" for r in (a, b)),
        )
    )
    out.append(_line("median tight-to, minute 10", *(f"{r.median_x:.2f} psi/min" for r in (a, b))))
    return out if two else [r.rsplit("|", 2)[0] + "|" for r in out]


def _fast_rows(a: Fast, b: Fast) -> list[str]:
    out = []
    for name, key in (("opening in mid hold", "after"), ("from the fill on", "during")):
        figures = [getattr(f, key) for f in (a, b)]
        out.append(
            _line(
                f"5 and 8 psi/min {name}: median / p95, never",
                *(f"{m:.0f} / {p:.0f} s, {x:.1%}" for m, p, x in figures),
            )
        )
    return [*out, _line("fast-leak alarms of tight fast fills", *(f"{f.false} of {f.tight}" for f in (a, b)))]


def _floor_rows(a: Floor, b: Floor) -> list[str]:
    def shares(four: tuple[int, int, int, int]) -> str:
        return f"{four[1] / max(1, four[0]):.1%} of {four[0]} / {four[3] / max(1, four[2]):.1%} of {four[2]}"

    whole = [shares((f.crossed, f.missed, f.kept, f.false)) for f in (a, b)]
    return [
        _line("floor before gel: missed / false", *whole),
        _line("the same, not within 0.3 psi", *(shares(f.far) for f in (a, b))),
        _line("said and taken back again in holds that kept it", *(f"{f.ever} of {f.kept}" for f in (a, b))),
        _line(
            "how long before the floor the word stood: median; one in ten under",
            *(f"{f.lead_s[0]:.0f}; {f.lead_s[1]:.0f} s" for f in (a, b)),
        ),
    ]


def _empty_rows(a: dict[float, tuple[float, float]], b: dict[float, tuple[float, float]]) -> list[str]:
    out = [_line("false alarms", f"{a[0.0][0]:.1%}", f"{b[0.0][0]:.1%}")]
    return out + [
        _line(f"{leak} psi/min found; size error p90", *(f"{x[leak][0]:.1%}; {x[leak][1]:.0f} %" for x in (a, b)))
        for leak in (0.1, 0.2)
    ]


# --------------------------------------------------------------------------------------------------------- the tests


@pytest.mark.accuracy
@pytest.mark.timeout(1500)
@pytest.mark.parametrize("is_learned", [False, True], ids=["generic", "learned"])
def test_the_whole_card(is_learned: bool) -> None:
    five, ten = (0.4, 0.3) if is_learned else (0.7, 0.5)
    got = row(World(150, is_learned=is_learned))
    assert got.false_holds <= 3
    assert got.leaks[five][0] >= 0.95
    assert got.leaks[ten][1] >= 0.95
    assert got.size_p90 <= (13 if is_learned else 20)
    assert got.covered[0] >= 0.97 * got.covered[1]
    assert got.median_x <= (0.1 if is_learned else 0.15)


@pytest.mark.accuracy
@pytest.mark.timeout(1500)
@pytest.mark.parametrize("is_learned", [False, True], ids=["generic", "learned"])
def test_the_floor_is_foreseen(is_learned: bool) -> None:
    got = floor(World(150, is_learned=is_learned))
    assert got.missed <= (0.03 if is_learned else 0.05) * got.crossed
    assert got.false <= (0.025 if is_learned else 0.03) * got.kept
    assert got.far[1] <= (0.02 if is_learned else 0.03) * got.far[0]
    assert got.far[3] <= (0.01 if is_learned else 0.02) * got.far[2]


@pytest.fixture(scope="module")
def small() -> Row:
    return row(World(12))


def test_a_small_card_finds_what_is_asked_and_raises_no_alarm(small: Row) -> None:
    assert small.false_holds == 0
    assert small.leaks[0.7][0] >= 0.9
    assert small.leaks[0.5][1] >= 0.9
    assert small.size_p90 <= 25
    assert small.covered[0] >= 0.95 * small.covered[1]


def test_a_straight_line_does_no_better(small: Row) -> None:
    # its threshold is drawn from these very fills, the watcher's is not: compared at the sizes asked for
    assert all(x[0] >= x[2] and x[1] >= x[3] for size, x in small.leaks.items() if size >= 0.5)


if __name__ == "__main__":
    print(table(int(sys.argv[1]) if len(sys.argv) > 1 else 150))
