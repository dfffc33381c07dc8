"""Computes when a mold's part gels, turns green and turns hard, and how sure that is, from its resin's section table.

A part is there when its thin AND its thick section are: thin ones wait for conversion, thick ones for cooling.  Hard is
cured enough AND cool enough to keep its shape.  A resin that softens at its glass transition is hard by the table's own
rule; one that softens lower only once it is cool.  No cup shows which this one is, so both are held likely until pulls
tell: the likely time lies between them and the sd reaches to both.  (A label's demold time before its own section is
cool says that the resin is hard while warmer.)

The table knows a middling resin; kappa, ln of the label's demold time over the table's at 6 mm and 23 C, carries it to
this one: in full to hard times, in part to the rest [model: regressed over 40 drawn resins, seeds below 1000].  The
speed of the lot comes from the kick: a cup that kicked late by a factor had a lot slower by it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import exp, hypot, inf, log
from typing import Literal

from benchd.physics.kinetics import Cure
from benchd.physics.label_cure import cup_gel_s
from benchd.physics.mold_factor import Belief
from benchd.physics.section_rule import LABEL_SECTION_MM
from benchd.physics.section_table import Conditions, SectionTable

LABEL_WALL_MM = 12.0
KAPPA_SHARE = {"gel": (0.4, 0.1), "green": (0.65, 0.65), "hard": (1.0, 0.75)}
"""Share of kappa that reaches each time, up to 9 mm and from 20 mm on [model, see above]."""
THIN_MM, THICK_MM = 9.0, 20.0
THICK_SHIFT = -0.1  # ln: the same regression; thick sections of drawn resins turn hard a tenth sooner [model]
GEL_SD, GEL_THIN_SD = 0.30, 0.38
"""sd of ln of a gel time, from 4 mm on and below: a thin section's depends on the shape of the resin's curve."""
GEL_THIN_MM = 4.0
SOFT_SHARE, SOFT_SD_SHARE = 0.5, 0.5  # calc: two points, equally likely, half of what lies between them from the middle
GREEN_SD = 0.14  # of green, besides what the mold's factor leaves open [model]
HARD_SD = 0.06  # of hard, the same, besides the lot's speed [model]
UNSEEN_LOT_SD = 0.22  # lots .18, labels .10, the map from cup to cup .06 [study]
LABELLED_LOT_SD = 0.11  # a lot whose own pot life was typed from a watched cup [study]
MOST_LOT = 0.8
NEVER_S = 1e7

Stage = Literal["gel", "green", "hard"]
Limit = Literal["thin", "thick"]
Rule = Literal["cured", "cool"]
STAGES: tuple[Stage, ...] = ("gel", "green", "hard")


@dataclass(frozen=True, slots=True)
class MoldTimes:
    """ln of seconds from the mix to gel, green and hard; which section each waits for.

    rule: what a hard part waits for longest; soft_sd: sd of ln of hard for not knowing at what warmth it softens.
    """

    ln_s: dict[Stage, float]
    limit: dict[Stage, Limit]
    rule: Rule = "cured"
    soft_sd: float = 0.0


def mold_times(
    table: SectionTable, demold_s: float, thin_mm: float, thick_mm: float, at: Conditions, demold_lot: float = 0.0
) -> MoldTimes:
    """The times of one part: demold_s is the label's [s], of a lot of ln speed demold_lot; `at` what the part meets
    (its thick_mm is not used)."""
    label = Conditions(thick_mm=LABEL_SECTION_MM, wall_mm=LABEL_WALL_MM, lot=demold_lot)
    of_label = table.ln_times(label)
    kappa = log(demold_s) - of_label["hard"]
    warmer = min(0.0, log(demold_s) - of_label.get("cool", -inf))
    sections: dict[Limit, float] = {"thin": thin_mm, "thick": thick_mm}
    found = {name: table.ln_times(replace(at, thick_mm=mm)) for name, mm in sections.items()}
    ln_s: dict[Stage, float] = {}
    limit: dict[Stage, Limit] = {}
    for stage in STAGES:
        each = {name: found[name][stage] + _carried(stage, mm, kappa) for name, mm in sections.items()}
        limit[stage] = "thick" if each["thick"] > each["thin"] else "thin"
        ln_s[stage] = max(each.values())
    ln_s["green"] = max(ln_s["green"], ln_s["gel"])
    ln_s["hard"] = cured = max(ln_s["hard"], ln_s["green"])
    cool = max(each.get("cool", -inf) for each in found.values()) + warmer
    if cool <= cured:
        return MoldTimes(ln_s, limit)
    ln_s["hard"] = cured + SOFT_SHARE * (cool - cured)
    limit["hard"] = max(found, key=lambda name: found[name].get("cool", -inf))
    return MoldTimes(ln_s, limit, "cool", SOFT_SD_SHARE * (cool - cured))


def _carried(stage: Stage, thick_mm: float, kappa: float) -> float:
    """What to add to ln of the table's time for this resin."""
    thin, thick = KAPPA_SHARE[stage]
    part = min(max((thick_mm - THIN_MM) / (THICK_MM - THIN_MM), 0.0), 1.0)
    shift = 0.0 if stage == "gel" else THICK_SHIFT
    return (thin + part * (thick - thin)) * kappa + part * shift


def stage_sd(stage: Stage, thin_mm: float, factor: Belief) -> tuple[float, float]:
    """(mean, sd) of ln of a stage's true time over the model's, the lot's speed apart; factor: what pulls taught.

    Pulls teach green and hard only; gel keeps the model's own, for no hand feels it.
    """
    if stage == "gel":
        return 0.0, GEL_THIN_SD if thin_mm < GEL_THIN_MM else GEL_SD
    return factor.mean, hypot(factor.sd, HARD_SD if stage == "hard" else GREEN_SD)


def lot_speed(cure: Cure, label_lot: float, kick_s: float, room_c: float, tau_s: float) -> float:
    """ln of the lot's speed over the table's resin, from its kick [s after the mix] in a cup of cooling time tau_s.

    label_lot: the same as the lot's own label says it; the cup is expected to kick accordingly.  At most +-0.8.
    """
    lot = label_lot
    for _ in range(3):  # the cup's time is nearly 1/speed, so a few corrections settle it
        expected_s = cup_gel_s(cure, cure.k_per_s * exp(lot), room_c, tau_s, NEVER_S)
        lot = min(max(lot + log(expected_s / kick_s), -MOST_LOT), MOST_LOT)
    return lot
