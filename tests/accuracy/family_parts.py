"""Parts of the families' pours as the demold forecast sees them once the kick is known, beside their truth."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from math import exp
from typing import cast

import numpy as np
from accuracy.family_score import label_of
from of_kind import known
from rehearsed.families import FamilyResin, draw
from rehearsed.family_pours import THICK_MM, FamilyPart, FamilyPour, part_of, pour_of

from benchd.core.bench import Bench, Mold, Resin
from benchd.core.model import Table
from benchd.core.mold_forecast import CastKnown, Kick, PartTimes, ResinModel, part_times, resin_hash, resin_model
from benchd.physics.cup_cure import CupKind
from benchd.physics.mold_factor import belief_of
from benchd.runtime.watch.sections import solve_plain
from benchd.watchers.demold import Settings

KICK_SD = 0.03  # ln: how well a cup's kick is found, as the kick's own card says
HARD_ONCE_COOL = ("delayed", "moisture")  # families that soften well below their glass transition (rehearsed/families)
DEFLECTION_SD_K = 3.0  # invented: how near a data sheet is to its resin


@dataclass(frozen=True, slots=True, kw_only=True)
class PartTold:
    """Hard: early, likely, late as forecast, and true [s after the mix]; rule: what it waits for longest, as told;
    with_sheet: the same forecast of a resin whose heat deflection temperature is known."""

    family: str
    thick_mm: float
    early: float
    likely: float
    late: float
    true: float
    rule: str
    with_sheet: tuple[float, float, float]


def model_of(resin: Resin) -> ResinModel:
    """Its solved sections, as a bench solves them."""
    bench = Bench(id="north", shop="quiet-harbour", name="North bench", resins=(resin,))
    return known(resin_model(bench, Table(0.0, resin.id, resin_hash(resin), solve_plain(resin))))


def times_of(shown: Resin, model: ResinModel, pour: FamilyPour, part: FamilyPart, kick_s: float) -> PartTimes:
    """What is told of a part whose cup kicked at kick_s."""
    mold = Mold(id="m", code="m", name="Drawn", cavity_ml=40.0, thin_mm=part.thick_mm, thick_mm=part.thick_mm,
                wall_mm=part.wall_mm)  # fmt: skip
    kind = cast(CupKind, pour.kind)
    kick = Kick(at_s=kick_s, sd=0.05, cup_kind=kind, cup_mass_g=pour.mass_g)
    cast_known = CastKnown(
        mold=mold, resin=shown, label=shown, room_c=pour.room_c, mix_c=pour.room_c, mold_c=pour.room_c, kick=kick,
        cup_kind=kind, cup_mass_g=pour.mass_g,
    )  # fmt: skip
    return part_times(cast_known, model, belief_of(None, part.thick_mm), Settings())


def deflection_c(resin: FamilyResin, seed: int) -> float:
    """What the data sheet says: where a part sags once all of it is cured."""
    n = resin.numbers
    sags_c = n["soft"] if resin.family in HARD_ONCE_COOL else n["tg1"] - n["margin"]
    return sags_c + DEFLECTION_SD_K * float(np.random.default_rng([seed, 80]).normal())


def _casts(
    family: str, seed: int, pours: int, thick_mm: Sequence[float]
) -> Iterator[tuple[FamilyPour, FamilyPart, float]]:
    """Each part of one resin's pours, and when its cup's kick was found [s after the mix]."""
    resin, rng = draw(family, seed), np.random.default_rng(seed)
    for i in range(pours):
        pour = pour_of(resin, seed * 100 + i)
        if pour is None:
            continue
        kick_s = pour.kick_s * exp(float(rng.normal(0.01, KICK_SD)))
        for mm in thick_mm:
            yield pour, part_of(resin, pour, mm, seed * 100 + i), kick_s


def shown_parts(
    family: str, seed: int, pours: int, thick_mm: Sequence[float]
) -> Iterator[tuple[FamilyPart, PartTimes]]:
    """Each part of one resin's pours, and what is told of it from the label and its cup's kick."""
    shown = label_of(draw(family, seed))
    model = model_of(shown)
    for pour, part, kick_s in _casts(family, seed, pours, thick_mm):
        yield part, times_of(shown, model, pour, part, kick_s)


def parts_told(job: tuple[str, int, int]) -> list[PartTold]:
    """One resin's parts from its label and its cups' kicks, without its data sheet and with it."""
    family, seed, pours = job
    resin = draw(family, seed)
    shown = label_of(resin)
    sheet, model = replace(shown, heat_deflection_c=deflection_c(resin, seed)), model_of(shown)
    out: list[PartTold] = []
    for pour, part, kick_s in _casts(family, seed, pours, THICK_MM):
        if part.hard_s is None:
            continue
        times, known = (times_of(each, model, pour, part, kick_s) for each in (shown, sheet))
        early, likely, late = times.hard
        out.append(PartTold(family=family, thick_mm=part.thick_mm, early=early, likely=likely, late=late,
                            true=part.hard_s, rule=times.rule, with_sheet=known.hard))  # fmt: skip
    return out
