"""The question to the planner: the casts wanted, the resin, the pots, the hands, the limits.

A *cast* is one mold filled once; a mold wanted twice is two casts.  A *load* is one cup mixed once and one closing of a
pot.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from benchd.core.bench import Lot, Mold, Pot, Resin
from benchd.core.learned import load_clock
from benchd.core.model.learned import Learned, LearnedLife, Remedy


@dataclass(frozen=True, slots=True, kw_only=True)
class Hands:
    """How long this caster takes; each default common practice (one person, 3-minute resin) unless learned."""

    mix_s: float = load_clock.MIX_S
    lid_s: float = load_clock.LID_S
    fill_s: float = load_clock.FILL_S
    vent_s: float = 45.0  # 20 to 60 s
    demold_s: float = 60.0  # a minute a part; common practice, no source
    ready_s: float = 180.0  # from an empty pot to the next mix: molds set, cup weighed; common practice, no source
    usual_pour_s: float | None = None
    """Learned seconds a mold: how much quicker or slower than usual; None: not known."""
    fills_s: Mapping[str, float] = field(default_factory=dict)
    """Pot id -> learned seconds from the first air to the floor."""
    pours_s: Mapping[str, float] = field(default_factory=dict)
    """Mold id -> seconds it takes to fill, where known."""

    def pour_s(self, mold: Mold, label: Resin) -> float:
        """Seconds to fill a mold: as typed for it, else by the clock that the calls go by too (core/learned)."""
        typed_s = self.pours_s.get(mold.id)
        return load_clock.pour_s(mold, label, self.usual_pour_s) if typed_s is None else typed_s

    def pot_fill_s(self, pot: Pot) -> float:
        """Seconds from the first air to the floor of this pot, as learned, else the usual."""
        return self.fills_s.get(pot.id, self.fill_s)


def hands_of(learned: Learned, pots: tuple[Pot, ...]) -> Hands:
    """This caster's hands as learned (core/learned/habits.py); what is not learned stays at its default."""
    usual, caster = Hands(), learned.caster
    fills = {pot.id: known for pot in pots if (known := learned.pot(pot.id).fill_s) is not None}
    return Hands(lid_s=caster.lid_s or usual.lid_s, usual_pour_s=caster.pour_s, fills_s=fills)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanLimits:
    """What every load of a plan must keep."""

    least_margin_s: float = load_clock.LEAST_MARGIN_S
    """Before the likely kick; of a kick sooner than 160 s an eighth of its time (core/learned/load_clock)."""
    most_molds: int = 4  # common practice: one cup a load, two to four molds
    most_loads: int | None = None
    """None: as many as it takes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Underway:
    """What loads already mixed still occupy of the day [unix s]."""

    busy: tuple[tuple[float, float], ...] = ()
    """When the hands are taken."""
    pot_free_t: Mapping[str, float] = field(default_factory=dict)
    mold_free_t: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class InLot:
    """A further lot that loads may be poured from: its label, the resin it is of, grams left (None: not limited)."""

    lot: Lot
    label: Resin
    common: Resin | None = None
    left_g: float | None = None
    due_factor: Mapping[str, float] = field(default_factory=dict)
    aged: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """One day to be planned.  `casts`: the molds in the order wanted, one entry a cast; times unix s."""

    casts: tuple[Mold, ...]
    pots: tuple[Pot, ...]
    label: Resin
    temp_c: float
    start_t: float
    lot: Lot | None = None
    cup: str | None = None
    hands: Hands = field(default_factory=Hands)
    limits: PlanLimits = field(default_factory=PlanLimits)
    left_g: float | None = None
    """Resin left of the lot [g]; None: not known, not limited."""
    used: Mapping[str, int] = field(default_factory=dict)
    """Mold id -> casts made of it in all, those before benchd included."""
    today: Mapping[str, int] = field(default_factory=dict)
    """Mold id -> casts made of it today."""
    mold_c: Mapping[str, float] = field(default_factory=dict)
    """Mold id -> how warm its first cast finds it [C] as typed; else the shelf's."""
    last_t: Mapping[str, float] = field(default_factory=dict)
    """Mold id -> when its last cast was mixed, if it may still be warm from it [unix s]."""
    underway: Underway = field(default_factory=Underway)
    due_factor: Mapping[str, float] = field(default_factory=dict)
    """Mold id -> what its demold time is multiplied by, as learned."""
    temp_basis: str = "label"
    why: str = "planned"
    common: Resin | None = None
    """The resin the lot is of: it shows whether the lot's pot life was timed."""
    aged: tuple[float, float] | None = None
    """(ln of its kick over the label's, sd) where the lot's age has clearly changed it."""
    life: Mapping[str, LearnedLife] = field(default_factory=dict)
    """Mold id -> what molds of its silicone gave, where that was learned."""
    tried: Mapping[str, Remedy] = field(default_factory=dict)
    """Mold id -> what is on trial at it."""
    more_lots: tuple[InLot, ...] = ()
    """Where loads go that the first lot does not reach, or whose molds are cast in another resin."""
    reserve: tuple[Mold, ...] = ()
    """Molds that take a surplus: added to a load whose batch would be too small to proportion."""

    @property
    def resin(self) -> str:
        """The id of the resin poured."""
        return self.lot.resin if self.lot is not None else self.label.id

    def in_lot(self, other: InLot) -> Ask:
        """The same day from another lot."""
        return replace(
            self, lot=other.lot, label=other.label, common=other.common, left_g=other.left_g,
            due_factor=other.due_factor, aged=other.aged, more_lots=(),
        )  # fmt: skip

    @property
    def stir_s(self) -> float:
        """Seconds from the mix until it is stirred: as the label asks, which the calls go by too, else the usual."""
        return self.hands.mix_s if self.label.stir_s is None else self.label.stir_s

    def warm_c(self, mold: Mold) -> float:
        """A cast's mold when the resin comes in [C]; never below the room's."""
        return self.temp_c if mold.warm_c is None else max(self.temp_c, mold.warm_c)
