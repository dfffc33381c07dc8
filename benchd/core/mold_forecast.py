"""Forecasts when a mold's part will be past gel, green and hard, each with its uncertainty.

With its resin's section table: physics/mold_times, the mold's own factor as learned from pulls, and windows from their
uncertainties.  Without it, while it is being solved: the label's demold time scaled by physics/section_rule, in wide
windows.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, hypot, isclose, log
from typing import Literal, Protocol

from benchd.core.bench import WITNESS_G, Bench, Mold, Resin
from benchd.core.bench.recipe import DOUBT_SD
from benchd.core.model import Table
from benchd.physics.cup_heat import label_time_factor
from benchd.physics.cure_prior import cup_tau
from benchd.physics.kinetics import Cure
from benchd.physics.label_cure import (
    OLD_REVISIONS,
    REVISION,
    cup_gel_s,
    cure_hash,
    is_learned,
    is_shops,
    learned_ln_speed,
    resin_cure,
    told_pot_life_s,
)
from benchd.physics.mold_factor import Belief, prior_sd
from benchd.physics.mold_times import (
    LABELLED_LOT_SD,
    NEVER_S,
    UNSEEN_LOT_SD,
    Limit,
    MoldTimes,
    Rule,
    Stage,
    hard_window,
    lot_speed,
    mold_times,
    stage_sd,
)
from benchd.physics.section_rule import hard_s
from benchd.physics.section_table import Conditions, SectionTable, table_from_plain
from benchd.stored import stored

Times = tuple[float, float, float]
Basis = Literal["label", "curve", "learned", "shop"]
Z90 = 1.645
LEAST_KICK_SD = 0.05  # of ln of a kick's time: found within -4 to +9 % at best
MAP_SD = 0.06  # from the cup to the mold [study]
RULE_SD = 0.25  # ln: a rule of thumb beside a solved section, and the lot; common practice, no source


@stored("kick")
@dataclass(frozen=True, slots=True, kw_only=True)
class Kick:
    """When the cup kicked or will [s after the mix], its ln uncertainty, and the cup it was seen in."""

    at_s: float
    sd: float
    cup_kind: str = "witness"
    cup_mass_g: float = WITNESS_G


@stored("cast-known")
@dataclass(frozen=True, slots=True, kw_only=True)
class CastKnown:
    """One cast in one mold.

    resin: the label on the shelf; label: the lot's own; lot_speed: (ln speed over its label's, sd) if learned; mold_sd:
    ln uncertainty of times from the mold's temperature; ratio: B per A over the label's.
    """

    mold: Mold
    resin: Resin
    label: Resin
    room_c: float
    mix_c: float
    mold_c: float
    lot_speed: tuple[float, float] | None = None
    mold_sd: float = 0.0
    ratio: float = 1.0
    kick: Kick | None = None
    cup_kind: str = "witness"
    cup_mass_g: float = WITNESS_G


@stored("part-times")
@dataclass(frozen=True, slots=True, kw_only=True)
class PartTimes:
    """Early, likely, late [s after the mix].

    model_s: the model's green and hard times without the mold's factor; kick_share: when its thick section kicks over
    when the probe's cup does, both by the model (None: not known).
    """

    gel: Times | None
    green: Times
    hard: Times
    limit: Limit
    basis: Basis
    model_s: tuple[float, float] | None = None
    kick_share: float | None = None
    rule: Rule = "cured"


class RuleOfThumb(Protocol):
    """The demold watcher's thresholds for a part without a table: windows as factors on the likely time, and how far
    on the way to hard it turns green."""

    @property
    def early_factor(self) -> float: ...
    @property
    def late_factor(self) -> float: ...
    @property
    def green_share(self) -> float: ...
    @property
    def least_lot_factor(self) -> float: ...
    @property
    def most_lot_factor(self) -> float: ...


@stored("resin-model")
@dataclass(frozen=True, slots=True)
class ResinModel:
    """One resin's cure and its solved sections."""

    hash: str
    cure: Cure
    table: SectionTable
    is_learned: bool


def resin_hash(resin: Resin, revision: int = REVISION) -> str:
    """The name of the section table that fits a resin; of an old revision of the tables, if asked."""
    return cure_hash(resin.pot_life_s, resin.pot_life_mass_g, resin.cure, revision)


def resin_model(bench: Bench, given: Table) -> ResinModel | None:
    """The model in a Table input, if it fits a resin of this bench; None for another's or a damaged one."""
    resin = bench.resin(given.resin)
    if resin is None or given.hash not in [resin_hash(resin, each) for each in (REVISION, *OLD_REVISIONS)]:
        return None
    try:
        table = table_from_plain(given.table)
    except ValueError:
        return None
    cure = resin_cure(resin.pot_life_s, resin.pot_life_mass_g, resin.cure)
    return ResinModel(given.hash, cure, table, is_learned(resin.cure) and not is_shops(resin.cure))


def part_times(known: CastKnown, model: ResinModel | None, belief: Belief, rule: RuleOfThumb) -> PartTimes:
    """The windows of one part."""
    return _by_rule(known, rule) if model is None else _by_table(known, model, belief)


def _by_table(known: CastKnown, model: ResinModel, belief: Belief) -> PartTimes:
    expected = _expected_lot(known)
    lot, lot_sd = _lot(known, model, *expected)
    at = Conditions(
        thick_mm=known.mold.thick_mm, wall_mm=known.mold.wall_mm, lot=lot, mix_c=known.mix_c, room_c=known.room_c,
        mold_c=known.mold_c, ratio=known.ratio,
    )  # fmt: skip
    own_label = known.label.demold_s != known.resin.demold_s
    times = mold_times(
        model.table,
        known.label.demold_s,
        known.mold.thin_mm,
        known.mold.thick_mm,
        at,
        expected[0] if own_label else 0.0,
        known.label.heat_deflection_c,
    )
    return PartTimes(
        gel=_window(times, "gel", known, belief, lot_sd),
        green=_window(times, "green", known, belief, lot_sd),
        hard=_window(times, "hard", known, belief, lot_sd),
        limit=times.limit["hard"],
        basis=_basis(known, model, belief),
        model_s=(exp(times.ln_s["green"]), exp(times.ln_s["hard"])),
        kick_share=_kick_share(known, model, at),
        rule=times.rule,
    )


def _basis(known: CastKnown, model: ResinModel, belief: Belief) -> Basis:
    if belief.pulls or model.is_learned:
        return "learned"
    return "curve" if known.kick is not None else "shop" if is_shops(known.resin.cure) else "label"


def _kick_share(known: CastKnown, model: ResinModel, at: Conditions) -> float:
    """The thickest section's kick over the cup's, in the same lot and room; scales the cup's own forecast."""
    tau_s = cup_tau(known.cup_kind, known.cup_mass_g)[0]
    cup_s = cup_gel_s(model.cure, model.cure.k_per_s * exp(at.lot), known.room_c, tau_s, NEVER_S)
    return exp(model.table.ln_times(at)["kick"]) / cup_s


def _window(times: MoldTimes, stage: Stage, known: CastKnown, belief: Belief, lot_sd: float) -> Times:
    more_sd = hypot(lot_sd, known.mold_sd)
    if stage == "hard":
        early, likely, late = hard_window(times, known.mold.thick_mm, belief, more_sd)
        return exp(early), exp(likely), exp(late)
    mean, sd = stage_sd(stage, known.mold.thin_mm, belief)
    wide = Z90 * hypot(sd, more_sd)
    likely = times.ln_s[stage] + mean
    return exp(likely - wide), exp(likely), exp(likely + wide)


def _expected_lot(known: CastKnown) -> tuple[float, float]:
    """ln of the lot's speed over the table's resin before its kick, and its uncertainty.

    Learned, typed, or the resin's.
    """
    cure, own_s = known.resin.cure, known.label.pot_life_s
    told_s, ln_speed = told_pot_life_s(known.resin.pot_life_s, cure), learned_ln_speed(cure)
    if known.lot_speed is not None:
        return known.lot_speed[0] + log(told_s / own_s) - ln_speed, hypot(known.lot_speed[1], MAP_SD)
    bare_s, more_sd = own_s / known.label.slowing, DOUBT_SD if known.label.recipe else 0.0
    if not isclose(bare_s, known.resin.pot_life_s):
        return log(told_s / own_s) - ln_speed, hypot(LABELLED_LOT_SD, more_sd)
    return -log(known.label.slowing), hypot(UNSEEN_LOT_SD, more_sd)


def _lot(known: CastKnown, model: ResinModel, before: float, before_sd: float) -> tuple[float, float]:
    """The same after the kick: the weighted mean of the expected value and the cup's."""
    kick = known.kick
    if kick is None:
        return before, before_sd
    seen = lot_speed(model.cure, before, kick.at_s, known.room_c, cup_tau(kick.cup_kind, kick.cup_mass_g)[0])
    seen_sd = hypot(max(kick.sd, LEAST_KICK_SD), MAP_SD)
    share = before_sd**2 / (before_sd**2 + seen_sd**2)
    return before + share * (seen - before), share**0.5 * seen_sd


def _by_rule(known: CastKnown, rule: RuleOfThumb) -> PartTimes:
    factor = 1.0
    if known.kick is not None:
        factor = known.kick.at_s / (known.label.pot_life_s * label_time_factor(known.room_c))
        factor = min(max(factor, rule.least_lot_factor), rule.most_lot_factor)
    likely, limit = hard_s(known.label.demold_s * factor, known.mold.thin_mm, known.mold.thick_mm, known.mold_c)

    wide = exp(Z90 * hypot(prior_sd(known.mold.thick_mm), RULE_SD))

    def window(at_s: float) -> Times:
        return min(rule.early_factor, 1.0 / wide) * at_s, at_s, max(rule.late_factor, wide) * at_s

    return PartTimes(
        gel=None, green=window(rule.green_share * likely), hard=window(likely), limit=limit, basis="label"
    )  # fmt: skip
