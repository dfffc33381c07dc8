"""Forecasts for the planner when a cup mixed today kicks, and whether a thick warm mold kicks before it.

    cup    pot life x 2^((23 - T)/10) / lot speed, early and late by the doubt of that speed
    mold   the resin in it has used up part of its life in the cup, and lives the rest at the temperature of the
           section's centre

The centre of a slab of thickness d between walls of another temperature nears that of its faces by
1 - (4/pi) exp(-pi^2 k t / (rho c d^2)) (the one-term solution of the heat equation for a slab, in any textbook of heat
conduction); where two bodies touch, the face takes the mean of both by their effusivities sqrt(k rho c).  Sections
below 15 mm lose their own heat sooner than they make it and gel later than the cup, however warm: they are skipped.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

from benchd.core.bench import Lot, Mold, Resin
from benchd.core.learned.cure_belief import doubt_sd, lot_speed
from benchd.core.learned.load_clock import margin_s
from benchd.physics.cup_heat import label_time_factor
from benchd.physics.cure_prior import LABEL_SD, LOT_SD, MAP_SD, TYPED_SD
from benchd.physics.label_cure import is_learned, learned_ln_speed

Z90 = 1.645  # standard normal, two-sided 90 %
POUR_SD = 0.05  # ln doubt of a pour's speed beside its lot's [study, as in physics/cure_prior]
THICK_MM = 15.0  # common practice: from here on a section heats itself like a cup
RESIN_E, SILICONE_E = math.sqrt(0.21 * 1070.0 * 1800.0), math.sqrt(0.20 * 1100.0 * 1300.0)
"""Effusivities [W s^0.5/m2K] of cast resin and silicone, from published k, density and heat capacity."""
RESIN_M2_S = 0.21 / (1070.0 * 1800.0)
STEP_S = 5.0
LEAST_WARMER_K = 1.0


@dataclass(frozen=True, slots=True)
class CupKick:
    """Seconds from the mix: likely, and the 90 % window's early edge; its basis."""

    likely_s: float
    early_s: float
    basis: str
    slow: float = 1.0
    """What this lot's times are multiplied by over its label's."""

    @property
    def late_s(self) -> float:
        """The 90 % window's late edge."""
        return self.likely_s**2 / self.early_s

    def sooner(self, share: float) -> CupKick:
        """The same for a mold that kicks at this share of the cup's time."""
        return replace(self, likely_s=self.likely_s * share, early_s=self.early_s * share)

    def up_by_s(self, least_margin_s: float) -> float:
        """When a pot has to be at pressure [s after the mix], by the clock that the calls go by too (core/learned)."""
        return self.likely_s - margin_s(self.likely_s, self.early_s, least_margin_s)


def cup_kick(
    label: Resin, lot: Lot | None, temp_c: float, common: Resin | None = None, aged: tuple[float, float] | None = None
) -> CupKick:
    """The kick of a cup of this lot mixed at temp_c [C].  `common`: the resin the lot is of, to see if it was timed.

    aged: (ln of its kick over the label's, sd) where its age has clearly changed it (core/learned/lot_drift).
    """
    ln_speed, sd, basis = _speed(label, lot, common)
    if aged is not None:
        ln_speed, sd, basis = -aged[0], math.hypot(aged[1], POUR_SD), "drift"
    likely_s = label.pot_life_s * label_time_factor(temp_c) / math.exp(ln_speed)
    early_s = likely_s * math.exp(-Z90 * sd)
    return CupKick(likely_s, early_s, basis, math.exp(-ln_speed))


def _speed(label: Resin, lot: Lot | None, common: Resin | None) -> tuple[float, float, str]:
    """(ln of the speed over the label's, its sd, where from)."""
    more_sd = doubt_sd(label, lot.id if lot else None)
    known = lot_speed(label, lot.id if lot else None)
    if known is not None:
        return known[0], math.hypot(known[1], POUR_SD, more_sd), "learned"
    if lot is not None and common is not None and not math.isclose(common.pot_life_s * label.slowing, label.pot_life_s):
        return 0.0, math.hypot(TYPED_SD, more_sd), "typed"
    if is_learned(label.cure):
        return learned_ln_speed(label.cure), math.hypot(LOT_SD, POUR_SD, more_sd), "label"
    return 0.0, math.hypot(LABEL_SD, LOT_SD, MAP_SD, more_sd), "label"


def may_kick_early(mold: Mold, mold_c: float, room_c: float) -> bool:
    """True if a mold is so thick and warm that `mold_share` has to be computed for it."""
    return mold.thick_mm >= THICK_MM and mold_c > room_c + LEAST_WARMER_K


@lru_cache(maxsize=4096)
def _share(thick_mm: float, face_k: float, filled_s: float, cup_likely_s: float) -> float:
    used, t_s = filled_s / cup_likely_s, filled_s
    while used < 1.0:
        step_s = min(STEP_S, (1.0 - used) * cup_likely_s)
        warmer_k = face_k * _neared(t_s - filled_s + 0.5 * step_s, thick_mm)
        used += step_s / cup_likely_s * 2.0 ** (warmer_k / 10.0)
        t_s += step_s
        if step_s < 1e-6:
            break
    return min(t_s / cup_likely_s, 1.0)


def mold_share(mold: Mold, mold_c: float, room_c: float, filled_s: float, cup_likely_s: float) -> float:
    """When a mold filled at filled_s kicks, over when the cup does: 1 for one as warm as its room, else below.

    cup_likely_s: the cup's likely kick at room_c [s after the mix].
    """
    if not may_kick_early(mold, mold_c, room_c) or filled_s >= cup_likely_s:
        return 1.0
    face_k = (mold_c - room_c) * SILICONE_E / (SILICONE_E + RESIN_E)
    return _share(mold.thick_mm, face_k, filled_s, cup_likely_s)


def _neared(for_s: float, thick_mm: float) -> float:
    """How far (0..1) a slab's centre has come towards its faces' temperature."""
    left = 4.0 / math.pi * math.exp(-(math.pi**2) * RESIN_M2_S * for_s / (1e-3 * thick_mm) ** 2)
    return 1.0 - min(left, 1.0)
