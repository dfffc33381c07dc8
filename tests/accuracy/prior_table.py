"""A shop's prior judged: the kick as expected at the mix, by a bench that never cast the resin.

    PYTHONPATH=tests python tests/accuracy/prior_table.py 4 6 1000    4 resins of a family, 6 pours, seeds from 1000

One bench has six marked pours in witness cups, another six in mixing cups, every pour a lot of its own.  The third is
shown new pours of new lots, knowing the label alone or the prior of the two.  Error: |ln| of the likely time over the
kick's, before any curve and with half of it seen; width: late over early of the 90 % window; held: kicks within it.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import cast

import numpy as np
from accuracy.family_score import SHARES, label_of, lesson_of, told
from rehearsed.families import FAMILIES, draw
from rehearsed.family_pours import FamilyPour, pour_of

from benchd.core.bench import Bench, Resin
from benchd.core.learned.cure_belief import expectation
from benchd.core.learned.cure_lessons import learn
from benchd.core.learned.shop_prior import as_cure, combined, offer_of
from benchd.physics.cup_cure import CupCure, CupKind

BENCH = Bench(id="north", shop="quiet-harbour", name="North bench")
Expected = tuple[float, float, float]
"""early, likely, late over the kick's time."""
Pair = tuple[Expected, Expected]
"""At the mix, and at half time."""


def offered(family: str, seed: int, kind: str, first: int) -> dict[str, object] | None:
    """What a bench offers after six marked pours of a resin."""
    resin, rng = draw(family, seed), np.random.default_rng([seed, first])
    shown = label_of(resin)
    past = [pour for i in range(6) if (pour := pour_of(resin, seed * 100 + first + i, kind=kind)) is not None]
    lessons = [lesson_of(shown, pour, i, rng) for i, pour in enumerate(past)]
    return offer_of(label_of(resin, cure=learn(BENCH, shown, lessons).table))


def expected(drawn: FamilyPour, shown: Resin) -> Pair:
    """What a bench that knows `shown` expects of a pour at its mix and at half time."""
    known = expectation(BENCH, None, shown)
    cup = CupCure(
        kind=cast(CupKind, drawn.kind), mass_g=drawn.mass_g, lag_s=3.0, resin=known.resin, pot_life_s=known.pot_life_s,
        label_mass_g=known.mass_g, is_learned=known.is_learned, width=known.width,
    )  # fmt: skip
    early, likely, late = cup.expect(drawn.room_c, drawn.room_c).window_s(0.0)
    at_mix = early / drawn.kick_s, likely / drawn.kick_s, late / drawn.kick_s
    return at_mix, told(drawn, shown).forecasts[SHARES.index(0.5)]


def judged(family: str, seed: int, pours: int) -> list[tuple[Pair, Pair]]:
    """New pours of one resin as expected from the label, and from the prior of two benches."""
    resin = draw(family, seed)
    found = [offered(family, seed, kind, first) for kind, first in (("witness", 0), ("mixing", 10))]
    known = [offer for offer in found if offer is not None]
    if not known:
        return []
    prior = label_of(resin, cure=as_cure(combined(known)))
    new = [pour for i in range(pours) if (pour := pour_of(resin, seed * 100 + 50 + i)) is not None]
    return [(expected(pour, label_of(resin)), expected(pour, prior)) for pour in new]


def line(name: str, rows: Sequence[tuple[Pair, Pair]]) -> str:
    """One row of the table: for each moment label, prior."""
    cells = [f"| {name} | {len(rows)} "]
    for moment in (0, 1):
        sides = [[row[n][moment] for row in rows] for n in (0, 1)]
        errors = ", ".join(f"{100.0 * float(np.mean([abs(np.log(at)) for _, at, _ in side])):.0f}" for side in sides)
        widths = ", ".join(f"{float(np.exp(np.mean([np.log(b / a) for a, _, b in side]))):.2f}" for side in sides)
        held = ", ".join(f"{100.0 * float(np.mean([a <= 1.0 <= b for a, _, b in side])):.0f}" for side in sides)
        cells.append(f"| {errors} % | {widths} | {held} % ")
    return "".join(cells) + "|"


def main(resins: int, pours: int, first: int, families: Sequence[str]) -> None:
    print("| family | pours | at the mix: error: label, prior | width | held | half time: error | width | held |")
    print("|" + "---|" * 8)
    every: list[tuple[Pair, Pair]] = []
    for family in families:
        rows = [row for seed in range(first, first + resins) for row in judged(family, seed, pours)]
        every += rows
        print(line(family, rows), flush=True)
    print(line("all", every))


if __name__ == "__main__":
    resins, pours, first = (int(word) for word in sys.argv[1:4])
    main(resins, pours, first, sys.argv[4:] or FAMILIES)
