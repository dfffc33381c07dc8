"""A shop's prior judged: forecasts of a bench that never cast the resin, from its label and from two other benches.

    PYTHONPATH=tests python tests/accuracy/prior_table.py 6 3 1000    6 resins of a family, 3 pours, seeds from 1000

One bench has six marked pours in witness cups, the other six in mixing cups, every pour a lot of its own.  The third is
shown new pours of new lots from the label, from the prior of the two, and from six marked pours of its own.
Error: |ln| of the forecast standing at half the time; held: within its 90 % window at half the time.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence

import numpy as np
from accuracy.family_score import Told, label_of, lesson_of, told
from rehearsed.families import FAMILIES, draw
from rehearsed.family_pours import pour_of

from benchd.core.bench import Bench, Resin
from benchd.core.learned.cure_lessons import learn
from benchd.core.learned.shop_prior import as_cure, combined, offer_of

HALF = 1  # of family_score.SHARES
BENCH = Bench(id="north", shop="quiet-harbour", name="North bench")


def taught(family: str, seed: int, kind: str, first: int) -> Resin:
    """The resin as a bench knows it after six marked pours."""
    resin, rng = draw(family, seed), np.random.default_rng([seed, first])
    shown = label_of(resin)
    past = [pour for i in range(6) if (pour := pour_of(resin, seed * 100 + first + i, kind=kind)) is not None]
    lessons = [lesson_of(shown, pour, i, rng) for i, pour in enumerate(past)]
    return label_of(resin, cure=learn(BENCH, shown, lessons).table)


def judged(family: str, seed: int, pours: int) -> list[tuple[Told, Told, Told]]:
    """New pours from the label, from the shop's prior, from own pours."""
    resin = draw(family, seed)
    offers = [offer_of(taught(family, seed, kind, first)) for kind, first in (("witness", 0), ("mixing", 10))]
    known = [offer for offer in offers if offer is not None]
    if not known:
        return []
    kind = "witness" if seed % 2 else "mixing"
    prior, own = label_of(resin, cure=as_cure(combined(known))), taught(family, seed, kind, 20)
    new = [pour for i in range(pours) if (pour := pour_of(resin, seed * 100 + 50 + i, kind=kind)) is not None]
    return [(told(pour, label_of(resin)), told(pour, prior), told(pour, own)) for pour in new]


def error_pct(rows: Sequence[Told]) -> float:
    return 100.0 * float(np.mean([abs(np.log(row.forecasts[HALF][1])) for row in rows]))


def held_pct(rows: Sequence[Told]) -> float:
    return 100.0 * float(np.mean([row.forecasts[HALF][0] <= 1.0 <= row.forecasts[HALF][2] for row in rows]))


def main(resins: int, pours: int, first: int) -> None:
    print("| family | pours | error at half time: label, prior, own | held of 90 %: label, prior, own |")
    print("|---|---|---|---|")
    every: list[tuple[Told, Told, Told]] = []
    for family in FAMILIES:
        rows = [row for seed in range(first, first + resins) for row in judged(family, seed, pours)]
        every += rows
        print(line(family, rows), flush=True)
    print(line("all", every))


def line(name: str, rows: Sequence[tuple[Told, Told, Told]]) -> str:
    errors = ", ".join(f"{error_pct([row[n] for row in rows]):.1f}" for n in range(3))
    held = ", ".join(f"{held_pct([row[n] for row in rows]):.0f}" for n in range(3))
    return f"| {name} | {len(rows)} | {errors} % | {held} % |"


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:4]))
