"""Parts of the families' pours as the demold forecast sees them once the kick is known, beside their truth."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from math import exp
from typing import cast
from unittest.mock import patch

import numpy as np
from accuracy.family_score import label_of
from of_kind import known
from rehearsed.families import draw
from rehearsed.family_pours import THICK_MM, FamilyPart, FamilyPour, part_of, pour_of

from benchd.core.bench import Bench, Mold, Resin
from benchd.core.model import Table
from benchd.core.mold_forecast import CastKnown, Kick, PartTimes, ResinModel, part_times, resin_hash, resin_model
from benchd.physics import mold_times
from benchd.physics.cup_cure import CupKind
from benchd.physics.mold_factor import belief_of
from benchd.runtime.watch.sections import solve_plain
from benchd.watchers.demold import Settings

KICK_SD = 0.03  # ln: how well a cup's kick is found, as the kick's own card says
HARD_ONCE_COOL = ("delayed", "moisture")  # families that soften well below their glass transition (rehearsed/families)


@dataclass(frozen=True, slots=True, kw_only=True)
class PartTold:
    """Hard: early, likely, late as forecast, and true [s after the mix]; rule: what it waits for longest, as told;
    if_known: the likely time if one knew by which of the two rules the resin turns hard."""

    family: str
    thick_mm: float
    early: float
    likely: float
    late: float
    true: float
    rule: str
    if_known: float


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


def _parts(
    family: str, seed: int, pours: int, thick_mm: Sequence[float]
) -> Iterator[tuple[FamilyPart, Callable[[], PartTimes]]]:
    """Each part of one resin's pours, and what tells of it from the label and its cup's kick."""
    resin = draw(family, seed)
    shown, rng = label_of(resin), np.random.default_rng(seed)
    model = model_of(shown)
    for i in range(pours):
        pour = pour_of(resin, seed * 100 + i)
        if pour is None:
            continue
        kick_s = pour.kick_s * exp(float(rng.normal(0.01, KICK_SD)))
        for mm in thick_mm:
            part = part_of(resin, pour, mm, seed * 100 + i)
            yield part, partial(times_of, shown, model, pour, part, kick_s)


def shown_parts(
    family: str, seed: int, pours: int, thick_mm: Sequence[float]
) -> Iterator[tuple[FamilyPart, PartTimes]]:
    """Each part of one resin's pours, and what is told of it from the label and its cup's kick."""
    return ((part, tell()) for part, tell in _parts(family, seed, pours, thick_mm))


def parts_told(job: tuple[str, int, int]) -> list[PartTold]:
    """One resin's parts from its label and its cups' kicks."""
    family, seed, pours = job
    out: list[PartTold] = []
    share = 1.0 if family in HARD_ONCE_COOL else 0.0
    for part, tell in _parts(family, seed, pours, THICK_MM):
        if part.hard_s is None:
            continue
        times = tell()
        with patch.multiple(mold_times, SOFT_SHARE=share, SOFT_SD_SHARE=0.0):
            if_known = tell().hard[1]
        early, likely, late = times.hard
        out.append(PartTold(family=family, thick_mm=part.thick_mm, early=early, likely=likely, late=late,
                            true=part.hard_s, rule=times.rule, if_known=if_known))  # fmt: skip
    return out
