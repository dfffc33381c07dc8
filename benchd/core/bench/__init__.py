"""The bench as the core knows it: pots, cups, channels, molds, lots and resins, in the core's units.

context.py converts it to and from a Context input.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from benchd.core.bench.local_day import midnight_t, offset_s
from benchd.core.bench.mold import Mold as Mold
from benchd.core.bench.recipe import JOIN, Recipe, base_of, recipe_of
from benchd.core.model.learned import Learned
from benchd.stored import stored

STANDARD_ATMOSPHERE_KPA = 101.325  # ISO 2533 standard atmosphere at sea level

ROLES: dict[str, str] = {
    "cup_temperature": "C", "pot_pressure": "kPa", "pot_gas_temperature": "C", "mold_temperature": "C",
    "room_temperature": "C", "room_humidity": "%RH", "barometer": "kPa", "tank_pressure": "kPa",
    "tank_temperature": "C", "scale": "g",
}  # fmt: skip
"""Role of a channel -> the core's unit for it."""

ROOM_ROLES = ("room_temperature", "room_humidity", "barometer", "tank_pressure", "tank_temperature", "scale")
"""Roles of the whole bench: shown to every watcher that reads them."""


@stored("sensor")
@dataclass(frozen=True, slots=True, kw_only=True)
class Sensor:
    """Converts a board's raw number into the quantity, where the board does not do that itself.

    `signal` are two raw values (V, A, or counts) and `span` the quantity in the core's unit at each of them, gauge or
    absolute according to the channel's reference.  `beside` is the record of the same source that the conversion needs:
    the transducer's supply [V], or the thermocouple's cold junction [C]; "" for none.
    """

    kind: Literal["ratiometric", "4-20 mA", "thermocouple", "counts"]
    signal: tuple[float, float] = (0.0, 1.0)
    span: tuple[float, float] = (0.0, 1.0)
    beside: str = ""
    supply_v: float = 5.0
    """The supply at which `signal` holds."""
    shunt_ohm: float | None = None
    """A current loop read as the voltage over this resistor."""
    type: Literal["K", "J", "T"] | None = None
    iec_class: Literal[1, 2, 3] = 2
    v_per_count: float | None = None
    """A thermocouple's voltage sent as counts of an amplifier."""


@stored("channel")
@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """One quantity of one probe.  `of` is the cup, pot or mold it belongs to, "" for the room."""

    id: str
    source: str
    senml: str
    role: str
    of: str = ""
    calibration: tuple[tuple[float, float], ...] = ()
    low: float | None = None
    high: float | None = None
    resolution: float | None = None
    reference: Literal["gauge", "absolute"] = "gauge"
    period_s: float = 1.0
    sensor: Sensor | None = None


@stored("pot")
@dataclass(frozen=True, slots=True, kw_only=True)
class Pot:
    """A pressure pot.  Pressures kPa gauge; volume_l the whole inside, free_l the part that molds leave free."""

    id: str
    name: str
    volume_l: float
    free_l: float
    marked_kpa: float
    relief_kpa: float
    target_kpa: float
    floor_kpa: float
    limit_kpa: float
    hold: Literal["feed-then-isolate", "isolated", "fed"] = "feed-then-isolate"
    floor_cm2: float | None = None
    """Floor area for molds; None: from its diameter, or from a cylinder as high as it is wide."""
    inside_cm: float | None = None
    """Its inner diameter, where it was measured."""


WITNESS_G = 20.0  # in a witness cup whose mass is not configured; 20-25 g: common practice, no source


@stored("cup")
@dataclass(frozen=True, slots=True, kw_only=True)
class Cup:
    """A cup with a temperature probe; `kind`: a sample beside the molds, the mixing cup itself, or its residue."""

    id: str
    name: str
    kind: Literal["witness", "mixing", "residue"] = "witness"
    mass_g: float = WITNESS_G
    probe_lag_s: float = 3.0


@stored("resin")
@dataclass(frozen=True, slots=True, kw_only=True)
class Resin:
    """A resin's label data and the [cure] table that `learn` writes.  pot_life_s: of pot_life_mass_g at 23 C."""

    id: str
    name: str
    pot_life_s: float
    pot_life_mass_g: float = 100.0
    demold_s: float
    least_hold_s: float = 480.0
    stir_s: float | None = None
    """How long A and B are stirred [s]; None: the label does not say."""
    post_cure_s: float | None = None
    post_cure_c: float | None = None
    """Later mild heat, for how long [s] and how warm [C]; None: the label asks for none."""
    heat_deflection_c: float | None = None
    """The data sheet's heat deflection temperature, of the resin as cast [C]; None: it has none."""
    ratio_weight_b: float = 1.0
    ratio_volume_b: float = 1.0
    density_a_g_ml: float = 1.1
    density_b_g_ml: float = 1.0
    density_cured_g_ml: float = 1.07
    peak_c: float | None = None
    cure: Mapping[str, Any] = field(default_factory=dict)
    recipe: str = ""
    """What is in it besides A and B (core/bench/recipe.py); "" for nothing."""
    pigment_phr: float = 0.0
    filler_phr: float = 0.0
    rise_share: float = 1.0
    slowing: float = 1.0
    """The recipe's parts to 100 of A and B, its heat over the bare resin's, and how many times later it kicks."""


@stored("lot")
@dataclass(frozen=True, slots=True, kw_only=True)
class Lot:
    """One delivery of a resin: `resin` is the resin's id; `label` is the resin with this lot's own values applied."""

    id: str
    code: str
    resin: str
    label: Resin
    opened: float | None = None
    bought_g: float | None = None
    cost_kg: float | None = None
    """Price per kilogram, in the studio's currency."""
    suspect: str = ""
    """Why the lot is suspect; a suspect lot is not planned with."""
    left_g: float | None = None
    """The amount weighed at the start of the day of `left_since`; None: the amount bought counts."""
    left_since: float | None = None
    shelf_end: float | None = None
    """The end of the last day of its shelf life [unix s]."""


@stored("quiet")
@dataclass(frozen=True, slots=True, kw_only=True)
class Quiet:
    """Quiet hours, local minutes after midnight; equal ends mean none."""

    start_min: int = 0
    end_min: int = 0


@stored("bench")
@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """The whole bench as the core knows it."""

    id: str
    shop: str
    name: str
    pressure_unit: Literal["psi", "kPa", "bar"] = "psi"
    temperature_unit: Literal["C", "F"] = "C"
    p_atm_kpa: float = STANDARD_ATMOSPHERE_KPA
    default_resin: str | None = None
    quiet: Quiet = field(default_factory=Quiet)
    channels: tuple[Channel, ...] = ()
    pots: tuple[Pot, ...] = ()
    cups: tuple[Cup, ...] = ()
    molds: tuple[Mold, ...] = ()
    lots: tuple[Lot, ...] = ()
    resins: tuple[Resin, ...] = ()
    recipes: tuple[Recipe, ...] = ()
    tune: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    sources: tuple[tuple[str, Literal["crc32", "none"]], ...] = ()
    """Source id -> whether its lines carry a checksum."""
    clocks: tuple[tuple[str, Literal["up", "arrival"]], ...] = ()
    """Source id -> whose time its lines have; one not named has its board's."""
    utc_offsets: tuple[tuple[float, float], ...] = ()
    learned: Learned = field(default_factory=Learned)

    def pot(self, id: str | None) -> Pot | None:
        """The pot with this id, None if there is none."""
        return next((p for p in self.pots if p.id == id), None)

    def cup(self, id: str | None) -> Cup | None:
        """The cup with this id, None if there is none."""
        return next((c for c in self.cups if c.id == id), None)

    def mold(self, id: str | None) -> Mold | None:
        """The mold with this id, None if there is none."""
        return next((m for m in self.molds if m.id == id), None)

    def lot(self, id: str | None) -> Lot | None:
        """The lot with this id, None if there is none; with its recipe where the id names one ("r-07+grey")."""
        lot = next((x for x in self.lots if x.id == base_of(id)), None)
        recipe = self.recipe(recipe_of(id))
        if lot is None or recipe_of(id) is None or recipe is None:
            return lot if recipe_of(id) is None else None
        label = replace(lot.label, **recipe.changes(lot.label))
        return replace(lot, id=f"{lot.id}{JOIN}{recipe.id}", code=f"{lot.code}{JOIN}{recipe.code}", label=label)

    def recipe(self, id: str | None) -> Recipe | None:
        """The recipe with this id, None if there is none."""
        return next((r for r in self.recipes if r.id == id), None)

    def resin(self, id: str | None) -> Resin | None:
        """The resin with this id, None if there is none."""
        return next((r for r in self.resins if r.id == id), None)

    def role_of(self, channel_id: str | None) -> str | None:
        """The role of a channel, None for an unknown one."""
        return next((c.role for c in self.channels if c.id == channel_id), None)

    def lot_in_use(self) -> Lot | None:
        """The lot assumed for a pour when none is named: the one opened last that is not suspect."""
        return max((x for x in self.lots if not x.suspect), key=lambda x: x.opened or 0.0, default=None)

    def label_for(self, lot_id: str | None) -> Resin | None:
        """The label that applies to a pour: its lot's, else the bench's default resin, else the only one, else None."""
        lot = self.lot(lot_id)
        if lot is not None:
            return lot.label
        named = self.resin(self.default_resin)
        return named or (self.resins[0] if len(self.resins) == 1 else None)

    def utc_offset_s(self, t: float) -> float:
        """Local time minus UTC at t [s]."""
        return offset_s(self.utc_offsets, t)

    def midnight_t(self, t: float) -> float:
        """When the local day of t began [unix s]."""
        return midnight_t(self.utc_offsets, t)
