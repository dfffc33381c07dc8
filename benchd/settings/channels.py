"""Checks [[channel]] tables: which probe measures what, where, and whether its sensor's range is wide enough."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from benchd.core.bench import ROLES, Channel, Sensor
from benchd.core.intake.calibrate import SENML_UNIT
from benchd.core.intake.sensor import wire_unit
from benchd.core.units import Dimension, shown_pressure
from benchd.errors import did_you_mean
from benchd.runtime.contracts import Sent
from benchd.settings.lines import KeyPath
from benchd.settings.sensors import DIMENSION, quantity, sensor_of, widest
from benchd.settings.shapes import ChannelTable
from benchd.settings.toml_file import TomlFile

GAUGE_OVER_MARK = 1.3  # a gauge that ends sooner saturates before it shows a burst pressure; common practice, no source
ZERO_WANDERS_KPA = 3.5  # half a psi: the zero of a cheap transducer, common practice, no source

QUICK = ("cup_temperature", "pot_pressure")
QUICK_S = 30.0  # the least time by which "at pressure" is to come before the kick; common practice, no source
PERIODS_SILENT = 5.0  # the sensors' watcher tells silence after so many periods

SITS_IN = {
    "cup_temperature": "cup", "pot_pressure": "pot", "pot_gas_temperature": "pot", "mold_temperature": "mold",
}  # fmt: skip
"""Roles that belong to one cup, pot or mold; the others belong to the room."""

QUANTITY = {
    "cup_temperature": "temperature",
    "pot_pressure": "pressure",
    "pot_gas_temperature": "gas-temperature",
    "mold_temperature": "temperature",
}
"""Last part of a default id; a room role gives its own name."""


@dataclass(frozen=True, slots=True)
class Known:
    """The cups, pots, molds and units a channel may refer to."""

    sources: Sequence[str]
    cups: Sequence[str]
    molds: Sequence[str]
    pots: Sequence[str]
    marked_kpa: Mapping[str, float]
    p_atm_kpa: float
    pressure_unit: str
    sends: Mapping[str, Mapping[str, Sent]] = field(default_factory=dict)
    """Source -> what it sends by name, where its own settings say so."""


def channel_of(file: TomlFile, path: KeyPath, table: ChannelTable, known: Known) -> Channel:
    """A channel; a reference to nothing, or a quantity it cannot measure, becomes a complaint."""
    if table.source not in known.sources:
        remedy = did_you_mean(table.source, known.sources) or "write a [[source]] with this id"
        file.complain((*path, "source"), f'no source "{table.source}"', remedy)
    of = _of(file, path, table, known)
    sensor = sensor_of(file, (*path, "sensor"), table)
    ends = _range(file, path, table, sensor, known)
    if table.role == "pot_pressure":
        _judge_gauge(file, (*path, "range"), ends, known.marked_kpa.get(of), known.pressure_unit)
    default_id = f"{of}-{QUANTITY[table.role]}" if table.role in SITS_IN else table.role.replace("_", "-")
    return Channel(
        id=table.id or default_id,
        source=table.source,
        senml=table.senml,
        role=table.role,
        of=of,
        calibration=_calibration(file, path, table),
        low=ends.low,
        high=ends.high,
        resolution=_resolution(file, path, table),
        reference=table.reference,
        period_s=_period_s(file, path, table, sensor, known.sends.get(table.source)),
        sensor=sensor,
    )


def _period_s(
    file: TomlFile, path: KeyPath, table: ChannelTable, sensor: Sensor | None, sends: Mapping[str, Sent] | None
) -> float:
    """How often it comes [s]: as written, else so that its source's `stale_after` is the silence that is told."""
    if sends is None:
        return table.period
    sent = sends.get(table.senml)
    if sent is None:
        ways = (did_you_mean(table.senml, sends), f'write name = "{table.senml}" into a [[source.value]]')
        file.complain(
            (*path, "senml"), f'the source "{table.source}" has no value of this name', " or ".join(filter(None, ways))
        )
        return table.period
    wanted = SENML_UNIT[ROLES[table.role]] if sensor is None else wire_unit(sensor)
    if sent.unit != wanted:
        problem = f"comes in {sent.unit or 'counts'}, and {table.role} needs {wanted or 'counts'}"
        file.complain((*path, "senml"), problem, "look at the value's unit and at this role: one is another's")
    if table.role in QUICK and sent.stale_after_s > QUICK_S:
        problem = f"is told silent only after {sent.stale_after_s:g} s: a kick or a leak may pass in that time"
        file.caution((*path, "senml"), problem, 'have it sent each second, and write stale_after = "5 s"')
    return sent.stale_after_s / PERIODS_SILENT if "period" not in table.model_fields_set else table.period


def _of(file: TomlFile, path: KeyPath, table: ChannelTable, known: Known) -> str:
    """The id of the cup, pot or mold the probe sits in; the only one when left out; "" for the room."""
    noun = SITS_IN.get(table.role)
    if noun is None:
        if table.of is not None:
            file.complain((*path, "of"), f"{table.role} belongs to the room", "leave `of` out")
        return ""
    there = {"cup": known.cups, "pot": known.pots, "mold": known.molds}[noun]
    if table.of is None:
        if len(there) == 1:
            return there[0]
        file.complain((*path, "of"), f"is missing: which {noun}?", f"known: {', '.join(there)}" if there else "")
        return ""
    of = table.of.lower()
    if of not in there:
        file.complain((*path, "of"), f'no {noun} "{table.of}"', did_you_mean(of, there))
    return of


@dataclass(frozen=True, slots=True)
class _Ends:
    """A range in the core's unit, as far as it could be read."""

    low: float | None = None
    high: float | None = None
    are_given: bool = True


def _range(file: TomlFile, path: KeyPath, table: ChannelTable, sensor: Sensor | None, known: Known) -> _Ends:
    """The range in the core's unit, or the sensor's own; an absolute one is converted to gauge like its readings."""
    shift = known.p_atm_kpa if table.reference == "absolute" and table.role != "barometer" else 0.0
    if table.range is None:
        told = widest(sensor)
        return _Ends(are_given=False) if told is None else _Ends(told[0] - shift, told[1] - shift)
    if len(table.range) != 2:
        file.complain(
            (*path, "range"), "needs two values, low and high", 'write for example range = ["-2 psi", "100 psi"]'
        )
        return _Ends()
    dimension = DIMENSION[ROLES[table.role]]
    low, high = (quantity(file, (*path, "range"), end, dimension) for end in table.range)
    if low is None or high is None:
        return _Ends()
    if low >= high:
        file.complain((*path, "range"), "low is not below high", "write the lower end first")
        return _Ends()
    return _Ends(low - shift, high - shift)


def _judge_gauge(file: TomlFile, path: KeyPath, ends: _Ends, marked_kpa: float | None, unit: str) -> None:
    """A gauge must see past the pot's mark (saturated is not low) and a little below zero (which wanders)."""
    if not ends.are_given:
        remedy = 'write what the sensor can read, for example range = ["-2 psi", "100 psi"]'
        file.complain(path, "is missing: a pot's gauge needs it", remedy)
    elif marked_kpa is not None and ends.high is not None and ends.high < GAUGE_OVER_MARK * marked_kpa:
        most, mark = shown_pressure(ends.high, unit), shown_pressure(marked_kpa, unit)
        problem = f"the gauge ends at {most}, too near the pot's mark of {mark}"
        file.complain(
            path, problem, f"fit one that reads to {shown_pressure(GAUGE_OVER_MARK * marked_kpa, unit)} or more"
        )
    if ends.low is not None and ends.low > -ZERO_WANDERS_KPA:
        problem = "starts at zero: a vented pot whose zero has wandered will count as a fault"
        file.caution(
            path, problem, f"write the low end as -{shown_pressure(2 * ZERO_WANDERS_KPA, unit)} if it reads so far"
        )


def _resolution(file: TomlFile, path: KeyPath, table: ChannelTable) -> float | None:
    if table.resolution is None:
        return None
    dimension = DIMENSION[ROLES[table.role]]
    step: Dimension = "temperature_step" if dimension == "temperature" else dimension
    return quantity(file, (*path, "resolution"), table.resolution, step)


def _calibration(file: TomlFile, path: KeyPath, table: ChannelTable) -> tuple[tuple[float, float], ...]:
    """The [[read, true], ...] pairs in the core's unit, in rising order of what was read."""
    dimension = DIMENSION[ROLES[table.role]]
    points: list[tuple[float, float]] = []
    for pair in table.calibration:
        place = (*path, "calibration")
        if len(pair) != 2:
            file.complain(place, "each point is a pair [read, true]", 'write for example [["0.4 psi", "0 psi"]]')
            continue
        read, true = (quantity(file, place, end, dimension) for end in pair)
        if read is not None and true is not None:
            points.append((read, true))
    points.sort()
    for (read, true), (next_read, next_true) in pairwise(points):
        if next_read <= read or next_true <= true:
            file.complain((*path, "calibration"), "true values must rise with what was read", "look for a swapped pair")
            break
    return tuple(points)
