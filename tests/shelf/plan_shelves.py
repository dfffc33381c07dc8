"""Shelves for the plan's tests: the invented studio's, and random ones."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

from benchd.core.bench import Lot, Mold, Pot, Resin
from benchd.shelf.plan.ask import Ask, Hands, PlanLimits

FAST = Resin(
    id="fast", name="fast white", pot_life_s=180, demold_s=600, least_hold_s=480, ratio_weight_b=0.9,
    density_a_g_ml=1.13, density_b_g_ml=1.02, density_cured_g_ml=1.07,
)  # fmt: skip
R07 = Lot(id="r-07", code="R-07", resin="fast", label=replace(FAST, pot_life_s=165.0))
BARREL = Pot(
    id="barrel", name="Barrel", volume_l=16.5, free_l=13.0, marked_kpa=413.7, relief_kpa=379.2, target_kpa=289.6,
    floor_kpa=241.3, limit_kpa=372.3,
)  # fmt: skip

# code: cavity, gate + reservoir ml; thin, thick, wall mm; warmed to C; pull; casts, life (invented: the demo's studio)
TABLE: dict[str, tuple[int, int, float, int, int, float | None, Literal["green", "hard"], int, int]] = {
    "M01": (96, 14, 6.0, 26, 14, None, "hard", 18, 60),
    "M02": (28, 9, 2.2, 9, 12, 40.0, "green", 22, 50),
    "M03": (54, 12, 2.8, 6, 14, None, "green", 9, 50),
    "M04": (142, 18, 5.0, 30, 16, None, "hard", 31, 60),
    "M05": (17, 8, 2.0, 5, 12, 40.0, "green", 40, 45),
    "M06": (36, 8, 4.0, 22, 12, None, "hard", 12, 60),
    "M07": (41, 11, 2.5, 8, 12, 40.0, "green", 5, 50),
    "M08": (118, 6, 10.0, 18, 12, None, "hard", 27, 80),
}


def studio(code: str) -> Mold:
    cavity, rest, thin, thick, wall, warm, pull, casts, life = TABLE[code]
    return Mold(
        id=code.lower(), code=code, name=code, cavity_ml=cavity, gate_ml=rest, thin_mm=thin, thick_mm=thick,
        wall_mm=wall, warm_c=warm, pull=pull, casts_before=casts, life=life,
    )  # fmt: skip


def studio_ask(codes: str, temp_c: float, pours_s: dict[str, float] | None = None, **more: object) -> Ask:
    return Ask(
        casts=tuple(studio(code) for code in codes.split()), pots=(BARREL,), label=R07.label, lot=R07, temp_c=temp_c,
        start_t=0.0, cup="cup-1", hands=Hands(pours_s=pours_s or {}), **more,  # type: ignore[arg-type]
    )  # fmt: skip


def random_ask(seed: int, most: int = 9) -> Ask:
    """A shelf nobody would build, drawn from a seed: odd volumes, one to three pots, warm molds, little resin."""
    rng = random.Random(seed)
    molds = [_mold(rng, i) for i in range(rng.randint(1, most))]
    repeats = [m for m in molds if rng.random() < 0.2]
    casts = (molds + repeats)[:most]
    pots = tuple(_pot(rng, i) for i in range(rng.choice((1, 1, 1, 2, 3))))
    pot_life_s = rng.choice((150.0, 165.0, 180.0, 240.0, 420.0))
    label = replace(FAST, pot_life_s=pot_life_s)
    lot = replace(R07, label=label)
    needed_g = sum(1.1 * m.cavity_ml + 20.0 for m in casts)
    hands = Hands(
        lid_s=rng.uniform(15, 35), usual_pour_s=rng.choice((None, rng.uniform(8, 25))),
        fills_s={pot.id: rng.uniform(15, 50) for pot in pots if rng.random() < 0.7},
    )  # fmt: skip
    return Ask(
        casts=tuple(casts), pots=pots, label=label, lot=lot, temp_c=rng.uniform(17, 29), start_t=1_767_606_000.0,
        hands=hands, left_g=rng.choice((None, rng.uniform(0.2, 1.5) * needed_g)),
        limits=PlanLimits(most_molds=rng.choice((2, 3, 4, 4)), most_loads=rng.choice((None, None, 1, 2, 3))),
        used={m.id: rng.randint(0, m.life + 2) for m in molds if rng.random() < 0.3},
        today={m.id: rng.randint(0, 3) for m in molds if rng.random() < 0.3},
        mold_c={m.id: rng.uniform(18, 55) for m in molds if rng.random() < 0.2},
    )  # fmt: skip


def _mold(rng: random.Random, i: int) -> Mold:
    thin_mm = rng.uniform(1.5, 12)
    return Mold(
        id=f"m{i:02d}", code=f"M{i:02d}", name=f"Mold {i}", cavity_ml=rng.uniform(5, 260), gate_ml=rng.uniform(0, 12),
        reservoir_ml=rng.uniform(0, 12), thin_mm=thin_mm, thick_mm=thin_mm + rng.uniform(0, 25),
        wall_mm=rng.uniform(8, 22), warm_c=rng.choice((None, None, 40.0)), pull=rng.choice(("green", "hard")),
        traps=rng.choice(("", "toes", "chin, collar")), casts_before=rng.randint(0, 20), life=rng.randint(20, 60),
        casts_a_day=rng.randint(1, 3), footprint_cm2=rng.choice((None, None, rng.uniform(20, 250))),
        retired=rng.random() < 0.05,
    )  # fmt: skip


def _pot(rng: random.Random, i: int) -> Pot:
    volume_l = rng.uniform(4, 30)
    floor_cm2 = rng.choice((None, rng.uniform(200, 900)))
    return replace(BARREL, id=f"pot-{i}", name=f"Pot {i}", volume_l=volume_l, floor_cm2=floor_cm2)


def all_partitions(items: Sequence[int], most: int) -> list[list[tuple[int, ...]]]:
    """Every way to part all items into groups of at most `most`: by brute force."""
    if not items:
        return [[]]
    first, rest = items[0], list(items[1:])
    out = []
    for pick in range(1 << len(rest)):
        group = (first, *(rest[i] for i in range(len(rest)) if pick >> i & 1))
        if len(group) <= most:
            others = [x for x in rest if x not in group]
            out += [[group, *more] for more in all_partitions(others, most)]
    return out
