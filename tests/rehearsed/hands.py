"""Rehearses a pot in a hand's care: filled, held and vented at any pace, by the dial or by one turn of the valve.

The air is benchd/rehearsal/vessel.py's, which shares no code with what judges it.  A *hand* opens a valve to one place
and leaves it ("turn"), opens it further as the flow dies down so that the dial falls evenly ("even"), or opens and
shuts it in thirds ("steps").  The pots are those of rehearsed/pots.py: 10, 13 and 60 L.  All ranges are invented.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Literal

from benchd.rehearsal.vessel import P_ATM_PA, PA_PER_PSI, Openings, Vessel, VesselSpec

Hand = Literal["turn", "even", "steps"]
Act = Callable[["Bench"], None]
HZ = 2.0
ROOM_C = 22.0
TURN_S = 2.0  # how long a hand takes to turn a valve
DOWN_PSI = 1.0  # a vent is timed to here, as the trade does: "near zero"


@dataclass
class Bench:
    """One pot and its air, stepped by its script; psi: what the gauge says, one sample each 1/HZ s from t = 0."""

    spec: VesselSpec
    seed: int
    noise_psi: float = 0.05
    times: list[float] = field(default_factory=list)
    psi: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.vessel = Vessel(self.spec, ROOM_C)
        self.air = Openings(feed_k=ROOM_C + 273.15)
        self._rng = random.Random(self.seed)
        self.t_s = 0.0

    @property
    def true_psi(self) -> float:
        """What is in the pot [psi gauge]."""
        return self.vessel.gauge_psi

    def run(self, seconds: float, until: Callable[[], bool] = lambda: False) -> None:
        """Let time pass, at most so long."""
        for _ in range(round(seconds * HZ)):
            if until():
                return
            self.vessel.step(1.0 / HZ, self.air)
            self.t_s += 1.0 / HZ
            self.times.append(self.t_s)
            self.psi.append(round((self.true_psi + self._rng.gauss(0.0, self.noise_psi)) * 50.0) / 50.0)

    def fill(self, target_psi: float, in_s: float) -> None:
        """Open the air by hand so that the target is reached in about in_s [s]; the regulator then feeds."""
        self.air.feed_pa = (target_psi + 40.0) * PA_PER_PSI + P_ATM_PA
        self.air.inlet_mm = hole_mm(self.spec, 0.0, target_psi, in_s)
        self.run(3.0 * in_s, lambda: self.true_psi >= target_psi)
        self.feed(target_psi)

    def feed(self, target_psi: float) -> None:
        """A regulator at this setting from now on."""
        self.air.feed_pa, self.air.inlet_mm = target_psi * PA_PER_PSI + P_ATM_PA, 4.0

    def shut(self) -> None:
        """Shut the inlet."""
        self.air.inlet_mm = 0.0

    def hunt(self, low_psi: float, high_psi: float, period_s: float, seconds: float) -> None:
        """A regulator that hunts between two pressures, half of each period up, half down."""
        up_mm = hole_mm(self.spec, 0.0, high_psi, period_s * high_psi / (2.0 * (high_psi - low_psi)))
        down_mm = hole_mm(self.spec, high_psi, low_psi, period_s / 2.0)
        self.air.feed_pa, end_s, rising = (high_psi + 40.0) * PA_PER_PSI + P_ATM_PA, self.t_s + seconds, True
        while self.t_s < end_s:
            rising = self.true_psi < (high_psi if rising else low_psi)
            self.air.inlet_mm, self.air.bleed_mm = (up_mm, 0.0) if rising else (0.0, down_mm)
            self.run(1.0 / HZ)
        self.air.inlet_mm = self.air.bleed_mm = 0.0

    def leak(self, psi_min: float) -> None:
        """A leak that loses so much a minute at the present pressure, or none."""
        now = self.true_psi
        self.air.leak_mm = hole_mm(self.spec, now, now - psi_min / 4.0, 15.0) if psi_min > 0.0 else 0.0

    def vent(self, in_s: float, hand: Hand) -> None:
        """Vent by hand from the present pressure to DOWN_PSI in about in_s [s]; the bleed stays open."""
        self.shut()
        start, begun = self.true_psi, self.t_s
        wide = hole_mm(self.spec, start, DOWN_PSI, in_s)
        for now in self._turns(in_s, hand, wide):
            if hand == "even":
                due = start + (DOWN_PSI - start) * min(1.0, (self.t_s - begun) / in_s)
                ahead = self.true_psi - due
                now = min(3.0 * wide, max(0.2 * wide, self.air.bleed_mm + 0.1 * wide * max(-1.0, min(1.0, ahead))))
            self.air.bleed_mm = now
            self.run(1.0 / HZ)
            if self.true_psi < DOWN_PSI and self.t_s - begun > 0.5 * in_s:
                break
        self.air.bleed_mm = max(self.air.bleed_mm, 3.0 * wide)

    def _turns(self, in_s: float, hand: Hand, wide: float) -> Iterator[float]:
        for k in range(round(4.0 * in_s * HZ)):
            s = k / HZ
            open_now = hand != "steps" or (s // (in_s / 6.0)) % 2 == 0
            step = 1.45 if hand == "steps" else 1.0  # open half of the time: wider for it
            yield wide * step * min(1.0, s / TURN_S) if open_now else 0.0


def hole_mm(spec: VesselSpec, from_psi: float, to_psi: float, in_s: float) -> float:
    """The hole [mm] through which a pot goes from one pressure to another in in_s [s], found by trying."""
    low, high = 0.05, 40.0
    for _ in range(18):
        middle = (low * high) ** 0.5
        low, high = (low, middle) if _takes_s(spec, from_psi, to_psi, middle, 1.5 * in_s) < in_s else (middle, high)
    return high


def _takes_s(spec: VesselSpec, from_psi: float, to_psi: float, mm: float, most_s: float) -> float:
    vessel, t = Vessel(spec, ROOM_C, from_psi * PA_PER_PSI + P_ATM_PA), 0.0
    air = Openings(bleed_mm=mm) if to_psi < from_psi else Openings(inlet_mm=mm)
    air.feed_pa, air.feed_k = (to_psi + 40.0) * PA_PER_PSI + P_ATM_PA, ROOM_C + 273.15
    while (vessel.gauge_psi > to_psi) == (to_psi < from_psi) and t < most_s:
        vessel.step(0.5, air)
        t += 0.5
    return t
