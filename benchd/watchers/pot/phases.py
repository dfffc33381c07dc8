"""Is a pot rising, cooling after its fill, being vented, or letting go?  The state behind the pot's words.

One gauge shows a vent, an unplanned vent and a seal letting go as one curve.  What parts them: whether the hold is
done or the caster said so (a purpose), and how fast the pot would empty through the opening that the fall implies.  A
hand on a bleed empties a pot in 20 to 60 s; faster is a seal, slower but steep is no vent either.  A fall that the gas'
own cooling after a fill could make is neither.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from benchd.core.seat.watcher import Place
from benchd.core.units import KPA_PER_PSI as PSI
from benchd.physics import pot_gas
from benchd.stored import stored
from benchd.watchers.pot.tune import Settings

ADIABATIC_SHARE = 1.0 - 1.0 / pot_gas.GAMMA
"""The most of its gauge pressure a filled pot loses by cooling: an adiabatic fill from a line at room temperature."""


EXPANSION = 1.3
"""How much faster a gas falls in pressure than in mass while it empties in tens of seconds: 1.4 were adiabatic, 1 with
walls that keep its warmth; from rehearsed pots."""

BURST_SHARE = 0.6
"""A fall this much quicker than the quickest vent is judged at once: such a pot is empty before a second look."""


DOUBT_KPA = 1.0 * PSI
"""How far below what cooling can do a pressure is still taken for it; common practice, no source."""
PACE_KNOWN_S = 4.0
"""From here on a slope over four seconds holds nothing of the time before."""
JUDGE_FAST_S, JUDGE_S = 1.0, 4.0
"""How long a fall is watched before it can be called quicker than a vent, and before it is called anything."""
STILL_S = 8.0
"""A vent that has stood still so long is over; common practice, no source."""
BLIND_BELOW_KPA = 5.0 * PSI
"""Below it a few tenths of noise look like a quick emptying; common practice, no source."""


@stored("fill")
@dataclass(slots=True)
class Fill:
    """When did pressure last rise, to what peak, and how far may cooling alone have taken it down since?"""

    tune: Settings
    rising: bool = False
    ended_t: float | None = None
    began_t: float = 0.0
    peak_kpa: float = 0.0

    def step(self, t: float, kpa: float, lowest_kpa: float, slope_kpa_s: float | None) -> bool:
        """Take the state at t; True when a rise begins.  lowest_kpa: the least of the last ten seconds."""
        slope = slope_kpa_s or 0.0
        if self.rising:
            self.peak_kpa = max(self.peak_kpa, kpa)
            self.ended_t = t
            self.rising = slope >= 0.5 * self.tune.rising_kpa_s
        elif slope >= self.tune.rising_kpa_s and kpa >= lowest_kpa + self.tune.rise_step_kpa:
            self.begin(t, kpa)
            return True
        return False

    def begin(self, t: float, kpa: float) -> None:
        self.rising, self.began_t, self.ended_t, self.peak_kpa = True, t, t, kpa

    def up_at(self, t: float, to_go_kpa: float, slope_kpa_s: float, usual_s: float | None) -> float | None:
        """When a rise will have climbed to_go_kpa more; usual_s: what this pot's fills take from begin to floor."""
        if not self.rising or to_go_kpa <= 0.0:
            return None
        if t - self.began_t < PACE_KNOWN_S:
            return None if usual_s is None else max(t, self.began_t + usual_s)
        return t + to_go_kpa / slope_kpa_s if slope_kpa_s > 0.0 else None

    def settling(self, t: float) -> bool:
        return self.ended_t is not None and t - self.ended_t < self.tune.settle_s

    def coolable_kpa(self, t: float) -> float:
        """The lowest pressure that cooling alone can have brought by t."""
        if self.ended_t is None:
            return math.inf
        gone = 1.0 - math.exp(-(t - self.ended_t) / self.tune.fastest_tau_s)
        return self.peak_kpa * (1.0 - ADIABATIC_SHARE * gone) - DOUBT_KPA

    def explains(self, t: float, kpa: float) -> bool:
        """Whether the fill still going on, or the gas cooling after it, may explain this pressure."""
        return self.rising or (self.settling(t) and kpa >= self.coolable_kpa(t))


FallState = Literal["none", "pending", "venting", "letting-go"]


@stored("fall")
@dataclass(slots=True)
class Fall:
    """What kind of fall is this?  `state` is the answer, `began_t` when it started.

    Between the emptying times vent_fastest_s and vent_slowest_s a hand may be at the bleed.
    """

    place: Place
    tune: Settings
    state: FallState = "none"
    began_t: float = 0.0
    calm_t: float | None = None
    too_fast: int = 0

    def step(self, t: float, kpa: float, slope_kpa_s: float, sharp_kpa_s: float, purpose: bool, cooling: bool) -> None:
        """Take the state at t: slope over about 4 s, sharp over 2 s; cooling: the fill's cooling may explain it."""
        steep = slope_kpa_s <= -self._threshold(purpose) and not cooling and kpa > self.tune.near_zero_kpa
        self.calm_t = None if steep else (t if self.calm_t is None else self.calm_t)
        match self.state:
            case "none" if steep:
                burst = not purpose and self.emptying_s(kpa, -sharp_kpa_s) < BURST_SHARE * self.tune.vent_fastest_s
                self.state, self.began_t, self.too_fast = "letting-go" if burst else "pending", t, 0
            case "pending" if not steep:
                self.state = "none"
            case "pending":
                self._judge(t, kpa, slope_kpa_s, sharp_kpa_s, purpose)
            case "venting":
                self._go_on_venting(t, kpa, sharp_kpa_s, slope_kpa_s, purpose)
            case "letting-go" if self.calm_t is not None and t - self.calm_t >= self.tune.stable_s:
                self.state = "none"

    def _threshold(self, purpose: bool) -> float:
        return self.tune.venting_kpa_s if purpose else self.tune.letting_go_kpa_s

    def _judge(self, t: float, kpa: float, slope_kpa_s: float, sharp_kpa_s: float, purpose: bool) -> None:
        waited_s = t - self.began_t
        if purpose:
            self.state = "venting"
        elif kpa > BLIND_BELOW_KPA and waited_s >= JUDGE_FAST_S and self._fast(kpa, sharp_kpa_s):
            self.state = "letting-go"
        elif waited_s >= JUDGE_S:
            slow = self.emptying_s(kpa, -slope_kpa_s) > self.tune.vent_slowest_s
            self.state = "letting-go" if slow else "venting"

    def _go_on_venting(self, t: float, kpa: float, sharp_kpa_s: float, slope_kpa_s: float, purpose: bool) -> None:
        still = slope_kpa_s > -0.5 * self.tune.venting_kpa_s
        self.calm_t = (self.calm_t or t) if still else None
        fast = not purpose and kpa > BLIND_BELOW_KPA and self._fast(kpa, sharp_kpa_s)
        self.too_fast = self.too_fast + 1 if fast else 0
        if self.too_fast >= 3:
            self.state = "letting-go"
        elif self.calm_t is not None and t - self.calm_t >= STILL_S:
            self.state = "none"

    def _fast(self, kpa: float, sharp_kpa_s: float) -> bool:
        return self.emptying_s(kpa, -sharp_kpa_s) < self.tune.vent_fastest_s

    def emptying_s(self, kpa: float, fall_kpa_s: float) -> float:
        """Seconds a full pot takes to empty through the opening that this fall at this pressure implies."""
        pot = self.place.pot
        assert pot is not None
        if fall_kpa_s <= 0.0 or kpa <= 0.0:
            return math.inf
        p_atm, free_m3 = self.place.bench.p_atm_kpa * 1e3, pot.free_l * 1e-3
        opening = pot_gas.conductance_from_loss(fall_kpa_s / EXPANSION * 60.0, kpa * 1e3 + p_atm, p_atm, free_m3)
        full, empty = pot.target_kpa * 1e3 + p_atm, self.tune.near_zero_kpa * 1e3 + p_atm
        return pot_gas.blowdown_s(opening, full, empty, p_atm, free_m3)

    def end(self) -> None:
        self.state, self.calm_t = "none", None
