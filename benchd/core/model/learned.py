"""What the journal taught about this caster, its pots, molds, lots and silicones: one frozen value.

Written and read by core/format/learned_form.py alone; what could not be read is not in it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from benchd.physics.leak_learning import PotShapes
from benchd.physics.mold_factor import MoldFactor
from benchd.stored import stored

LEAST_AGED = 6  # fewer pours show no ageing; common practice, no source
MOST_LN = math.log(4.0)  # beyond four times the label it is another resin, or a wrong time
MOST_EXTRA_DAYS = 30.0  # a line is not extrapolated more than a month past its last pour
BOUNDS_S = {"pour_s": (3.0, 60.0), "lid_s": (8.0, 90.0), "fill_s": (5.0, 180.0)}  # common practice, no source


@stored("caster-habits")
@dataclass(frozen=True, slots=True, kw_only=True)
class CasterHabits:
    """Seconds from one mold filled to the next, and from the last one to the first rise; None: not known."""

    pour_s: float | None = None
    lid_s: float | None = None


@stored("pot-habits")
@dataclass(frozen=True, slots=True, kw_only=True)
class PotHabits:
    """Seconds from a pot's first rise to its floor, and how its gas cools by itself and beside a gas probe."""

    fill_s: float | None = None
    bare: PotShapes | None = None
    probed: PotShapes | None = None

    @property
    def fills(self) -> int:
        """How many proved-tight fills its shapes come from."""
        return sum(shapes.fills for shapes in (self.bare, self.probed) if shapes is not None)


@stored("lot-drift")
@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """A lot's line: ln(kick at 23 C over the label's) is `level` at `mean_days`, and `per_day` more each day.

    Raises ValueError for numbers no lot has.
    """

    level: float
    per_day: float
    sd: float
    noise: float
    pours: int
    mean_days: float
    last_days: float
    is_clear: bool

    def __post_init__(self) -> None:
        numbers = (self.level, self.per_day, self.sd, self.noise, self.mean_days, self.last_days)
        if not all(map(math.isfinite, numbers)) or self.pours < 1 or abs(self.level) > MOST_LN:
            raise ValueError("not the line of a lot")
        if self.is_clear and self.pours < LEAST_AGED:
            raise ValueError(f"{self.pours} pours make no ageing clear")

    def ln_at(self, age_days: float) -> tuple[float, float]:
        """(ln of the kick over the label's at that age, its sd without the next pour's own spread).

        level + per_day (a - mean_days), sd = sqrt(noise^2/pours + (sd (a - mean_days))^2); a: age_days [days since
        opening], at most MOST_EXTRA_DAYS after the last pour.

        >>> line = Drift(
        ...     level=0.1, per_day=0.02, sd=0.004, noise=0.06, pours=9, mean_days=10, last_days=20, is_clear=True
        ... )
        >>> [round(value, 4) for value in line.ln_at(15.0)]
        [0.2, 0.0283]
        """
        ahead = min(age_days, self.last_days + MOST_EXTRA_DAYS) - self.mean_days
        return self.level + self.per_day * ahead, math.hypot(self.noise / math.sqrt(self.pours), self.sd * ahead)


@stored("silicone-life")
@dataclass(frozen=True, slots=True)
class LearnedLife:
    """Casts molds of a silicone gave before the first sticking part: the median, of how many signs and molds.

    Raises ValueError unless all are above zero.
    """

    casts: int
    signs: int
    molds: int

    def __post_init__(self) -> None:
        if min(self.casts, self.signs, self.molds) < 1:
            raise ValueError("a life of no casts")


@stored("remedy")
@dataclass(frozen=True, slots=True, kw_only=True)
class Remedy:
    """What was tried at a mold, against which cause: good casts of those that came out since, and of those before.

    Raises ValueError for counts that cannot be.
    """

    text: str
    cause: str | None = None
    worked: int = 0
    of: int = 0
    old_worked: int = 0
    old_of: int = 0
    is_on: bool = True
    """It counts for the mold's next cast."""

    def __post_init__(self) -> None:
        if not (0 <= self.worked <= self.of and 0 <= self.old_worked <= self.old_of):
            raise ValueError("more good casts than casts")


_NO_HABITS = PotHabits()


@stored("learned")
@dataclass(frozen=True, slots=True, kw_only=True)
class Learned:
    """All that was learned; a key that is not there was never learned."""

    caster: CasterHabits = CasterHabits()
    pots: Mapping[str, PotHabits] = field(default_factory=dict)
    """By pot id."""
    molds: Mapping[str, Mapping[str, MoldFactor]] = field(default_factory=dict)
    """By mold id, then by resin id."""
    lots: Mapping[str, Drift] = field(default_factory=dict)
    """By lot id; those that are not clear too."""
    silicones: Mapping[str, LearnedLife] = field(default_factory=dict)
    """By silicone."""
    remedies: Mapping[str, tuple[Remedy, ...]] = field(default_factory=dict)
    """By mold id, oldest first."""

    def pot(self, id: str | None) -> PotHabits:
        """A pot's habits; empty where nothing is known."""
        return self.pots.get(id or "", _NO_HABITS)

    def factor(self, mold: str, resin: str) -> MoldFactor | None:
        """What pulls taught of a mold with a resin; None if nothing."""
        return self.molds.get(mold, {}).get(resin)

    def drift(self, lot: str | None) -> Drift | None:
        """How a lot ages, if that is clear."""
        found = self.lots.get(lot or "")
        return found if found is not None and found.is_clear else None

    def updated(self, lessons: Learned) -> Learned:
        """With newer lessons: each table they know something of takes the place of the one before."""
        return Learned(
            caster=lessons.caster if lessons.caster != CasterHabits() else self.caster,
            pots=lessons.pots or self.pots, molds=lessons.molds or self.molds, lots=lessons.lots or self.lots,
            silicones=lessons.silicones or self.silicones, remedies=lessons.remedies or self.remedies,
        )  # fmt: skip
