"""Defines the records of what was cast: pours, loads and parts; records_read.py reads them."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One mold's casting of one pour; feel, grade, cause, text as the caster said, None where nothing was said."""

    mold: str
    pour: str
    mix_t: float
    lot: str | None = None
    load: str | None = None
    out_t: float | None = None
    feel: str | None = None
    grade: str | None = None
    cause: str | None = None
    text: str | None = None
    hard_s: float | None = None
    """When the forecast held it ready hard, after the mix [s]."""
    gel_s: float | None = None
    """When the forecast held all of it past gel, after the mix [s]: its thinnest section, warm or cold as it was."""

    picture: str | None = None
    """The name of a picture of it, as marked; nothing is opened."""
    cured_s: float | None = None
    cured_asked_s: float | None = None
    cured_c: float | None = None
    """How long it was in the oven, of how long its label asked [s], and how warm [C]; None: it never was."""

    @property
    def after_s(self) -> float | None:
        """From the mix to the pull [s]; None while it is in."""
        return None if self.out_t is None else self.out_t - self.mix_t


@dataclass(frozen=True, slots=True, kw_only=True)
class PourRecord:
    """One mixed cup.  Times unix s, grams as typed or weighed, kick_* None until it kicked."""

    id: str
    number: int
    mix_t: float
    cup: str | None = None
    pot: str | None = None
    load: str | None = None
    lot: str | None = None
    molds: tuple[str, ...] = ()
    a_g: float | None = None
    b_g: float | None = None
    inferred: bool = False
    kick_t: float | None = None
    kick_early_t: float | None = None
    kick_late_t: float | None = None
    kick_basis: str | None = None
    peak_c: float | None = None
    odd: str | None = None
    ended: str | None = None
    mold_c: float | None = None
    """How warm the molds were, as typed [C]."""
    checked: tuple[str, ...] = ()
    skipped: tuple[str, ...] = ()
    """What of a checklist was answered before the mix, and what was skipped; neither where none was asked."""
    room_c: float | None = None
    room_rh: float | None = None
    """The room around the mix [C, %RH], where it is known (records_room.py)."""
    parts: tuple[Part, ...] = ()

    @property
    def batch_g(self) -> float | None:
        """A and B together [g]; None unless both are known."""
        return None if self.a_g is None or self.b_g is None else self.a_g + self.b_g

    @property
    def kick_s(self) -> float | None:
        """From the mix to the kick."""
        return None if self.kick_t is None else self.kick_t - self.mix_t


@dataclass(frozen=True, slots=True, kw_only=True)
class Leak:
    """The leak as last judged: loss at the target, its bounds, a hole of that loss, and whether it mattered."""

    verdict: str
    kpa_per_min: float
    low: float
    high: float
    hole_mm: float
    matters: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadRecord:
    """One closing of a pot.  Times unix s, pressures kPa gauge; top-ups as (t, from, to)."""

    id: str
    number: int
    pot: str
    closed_t: float
    pours: tuple[str, ...] = ()
    at_pressure_t: float | None = None
    isolated_t: float | None = None
    top_ups: tuple[tuple[float, float, float], ...] = ()
    hold_done_t: float | None = None
    min_kpa: float | None = None
    """Least pressure from the kick to the end of the hold."""
    verdict: str | None = None
    tight_kpa_min: float | None = None
    leak: Leak | None = None
    relief_lifted: int = 0
    vent_t: float | None = None
    vent_s: float | None = None
    vented_early: bool = False
    opened_t: float | None = None
    alarms: tuple[str, ...] = ()
    """Codes of the alarms of the two upper priorities that began in it, in order."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """Something the caster noted: when, what kind of mark, and its text."""

    t: float
    verb: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AirRecord:
    """A damp room or wet air as it was found, per cent of relative humidity; end_t None while it lasts."""

    t: float
    what: str
    rh_pct: float
    basis: str
    end_t: float | None = None
    pot_dew_point_c: float | None = None
    """Below this the air would be wet at the pot's target pressure [C]."""


@dataclass(slots=True)
class Records:
    """Pours and loads by id in the order they began; notes and air in order of time."""

    pours: dict[str, PourRecord] = field(default_factory=dict)
    loads: dict[str, LoadRecord] = field(default_factory=dict)
    notes: list[Note] = field(default_factory=list)
    air: list[AirRecord] = field(default_factory=list)

    def parts(self) -> list[Part]:
        """Every mold poured, with what came of it, in order."""
        return [part for pour in self.pours.values() for part in pour.parts]

    def of_load(self, load: LoadRecord) -> list[PourRecord]:
        """The pours of a load."""
        return [self.pours[id] for id in load.pours if id in self.pours]

    def kick_t(self, load: LoadRecord) -> float | None:
        """The earliest kick of its cups."""
        return min((p.kick_t for p in self.of_load(load) if p.kick_t is not None), default=None)

    def margin_s(self, load: LoadRecord) -> float | None:
        """From the floor reached to the earliest kick: negative when the pressure came too late [s]."""
        kick_t = self.kick_t(load)
        return None if kick_t is None or load.at_pressure_t is None else kick_t - load.at_pressure_t
