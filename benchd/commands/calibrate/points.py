"""Combines new calibration points with the old ones, calculates their effect, and checks that they are plausible.

Points are pairs (read, true) in the core's unit, `read` being the channel's value without any points.  One new point
shifts the existing line, as a zero that has drifted does; two or more define a new one.
"""

from __future__ import annotations

from itertools import pairwise

from benchd.core.intake.calibrate import corrected
from benchd.core.units import KPA_PER_PSI
from benchd.errors import BenchdError

Points = tuple[tuple[float, float], ...]

LEAST_APART = {"C": 10.0, "kPa": 50.0, "%RH": 10.0, "g": 5.0}
"""Unit -> two points closer than this multiply their own error too much; common practice, no source."""

MOST_OFF = {"C": 8.0, "kPa": 2.0 * KPA_PER_PSI, "%RH": 10.0, "g": 50.0}
"""Unit -> a reading further than this from a known point is not drift but something else: a probe that is not in the
ice, a pot that is not empty.  Two wire classes and an amplifier stay within 8 C, the zero of a cheap transducer within
2 psi (common practice, no source).  A typed value may be off twice as far.
"""

SLOPES = (0.8, 1.25)  # a probe with a slope outside this is broken or of another type; common practice, no source

SHOWN_AT = {"C": (0.0, 23.0, 100.0), "kPa": (0.0, 42.0 * KPA_PER_PSI), "%RH": (30.0, 70.0), "g": (0.0, 100.0)}
"""Unit -> the values at which the effect of new points is shown."""


class CalibrationRefused(BenchdError):
    """These points are unusable; the text says why and what to do."""


def uncorrected(points: Points, value: float) -> float:
    """The channel's raw reading that its points turned into `value`."""
    return corrected(tuple((true, read) for read, true in points), value) if points else value


def combined(old: Points, new: Points, unit: str, *, keep: bool) -> Points:
    """The points to write.  With `keep` the old ones stay, except those too close to a new one."""
    if keep:
        apart = LEAST_APART[unit]
        kept = [p for p in old if all(abs(p[0] - n[0]) >= apart for n in new)]
        return tuple(sorted([*kept, *new]))
    if len(new) == 1 and len(old) > 1:
        shift = new[0][0] - uncorrected(old, new[0][1])
        return tuple((read + shift, true) for read, true in old)
    return tuple(sorted(new))


def refuse_odd(points: Points, unit: str) -> None:
    """Raises CalibrationRefused when the points do not rise, are too close together, or have an implausible slope."""
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
