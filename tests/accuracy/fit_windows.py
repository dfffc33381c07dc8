"""How wide do windows have to be?  Fits the factors of the kick's windows and of the parts' edges, family by family.

    PYTHONPATH=tests python tests/accuracy/fit_windows.py kick 0 40      seeds 0 to 39, a pour of each family's resins
    PYTHONPATH=tests python tests/accuracy/fit_windows.py ready 0 60

Split conformal calibration, as physics/kick_window has it.  A pour's score is how many times further out than the
forecast's own edge the truth lay; a family asks for the quantile of its pours' scores (with its finite sample's
correction), and the factor is the most that any family asks for.  Each row is without one family: the factors that its
own row of the card is made with.  Kicks are scored on both sides at once, at shares of the true time; parts a tail at
a time, each thickness for itself.  Seeds below 100 only.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import chain
from math import ceil, inf, log
from multiprocessing import get_context
from typing import TypeVar
from unittest.mock import patch

from accuracy.family_parts import PartTold, parts_told
from accuracy.family_score import label_of, told
from rehearsed.families import FAMILIES, draw
from rehearsed.family_pours import THICK_MM, pour_of

from benchd.physics import mold_factor
from benchd.physics.kick_window import WELL_FIT
from benchd.watchers.kick import KickWatcher

COVERAGE, TAIL = 0.90, 0.05
EARLY_SHARES, LATE_SHARES = (0.3, 0.4, 0.5), (0.65, 0.7, 0.8, 0.85)
DUE_EARLY = 0.95
NEVER = ((6.0, 1.0, 1.0),)
Job = tuple[str, int]
Scores = Mapping[str, Sequence[float]]
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class KickScores:
    """One pour's scores: (is late, is well fit, score) of its forecasts; ln of the kick found over the true one."""

    family: str
    forecasts: tuple[tuple[bool, bool, float], ...]
    found: float | None


def quantile(scores: Sequence[float], share: float) -> float:
    """The ceil((n + 1) share)-th smallest; the largest where there are too few.

    After Vovk, Gammerman and Shafer, Algorithmic Learning in a Random World (2005).
    """
    ordered = sorted(scores)
    return ordered[min(ceil((len(ordered) + 1) * share), len(ordered)) - 1]


def asked(by_family: Scores, share: float, left_out: str = "") -> float:
    """The most that any family but the one left out asks for."""
    return max((quantile(own, share) for family, own in by_family.items() if family != left_out and own), default=1.0)


def kick_scores(job: Job) -> list[KickScores]:
    """One resin's pour."""
    family, seed = job
    resin = draw(family, seed)
    pour = pour_of(resin, seed * 100)
    if pour is None:
        return []
    states: list[tuple[float, float, float, float, float]] = []

    def watch(seat: KickWatcher, at_s: float) -> None:
        if seat.cure is not None and seat.belief is not None and seat.cure.is_fitted:
            early, middle, late = (log(s) for s in seat.belief.window_s(at_s))
            states.append((at_s, early, middle, late, seat.cure.misfit or 0.0))

    row = told(pour, label_of(resin), watch=watch)
    out = []
    for share in (*EARLY_SHARES, *LATE_SHARES):
        standing = [state for state in states if state[0] <= share * pour.kick_s]
        if standing:
            _, early, middle, late, misfit = standing[-1]
            off = log(pour.kick_s) - middle
            edge = late - middle if off > 0.0 else early - middle
            out.append((share in LATE_SHARES, misfit <= WELL_FIT, off / edge if edge else inf))
    return [KickScores(family, tuple(out), None if row.found is None else abs(log(row.found)))]


def kick_rows(rows: Sequence[KickScores]) -> list[str]:
    """WIDER's columns and LEAST_KICK without each family, and with all."""
    out = ["| left out | up to 0.6: well fit, not | beyond: well fit, not | found |", "|" + "---|" * 4]
    for left_out in (*FAMILIES, "none"):
        cells = []
        for is_late in (False, True):
            for is_well in (True, False):
                scores = {
                    f: [
                        s
                        for r in rows
                        if r.family == f
                        for late, well, s in r.forecasts
                        if (late, well) == (is_late, is_well)
                    ]
                    for f in FAMILIES
                }
                cells.append(f"{asked(scores, COVERAGE, left_out):.2f}")
        found = {f: [r.found for r in rows if r.family == f and r.found is not None] for f in FAMILIES}
        out.append(
            f"| {left_out} | {cells[0]}, {cells[1]} | {cells[2]}, {cells[3]} | {asked(found, COVERAGE, left_out):.3f} |"
        )
    return out


def part_rows(rows: Sequence[PartTold]) -> list[str]:
    """EDGES' rows without each family, and with all."""
    out = ["| left out | mm | early | late |", "|" + "---|" * 4]
    for left_out in (*FAMILIES, "none"):
        for mm in THICK_MM:
            own = {f: [r for r in rows if (r.family, r.thick_mm) == (f, mm)] for f in FAMILIES}
            sides = [
                asked({f: [_score(r, is_late) for r in each] for f, each in own.items()}, 1.0 - TAIL, left_out)
                for is_late in (False, True)
            ]
            out.append(f"| {left_out} | {mm:.0f} | {sides[0]:.2f} | {sides[1]:.2f} |")
    return out


def _score(part: PartTold, is_late: bool) -> float:
    """Of the late edge: how far out no part would have been called more than 5 % early."""
    if is_late:
        return log(DUE_EARLY * part.true / part.likely) / log(part.late / part.likely)
    return log(part.true / part.likely) / log(part.early / part.likely)


def bare_parts(job: Job) -> list[PartTold]:
    """One resin's parts by windows without any factor."""
    with patch.object(mold_factor, "EDGES", NEVER):
        return parts_told((*job, 1))


def _all(work: Callable[[Job], list[T]], jobs: Sequence[Job]) -> list[T]:
    with ProcessPoolExecutor(mp_context=get_context("fork")) as pool:
        return list(chain.from_iterable(pool.map(work, jobs)))


def main(what: str, first: int, count: int) -> None:
    """Print the factors."""
    jobs = [(family, first + i) for family in FAMILIES for i in range(count)]
    print("\n".join(kick_rows(_all(kick_scores, jobs)) if what == "kick" else part_rows(_all(bare_parts, jobs))))


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))
