"""How long each step takes this caster and this pot: as learned, as set by hand, else as usual."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot

from benchd.core.bench import Bench
from benchd.core.findings import PourStarted
from benchd.core.learned import load_clock
from benchd.watchers.pace.tune import Settings


@dataclass(frozen=True, slots=True)
class Usual:
    """The steps of one pour's load; a time set by hand takes precedence over what was learned.

    pace: this pour's times over the usual, as far as its molds have shown it.
    """

    bench: Bench
    tune: Settings
    pot: str | None
    pace: float = 1.0

    def stir_s(self, pour: PourStarted) -> float:
        """Seconds from the mix until it is stirred: as its label asks, else as usual."""
        label = self.bench.label_for(pour.lot)
        return self.tune.mix_s if label is None or label.stir_s is None else label.stir_s

    def pour_s(self) -> float:
        """Seconds for one more mold."""
        own = None if "pour_s" in self.tune.model_fields_set else self.bench.learned.caster.pour_s
        return self.tune.pour_s if own is None else own

    def pours_s(self, pour: PourStarted) -> tuple[tuple[str, float], ...]:
        """(mold, seconds it takes) in order: by the clock, or the usual where typed or not on the shelf."""
        label, own_s = self.bench.label_for(pour.lot), self.bench.learned.caster.pour_s
        is_typed = self.tune.pour_s != load_clock.USUAL_POUR_S
        out = []
        for id in dict.fromkeys(name.lower() for name in pour.molds):
            mold, seconds = self.bench.mold(id), self.pour_s()
            if mold is not None and label is not None and not is_typed:
                seconds = load_clock.pour_s(mold, label, own_s)
            out.append((id, seconds))
        return tuple(out)

    def lid_s(self) -> float:
        """Seconds from the last mold to the first rise; who is not known yet takes as long over it as over molds."""
        own = self.bench.learned.caster.lid_s
        if own is not None and "lid_s" not in self.tune.model_fields_set:
            return own
        is_usual = self.tune.lid_s == load_clock.LID_S and own is None
        return self.tune.lid_s * (self.pace if is_usual else 1.0)

    @property
    def is_known(self) -> bool:
        """Whether this caster's own times are known, learned or set by hand."""
        return self.bench.learned.caster.lid_s is not None or self.tune.lid_s != load_clock.LID_S

    def lid_sd_s(self) -> float:
        """The doubt about a lid's time [s]: it is overdue after two sd, and the time until a rise shows."""
        seen_s = self.tune.own_lid_seen_s if self.is_known else self.tune.lid_seen_s
        return max(0.0, 0.5 * (seen_s - self.tune.shows_s))

    def lid_seen_s(self, full_sd_s: float) -> float:
        """Seconds after a lid's usual time, as the gauge shows it, from which on it is overdue.

        full_sd_s: the doubt about when the last mold was full [s].
        """
        return self.tune.shows_s + 2.0 * hypot(self.lid_sd_s(), full_sd_s)

    def fill_sd_s(self) -> float:
        """The doubt about a fill's time [s]."""
        is_known = self.bench.learned.pot(self.pot).fill_s is not None or "fill_s" in self.tune.model_fields_set
        return self.tune.own_fill_sd_share * self.fill_s() if is_known else self.tune.fill_sd_s

    def fill_s(self) -> float:
        """Seconds from the first rise to the floor."""
        own = self.bench.learned.pot(self.pot).fill_s
        return self.tune.fill_s if own is None or "fill_s" in self.tune.model_fields_set else own
