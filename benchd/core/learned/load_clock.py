"""The clock of one load, shared by the plan and the calls: what each step takes, by when the pot has to be up, for how
long it has to hold.

    up by     likely kick - margin
    margin    the larger of
                - 20 s, or an eighth of the time to the kick where that is less (a 90 s resin has no 20 s to spare)
                - 65 % of the way from the likely kick back to the window's early end
    late      once half of the margin will be gone
    hold      to the late edge of the last gel, and to the kick's; a label's least hold is shown beside it, no more

The second part is what learns: a lot whose kick is known to 5 % needs less than one that only a label describes.
"""

from __future__ import annotations

from benchd.core.bench import Mold, Resin

MIX_S, LID_S, FILL_S = 30.0, 25.0, 30.0  # common practice, one person: 20 to 35, 20 to 30, 20 to 40 s
POUR_LEAST_S, POUR_MOST_S = 10.0, 22.0  # common practice: 10 to 22 s a mold
USUAL_POUR_S = 15.0  # common practice: a mold neither small nor large, which an own usual time is compared with
POUR_AT_LEAST_G, POUR_G_PER_S = 20.0, 10.0  # so that 140 g and more take the longest: common practice, no source
LEAST_MARGIN_S = 20.0  # common practice: at pressure 20 to 30 s before the kick
LEAST_MARGIN_SHARE = 0.125  # 20 s of the 160 s that a fast resin takes
AIM_SHARE = 0.35
"""How far from the window's early end (5 %) towards the likely time a load may aim: one kick in seven comes sooner, of
a window that is wide because only a label is known.  At the edge itself the alarm came in every good load, and an alarm
that asks for nothing is not believed the next time (ISA-18.2)."""
GEL_LATE_SHARE = 0.55  # model: e^0.44, 90 % of section times by the rule of thumb; a solved section has its own edge
LATE_SHARE = 0.5  # of the margin: words that come while something can still be gained


def pour_s(mold: Mold, label: Resin, own_s: float | None) -> float:
    """Seconds to fill a mold: 10 s for 20 g and a second more each 10 g, as much quicker or slower as the caster is.

    own_s: the caster's own usual time from one mold to the next [s], None: not known.

    >>> resin = Resin(id="r", name="R", pot_life_s=180.0, demold_s=600.0)
    >>> torso = Mold(id="m", code="M", name="M", cavity_ml=110.0, thin_mm=6.0, thick_mm=26.0)
    >>> round(pour_s(torso, resin, None), 1), round(pour_s(torso, resin, 12.0), 1)
    (19.8, 15.8)
    """
    shot_g = (mold.cavity_ml + mold.gate_ml + mold.reservoir_ml) * label.density_cured_g_ml
    by_shot_s = POUR_LEAST_S + (shot_g - POUR_AT_LEAST_G) / POUR_G_PER_S
    usual_s = min(max(by_shot_s, POUR_LEAST_S), POUR_MOST_S)
    return usual_s if own_s is None else usual_s * own_s / USUAL_POUR_S


def margin_s(likely_s: float, early_s: float, least_s: float = LEAST_MARGIN_S, aim_share: float = AIM_SHARE) -> float:
    """How long before the likely kick a pot has to be up [s]; the times in s after the mix, early_s the 5 % edge.

    >>> [round(margin_s(likely, early), 1) for likely, early in ((165.0, 142.0), (165.0, 119.0), (80.0, 72.0))]
    [20.0, 29.9, 10.0]
    """
    least = min(least_s, LEAST_MARGIN_SHARE * max(likely_s, 0.0))
    return max(least, (1.0 - aim_share) * (likely_s - early_s))
