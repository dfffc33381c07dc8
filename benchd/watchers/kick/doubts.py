"""Judges whether a cup behaves unlike its label: a wrong bottle, a kick much too early or late.

Pure judgements on one pour's fit and belief; the kick watcher decides when they are asked and told.
"""

from __future__ import annotations

from math import log
from typing import Literal

from benchd.physics.cup_cure import CupCure
from benchd.physics.kick_window import GelBelief

Pace = Literal["slow", "fast"]


def odd_pace(took_s: float, expected: GelBelief, odd_z: float) -> Pace | None:
    """A kick took_s after the mix against what was expected before the cup was seen; None if it may well be chance."""
    if took_s <= 0.0:
        return None
    z = log(took_s / expected.time_s(0.5)) / expected.sd
    if abs(z) < odd_z:
        return None
    return "slow" if z > 0.0 else "fast"


def wrong_label(cure: CupCure, belief: GelBelief, most_sd: float, least_z: float, most_misfit: float) -> Pace | None:
    """Is the curve that of a much faster or slower resin than the label, or its lot, is known for?  None if unclear.

    most_sd: the kick itself must be known as well as this (sd of ln); least_z: how many of its own sd the ln of the
    speed must be from what was believed beforehand; most_misfit: how badly the fit may go through the points.  Neither
    the fit's oddness nor the odds against a rival resin of twice or half the speed told more on building seeds.
    """
    last = cure.last
    if last is None or belief.sd > most_sd or last.misfit > most_misfit:
        return None
    beyond = last.speed - cure.believed_speed
    if abs(beyond) < least_z * cure.believed_speed_sd:
        return None
    return "fast" if beyond > 0.0 else "slow"
