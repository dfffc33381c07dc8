"""The phases behind a pot's findings: rising, cooling after its fill, being vented, or letting go.

On a gauge a vent, an unplanned vent and a failing seal are the same curve.  The distinction: whether the hold is done
or the caster gave a reason (a purpose), and how fast the pot would empty through the opening that the fall implies.  A
hand on a bleed empties a pot in 20 to 60 s; a faster fall is a seal.  Any other steep one is a vent once the molds have
likely gelled, when nobody has a reason to keep the pressure; before, it is called a loss, and no more is claimed.  A
fall that the gas's own cooling after a fill could cause is neither; a rise that its warming after a fall could cause
ends none of them.
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
"""How much faster a gas falls in pressure than in mass while it empties in tens of seconds.

1.4 would be adiabatic, 1 with walls that keep it warm; from rehearsed pots.
"""

BURST_SHARE = 0.6
"""A fall that empties the pot in this share of the fastest vent's time is judged at once: it is empty before a second
look; common practice, no source."""


STEP_SDS, NOISE_SDS, SURE_SDS = 5.0, 2.0, 4.5
"""In units of the gauge's measured noise: a step; the swing left to a filtered sample; in sd of a slope, a sure one.

calc: a median of three of white noise lies 5 sd above the lowest of its last 40 about once in ten days of 4 Hz, a slope
exceeds 4.5 sd once in some days; no verdict rests on one sample of either.
"""
STAYS_S = 3.0
"""A climb that lasts longer than a burst (intake/conditioning.py) is air."""
DOUBT_KPA = 1.0 * PSI
"""How far below what cooling can do a pressure is still taken for it; common practice, no source."""
PACE_KNOWN_S = 4.0
"""From here on a slope over four seconds holds nothing of the time before."""
JUDGE_FAST_S, JUDGE_S = 1.0, 4.0
"""How long a fall is watched before it can be called quicker than a vent, and before it is called anything."""
BEGUN_BEFORE = 1.5
"""After the gel a fall this much faster than the one that was under way before it is another's: common practice, no
source."""
STILL_S = 8.0
"""A vent that has stood still so long is over; common practice, no source."""
BLIND_BELOW_KPA = 5.0 * PSI
"""Below it a few tenths of noise look like a quick emptying; common practice, no source."""


@stored("fill")
@dataclass(slots=True)
class Fill:
    """The last fill: when it began and ended, its peak, and how far cooling alone may have lowered the pressure."""

    tune: Settings
    rising: bool = False
    ended_t: float | None = None
    began_t: float = 0.0
    peak_kpa: float = 0.0
    edge_t: float | None = None
    edge_kpa: float = 0.0

    def step(self, t: float, kpa: float, lowest_kpa: float, slope_kpa_s: float, noise_kpa: float) -> bool:
        """Take the state at t; True on a climb that begins.  lowest_kpa: of the last ten seconds; noise_kpa: of one
        sample."""
        if self.rising:
            self.peak_kpa = max(self.peak_kpa, kpa)
            self.ended_t = t
            self.rising = slope_kpa_s >= 0.5 * self.tune.rising_kpa_s
            return False
        step_kpa = max(self.tune.rise_step_kpa, STEP_SDS * noise_kpa)
        return slope_kpa_s >= self.tune.rising_kpa_s and kpa >= lowest_kpa + step_kpa

    def opens(self, t: float, kpa: float, climbs: bool, noise_kpa: float) -> bool:
        """Whether an empty pot begins to fill: a climb, or what counts as pressure, that stays above its edge.

        The edge is where it was first seen, less the noise; it must last STAYS_S, so that no burst opens a load.
        """
        up_kpa = max(self.tune.up_kpa, STEP_SDS * noise_kpa)
        if self.edge_t is None:
            if not climbs and kpa < up_kpa:
                return False
            self.edge_t, self.edge_kpa = t, kpa - NOISE_SDS * noise_kpa
        if kpa < self.edge_kpa:
            self.edge_t = None
            return False
        if t - self.edge_t < STAYS_S:
            return False
        self.begin(self.edge_t, kpa)
        self.edge_t, self.ended_t = None, t
        return True

    def begin(self, t: float, kpa: float) -> None:
        """Begin a rise at t [unix s]."""
        self.rising, self.began_t, self.ended_t, self.peak_kpa = True, t, t, kpa

    def up_at(self, t: float, to_go_kpa: float, slope_kpa_s: float, usual_s: float | None) -> float | None:
        """When a rise will have gained to_go_kpa [kPa] more [unix s]; None if unknown or nothing is left to gain.

        t + to_go_kpa / slope_kpa_s; before pace_known_s it is the begin of the rise + usual_s, what this pot's fills
        take from begin to floor [s] (None: not known).
        """
        if not self.rising or to_go_kpa <= 0.0:
            return None
        if t - self.began_t < PACE_KNOWN_S:
            return None if usual_s is None else max(t, self.began_t + usual_s)
        return t + to_go_kpa / slope_kpa_s if slope_kpa_s > 0.0 else None

    def settling(self, t: float) -> bool:
        """Whether the gas is still cooling after the fill."""
        return self.ended_t is not None and t - self.ended_t < self.tune.settle_s

    def coolable_kpa(self, t: float) -> float:
        """The lowest pressure that cooling alone can have caused by t [unix s], in kPa gauge; inf before any fill.

        peak (1 - ADIABATIC_SHARE (1 - e^(-s/fastest_tau_s))) - doubt_kpa, with s the seconds since the fill's end.
        """
        if self.ended_t is None:
            return math.inf
        gone = 1.0 - math.exp(-(t - self.ended_t) / self.tune.fastest_tau_s)
        return self.peak_kpa * (1.0 - ADIABATIC_SHARE * gone) - DOUBT_KPA

    def explains(self, t: float, kpa: float) -> bool:
        """Whether the fill in progress, or the gas cooling after it, may explain this pressure."""
        return self.rising or (self.settling(t) and kpa >= self.coolable_kpa(t))


FallState = Literal["none", "pending", "venting", "losing", "letting-go"]


@dataclass(frozen=True, slots=True)
class Why:
    """What may explain a fall: a purpose of the caster's, molds that have gelled, the fill's cooling.

    dumped: the purpose is that the pot be emptied.
    """

    purpose: bool
    gelled: bool
    cooling: bool
    dumped: bool = False


@stored("fall")
@dataclass(slots=True)
class Fall:
    """Classifies a fall: `state` is the result, `began_t` when it started.

    Of the emptying times below vent_fastest_s no hand's is; beyond vent_slowest_s a vent is watched longer first.
    leak_kpa_s: how fast it fell, unexplained and short of a loss, when it was last seen before the molds had gelled.
    """

    place: Place
    tune: Settings
    state: FallState = "none"
    began_t: float = 0.0
    from_kpa: float = 0.0
    calm_t: float | None = None
    too_fast: int = 0
    leak_kpa_s: float = 0.0

    def rewarms(self, kpa: float, lowest_kpa: float) -> bool:
        """Whether a climb to kpa [kPa gauge] may be gas that its own expansion cooled, and no air let in.

        low (from / low)^(1 - 1/GAMMA), absolute, is all that warming back gives after an adiabatic fall, and then only
        if none leaves; lowest_kpa: the lowest of the last seconds.
        """
        if self.state == "none":
            return False
        p_atm = self.place.bench.p_atm_kpa
        low = max(lowest_kpa, 0.0) + p_atm
        fallen = max(1.0, (self.from_kpa + p_atm) / low)
        return kpa + p_atm <= low * math.pow(fallen, ADIABATIC_SHARE)

    def step(
        self, t: float, kpa: float, slope_kpa_s: float, sharp_kpa_s: float, why: Why, calm: bool, from_kpa: float
    ) -> None:
        """Take the state at t: slope over about 4 s, sharp over 2 s; calm: it has stopped; from_kpa: highest lately."""
        purpose, is_up = why.purpose, kpa > self.tune.near_zero_kpa
        if not why.gelled:
            self.leak_kpa_s = -slope_kpa_s if self.state == "none" and not (purpose or why.cooling) else 0.0
        steep = slope_kpa_s <= -self._threshold(purpose, why.gelled) and not why.cooling and is_up
        over = not steep and (calm or not is_up)
        self.calm_t = (t if self.calm_t is None else self.calm_t) if over else None
        match self.state:
            case "none" if steep:
                burst = not purpose and self._fast(kpa, sharp_kpa_s, True)
                self.state, self.began_t, self.too_fast = "letting-go" if burst else "pending", t, 0
                self.from_kpa = max(kpa, from_kpa)
            case "pending" if not steep:
                self.state = "none"
            case "pending":
                self._judge(t, kpa, slope_kpa_s, sharp_kpa_s, why)
            case "losing":
                self._go_on_losing(t, kpa, sharp_kpa_s, why)
            case "venting":
                self._go_on_venting(t, kpa, sharp_kpa_s, slope_kpa_s, why)
            case "letting-go" if self.calm_t is not None:  # of an empty pot nothing more lets go
                still_s = self.tune.stable_s if is_up else self.tune.vented_s
                self.state = "none" if t - self.calm_t >= still_s else self.state

    def _threshold(self, purpose: bool, gelled: bool) -> float:
        """From which fall on [kPa/s] it is more than a leak; one under way as the molds gel is no vent for that."""
        if purpose:
            return self.tune.venting_kpa_s
        return max(self.tune.venting_kpa_s, BEGUN_BEFORE * self.leak_kpa_s) if gelled else self.tune.letting_go_kpa_s

    def _judge(self, t: float, kpa: float, slope_kpa_s: float, sharp_kpa_s: float, why: Why) -> None:
        waited_s = t - self.began_t
        if why.purpose:
            self.state = "venting"
        elif kpa > BLIND_BELOW_KPA and waited_s >= JUDGE_FAST_S and self._fast(kpa, sharp_kpa_s, why.gelled):
            self.state = "letting-go"
        elif why.gelled:
            slow = self.emptying_s(kpa, -slope_kpa_s) > self.tune.vent_slowest_s
            self.state = "venting" if waited_s >= (STILL_S if slow else JUDGE_S) else self.state
        elif waited_s >= JUDGE_S:
            self.state = "losing"

    def _go_on_losing(self, t: float, kpa: float, sharp_kpa_s: float, why: Why) -> None:
        """A loss is a vent once a mark says so or the molds have gelled, a failing seal once it is faster than one."""
        fast = kpa > BLIND_BELOW_KPA and self._fast(kpa, sharp_kpa_s, why.gelled)
        self.too_fast = self.too_fast + 1 if fast else 0
        if why.purpose or why.gelled:
            self.state = "venting"
        elif self.too_fast >= 3:
            self.state = "letting-go"
        elif kpa > self.tune.near_zero_kpa and self.calm_t is not None and t - self.calm_t >= STILL_S:
            self.state = "none"

    def _go_on_venting(self, t: float, kpa: float, sharp_kpa_s: float, slope_kpa_s: float, why: Why) -> None:
        still = slope_kpa_s > -0.5 * self.tune.venting_kpa_s
        self.calm_t = (self.calm_t or t) if still else None
        fast = not why.purpose and kpa > BLIND_BELOW_KPA and self._fast(kpa, sharp_kpa_s, why.gelled)
        self.too_fast = self.too_fast + 1 if fast else 0
        may_pause = why.gelled or why.dumped  # a hand that has no reason to hurry, or has said what it does
        still_s = self.tune.purpose_s if may_pause else STILL_S
        if self.too_fast >= 3:
            self.state = "letting-go"
        elif self.calm_t is not None and t - self.calm_t >= still_s:
            self.state = "none"

    def _fast(self, kpa: float, sharp_kpa_s: float, gelled: bool) -> bool:
        """Whether no hand empties the pot so fast; of gelled molds a careless one is likelier than a failing seal."""
        return self.emptying_s(kpa, -sharp_kpa_s) < self.tune.vent_fastest_s * (BURST_SHARE if gelled else 1.0)

    def emptying_s(self, kpa: float, fall_kpa_s: float) -> float:
        """Seconds a full pot takes to empty through the opening that this fall implies; inf for no fall or no pressure.

        kpa: present pressure [kPa gauge]; fall_kpa_s: its fall [kPa/s], positive, divided by EXPANSION to give the loss
        of gas. The flow is that of physics/pot_gas (ISO 6358), from target_kpa to near_zero_kpa.
        """
        pot = self.place.pot
        assert pot is not None
        if fall_kpa_s <= 0.0 or kpa <= 0.0:
            return math.inf
        p_atm, free_m3 = self.place.bench.p_atm_kpa * 1e3, pot.free_l * 1e-3
        opening = pot_gas.conductance_from_loss(fall_kpa_s / EXPANSION * 60.0, kpa * 1e3 + p_atm, p_atm, free_m3)
        full, empty = pot.target_kpa * 1e3 + p_atm, self.tune.near_zero_kpa * 1e3 + p_atm
        return pot_gas.blowdown_s(opening, full, empty, p_atm, free_m3)

    def end(self) -> None:
        """The fall is over."""
        self.state, self.calm_t = "none", None
