"""What do new calibration points make of the old ones, what do they change, and can they be believed?

Points are pairs (read, true) in the core's unit, `read` being what the channel shows with no points at all.  One new
point moves the line there is, as a zero that has wandered does; two or more draw it anew.
"""

from __future__ import annotations

from itertools import pairwise

from benchd.core.intake.calibrate import corrected
from benchd.core.units import KPA_PER_PSI
from benchd.errors import BenchdError

Points = tuple[tuple[float, float], ...]

LEAST_APART = {"C": 10.0, "kPa": 50.0, "%RH": 10.0, "g": 5.0}
"""Unit -> two points nearer than this multiply their own error too much; common practice, no source."""

MOST_OFF = {"C": 8.0, "kPa": 2.0 * KPA_PER_PSI, "%RH": 10.0, "g": 50.0}
"""Unit -> a reading further from a known point than this is no drift but something else: a probe that is not in the
ice, a pot that is not empty.  Two wire classes and an amplifier stay within 8 C, the zero of a cheap transducer within
2 psi (common practice, no source).  A typed value may be off twice as far."""

SLOPES = (0.8, 1.25)  # a probe that stretches more than this is broken or of another kind; common practice, no source

SHOWN_AT = {"C": (0.0, 23.0, 100.0), "kPa": (0.0, 42.0 * KPA_PER_PSI), "%RH": (30.0, 70.0), "g": (0.0, 100.0)}
"""Unit -> where the effect of new points is told."""


class CalibrationRefused(BenchdError):
    """These points will not do; the text says why and what to do."""


def uncorrected(points: Points, value: float) -> float:
    """What the channel read before its points made `value` of it."""
    return corrected(tuple((true, read) for read, true in points), value) if points else value


def combined(old: Points, new: Points, unit: str, *, keep: bool) -> Points:
    """The points to write.  With `keep` the old ones stay, but for those a new one stands too near to."""
    if keep:
        apart = LEAST_APART[unit]
        kept = [p for p in old if all(abs(p[0] - n[0]) >= apart for n in new)]
        return tuple(sorted([*kept, *new]))
    if len(new) == 1 and len(old) > 1:
        shift = new[0][0] - uncorrected(old, new[0][1])
        return tuple((read + shift, true) for read, true in old)
    return tuple(sorted(new))


def refuse_odd(points: Points, unit: str) -> None:
    """Raises CalibrationRefused when the points do not rise, stand too near, or stretch too much."""
    for (read, true), (next_read, next_true) in pairwise(points):
        if next_read <= read or next_true <= true:
            raise CalibrationRefused("the true values do not rise with what was read: look for a swapped point")
        if next_true - true < LEAST_APART[unit]:
            raise CalibrationRefused(
                f"two points less than {LEAST_APART[unit]:g} {unit} apart multiply their own error: take wider ones"
            )
        slope = (next_true - true) / (next_read - read)
        if not SLOPES[0] <= slope <= SLOPES[1]:
            raise CalibrationRefused(
                f"these points stretch the reading {slope:.2f} times: the probe, its wiring or the sensor is wrong"
            )


def effect(old: Points, new: Points, unit: str) -> list[tuple[float, float]]:
    """(what is shown now, what will be shown) at the bench's usual values."""
    return [(now, corrected(new, uncorrected(old, now)) if new else uncorrected(old, now)) for now in SHOWN_AT[unit]]
