"""The belief about a pour's resin before it is mixed: from its label, its lot, and what the bench has learned.

A resin's [cure] table, as `benchd learn` writes it:

    means, covariances, ln_weights   the resin (physics/cure_prior); its speed is that of a lot not seen yet
    pot_life_s                       the label's pot life, to which all speeds are relative
    lots.CODE                        [ln speed over the label's, sd, pours] of each lot seen, and of LOT+RECIPE
    pours                            ids of the pours it came from
    shop                             where it was taken from a shop (shop_prior.py): no pour of this bench is in it
    width                            how much wider than the fit's own the windows of pours not learned from had to be
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import hypot, isfinite, log
from typing import Any

from benchd.core.bench import Bench, Resin
from benchd.core.bench.local_day import DAY_S
from benchd.core.bench.recipe import DOUBT_SD, base_of
from benchd.physics.cup_model import LF
from benchd.physics.cure_prior import (
    LABEL_SD,
    LOT_SD,
    MAP_SD,
    POUR_SD,
    TYPED_SD,
    ResinBelief,
    label_belief,
    next_pour,
    with_more,
    with_speed,
)
from benchd.physics.label_cure import is_shops

NO_LABEL_POT_LIFE_S = 420.0  # without a label: the middle of casting resins, 2 to 20 min; common practice, no source
LEAST_WIDTH, MOST_WIDTH = 0.8, 4.0
OPENED_DAYS = 30.0  # an opened lot's shelf life: published and common practice
OLD_LN, OLD_SD = 0.10, 0.25  # at twice that; common practice, no source
NO_LABEL_SD = 0.7  # the ends of that range are two sd away


@dataclass(frozen=True, slots=True)
class Expectation:
    """A belief for the next pour, the label it is relative to, and whether it was learned on this bench.

    width: how much wider than the fit's own the windows of the bench's own pours had to be.
    """

    resin: ResinBelief
    pot_life_s: float
    mass_g: float
    is_learned: bool
    width: float = 1.0


def expectation(bench: Bench, lot_id: str | None, label: Resin | None, t: float | None = None) -> Expectation:
    """The belief about the next pour of a lot; label None: all that is known is that it is a casting resin.

    t: when it is mixed [unix s]; a lot whose kicks clearly drift is believed at its age then, one open for long and not
    yet seen to kick is doubted.  None: as if freshly opened.
    """
    if label is None:
        return Expectation(label_belief(NO_LABEL_SD), NO_LABEL_POT_LIFE_S, 100.0, False)
    is_typed = is_timed(bench, lot_id, label)
    label_sd = TYPED_SD if is_typed else hypot(LABEL_SD, LOT_SD, MAP_SD)
    learned = learned_belief(label.cure)
    if learned is None:
        belief = _besides(label_belief(label_sd), bench, lot_id, label, t)
        return Expectation(belief, label.pot_life_s, label.pot_life_mass_g, False)
    speed = lot_speed(label, lot_id)
    belief = next_pour(learned)
    is_own = not is_shops(label.cure)
    if speed is not None:
        belief = with_speed(belief, speed[0], hypot(speed[1], float(POUR_SD[LF])))
    elif is_typed:
        belief = with_speed(belief, 0.0, TYPED_SD)
    belief = _besides(belief, bench, lot_id, label, t)
    return Expectation(belief, label.pot_life_s, label.pot_life_mass_g, is_own, learned_width(label.cure))


def _besides(belief: ResinBelief, bench: Bench, lot_id: str | None, label: Resin, t: float | None) -> ResinBelief:
    """The belief with what a recipe, and the time the lot has been open at t [unix s], change of it."""
    lot, drift = bench.lot(base_of(lot_id)), bench.learned.drift(base_of(lot_id))
    open_days = None if t is None or lot is None or lot.opened is None else (t - lot.opened) / DAY_S
    later, sd = 0.0, doubt_sd(label, lot_id)
    if open_days is not None and drift is not None:
        ln, drift_sd = drift.ln_at(open_days)
        belief = with_speed(belief, -ln, hypot(drift_sd, float(POUR_SD[LF])))
    elif open_days is not None and lot_speed(label, lot_id) is None:
        later, open_sd = opened_long(open_days)
        sd = hypot(sd, open_sd)
    return with_more(belief, sd, log(label.rise_share), -later)


def opened_long(open_days: float) -> tuple[float, float]:
    """(ln by which a lot open for so long [days] is slower, sd) as long as nobody saw it kick; grows from OPENED_DAYS.

    Part A takes up the air's water and thickens or skins, B its moisture: old lots are slower, some far slower, and a
    wet one is quicker at first.  Common practice, no source: a lot may be quicker as well, so the doubt is the larger.
    """
    share = min(max(open_days / OPENED_DAYS - 1.0, 0.0), 1.0)
    return OLD_LN * share, OLD_SD * share


def is_timed(bench: Bench, lot_id: str | None, label: Resin) -> bool:
    """Whether a lot's pot life was typed for it, whatever a recipe makes of it."""
    lot = bench.lot(lot_id)
    common = bench.resin(lot.resin) if lot else None
    bare = bench.lot(base_of(lot_id)) if label.recipe else None
    own_s = label.pot_life_s if bare is None else bare.label.pot_life_s
    return common is not None and common.pot_life_s != own_s


def doubt_sd(label: Resin, lot_id: str | None) -> float:
    """What a recipe adds to the doubt of ln of the speed: nothing once its own kicks were seen."""
    lots = label.cure.get("lots")
    is_seen = isinstance(lots, Mapping) and bool(label.recipe) and lot_id in lots
    return DOUBT_SD if label.recipe and not is_seen else 0.0


def learned_width(cure: Mapping[str, Any]) -> float:
    """How much wider than the fit's own windows are, by a [cure] table; 1 if it doesn't say, or not sensibly."""
    width = cure.get("width", 1.0)
    return float(width) if isinstance(width, int | float) and LEAST_WIDTH <= width <= MOST_WIDTH else 1.0


def learned_belief(cure: Mapping[str, Any]) -> ResinBelief | None:
    """The belief in a [cure] table; None if there is none or it cannot be read."""
    try:
        return ResinBelief.from_plain(cure) if cure else None
    except ValueError:
        return None


def lot_speed(label: Resin, lot_id: str | None) -> tuple[float, float] | None:
    """(ln speed over this label's, sd) of a lot in the [cure] table; of one with a recipe not seen, the bare lot's."""
    lots = label.cure.get("lots")
    of_base = not isinstance(lots, Mapping) or lot_id not in lots
    known = lots.get(base_of(lot_id) if of_base else lot_id) if isinstance(lots, Mapping) and lot_id else None
    if not isinstance(known, list | tuple) or len(known) < 2:
        return None
    mean, sd = known[0], known[1]
    if not all(isinstance(v, int | float) and isfinite(v) for v in (mean, sd)) or sd <= 0.0:
        return None
    # A label corrected since then: the resin is as fast as before, only the pot life on its label has changed.
    told = label.cure.get("pot_life_s", label.pot_life_s)
    is_told = isinstance(told, int | float) and told > 0.0
    own_s = label.pot_life_s / label.slowing if of_base else label.pot_life_s
    return float(mean) + (log(own_s / told) if is_told else 0.0), float(sd)
