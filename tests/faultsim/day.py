"""The night's loads: what pots and cups do second by second, from rehearsed loads, and what the caster marks.

A piece of a rehearsed load (benchd/rehearsal) begins a few seconds in, on a wide bench up to three times as fast; into
some a trouble of the pot is spliced, so that alarms of priority 1 are told: air that goes on past the limit, a lid that
lets go, a gauge that breaks.  A night of many short loads fills and empties the first pot again and again.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from functools import lru_cache

from faultsim.benches import Shape, Spot

from benchd.rehearsal import Rehearsal, load_scenario

PA_PER_PSI = 6894.757
SCENARIOS = ("load-1", "creep", "pressurised-late")
FROM_S, TO_S = 55.0, 330.0  # of a rehearsed load: from before the mix to the hold
LOADS = 11
TROUBLES = ("none", "over", "letting-go", "gauge", "losing")
SHORT_LOAD_S = {False: 56.0, True: 30.0}  # filled in 15 s, vented in 25; on a wide bench twice as fast
LONG_S = {False: (25.0, 70.0), True: (6.0, 15.0)}
"""How long a night's day lasts, by whether its bench is wide."""
MANY = {False: 0.03, True: 0.007}
RATES_HZ = (1, 1, 1, 1, 1, 1, 2, 2, 4)
FASTER = (1.0, 2.0, 3.0)
LATER_CUP_S = 15.0  # the second cup of a board is behind the first
Values = dict[str, tuple[float, str]]


@dataclass(frozen=True, slots=True)
class Second:
    """One second: cup [Cel], pot [Pa]."""

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
    """One mark of the caster's, at at_s [s since the night's begin]; `by`: "phone" or "foot"."""

    at_s: float
    verb: str
    cup: str = "cup-1"
    pot: str = "barrel"
    by: str = "phone"


class Course:
    """What one board's pot and cups do."""

    def __init__(self, rng: random.Random) -> None:
        self.name = rng.choice(SCENARIOS)
        self.trouble = rng.choice(TROUBLES)
        self.warms = rng.random() < 0.4
        self.faster = 1.0
        self.rate_hz = 1

    def begins(self, rng: random.Random, long_s: float, is_wide: bool) -> None:
        """Draw where in the rehearsed load it begins, and when its trouble comes."""
        self._from = rng.randint(0, int(TO_S - FROM_S - 75.0))
        self.trouble_s = rng.uniform(3.0 if is_wide else 8.0, long_s)
        self._trouble_for_s = rng.uniform(4.0, 10.0) if is_wide else rng.uniform(6.0, 25.0)

    def hastens(self, rng: random.Random) -> None:
        """Draw how fast a wide bench's load and board are."""
        self.faster, self.rate_hz = rng.choice(FASTER), rng.choice(RATES_HZ)

    def at(self, since_s: float) -> Second:
        """The second since_s into the night, without the trouble."""
        seconds = rehearsed(self.name)
        return seconds[max(0, min(self._from + int(since_s * self.faster), len(seconds) - 1))]

    def pot_pa(self, since_s: float, pot_pa: float) -> float | None:
        """The pot with its trouble; None: its gauge is broken."""
        into_s = since_s - self.trouble_s
        if into_s < 0.0:
            return pot_pa
        lasts = into_s < self._trouble_for_s
        match self.trouble:
            case "gauge":
                return None if lasts else pot_pa
            case "over":
                return (58.5 if into_s > 4.0 else 50.0) * PA_PER_PSI if lasts else pot_pa
            case "letting-go":
                return max(0.0, pot_pa * (1.0 - into_s / 8.0))
            case "losing":
                return pot_pa - min(into_s, self._trouble_for_s) * 0.15 * PA_PER_PSI
        return pot_pa


class Day:
    """What the sensors say and the caster does; `long_s` [s]."""

    def __init__(self, rng: random.Random, shape: Shape) -> None:
        is_wide = shape.is_wide
        self.is_many = rng.random() < MANY[is_wide]
        first = Course(rng)
        self._short_s = SHORT_LOAD_S[is_wide]
        self.long_s = self._short_s * LOADS if self.is_many else rng.uniform(*LONG_S[is_wide])
        first.begins(rng, self.long_s, is_wide)
        self.courses = {shape.spots[0].source: first}
        self.presses = self._presses(rng, first, shape.spots[0])
        if is_wide:
            self._widen(rng, shape)
        self.presses.sort(key=lambda press: press.at_s)

    def _widen(self, rng: random.Random, shape: Shape) -> None:
        for spot in shape.spots[1:]:
            course = self.courses[spot.source] = Course(rng)
            course.begins(rng, self.long_s, True)
            self.presses += self._presses(rng, course, spot)
        for course in self.courses.values():
            course.hastens(rng)
        for _ in range(rng.randint(0, 3)):
            verb = rng.choice(("short", "short", "long", "double"))
            self.presses.append(Press(rng.uniform(2.0, self.long_s), verb, by="foot"))

    @property
    def moments_s(self) -> list[float]:
        """When something is likely to be told [s since the night's begin]."""
        troubled = [course for course in self.courses.values() if course.trouble != "none"]
        return [*(press.at_s for press in self.presses), *(course.trouble_s for course in troubled for _ in range(3))]

    def _presses(self, rng: random.Random, course: Course, spot: Spot) -> list[Press]:
        verbs = ["heard", "heard", "shut", "note", "leaving", "topup", "undo", "repeat"]
        found = [
            Press(rng.uniform(4.0, self.long_s), rng.choice(verbs), pot=spot.pot) for _ in range(rng.randint(1, 5))
        ]
        if course.warms:
            mix_s = rng.uniform(3.0, 12.0)
            poured_s = mix_s + rng.uniform(5.0, 20.0)
            found += [Press(mix_s, "mix", spot.cups[0], spot.pot), Press(poured_s, "poured", spot.cups[0], spot.pot)]
        return found

    def at(self, spot: Spot, since_s: float) -> Values:
        """What this board reads since_s into the night."""
        course = self.courses[spot.source]
        is_short = self.is_many and spot.source == next(iter(self.courses))
        second = short_load(since_s, self._short_s) if is_short else course.at(since_s)
        pot_pa = second.pot_pa if is_short else course.pot_pa(since_s, second.pot_pa)
        values: Values = {}
        for at, name in enumerate(spot.cup_names()):
            cup_c = course.at(since_s - LATER_CUP_S).cup_c if at else second.cup_c
            values[name] = (round(cup_c if course.warms else 21.5, 2), "Cel")
        if pot_pa is not None:
            values["pot"] = (round(pot_pa), "Pa")
        return values


def short_load(since_s: float, long_s: float) -> Second:
    """One of many short loads, all alike."""
    into_s = since_s % long_s * SHORT_LOAD_S[False] / long_s
    if into_s < 15.0:
        psi = 2.8 * into_s
    elif into_s < 21.0:
        psi = 42.0
    else:
        psi = max(0.0, 42.0 - 1.7 * (into_s - 21.0))
    return Second(21.5, psi * PA_PER_PSI)
