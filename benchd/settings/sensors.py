"""Checks a [[channel]]'s `sensor = { ... }`: what it describes, and whether it can measure what the role asks.

sensor = { kind = "ratiometric", span = ["0 psi", "150 psi"], signal = ["0.5 V", "4.5 V"], supply = "b1-supply" }
sensor = { kind = "4-20 mA", span = ["0 bar", "10 bar"], shunt = "150 ohm" }
sensor = { kind = "thermocouple", type = "K", cold_junction = "b1-cj", iec_class = 1 }
sensor = { kind = "counts", span = ["0 g", "500 g"], signal = [8412, 431077] }
"""

from __future__ import annotations

from collections.abc import Sequence

from benchd.core.bench import ROLES, Sensor
from benchd.core.intake.sensor import BEYOND_SPAN, LOOP_A, off_as_made_c
from benchd.core.units import Dimension, QuantityError, parse_quantity
from benchd.errors import did_you_mean
from benchd.settings.lines import KeyPath
from benchd.settings.shapes import ChannelTable, SensorTable
from benchd.settings.toml_file import TomlFile

DIMENSION: dict[str, Dimension] = {"C": "temperature", "kPa": "pressure", "%RH": "humidity", "g": "mass"}
"""The core's unit -> the dimension a quantity of it is written in."""

NEEDS: dict[str, tuple[str, ...]] = {
    "ratiometric": ("span",), "4-20 mA": ("span",), "thermocouple": ("type", "cold_junction"),
    "counts": ("span", "signal"),
}  # fmt: skip
MAY: dict[str, tuple[str, ...]] = {
    "ratiometric": ("signal", "supply", "supply_at"), "4-20 mA": ("shunt",), "thermocouple": ("iec_class", "per_count"),
    "counts": (),
}  # fmt: skip
"""Kind of sensor -> the keys it must have, and those it may have besides."""

EXAMPLE = {
    "span": 'span = ["0 psi", "150 psi"]', "type": 'type = "K"', "cold_junction": 'cold_junction = "b1-cj"',
    "signal": "signal = [102, 921]",
}  # fmt: skip

SUPPLY_V = 5.0  # what 0.5-4.5 V transducers are made for; common practice
SIGNAL_V = (0.5, 4.5)  # 10 and 90 % of it


def quantity(file: TomlFile, path: KeyPath, written: object, dimension: Dimension) -> float | None:
    """A written quantity in the core's unit; None, and a complaint, if it can't be read."""
    try:
        return parse_quantity(written, dimension)
    except QuantityError as error:
        file.complain(path, error.problem, error.remedy)
        return None


def widest(sensor: Sensor | None) -> tuple[float, float] | None:
    """(low, high) in the core's unit, gauge or absolute as measured: the sensor's range before it signals a fault.

    None if nothing names an end: no sensor, or a thermocouple, whose limit is the role's.
    """
    if sensor is None or sensor.kind == "thermocouple":
        return None
    low, high = sorted(sensor.span)
    margin = BEYOND_SPAN * (high - low)
    return low - margin, high + margin


def sensor_of(file: TomlFile, path: KeyPath, table: ChannelTable) -> Sensor | None:
    """The sensor; None if there is none or it does not hold together (then a complaint says why)."""
    written = table.sensor
    if written is None or not _keys_fit(file, path, written):
        return None
    if written.kind == "thermocouple":
        return _thermocouple(file, path, written, table.role)
    span = _pair(file, (*path, "span"), written.span, DIMENSION[ROLES[table.role]])
    signal = _signal(file, (*path, "signal"), written)
    supply_v = _or(file, (*path, "supply_at"), written.supply_at, "voltage", SUPPLY_V)
    shunt_ohm = _or(file, (*path, "shunt"), written.shunt, "resistance", None)
    if span is None or signal is None:
        return None
    for key, ends in (("span", span), ("signal", signal)):
        if ends[0] == ends[1] or (key == "signal" and written.kind == "ratiometric" and ends[0] > ends[1]):
            file.complain((*path, key), "its two ends do not rise", "write the lower end first")
            return None
    return Sensor(
        kind=written.kind, signal=signal, span=span, beside=written.supply or "",
        supply_v=supply_v or SUPPLY_V, shunt_ohm=shunt_ohm,
    )  # fmt: skip


def _keys_fit(file: TomlFile, path: KeyPath, written: SensorTable) -> bool:
    """Whether it has the keys its kind needs and no others; each that is wrong becomes a complaint."""
    needs, may = NEEDS[written.kind], MAY[written.kind]
    there = [key for key in SensorTable.model_fields if key != "kind" and getattr(written, key) is not None]
    missing = [key for key in needs if key not in there]
    extra = [key for key in there if key not in (*needs, *may)]
    for key in missing:
        file.complain((*path, key), f"is missing: {written.kind} needs it", f"write for example {EXAMPLE[key]}")
    for key in extra:
        file.complain((*path, key), f"does not go with {written.kind}", did_you_mean(key, (*needs, *may)))
    return not missing and not extra


def _or(
    file: TomlFile, path: KeyPath, written: str | None, dimension: Dimension, default: float | None
) -> float | None:
    """A positive quantity, its default when left out."""
    found = default if written is None else quantity(file, path, written, dimension)
    if found is not None and found <= 0.0:
        file.complain(path, "is not above zero", "look for a wrong sign")
        return default
    return found


def _pair(
    file: TomlFile, path: KeyPath, written: Sequence[str | float] | None, dimension: Dimension
) -> tuple[float, float] | None:
    if written is None or len(written) != 2:
        file.complain(path, "needs two values, one for each end", "write the lower end first")
        return None
    low, high = (quantity(file, path, end, dimension) for end in written)
    return None if low is None or high is None else (low, high)


def _signal(file: TomlFile, path: KeyPath, written: SensorTable) -> tuple[float, float] | None:
    """What the board sends at the two ends: A for a loop, V, or counts."""
    if written.kind == "4-20 mA":
        return LOOP_A
    if written.kind == "ratiometric":
        return SIGNAL_V if written.signal is None else _pair(file, path, written.signal, "voltage")
    counts = [end for end in written.signal or () if isinstance(end, int | float)]
    if len(counts) == 2:
        return float(counts[0]), float(counts[1])
    file.complain(path, "needs two counts, one for each end", f"write for example {EXAMPLE['signal']}")
    return None


def _thermocouple(file: TomlFile, path: KeyPath, written: SensorTable, role: str) -> Sensor | None:
    if ROLES[role] != "C":
        file.complain((*path, "kind"), f"a thermocouple is no {role}", "look for a swapped channel")
        return None
    v_per_count = _or(file, (*path, "per_count"), written.per_count, "voltage", None)
    sensor = Sensor(
        kind="thermocouple", beside=written.cold_junction or "", type=written.type,
        iec_class=written.iec_class or 2, v_per_count=v_per_count,
    )  # fmt: skip
    if off_as_made_c(sensor, 20.0) is None:
        problem = f"IEC 60584-1 has no class {sensor.iec_class} of type {sensor.type}"
        file.complain((*path, "iec_class"), problem, "write 1 or 2, as the probe's file says")
    return sensor
