"""The rest of the leak watcher's scorecard: fast leaks, floors foreseen, empty-pot tests."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from accuracy.leak_card import SEED, World
from leak_chain import Told, told
from leak_runs import T0
from rehearsed import pots as population
from rehearsed.pots import Fills, Pots, Recorded

from benchd.core.findings import PotBelowFloor, PotFloorAhead, PotLeaking
from benchd.core.units import KPA_PER_PSI as PSI
from benchd.physics.empty_pot import EmptyPot, empty_observer, judge_empty
from benchd.physics.leak_bank import Prior, generic_prior
from benchd.physics.leak_learning import learned

SETTLING_S = 90.0  # three cooling times: until then the floor's word is the pot watcher's


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
