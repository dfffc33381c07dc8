"""The leak watcher on pots of three families drawn apart: tight, and leaking from the fill on, by how soon it is told.

    PYTHONPATH=tests python tests/accuracy/leak_families.py 50          # prints the table; 50 pots a family

Truth is `rehearsed/pot_families.py`.  Times count from the `shut` mark.  Every pot is generic, and then has five tight
holds of its own behind it.  Seeds from 9000 report; what a mend was tried on has seeds below 100.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass, field

import numpy as np
from leak_chain import Told, straight_line, taught, told
from leak_runs import T0
from rehearsed import pot_families as population
from rehearsed.pot_families import FAMILIES, Closings, FamilyPots
from rehearsed.pots import Recorded

from benchd.core.findings import PotFloorAhead, PotLeaking
from benchd.core.model.learned import PotHabits
from benchd.core.units import KPA_PER_PSI as PSI

SEED = 9000
LEAKS = (0.3, 0.5, 1.0, 3.0, 10.0)
WITHIN_S = (30.0, 60.0, 306.0, 606.0)  # the verdict of a whole minute is out within six seconds of it
ATM_PSI = 14.696
TIGHT_S = 1500.0  # a long hold: what an exotherm lifts comes down again


@dataclass
class Card:
    """One family, generic or learned: false words of tight holds; leak [psi/min] -> its figures."""

    tight: int = 0
    called_leaking: int = 0
    called_fast: int = 0
    floor_words: int = 0
    kept: int = 0
    found: dict[float, tuple[float, ...]] = field(default_factory=dict)
    wait_s: dict[float, tuple[float, float]] = field(default_factory=dict)
    size: dict[float, tuple[float, float, float]] = field(default_factory=dict)
    line: dict[float, tuple[float, float]] = field(default_factory=dict)
    line_limit: tuple[float, float] = (math.nan, math.nan)


def habits(pots: FamilyPots, seed: int) -> list[PotHabits]:
    """What five tight holds of twelve minutes taught of each pot."""
    rounds = []
    for i in range(5):
        closings = population.close(pots, seed + i)
        rounds.append((closings, population.record(pots, closings, 950.0, seed + i)))
    return taught(rounds, len(pots))


def card(
    family: str, count: int, seed: int = SEED, *, is_learned: bool = False, leaks: tuple[float, ...] = LEAKS
) -> Card:
    """A tight hold of 25 minutes and a leaking one a size of each of `count` pots."""
    pots, out = population.draw(family, count, seed + 1), Card()
    known = habits(pots, seed + 10) if is_learned else [PotHabits()] * count
    _tight(pots, known, seed + 20, out)
    for i, leak in enumerate(leaks):
        closings = population.close(pots, seed + 30 + i).leaking(leak)
        heard = population.record(pots, closings, 900.0, seed + 30 + i)
        got = [told(pots, closings, heard, k, known[k]) for k in range(count)]
        waits = np.array([t.leak_after_s(t.mark_t) for t in got])
        out.found[leak] = tuple(float(np.mean(waits <= s)) for s in WITHIN_S)
        median, most = (float(np.quantile(waits, q, method="higher")) for q in (0.5, 0.95))
        out.wait_s[leak] = median, most
        out.size[leak] = _sizes(got, closings, heard, family, leak)
        by_line = [float(np.mean(_line(closings, heard, m) > x)) for m, x in zip((5, 10), out.line_limit, strict=True)]
        out.line[leak] = by_line[0], by_line[1]
    return out


def _line(closings: Closings, heard: Recorded, minute: int) -> np.ndarray:
    return np.array([straight_line(heard, closings, k, minute) for k in range(len(closings.fill_s))])


def _tight(pots: FamilyPots, known: list[PotHabits], seed: int, out: Card) -> None:
    closings = population.close(pots, seed)
    heard = population.record(pots, closings, TIGHT_S + 300.0, seed)
    limits = [float(np.quantile(_line(closings, heard, m), 0.99)) for m in (5, 10)]
    out.line_limit = limits[0], limits[1]
    for k in range(len(pots)):
        got = told(pots, closings, heard, k, known[k], until_s=TIGHT_S)
        out.tight += 1
        out.called_leaking += got.leak_after_s(T0) < math.inf
        out.called_fast += got.leak_after_s(T0, "fast") < math.inf
        held = heard.true_psi[int(closings.mark_s[k]) :, k]
        if held.min() >= closings.target_psi[k] - 7.0:
            out.kept += 1
            out.floor_words += any(f.active for f in got.of(PotFloorAhead))


def _sizes(
    got: list[Told], closings: Closings, heard: Recorded, family: str, leak: float
) -> tuple[float, float, float]:
    """The size's error: median and p90 against the loss at target, p90 against the loss at the pressure then [%].

    Of the size told five minutes after the mark, or as the gauge passed the floor if that was sooner; of the first one
    where none was told by then.
    """
    off, off_now = [], []
    for k, t in enumerate(got):
        words = [f for f in t.of(PotLeaking) if f.active]
        if not words:
            continue
        held = heard.true_psi[int(closings.mark_s[k]) :, k] < closings.target_psi[k] - 7.0
        until_t = t.mark_t + min(306.0, float(np.argmax(held)) if held.any() else math.inf)
        word = ([f for f in words if f.t <= until_t] or words[:1])[-1]
        p = float(heard.true_psi[int(word.t - T0), k]) + ATM_PSI
        full = float(closings.target_psi[k]) + ATM_PSI
        off.append(abs(word.kpa_per_min / PSI / leak - 1.0))
        off_now.append(abs(word.kpa_per_min / PSI * p / full / (leak * _law(family, p) / _law(family, full)) - 1.0))
    if not off:
        return math.nan, math.nan, math.nan
    return float(np.median(off)) * 100, float(np.quantile(off, 0.9)) * 100, float(np.quantile(off_now, 0.9)) * 100


def _law(family: str, psi_abs: float) -> float:
    """A leak's outflow by its family's law, up to a factor."""
    return {"lumped": psi_abs, "two-node": psi_abs**2 - ATM_PSI**2, "molds": psi_abs - ATM_PSI}[family]


def lines(cards: dict[tuple[str, bool], Card]) -> list[str]:
    """The table's rows: family and pot, then a row a leak."""
    out = ["| family | pot | leak | told in 30 s / 60 s / 5 min / 10 min (line, 5 / 10 min) | wait, median / p95 | size error, median / p90; at the pressure then |"]  # fmt: skip # noqa: E501
    out.append("|---|---|---|---|---|---|")
    for (family, is_learned), c in cards.items():
        pot = "five holds" if is_learned else "generic"
        out.append(
            f"| {family} | {pot} | tight | {c.called_leaking} of {c.tight} called leaking, {c.called_fast} fast; "
            f"floor foreseen in {c.floor_words} of {c.kept} that kept it | | |"
        )
        for leak, shares in c.found.items():
            a, b, now = c.size[leak]
            size = f"{a:.0f} / {b:.0f} %; {now:.0f} %" if a == a else "-"
            wait = " / ".join("never" if w == math.inf else f"{w:.0f}" for w in c.wait_s[leak])
            by_line = " / ".join(f"{s:.0%}".rstrip("%") for s in c.line[leak])
            shown = " / ".join(f"{s:.0%}".rstrip("%") for s in shares)
            out.append(f"| {family} | {pot} | {leak:g} psi/min | {shown} % ({by_line}) | {wait} s | {size} |")
    return out


if __name__ == "__main__":
    pots = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    first = int(sys.argv[2]) if len(sys.argv) > 2 else SEED
    which = sys.argv[3:]  # families, generic, learned: all unless named
    known = [x for x, name in ((False, "generic"), (True, "learned")) if name in which] or [False, True]
    families = [f for f in FAMILIES if f in which] or list(FAMILIES)
    print("\n".join(lines({(f, x): card(f, pots, first, is_learned=x) for f in families for x in known})))
