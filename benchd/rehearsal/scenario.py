"""Defines a scenario: a bench, its molds and lots, what fate has in store, and the script of the caster's acts.

All pressures psi gauge, temperatures C, times s; the zero of the script is the first mix, `lead_s` after the start.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from benchd.rehearsal.acts import Act
from benchd.rehearsal.resin import RESINS, ResinTruth
from benchd.rehearsal.supply import SupplySpec
from benchd.rehearsal.vessel import VesselSpec


@dataclass(frozen=True, slots=True, kw_only=True)
class PotSpec:
    """The pot and what is wrong with it.  tap: where the gauge sits ("pot" or "hose"); relief_stuck: it never lifts.

    inlet_mm, bleed_mm: the openings as the caster opens them; leak_mm: a hole of that diameter, from the start.
    """

    id: str = "barrel"
    name: str = "Barrel"
    volume_l: float = 16.5
    target_psi: float = 42.0
    floor_psi: float = 35.0
    relief_psi: float = 55.0
    relief_stuck: bool = False
    relief_mm: float = 5.0
    inlet_mm: float = 2.0
    bleed_mm: float = 2.0
    leak_mm: float = 0.0
    tap: str = "pot"
    noise_psi: float = 0.05
    resolution_psi: float = 0.01
    offset_psi: float = 0.0
    drift_psi_h: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CupSpec:
    """One cup with its probe.  kind: witness, mixing (stays full) or residue (drained at the last pour).

    channel: the board's name for it; off_centre: where the probe sits, 0 the middle .. 1 the wall; emi_per_min: spikes.
    """

    id: str = "cup-1"
    channel: str = "cup"
    kind: str = "witness"
    mass_g: float = 25.0
    sleeve: str = "foam"
    lag_s: float = 3.0
    off_centre: float = 0.2
    noise_c: float = 0.08
    quantum_c: float = 0.25
    offset_c: float = 0.0
    emi_per_min: float = 0.0
    emi_c: float = 25.0


@dataclass(frozen=True, slots=True, kw_only=True)
class MoldSpec:
    """One mold; start_c: how warm it is when ready (default the room)."""

    code: str
    name: str = ""
    cavity_ml: float
    gate_ml: float = 0.0
    thin_mm: float
    thick_mm: float
    wall_mm: float = 12.0
    start_c: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LotSpec:
    """One lot: a resin of the rehearsal's shelf and how fast this delivery is (1.6x slower kick: about 0.6)."""

    code: str
    resin: str = "fast-white"
    rate_factor: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomSpec:
    """The room: its temperature and humidity, how far they wander, and its probes' noise."""

    temp_c: float = 21.5
    rh_pct: float = 44.0
    wander_c: float = 0.15
    wander_rh_pct: float = 0.6
    noise_c: float = 0.03
    noise_rh_pct: float = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardSpec:
    """The board: prefix of its names, lines a second, seconds between the slow channels, clock error, split lines."""

    prefix: str = "b1-"
    hz: float = 4.0
    slow_s: float = 1.0
    clock_ppm: float = 20.0
    split: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class StudioSpec:
    """The names of the studio and of its bench."""

    name: str = "Quiet Harbour Figures"
    bench: str = "north"


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """A whole rehearsal.  end_s: when it stops, s after the first mix; resins: by name, built-in ones by default."""

    name: str
    title: str = ""
    lead_s: float = 60.0
    end_s: float = 1800.0
    studio: StudioSpec = field(default_factory=StudioSpec)
    board: BoardSpec = field(default_factory=BoardSpec)
    room: RoomSpec = field(default_factory=RoomSpec)
    supply: SupplySpec = field(default_factory=SupplySpec)
    vessel: VesselSpec = field(default_factory=VesselSpec)
    pot: PotSpec = field(default_factory=PotSpec)
    cups: tuple[CupSpec, ...] = (CupSpec(),)
    molds: tuple[MoldSpec, ...] = ()
    lots: tuple[LotSpec, ...] = ()
    acts: tuple[Act, ...] = ()
    resins: dict[str, ResinTruth] = field(default_factory=lambda: dict(RESINS))

    @property
    def duration_s(self) -> float:
        """From the start to the end [s]."""
        return self.lead_s + self.end_s

    def cup(self, id: str) -> CupSpec:
        """The cup of this id."""
        return next(c for c in self.cups if c.id == id)

    def mold(self, code: str) -> MoldSpec:
        """The mold of this code."""
        return next(m for m in self.molds if m.code == code)

    def lot(self, code: str) -> LotSpec:
        """The lot of this code."""
        return next(x for x in self.lots if x.code == code)
