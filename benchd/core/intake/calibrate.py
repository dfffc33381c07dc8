"""Calibrates a reading: a board's number and unit become the core's value, or a fault with its reason.

Order: unit, the sensor's own scale, gauge or absolute, the caster's calibration points, range.  The points stand in the
unit the channel is shown in (C, kPa gauge, %RH, g), so that they survive a change of board.  Only a current loop that
says so itself is ever "suspect" here: other doubt needs a history, and that is the sensors watcher's.
"""

from __future__ import annotations

from bisect import bisect_right
from functools import lru_cache
from itertools import pairwise

from benchd.core.bench import ROLES, Channel
from benchd.core.intake.sensor import scaled, wire_unit
from benchd.core.model import Quality

Calibrated = tuple[float | None, Quality, str]

SENML_UNIT: dict[str, str] = {"C": "Cel", "kPa": "Pa", "%RH": "%RH", "g": "g"}
"""The core's unit -> the SenML unit (RFC 8428 registry) a board sends it in."""

PLAUSIBLE: dict[str, tuple[float, float]] = {
    "cup_temperature": (-40.0, 400.0),  # IEC 60584 type T's upper end; resin chars well below
    "mold_temperature": (-40.0, 400.0),  # the same kind of probe
    "pot_pressure": (-101.4, 2000.0),  # vacuum to five times any casting pot's mark; common practice
    "tank_pressure": (-101.4, 2500.0),  # workshop compressors end near 1,000 kPa; common practice
    "pot_gas_temperature": (-60.0, 200.0),  # a fast vent chills, a fast fill heats; common practice
    "tank_temperature": (-40.0, 200.0),
    "room_temperature": (-40.0, 70.0),  # a workshop; common practice
    "room_humidity": (-2.0, 105.0),  # capacitive probes over-read by some % in fog; common practice
    "barometer": (50.0, 115.0),  # 5,500 m altitude to beyond the record high, kPa absolute
    "scale": (-100_000.0, 100_000.0),
}
"""Role -> the range in the core's unit outside which a value is a fault, where the channel names none of its own."""

_ABSURD = 1e30  # NaN, infinities and integers too long for a float all fail the comparison with it


@lru_cache(maxsize=512)
def _knots(points: tuple[tuple[float, float], ...]) -> tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...]]:
    """(raw, true, slope from each knot on), sorted by raw; of two points with one raw the later is kept."""
    kept = sorted(dict(points).items())
    slopes = [(b[1] - a[1]) / (b[0] - a[0]) for a, b in pairwise(kept)]
    slopes.append(slopes[-1] if slopes else 1.0)  # a lone point is an offset
    return tuple(p[0] for p in kept), tuple(p[1] for p in kept), tuple(slopes)


def corrected(points: tuple[tuple[float, float], ...], value: float) -> float:
    """`value` through the piecewise-linear [[raw, true], ...]; beyond its ends the end segments go on."""
    raw, true, slope = _knots(points)
    i = max(bisect_right(raw, value) - 1, 0)
    return true[i] + slope[i] * (value - raw[i])


def limits(channel: Channel) -> tuple[float, float]:
    """The range a value of this channel must lie in: its own, each end falling back on what the role allows."""
    low, high = PLAUSIBLE[channel.role]
    return (low if channel.low is None else channel.low), (high if channel.high is None else channel.high)


def _fault(why: str) -> Calibrated:
    return None, Quality.FAULT, why


def calibrate(
    channel: Channel, value: float | None, unit: str | None, p_atm_kpa: float, beside: float | None = None
) -> Calibrated:
    """(value in the core's unit, GOOD or SUSPECT, why) or (None, FAULT, why) for one number and its SenML unit.

    A barometer stays absolute; other pressures become kPa gauge, less p_atm_kpa if the channel is absolute.
    `beside` is what the channel's sensor needs besides (see `Sensor.beside`), None when it was not heard lately.
    Raises nothing.  Source of the units: RFC 8428; Pa, not kPa, goes over the wire.
    """
    core_unit, sensor = ROLES[channel.role], channel.sensor
    wanted = SENML_UNIT[core_unit] if sensor is None else wire_unit(sensor)
    if unit != wanted:
        return _fault(f"unit {unit or 'missing'}, not {wanted or 'counts without one'}")
    if value is None or not abs(value) < _ABSURD:
        return _fault("not a number")
    quality, why = Quality.GOOD, ""
    if sensor is not None:
        value, quality, why = scaled(sensor, float(value), beside)
        if value is None:
            return _fault(why)
    elif core_unit == "kPa":
        value = value / 1000.0
    if core_unit == "kPa" and channel.reference == "absolute" and channel.role != "barometer":
        value -= p_atm_kpa
    if channel.calibration:
        value = corrected(channel.calibration, value)
    return _in_range(channel, value, quality, why)


def _in_range(channel: Channel, value: float, quality: Quality, why: str) -> Calibrated:
    core_unit = ROLES[channel.role]
    low, high = limits(channel)
    if value < low:
        return _fault(f"below range: {value:.4g} {core_unit}")
    if not value <= high:
        return _fault(f"above range: {value:.4g} {core_unit}")
    return value, quality, why
