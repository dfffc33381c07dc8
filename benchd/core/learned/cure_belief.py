"""The belief about a pour's resin before it is mixed: from its label, its lot, and what the bench has learned.

A resin's [cure] table, as `benchd learn` writes it:

    means, covariances, ln_weights   the resin (physics/cure_prior); its speed is that of a lot not seen yet
    pot_life_s                       the label's pot life, to which all speeds are relative
    lots.CODE                        [ln speed over the label's, sd, pours] of each lot seen
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
    with_speed,
)
from benchd.physics.label_cure import is_shops

NO_LABEL_POT_LIFE_S = 420.0  # without a label: the middle of casting resins, 2 to 20 min; common practice, no source
LEAST_WIDTH, MOST_WIDTH = 0.8, 4.0
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


def expectation(bench: Bench, lot_id: str | None, label: Resin | None) -> Expectation:
    """The belief about the next pour of a lot; label None: all that is known is that it is a casting resin."""
    if label is None:
        return Expectation(label_belief(NO_LABEL_SD), NO_LABEL_POT_LIFE_S, 100.0, False)
    lot = bench.lot(lot_id)
    common = bench.resin(lot.resin) if lot else None
    is_typed = common is not None and common.pot_life_s != label.pot_life_s
    label_sd = TYPED_SD if is_typed else hypot(LABEL_SD, LOT_SD, MAP_SD)
    learned = learned_belief(label.cure)
    if learned is None:
        return Expectation(label_belief(label_sd), label.pot_life_s, label.pot_life_mass_g, False)
    speed = lot_speed(label, lot_id)
    belief = next_pour(learned)
    is_own = not is_shops(label.cure)
    if speed is not None:
        belief = with_speed(belief, speed[0], hypot(speed[1], float(POUR_SD[LF])))
    elif is_typed:
        belief = with_speed(belief, 0.0, TYPED_SD)
    return Expectation(belief, label.pot_life_s, label.pot_life_mass_g, is_own, learned_width(label.cure))


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
    """(ln speed over this label's, sd) of a lot in the [cure] table."""
    lots = label.cure.get("lots")
    known = lots.get(lot_id) if isinstance(lots, Mapping) and lot_id else None
    if not isinstance(known, list | tuple) or len(known) < 2:
        return None
    mean, sd = known[0], known[1]
    if not all(isinstance(v, int | float) and isfinite(v) for v in (mean, sd)) or sd <= 0.0:
        return None
    # A label corrected since then: the resin is as fast as before, only the pot life on its label has changed.
    told = label.cure.get("pot_life_s", label.pot_life_s)
    is_told = isinstance(told, int | float) and told > 0.0
    return float(mean) + (log(label.pot_life_s / told) if is_told else 0.0), float(sd)
