"""Judges whether a cup behaves unlike its label: a wrong bottle, a kick much too early or late.

Pure judgements on one pour's fit and belief; the kick watcher decides when they are asked and told.  A right label's
kick is off by what labels, lots and starts scatter; that of a bottle twice or half as fast by ln 2 more.  Between the
two nothing tells better than their likelihood ratio (Neyman and Pearson, Phil Trans R Soc A 231 (1933) 289); as both
have the same spread it grows with how far off the kick is, in sds of the belief about it.  So a label is doubted by

    z = SPEED_SHARE (speed's shift / its sd before) + (1 - SPEED_SHARE) (kick's shift / its sd before) - LATE_Z

with the fit's beliefs as they stand.  These lie between label and curve by how much the curve tells, so one that tells
little moves z little.  (Of a learned resin the speed alone counts.)  The bar rises with how uncertain the kick still
is.  What the kick itself would tell, were it known, bounds this; both are in tests/accuracy/README.md.
"""

from __future__ import annotations

from math import log
from typing import Literal

from benchd.physics.cup_cure import CupCure
from benchd.physics.kick_window import GelBelief

Pace = Literal["slow", "fast"]
SPEED_SHARE = 0.75  # model: shares, bar and LATE_Z chosen on seeds 0 to 24 of four families, 300 right labels, 96 wrong
LATE_Z = 0.3  # model: fits of a curve half way are late by a third of an sd
SURE_SD = 0.08  # ln: a kick known better than that asks no more
MORE_Z = 2.0  # more z for each unit of sd beyond it


def odd_pace(took_s: float, expected: GelBelief, odd_z: float) -> Pace | None:
    """A kick took_s after the mix against what was expected before the cup was seen; None if it may well be chance."""
    if took_s <= 0.0:
        return None
    z = log(took_s / expected.time_s(0.5)) / expected.sd
    if abs(z) < odd_z:
        return None
    return "slow" if z > 0.0 else "fast"


def shift_z(cure: CupCure) -> float | None:
    """How much slower the curve is than label or lot let expect, z as in this file's first lines; None before a fit."""
    before, last = cure.by_label, cure.last
    if before is None or last is None:
        return None
    speed_z = (cure.believed_speed - last.speed) / cure.believed_speed_sd
    if cure.is_learned:
        return speed_z
    kick_z = (cure.belief.mean - before.mean) / before.sd
    return SPEED_SHARE * speed_z + (1.0 - SPEED_SHARE) * kick_z - LATE_Z


def wrong_label(cure: CupCure, belief: GelBelief, most_sd: float, least_z: float, most_misfit: float) -> Pace | None:
    """Is the curve that of a much faster or slower resin than the label, or its lot, is known for?  None if unclear.

    most_sd: the kick itself must be known as well as this (sd of ln); least_z: the bar for z of a kick that is known;
    most_misfit: how badly the fit may miss its points.
    """
    last, z = cure.last, shift_z(cure)
    if last is None or z is None or belief.sd > most_sd or last.misfit > most_misfit:
        return None
    if abs(z) < least_z + MORE_Z * max(belief.sd - SURE_SD, 0.0):
        return None
    return "fast" if z < 0.0 else "slow"
