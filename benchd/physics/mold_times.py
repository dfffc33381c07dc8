"""Computes when a mold's part gels, turns green and turns hard, and how sure that is, from its resin's section table.

A part is there when its thin AND its thick section are: thin ones wait for conversion, thick ones for cooling.  Hard is
cured enough AND cool enough to keep its shape.  A resin that softens at its glass transition is hard by the table's own
rule; one that softens lower only once it is cool.  No cup shows which this one is: its data sheet may, by a heat
deflection temperature (ISO 75).  Without one a part has chances, each with its own time: hard by the table's rule, or
as cool as SOFT_C, each as likely as the label's demold time allows (a resin that is hard while its label's section is
warmer does not soften there).  The likely time is their mean, the window their tails, until pulls tell.

The table knows a middling resin; kappa, ln of the label's demold time over the table's at 6 mm and 23 C, carries it to
this one: in full to hard times at 6 mm, in part to the rest [model: regressed over drawn resins, seeds below 100].  The
speed of the lot comes from the kick: a cup that kicked late by a factor had a lot slower by it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import erf, exp, hypot, log, sqrt
from typing import Literal

from benchd.physics.cup_heat import LABEL_TEMP_C
from benchd.physics.kinetics import Cure
from benchd.physics.label_cure import cup_gel_s
from benchd.physics.mold_factor import Belief, between, edge_shares, prior_sd
from benchd.physics.section import COLD_C, COOL_C
from benchd.physics.section_rule import LABEL_SECTION_MM
from benchd.physics.section_table import Conditions, SectionTable

LABEL_WALL_MM = 12.0
KAPPA_SHARE = {
    "gel": ((9.0, 0.4), (20.0, 0.1)), "green": ((9.0, 0.65), (20.0, 0.65)),
    "hard": ((6.0, 1.0), (12.0, 0.7), (20.0, 0.5)),
}  # fmt: skip
"""Thickness [mm] and share of kappa that reaches each time there, straight between [model, see above]."""
SHIFT = ((6.0, 0.0), (12.0, -0.1), (20.0, -0.28))
"""Thickness [mm], and ln by which thick sections of drawn resins turn hard sooner than the table has them [model]."""
GREEN_SHIFT = ((9.0, 0.0), (20.0, -0.1))  # the same of green [model: 40 drawn resins, seeds below 1000]
GEL_SD, GEL_THIN_SD = 0.30, 0.38
"""sd of ln of a gel time, from 4 mm on and below: a thin section's depends on the shape of the resin's curve."""
GEL_THIN_MM = 4.0
CURED_SDS = ((3.0, 0.36), (6.0, 0.26), (12.0, 0.30), (20.0, 0.50))
"""Thickest section [mm], and sd of ln of the time to be cured, where that is what it waits for [model, see above]."""
COOL_SD = 0.14  # the same to be cool [model]: walls and films are known to a third
SOFT_C = (41.0, 48.0, 55.0)
"""Where a resin softens of which only the label is known [C], if not at its glass transition; common practice, no
source: heat deflection of casting resins begins at about 45 to 70 C.  Together as likely as that transition."""
DEFLECTION_DOUBT_K = 4.0  # common practice, no source: how near a data sheet's temperature is to where a part sags
LABEL_DOUBT = 0.6  # ln: how far a label's demold time and the table's time to be cool may contradict each other [model]
LEAST_CHANCE = 0.02
TOLD = ((6.0, 1.0), (20.0, 0.0))
"""Thickness [mm], and the share in which a section is cool sooner than by the table, where the label's own must be."""
GREEN_SD = 0.14  # of green, besides what the mold's factor leaves open [model]
HARD_SD = 0.06  # of hard, the same, besides the lot's speed [model]
TAIL = 0.05
LEAST_EXCESS_K = 1.0  # a section as warm as its room never gets there
UNSEEN_LOT_SD = 0.22  # lots .18, labels .10, the map from cup to cup .06 [study]
LABELLED_LOT_SD = 0.11  # a lot whose own pot life was typed from a watched cup [study]
MOST_LOT = 0.8
NEVER_S = 1e7

Stage = Literal["gel", "green", "hard"]
Limit = Literal["thin", "thick"]
Rule = Literal["cured", "cool"]
STAGES: tuple[Stage, ...] = ("gel", "green", "hard")


@dataclass(frozen=True, slots=True)
class Chance:
    """One way for a part to turn hard: its weight, ln of its time over the likely one, sd of that."""

    weight: float
    off: float
    sd: float


@dataclass(frozen=True, slots=True)
class MoldTimes:
    """ln of seconds from the mix to gel, green and hard; which section each waits for.

    rule: what a hard part waits for longest; chances: of hard, their weights sum to one; is_told: a data sheet says
    to what it has to cool.
    """

    ln_s: dict[Stage, float]
    limit: dict[Stage, Limit]
    rule: Rule
    chances: tuple[Chance, ...]
    is_told: bool = False


def mold_times(
    table: SectionTable, demold_s: float, thin_mm: float, thick_mm: float, at: Conditions, demold_lot: float = 0.0,
    deflection_c: float | None = None,
) -> MoldTimes:  # fmt: skip
    """The times of one part: demold_s is the label's [s], of a lot of ln speed demold_lot; `at` what the part meets
    (its thick_mm is not used); deflection_c: the data sheet's heat deflection temperature [C], if it has one."""
    of_label = table.ln_times(Conditions(thick_mm=LABEL_SECTION_MM, wall_mm=LABEL_WALL_MM, lot=demold_lot))
    kappa = log(demold_s) - of_label["hard"]
    sections: dict[Limit, float] = {"thin": thin_mm, "thick": thick_mm}
    found = {name: table.ln_times(replace(at, thick_mm=mm)) for name, mm in sections.items()}
    ln_s: dict[Stage, float] = {}
    limit: dict[Stage, Limit] = {}
    for stage in STAGES:
        each = {name: found[name][stage] + _carried(stage, mm, kappa) for name, mm in sections.items()}
        limit[stage] = "thick" if each["thick"] > each["thin"] else "thin"
        ln_s[stage] = max(each.values())
    ln_s["green"] = max(ln_s["green"], ln_s["gel"])
    cured = max(ln_s["hard"], ln_s["green"])
    before = {c: log(demold_s) - cooled(of_label, c, LABEL_TEMP_C) for c in _softens_at(deflection_c, of_label)}
    ways = [
        (_allowed(by), max(cooled(found[n], c, at.room_c) + _told(mm, by) for n, mm in sections.items()))
        for c, by in before.items()
    ]
    is_glass = deflection_c is None or not ways
    ln_s["hard"], chances = _chances(cured, between(thick_mm, CURED_SDS), ways, is_glass)
    if not ways or ways[len(ways) // 2][1] <= cured:
        return MoldTimes(ln_s, limit, "cured", chances)
    limit["hard"] = max(found, key=lambda name: found[name]["cool"])
    return MoldTimes(ln_s, limit, "cool", chances, not is_glass)


def _softens_at(deflection_c: float | None, of_label: Mapping[str, float]) -> tuple[float, ...]:
    """Temperatures [C], equally likely but for the label's word; none where the table knows no cooling."""
    if "cool" not in of_label:
        return ()
    if deflection_c is None:
        return SOFT_C
    return deflection_c - DEFLECTION_DOUBT_K, deflection_c, deflection_c + DEFLECTION_DOUBT_K


def _allowed(before: float) -> float:
    """How likely a resin softens where its label's own section is cool `before` [ln] it is due."""
    return LEAST_CHANCE + 0.5 * (1.0 + erf(before / (LABEL_DOUBT * sqrt(2.0))))


def _told(thick_mm: float, before: float) -> float:
    """ln by which a section is cool sooner than the table has it, since the label's own is due no later."""
    return between(thick_mm, TOLD) * min(0.0, before)


def _chances(
    cured: float, cured_sd: float, ways: Sequence[tuple[float, float]], is_glass: bool
) -> tuple[float, tuple[Chance, ...]]:
    """ln of the likely time [s], and the chances around it: to be cured, where the resin may be hard at its glass
    transition, and each way's (weight, ln of the time to be cool [s])."""
    raw = [(w / len(ways), max(cured, cool), COOL_SD if cool > cured else cured_sd) for w, cool in ways]
    raw += [(1.0, cured, cured_sd)] if is_glass else []
    total = sum(w for w, _, _ in raw)
    likely = sum(w * mean for w, mean, _ in raw) / total
    return likely, tuple(Chance(w / total, mean - likely, sd) for w, mean, sd in raw)


def cooled(ln_times: Mapping[str, float], soft_c: float, room_c: float) -> float:
    """ln of the time [s] at which a section is as cool as soft_c [C], in a room of room_c [C]: never before its gel.

    A section cools to its room exponentially, so that its time goes with ln of the excess; through the table's two
    temperatures.  A table without the lower has but one time for all.

    >>> round(exp(cooled({"gel": 0.0, "cool": log(1000.0), "cold": log(1500.0)}, 43.0, 23.0)))
    1500
    """
    if "cold" not in ln_times:
        return ln_times["cool"]
    excess = [max(c - room_c, LEAST_EXCESS_K) for c in (COOL_C, COLD_C, soft_c)]
    share = log(excess[0] / excess[2]) / log(excess[0] / excess[1])
    cool_s, cold_s = exp(ln_times["cool"]), exp(ln_times["cold"])
    return max(log(max(cool_s + share * max(cold_s - cool_s, 0.0), 1.0)), ln_times["gel"])


def _carried(stage: Stage, thick_mm: float, kappa: float) -> float:
    """What to add to ln of the table's time for this resin."""
    shift = {"gel": 0.0, "green": between(thick_mm, GREEN_SHIFT), "hard": between(thick_mm, SHIFT)}[stage]
    return between(thick_mm, KAPPA_SHARE[stage]) * kappa + shift


def hard_window(times: MoldTimes, thick_mm: float, factor: Belief, more_sd: float) -> tuple[float, float, float]:
    """Early, likely and late [ln s] of hard: the tails of its chances, as far out as other families needed them.

    factor: what pulls taught, which draws the chances together; more_sd: of ln, the lot's speed and the like.
    """
    left = min(1.0, factor.sd / prior_sd(thick_mm))
    each = [(c.weight, left * c.off, hypot(left * c.sd, HARD_SD, more_sd)) for c in times.chances]
    asked = (1.0, 1.0) if times.is_told else edge_shares(thick_mm)
    shares = [1.0 + left * (share - 1.0) for share in asked]
    likely = times.ln_s["hard"] + factor.mean
    early, late = (share * _tail(each, tail) for share, tail in zip(shares, (TAIL, 1.0 - TAIL), strict=True))
    return likely + min(early, 0.0), likely, likely + max(late, 0.0)


def _tail(each: Sequence[tuple[float, float, float]], share: float) -> float:
    """Below what value a mixture of Gaussians (weight, mean, sd) has this share (0..1), by bisection."""
    low, high = min(m - 6.0 * s for _, m, s in each), max(m + 6.0 * s for _, m, s in each)
    for _ in range(36):
        middle = 0.5 * (low + high)
        below = sum(0.5 * w * (1.0 + erf((middle - m) / (s * sqrt(2.0)))) for w, m, s in each)
        low, high = (middle, high) if below < share else (low, middle)
    return 0.5 * (low + high)


def stage_sd(stage: Literal["gel", "green"], thin_mm: float, factor: Belief) -> tuple[float, float]:
    """(mean, sd) of ln of a stage's true time over the model's, the lot's speed apart; factor: what pulls taught.

    Pulls teach green and hard only; gel keeps the model's own, for no hand feels it.
    """
    if stage == "gel":
        return 0.0, GEL_THIN_SD if thin_mm < GEL_THIN_MM else GEL_SD
    return factor.mean, hypot(factor.sd, GREEN_SD)


def lot_speed(cure: Cure, label_lot: float, kick_s: float, room_c: float, tau_s: float) -> float:
    """ln of the lot's speed over the table's resin, from its kick [s after the mix] in a cup of cooling time tau_s.

    label_lot: the same as the lot's own label says it; the cup is expected to kick accordingly.  At most +-0.8.
    """
    lot = label_lot
    for _ in range(3):  # the cup's time is nearly 1/speed, so a few corrections settle it
        expected_s = cup_gel_s(cure, cure.k_per_s * exp(lot), room_c, tau_s, NEVER_S)
        lot = min(max(lot + log(expected_s / kick_s), -MOST_LOT), MOST_LOT)
    return lot
