"""Learns the molds' factors from the parts pulled today, and undoes the last lesson."""

from __future__ import annotations

from dataclasses import dataclass, field

from benchd.core.bench import Bench, Mold
from benchd.core.findings import PartPulled
from benchd.core.model import Mark
from benchd.core.model.learned import Learned
from benchd.physics.mold_factor import Belief, Pull, belief_of
from benchd.stored import stored
from benchd.watchers.demold.casts import Cast, Part


@stored("mold-lessons-last")
@dataclass(slots=True)
class _Last:
    """The last pull: its part, the belief it changed, and that belief before."""

    pour: str | None
    part: Part
    key: str
    before: Belief | None


@stored("mold-lessons")
@dataclass(slots=True)
class MoldLessons:
    """Beliefs about molds with resins ("m02/fast-white") changed by today's pulls; the others are in `learned`."""

    beliefs: dict[str, Belief] = field(default_factory=dict)
    last: _Last | None = None

    def belief(self, learned: Learned, mold: str, resin: str, thick_mm: float) -> Belief:
        """The belief about a mold's factor: today's pulls added to what was learned."""
        known = self.beliefs.get(f"{mold}/{resin}")
        return known or belief_of(learned.factor(mold, resin), thick_mm)

    def expected(self, bench: Bench, mold: Mold, resin: str) -> Belief:
        """The belief for the next cast, including what the resin's other molds have shown."""
        own = self.belief(bench.learned, mold.id, resin, mold.thick_mm)
        others = [m for m in bench.molds if m.id != mold.id]
        known = [(self.belief(bench.learned, m.id, resin, m.thick_mm), m.thick_mm) for m in others]
        return own.beside(mold.thick_mm, [each for each in known if each[0].pulls])

    def learn(self, cast: Cast, part: Part, mark: Mark, learned: Learned) -> PartPulled | None:
        """Learn from a `demolded` mark; None if it has no feel or no model knew the part's times."""
        after_s = mark.t - cast.started.mix_t
        if mark.feel is None or part.times is None or part.times.model_s is None or part.known is None or after_s <= 0:
            return None
        mold, resin = part.mold.id, part.known.resin.id
        green_s, hard_s = part.times.model_s
        key = f"{mold}/{resin}"
        self.last = _Last(cast.started.subject.pour, part, key, self.beliefs.get(key))
        pull = Pull(mold=mold, resin=resin, after_s=after_s, feel=mark.feel, green_s=green_s, hard_s=hard_s)
        belief = self.beliefs[key] = self.belief(learned, mold, resin, part.mold.thick_mm).after(pull)
        return PartPulled(
            t=mark.t, subject=cast.started.subject.filled(mold=mold), mold=mold, resin=resin, after_s=after_s,
            feel=mark.feel, green_s=green_s, hard_s=hard_s, log_bias=belief.mean, sd=belief.sd,
        )  # fmt: skip

    def settle(self) -> None:
        """Another mark that can be undone came: the last pull can be undone no longer."""
        self.last = None

    def undo(self, mark: Mark) -> Part | None:
        """Undo the last pull if this `undo` names it: its lesson is dropped, and its part is in the mold again.

        Returns that part.
        """
        last = self.last
        if last is None or (last.pour, last.part.mold.id) != (mark.pour, mark.mold):
            return None
        self.last = None
        if last.before is None:
            self.beliefs.pop(last.key, None)
        else:
            self.beliefs[last.key] = last.before
        last.part.is_out = False
        return last.part
