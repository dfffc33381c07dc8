"""Defines the tables and keys that bench.toml, shelf.toml and resins/NAME.toml may hold.

One model a table; what its values may look like is in quantities.py.  Descriptions and examples here feed
`benchd schema config` and complaints.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, StringConstraints

from benchd.core.bench import WITNESS_G
from benchd.core.units import KPA_PER_PSI
from benchd.settings.daemon_shapes import JournalTable, PageTable, TableShape
from benchd.settings.quantities import (
    Altitude,
    Cm,
    Day,
    Density,
    Length,
    Mass,
    Ml,
    Mm,
    Pressure,
    Ratio,
    Temperature,
    Time,
    Volume,
)  # fmt: skip

ID_PATTERN = r"^[a-z0-9-]{1,32}$"
CODE_PATTERN = r"^[A-Za-z0-9-]{1,32}$"
Id = Annotated[str, StringConstraints(pattern=ID_PATTERN)]
Code = Annotated[str, StringConstraints(pattern=CODE_PATTERN)]
Name = Annotated[str, StringConstraints(min_length=1, max_length=60, pattern=r"^[^\x00-\x1f\x7f]+$")]
SenmlName = Annotated[
    str, StringConstraints(max_length=64, pattern=r"^[A-Za-z0-9][A-Za-z0-9:./_-]*$")
]  # RFC 8428, 4.5.1


class UnitsTable(TableShape):
    pressure: Literal["psi", "kPa", "bar"] = "psi"
    temperature: Literal["C", "F"] = "C"


class BenchTable(TableShape):
    """The bench itself."""

    shop: Id = Field(examples=["quiet-harbour"], description="part of every topic")
    name: Name = Field(examples=["North bench"], description="spoken")
    id: Id | None = Field(
        default=None, examples=["north"], description="part of every topic; made from the name if left out"
    )
    timezone: str | None = Field(
        default=None, examples=["Europe/Oslo"], description="for times shown; the system's if left out"
    )
    altitude: Altitude = Field(default=0.0, examples=["120 m"])
    quiet_hours: str | None = Field(
        default=None, examples=["22:00-07:00"], description="local; only P1, and P2 while a load is closed"
    )
    units: UnitsTable = UnitsTable()
    default_resin: Id | None = Field(
        default=None, examples=["fast-white"], description="a file in resins/, without .toml"
    )


class SensorTable(TableShape):
    """How a raw number (V, A, counts) becomes the channel's quantity, where the board does not do that itself."""

    kind: Literal["ratiometric", "4-20 mA", "thermocouple", "counts"] = Field(examples=["ratiometric"])
    span: list[str] | None = Field(
        default=None, examples=[["0 psi", "150 psi"]], description="the quantity at the two ends of the signal"
    )
    signal: list[str | float] | None = Field(
        default=None,
        examples=[["0.5 V", "4.5 V"]],
        description='what the board sends there: volts ("0.5 V", "4.5 V" if left out), or two counts',
    )
    supply: SenmlName | None = Field(
        default=None, examples=["b1-supply"], description="the record with the transducer's supply voltage"
    )
    supply_at: str | None = Field(default=None, examples=["5 V"], description="the supply `signal` holds for")
    shunt: str | None = Field(
        default=None, examples=["150 ohm"], description="the loop is read as the voltage over this resistor"
    )
    type: Literal["K", "J", "T"] | None = Field(default=None, examples=["K"])
    cold_junction: SenmlName | None = Field(
        default=None, examples=["b1-cj"], description="the record with the temperature of the terminals"
    )
    iec_class: Literal[1, 2, 3] | None = Field(default=None, examples=[2], description="IEC 60584-1; 2 if left out")
    per_count: str | None = Field(
        default=None, examples=["7.8125 uV"], description="the voltage of one count, where the board sends counts"
    )


class ChannelTable(TableShape):
    """One probe's one quantity.  Range, resolution and calibration are written in units that fit the role."""

    id: Id | None = Field(default=None, examples=["cup-1-temperature"])
    source: Id = Field(examples=["board"])
    senml: SenmlName = Field(examples=["b1-cup"], description="the resolved name the board sends")
    role: Literal[
        "cup_temperature", "pot_pressure", "pot_gas_temperature", "mold_temperature", "room_temperature",
        "room_humidity", "barometer", "tank_pressure", "tank_temperature", "scale",
    ] = Field(examples=["cup_temperature"])  # fmt: skip
    of: Code | None = Field(default=None, examples=["cup-1"], description="the cup, pot or mold it sits in")
    sensor: SensorTable | None = Field(
        default=None, examples=[{"kind": "thermocouple", "type": "K", "cold_junction": "b1-cj"}]
    )
    calibration: list[list[str]] = Field(
        default=[], examples=[[["0.4 psi", "0 psi"], ["41.2 psi", "42 psi"]]], description="[[read, true], ...]"
    )
    calibrated: Day | None = Field(
        default=None, examples=["2026-01-05"], description="when; written by `benchd calibrate`"
    )
    range: list[str] | None = Field(
        default=None, examples=[["-2 psi", "100 psi"]], description="what the sensor can read"
    )
    resolution: str | None = Field(default=None, examples=["0.1 psi"])
    reference: Literal["gauge", "absolute"] = "gauge"
    period: Time = Field(default=1.0, examples=["1 s"], description="how often the board sends it")


class PotTable(TableShape):
    """A pressure pot."""

    name: Name = Field(examples=["Barrel"])
    volume: Volume = Field(examples=["16.5 l"], description="the whole inside")
    free: Volume | None = Field(
        default=None, examples=["13 l"], description="what molds leave free; 80 % of volume if left out"
    )
    marked: Pressure = Field(examples=["60 psi"], description="the highest pressure written on the pot")
    relief: Pressure = Field(examples=["55 psi"], description="where the relief valve lifts")
    target: Pressure = Field(default=42 * KPA_PER_PSI, examples=["42 psi"])
    floor: Pressure = Field(default=35 * KPA_PER_PSI, examples=["35 psi"], description="least pressure that counts")
    limit: Pressure | None = Field(
        default=None, examples=["54 psi"], description="alarm above; 10 % under the mark if left out"
    )
    hold: Literal["feed-then-isolate", "isolated", "fed"] = "feed-then-isolate"
    floor_cm2: float | None = Field(default=None, gt=0.0, le=100_000.0, description="where molds can stand")
    diameter: Length | None = Field(default=None, examples=["265 mm"], description="inside; the plan's space")


class CupTable(TableShape):
    """Where a cup probe stands."""

    name: Name = Field(examples=["witness cup"])
    kind: Literal["witness", "mixing", "residue"] = "witness"
    mass: Mass = Field(default=WITNESS_G, examples=[f"{WITNESS_G:g} g"])
    probe_lag: Time = Field(default=3.0, examples=["3 s"])


class CodedTable(TableShape):
    """What molds and lots share: the code written on them."""

    code: Code = Field(examples=["M02"])


class MoldTable(CodedTable):
    """One mold."""

    name: Name = Field(examples=["Keeper arms"])
    cavity_ml: Ml = Field(gt=0.0, le=20_000.0, examples=[28])
    gate_ml: Ml = Field(default=0.0, ge=0.0, le=20_000.0)
    reservoir_ml: Ml = Field(default=0.0, ge=0.0, le=20_000.0)
    thin_mm: Mm = Field(gt=0.0, le=500.0, examples=[2.2], description="thinnest section")
    thick_mm: Mm = Field(gt=0.0, le=500.0, examples=[9], description="thickest section")
    length_mm: Mm | None = Field(default=None, gt=0.0, le=2_000.0, description="its longest free length, as of a leg")
    wall_mm: Mm = Field(default=12.0, gt=0.0, le=500.0, description="silicone around the cavity")
    warm: Annotated[Temperature, Field(ge=0.0, le=90.0)] | None = Field(
        default=None, examples=["40 C"], description="warmed to this before every pour"
    )
    warm_for: Annotated[Time, Field(le=14_400.0)] | None = Field(
        default=None, examples=["20 min"], description="how long that takes; 15 min unless said"
    )
    dry: bool = Field(default=False, description="dried before every cast, as after washing")
    release: Literal["spray", "talc", "none"] = Field(default="spray", description="what goes on before every cast")
    stance: str = Field(default="", max_length=120)
    traps: str = Field(default="", max_length=120)
    pull: Literal["green", "hard"] = "hard"
    life: int = Field(default=50, ge=1, le=10_000)
    casts_before: int = Field(default=0, ge=0, le=100_000)
    casts_a_day: int = Field(default=3, ge=1, le=100, description="then it rests until tomorrow")
    retired: bool = Field(default=False, description="cast no more, kept for the record")
    reserve: bool = Field(default=False, description="takes what is left in the cup")
    footprint_cm2: float | None = Field(default=None, gt=0.0, le=10_000.0, description="what it covers of the pot")
    height_cm: Cm | None = Field(default=None, gt=0.0, le=500.0, examples=[9], description="as it stands in the pot")
    made: Day | None = Field(default=None, examples=["2025-09-01"], description="when it was made")
    shelf_end: Day | None = Field(
        default=None, examples=["2027-09-01"], description="the last day it may be cast, if it has one"
    )
    silicone: str = Field(default="", max_length=60, examples=["tin cure 25"], description="what it is made of")
    resin: Id | None = Field(default=None, examples=["fast-white"], description="what it is usually cast in")
    note: str = Field(default="", max_length=400)
    cost: float | None = Field(default=None, ge=0.0, le=1e6, examples=[38.0], description="what it cost to make")


class LabelTable(TableShape):
    """What a resin's label says, each field as far as it says it."""

    pot_life: Time | None = Field(default=None, examples=["3 min"])
    pot_life_mass: Mass | None = Field(default=None, examples=["100 g"])
    demold: Time | None = Field(default=None, examples=["10 min"])
    least_hold: Time | None = Field(default=None, examples=["8 min"])
    stir: Annotated[Time, Field(le=1800.0)] | None = Field(
        default=None, examples=["30 s"], description="how long A and B are stirred"
    )
    post_cure: Annotated[Time, Field(le=604_800.0)] | None = Field(
        default=None, examples=["4 h"], description="later mild heat for so long, with post_cure_at"
    )
    post_cure_at: Annotated[Temperature, Field(ge=25.0, le=200.0)] | None = Field(
        default=None, examples=["65 C"], description="how warm the post-cure is"
    )
    heat_deflection: Annotated[Temperature, Field(ge=30.0, le=150.0)] | None = Field(
        default=None, examples=["52 C"], description="the data sheet's heat deflection temperature, as cast"
    )
    ratio_volume: Ratio | None = Field(default=None, examples=["1:1"], description="A:B")
    ratio_weight: Ratio | None = Field(default=None, examples=["100:90"], description="A:B")
    density_a: Density | None = Field(default=None, examples=["1.13 g/ml"])
    density_b: Density | None = Field(default=None, examples=["1.02 g/ml"])
    density_cured: Density | None = Field(default=None, examples=["1.07 g/ml"])
    peak: Temperature | None = Field(default=None, examples=["95 C"])


class LotTable(CodedTable, LabelTable):
    """One delivery of a resin; whatever of the label differs for it stands here too."""

    code: Code = Field(examples=["R-07"])
    resin: Id = Field(examples=["fast-white"])
    opened: Day | None = Field(default=None, examples=["2026-01-05"])
    bought: Mass | None = Field(default=None, examples=["2 kg"], description="A and B together")
    cost_kg: float | None = Field(
        default=None, ge=0.0, le=100_000.0, examples=[14.5], description="price of a kilogram"
    )
    left: Mass | None = Field(
        default=None, examples=["1400 g"], description="A and B together, weighed before that day's first pour"
    )
    left_on: Day | None = Field(
        default=None, examples=["2026-01-05"], description="when it was weighed: what is poured later is taken off"
    )
    shelf_end: Day | None = Field(default=None, examples=["2026-06-30"], description="the last day of its shelf life")
    suspect: str = Field(default="", max_length=120, examples=["part B foams"], description="why not to plan with it")


class RecipeTable(CodedTable):
    """What goes into a resin besides A and B, by weight; a pour of it names LOT+CODE."""

    code: Code = Field(examples=["grey"])
    name: str = Field(default="", max_length=60, examples=["harbour grey"])
    pigment_pct: float | None = Field(default=None, gt=0.0, le=30.0, examples=[3], description="of A and B, by weight")
    pigment_density: Density | None = Field(default=None, examples=["1.2 g/ml"])
    filler_phr: float | None = Field(default=None, gt=0.0, examples=[50], description="parts to 100 of A and B")
    filler_pct: float | None = Field(
        default=None, gt=0.0, examples=[33], description="or per cent of the whole mixture"
    )
    filler_density: Density | None = Field(default=None, examples=["2.7 g/ml"])
    filler_cp: float | None = Field(default=None, gt=0.1, le=5.0, examples=[0.9], description="J/(g K); minerals 0.85")
    note: str = Field(default="", max_length=400)


class ResinTable(LabelTable):
    """A resin's label; the file's name is its id."""

    name: Name = Field(examples=["Fast white"])
    pot_life: Time = Field(examples=["3 min"])
    demold: Time = Field(examples=["10 min"])
    cure: dict[str, Any] = Field(default_factory=dict, description="written by `benchd learn`")


SINGLE: dict[str, type[TableShape]] = {"bench": BenchTable, "page": PageTable, "journal": JournalTable}
NAMED: dict[str, type[TableShape]] = {"pot": PotTable, "cup": CupTable}
LISTED: dict[str, type[TableShape]] = {"channel": ChannelTable}
SHELF: dict[str, type[TableShape]] = {"mold": MoldTable, "lot": LotTable, "recipe": RecipeTable}
"""Tables by how they are written: [bench], [pot.ID], [[channel]]; the shelf's [[mold]], [[lot]], [[recipe]]."""
