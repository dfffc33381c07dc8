"""Follows a part's conversion through heat that comes later, up to where its own glass stops it.

A part cured in a room stops short of full conversion: its glass transition rises with conversion (DiBenedetto, as in
physics/kinetics) until it overtakes the room, and the reaction freezes.  Later heat frees it, up to the new
temperature.  At constant temperature t = integral of d alpha / r(alpha), which is summed and inverted.

The shape of the cure and the glass are middling ones (physics/label_cure, kinetics.Glass): no published constants of a
casting resin were found, so shares are told, never a temperature that a part would stand.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchd.physics.cup_heat import LABEL_TEMP_C
from benchd.physics.kinetics import Cure, Glass, rate_per_s
from benchd.physics.label_cure import label_cure

STEPS = 4000
MOST_CONVERSION = 0.9999
ROOM_S = 86_400.0  # in the room before the oven: a day; common practice, no source


def conversion_after(cure: Cure, conversion: float, temp_c: float, seconds: float) -> float:
    """The conversion after so long [s] at temp_c [C], from the one it has, 0 to MOST_CONVERSION."""
    if conversion >= MOST_CONVERSION:
        return conversion
    alpha = np.linspace(conversion, MOST_CONVERSION, STEPS)
    slowness = 1.0 / rate_per_s(cure, alpha, np.full_like(alpha, temp_c))
    steps_s = 0.5 * (slowness[1:] + slowness[:-1]) * np.diff(alpha)
    return float(np.interp(seconds, np.concatenate(([0.0], np.cumsum(steps_s))), alpha))


def share_of_gain(pot_life_s: float, temp_c: float, had_s: float, asked_s: float) -> float:
    """What part (0 to 1) of the conversion that asked_s [s] at temp_c [C] would add had_s has added.

    pot_life_s: the label's, of 100 g at 23 C [s]; the rest of the cure is a middling casting resin's, and the part has
    lain a day in a room of 23 C.
    """
    cure = replace(label_cure(pot_life_s), glass=Glass())
    raw = conversion_after(cure, cure.gel_conversion, LABEL_TEMP_C, ROOM_S)
    had, asked = (conversion_after(cure, raw, temp_c, seconds) - raw for seconds in (min(had_s, asked_s), asked_s))
    return 1.0 if asked <= 0.0 else had / asked
