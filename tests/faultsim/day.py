"""The night's load: what pot and cup do second by second, from rehearsed loads, and what the caster marks.

A piece of a rehearsed load (benchd/rehearsal) begins a few seconds in; into some a trouble of the pot is spliced, so
that alarms of priority 1 are told: air that goes on past the limit, a lid that lets go, a gauge that breaks.  A night
of many short loads fills and empties the pot again and again.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from functools import lru_cache

from benchd.rehearsal import Rehearsal, load_scenario

PA_PER_PSI = 6894.757
SCENARIOS = ("load-1", "creep", "pressurised-late")
FROM_S, TO_S = 55.0, 330.0  # of a rehearsed load: from before the mix to the hold
LOADS = 11
TROUBLES = ("none", "over", "letting-go", "gauge", "losing")
SHORT_LOAD_S = 56.0  # filled in 15 s, vented in 25
Values = dict[str, tuple[float, str]]


@dataclass(frozen=True, slots=True)
class Second:
    """One second: cup [Cel], pot [Pa]; None is a broken probe."""

    cup_c: float
    pot_pa: float


@lru_cache(maxsize=8)
def rehearsed(name: str) -> tuple[Second, ...]:
    """Each second of a rehearsed load, from FROM_S to TO_S."""
    found = []
    for frame in Rehearsal(load_scenario(name), 0).frames():
        if frame.t_s > TO_S:
            break
        if frame.t_s >= FROM_S and frame.t_s % 1.0 == 0.0:
            cup, pot = frame.readings["cup"], frame.readings["pot"]
            found.append(Second(cup if cup is not None else 21.0, pot if pot is not None else 0.0))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class Press:
    """One mark of the caster's, at at_s [s since the night's begin]."""

    at_s: float
    verb: str
    by: str = "phone"


class Day:
    """What the sensors say and the caster does; `long_s` [s]."""

    def __init__(self, rng: random.Random) -> None:
        self.is_many = rng.random() < 0.03
        self.name = rng.choice(SCENARIOS)
        self.trouble = rng.choice(TROUBLES)
        self.warms = rng.random() < 0.4
        self.long_s = SHORT_LOAD_S * LOADS if self.is_many else rng.uniform(25.0, 70.0)
        self._from = rng.randint(0, int(TO_S - FROM_S - 75.0))
        self._trouble_s = rng.uniform(8.0, self.long_s)
        self._trouble_for_s = rng.uniform(6.0, 25.0)
        self.presses = self._presses(rng)

    @property
    def moments_s(self) -> list[float]:
        """When something is likely to be told [s since the night's begin]."""
        return [*(press.at_s for press in self.presses), *([self._trouble_s] * 3 if self.trouble != "none" else [])]

    def _presses(self, rng: random.Random) -> list[Press]:
        verbs = ["heard", "heard", "shut", "note", "leaving", "topup", "undo", "repeat"]
        found = [Press(rng.uniform(4.0, self.long_s), rng.choice(verbs)) for _ in range(rng.randint(1, 5))]
        if self.warms:
            mix_s = rng.uniform(3.0, 12.0)
            found += [Press(mix_s, "mix"), Press(mix_s + rng.uniform(5.0, 20.0), "poured")]
        return sorted(found, key=lambda press: press.at_s)

    def at(self, since_s: float) -> Values:
        """The readings since_s into the night."""
        second = self._short(since_s) if self.is_many else self._rehearsed(since_s)
        cup_c = second.cup_c if self.warms else 21.5
        values: Values = {"cup": (round(cup_c, 2), "Cel"), "pot": (round(second.pot_pa), "Pa")}
        into_s = since_s - self._trouble_s
        if self.is_many or into_s < 0.0:
            return values
        if self.trouble == "gauge":
            if into_s < self._trouble_for_s:
                del values["pot"]
            return values
        values["pot"] = (round(self._troubled(second.pot_pa, into_s)), "Pa")
        return values

    def _rehearsed(self, since_s: float) -> Second:
        seconds = rehearsed(self.name)
        return seconds[min(self._from + max(0, int(since_s)), len(seconds) - 1)]

    def _troubled(self, pot_pa: float, into_s: float) -> float:
        lasts = into_s < self._trouble_for_s
        match self.trouble:
            case "over":
                return (58.5 if into_s > 4.0 else 50.0) * PA_PER_PSI if lasts else pot_pa
            case "letting-go":
                return max(0.0, pot_pa * (1.0 - into_s / 8.0))
            case "losing":
                return pot_pa - min(into_s, self._trouble_for_s) * 0.15 * PA_PER_PSI
        return pot_pa

    @staticmethod
    def _short(since_s: float) -> Second:
        into_s = since_s % SHORT_LOAD_S
        if into_s < 15.0:
            psi = 2.8 * into_s
        elif into_s < 21.0:
            psi = 42.0
        else:
            psi = max(0.0, 42.0 - 1.7 * (into_s - 21.0))
        return Second(21.5, psi * PA_PER_PSI)
