"""The leak watcher's scorecard: tight and leaking holds, found and missed, against a straight line through the gauge.

Truth comes from rehearsed/pots.py, whose gas, walls, molds and gauges share no code with the estimator.
Priors and thresholds were set on building seeds (1 to 99, and 10000 up for thresholds); all here is drawn from seeds
5000 and up.  The watchers pot, inlet and leak run as on a bench, one reading a second.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from leak_chain import Told, lessons, straight_line, told
from leak_runs import T0
from rehearsed import pots as population
from rehearsed.pots import Fills, Pots, Recorded

from benchd.core.model.learned import PotHabits
from benchd.core.units import KPA_PER_PSI as PSI

SEED = 5000
ATM_PSI = 14.696
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

    def known(self, pots: Pots) -> list[PotHabits]:
        return lessons(pots, SEED + 2, self.use_probe, self.second) if self.is_learned else [PotHabits()] * len(pots)


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
    world: World, pots: Pots, known: list[PotHabits], seed: int, leak: float
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


def _covered(world: World, pots: Pots, known: list[PotHabits]) -> tuple[int, int]:
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
