"""Learns the molds' factors from the parts pulled today, and undoes the last lesson.

Kept are the pulls and what was believed before them; the belief's grid is computed from these when it is asked for.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache

from benchd.core.bench import Bench, Mold
from benchd.core.findings import PartPulled
from benchd.core.model import Mark
from benchd.core.model.learned import Learned
from benchd.physics.mold_factor import Belief, MoldFactor, Pull, belief_of, gaussian, prior_sd
from benchd.stored import stored
from benchd.watchers.demold.casts import Cast, CastPart

MOST_PULLS = 8  # kept of one mold with one resin; more become mean and sd, as those of other days


@stored("mold-taught")
@dataclass(frozen=True, slots=True)
class Taught:
    """Today's pulls from one mold with one resin, oldest first; mean and sd of ln of the factor before them, and how
    many pulls those rest on."""

    mean: float
    sd: float
    pulls: int
    seen: tuple[Pull, ...] = ()

    def after(self, pull: Pull) -> Taught:
        """One pull more."""
        if len(self.seen) < MOST_PULLS:
            return Taught(self.mean, self.sd, self.pulls, (*self.seen, pull))
        belief = self.belief()
        return Taught(belief.mean, belief.sd, belief.pulls, (pull,))

    def belief(self) -> Belief:
        """What these pulls say of the mold's factor."""
        return _belief(self)


@lru_cache(maxsize=256)
def _belief(taught: Taught) -> Belief:
    belief = gaussian(taught.mean, taught.sd, taught.pulls)
    for pull in taught.seen:
        belief = belief.after(pull)
    return belief


def taught_before(known: MoldFactor | None, thick_mm: float) -> Taught:
    """Nothing pulled today: what was learned on other days, or the prior for a thickest section of thick_mm [mm]."""
    return Taught(0.0, prior_sd(thick_mm), 0) if known is None else Taught(known.log_bias, known.sd, known.pulls)


@stored("mold-lessons-last")
@dataclass(slots=True)
class _Last:
    """The last pull: its part, the mold and resin it taught of ("m02/fast-white"), and what was known before."""

    pour: str | None
    part: CastPart
    key: str
    before: Taught | None


@stored("mold-lessons")
@dataclass(slots=True)
class MoldLessons:
    """What today's pulls taught of molds with resins ("m02/fast-white"); what other days taught is in `learned`."""

    taught: dict[str, Taught] = field(default_factory=dict)
    last: _Last | None = None

    def belief(self, learned: Learned, mold: str, resin: str, thick_mm: float) -> Belief:
        """The belief about a mold's factor: today's pulls added to what was learned."""
        known = self.taught.get(f"{mold}/{resin}")
        return belief_of(learned.factor(mold, resin), thick_mm) if known is None else known.belief()

    def expected(self, bench: Bench, mold: Mold, resin: str) -> Belief:
        """The belief for the next cast, including what the resin's other molds have shown."""
        own = self.belief(bench.learned, mold.id, resin, mold.thick_mm)
        others = [m for m in bench.molds if m.id != mold.id]
        known = [(self.belief(bench.learned, m.id, resin, m.thick_mm), m.thick_mm) for m in others]
        return own.beside(mold.thick_mm, [each for each in known if each[0].pulls])

    def learn(self, cast: Cast, part: CastPart, mark: Mark, learned: Learned) -> PartPulled | None:
        """Learn from a `demolded` mark; None if it has no feel or no model knew the part's times."""
        after_s = mark.t - cast.started.mix_t
        if mark.feel is None or part.times is None or part.times.model_s is None or part.known is None or after_s <= 0:
            return None
        mold, resin = part.mold.id, part.known.resin.id
        green_s, hard_s = part.times.model_s
        key = f"{mold}/{resin}"
        before = self.taught.get(key)
        self.last = _Last(cast.started.subject.pour, part, key, before)
        pull = Pull(mold=mold, resin=resin, after_s=after_s, feel=mark.feel, green_s=green_s, hard_s=hard_s)
        start = before or taught_before(learned.factor(mold, resin), part.mold.thick_mm)
        self.taught[key] = start.after(pull)
        belief = self.taught[key].belief()
        return PartPulled(
            t=mark.t, subject=cast.started.subject.filled(mold=mold), mold=mold, resin=resin, after_s=after_s,
            feel=mark.feel, green_s=green_s, hard_s=hard_s, log_bias=belief.mean, sd=belief.sd,
        )  # fmt: skip

    def settle(self) -> None:
        """Another mark that can be undone came: the last pull can be undone no longer."""
        self.last = None

    def undo(self, mark: Mark) -> CastPart | None:
        """Undo the last pull if this `undo` names it: its lesson is dropped, and its part is in the mold again.

        Returns that part.
        """
        last = self.last
        if last is None or (last.pour, last.part.mold.id) != (mark.pour, mark.mold):
            return None
        self.last = None
        if last.before is None:
            self.taught.pop(last.key, None)
        else:
            self.taught[last.key] = last.before
        last.part.is_out = False
        return last.part
