"""Turns a raw number into a quantity: volts of a transducer, a loop's current, a thermocouple's voltage, counts.

Beyond the ends of its span a sensor says first "a little under or over", then "I am broken", by where its signal is: a
4-20 mA transmitter measures from 3.8 to 20.5 mA and signals failure at 3.6 mA and below or 21 mA and above (NAMUR
NE 43); what lies between means nothing and is kept as doubtful.  A transducer that gives 10 to 90 % of its supply is
open or shorted outside 5 to 95 % of it (common practice, no source).
"""

from __future__ import annotations

from benchd.core.bench import Sensor
from benchd.core.model import Quality
from benchd.physics.thermocouple import compensated_c, tolerance_c

Scaled = tuple[float | None, Quality, str]

LOOP_A = (0.004, 0.020)  # IEC 60381-1, the span of a current loop
LOOP_FAILED_A = (0.0036, 0.021)  # NAMUR NE 43
LOOP_MEASURES_A = (0.0038, 0.0205)  # NAMUR NE 43
BEYOND_SPAN = 1.0 / 16.0  # of the span beyond either end: 5 % and 95 % of supply where the span is 10 to 90 %
SUPPLY_WITHIN = 0.2  # of its nominal value: a USB port sags by some 5 %; common practice, no source
COLD_JUNCTION_C = (-40.0, 125.0)  # where amplifiers' own thermometers reach; industrial range of such chips
BESIDE_FRESH_S = 30.0  # a terminal block warms by some 0.1 C in that time; common practice, no source

_ROUNDING_A = 1e-9  # so that 3.6 mA is 3.6 mA, however it was computed


def wire_unit(sensor: Sensor) -> str | None:
    """The SenML unit the raw number must carry; None for counts."""
    match sensor.kind:
        case "ratiometric":
            return "V"
        case "4-20 mA":
            return "A" if sensor.shunt_ohm is None else "V"
        case "thermocouple":
            return "V" if sensor.v_per_count is None else None
        case "counts":
            return None


def beside_unit(sensor: Sensor) -> str:
    """The SenML unit of the record the sensor needs beside its own."""
    return "Cel" if sensor.kind == "thermocouple" else "V"


def scaled(sensor: Sensor, raw: float, beside: float | None) -> Scaled:
    """(quantity in the core's unit, GOOD or SUSPECT, why) or (None, FAULT, why) for one finite raw number.

    `raw` in the unit `wire_unit` names; `beside` is the supply [V] or cold junction [C], None when it was not heard
    lately.  Raises nothing.
    """
    match sensor.kind:
        case "ratiometric":
            return _ratiometric(sensor, raw, beside)
        case "4-20 mA":
            return _loop(sensor, raw)
        case "thermocouple":
            return _thermocouple(sensor, raw, beside)
        case "counts":
            return _on_span(sensor, raw), Quality.GOOD, ""


def _on_span(sensor: Sensor, signal: float) -> float:
    """The straight line through the two ends."""
    (low, high), (at_low, at_high) = sensor.signal, sensor.span
    return at_low + (signal - low) / (high - low) * (at_high - at_low)


def _fault(why: str) -> Scaled:
    return None, Quality.FAULT, why


def _ratiometric(sensor: Sensor, raw_v: float, supply_v: float | None) -> Scaled:
    """The voltage as a share of the supply, taken to the supply `signal` was written for."""
    signal_v = raw_v
    if sensor.beside:
        if supply_v is None:
            return _fault(f"supply {sensor.beside} not heard")
        if not abs(supply_v - sensor.supply_v) <= SUPPLY_WITHIN * sensor.supply_v:
            return _fault(f"supply at {supply_v:.3g} V")
        signal_v = raw_v / supply_v * sensor.supply_v
    low_v, high_v = sensor.signal
    margin_v = BEYOND_SPAN * (high_v - low_v)
    if signal_v < low_v - margin_v:
        return _fault(f"signal at {raw_v:.3g} V: open or shorted")
    if not signal_v <= high_v + margin_v:
        return _fault(f"signal at {raw_v:.3g} V: shorted, or beyond the sensor")
    return _on_span(sensor, signal_v), Quality.GOOD, ""


def _loop(sensor: Sensor, raw: float) -> Scaled:
    current_a = raw if sensor.shunt_ohm is None else raw / sensor.shunt_ohm
    told = f"loop at {1000.0 * current_a:.4g} mA"
    failed_a, measures_a = LOOP_FAILED_A, LOOP_MEASURES_A
    if current_a <= failed_a[0] + _ROUNDING_A:
        return _fault(f"{told}: no current, or the transmitter signals failure")
    if not current_a < failed_a[1] - _ROUNDING_A:
        return _fault(f"{told}: shorted, or the transmitter signals failure")
    value = _on_span(sensor, current_a)
    if not measures_a[0] - _ROUNDING_A <= current_a <= measures_a[1] + _ROUNDING_A:
        return value, Quality.SUSPECT, f"{told}: beyond what it measures, short of failure"
    return value, Quality.GOOD, ""


def _thermocouple(sensor: Sensor, raw: float, cold_junction_c: float | None) -> Scaled:
    if cold_junction_c is None:
        return _fault(f"cold junction {sensor.beside} not heard")
    low_c, high_c = COLD_JUNCTION_C
    if not low_c <= cold_junction_c <= high_c:
        return _fault(f"cold junction at {cold_junction_c:.4g} C")
    measured_mv = 1000.0 * raw * (sensor.v_per_count or 1.0)
    try:
        return compensated_c(sensor.type or "K", measured_mv, cold_junction_c), Quality.GOOD, ""
    except ValueError:
        return _fault(f"{measured_mv:.4g} mV is no voltage of type {sensor.type}: open or shorted")


def off_as_made_c(sensor: Sensor, temp_c: float) -> float | None:
    """How far [C] a new thermocouple of its IEC 60584-1 class may be off at temp_c; None for other sensors.

    None too where the class is not defined.  The wire's only: amplifier and cold junction come on top.
    """
    if sensor.kind != "thermocouple" or sensor.type is None:
        return None
    try:
        return tolerance_c(sensor.type, sensor.iec_class, temp_c)
    except ValueError:
        return None
