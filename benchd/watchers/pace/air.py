"""What is known of the air in a pour's pot: whether it rises and how fast, and since when nobody can tell."""

from __future__ import annotations

from dataclasses import dataclass

from benchd.core.findings import Finding, PortClogged, PotFilling, PotNotFilling, SensorBack, SensorFault, SensorSilent
from benchd.stored import stored
from benchd.watchers.pace.tune import Settings


@stored("pace-air")
@dataclass(slots=True)
class Air:
    """The pot of one pour from the mix on; empty_t: when it last read empty [unix s].

    is_taken: it has read pressure ever since the mix, another load's or the hose's: nobody knows how far this one is;
    is_doubted: it hardly moves, so that nobody knows either, but air comes in.
    """

    filling: PotFilling | None = None
    rising_since: float | None = None
    is_stalled: bool = False
    blind_t: float | None = None
    empty_t: float | None = None
    is_taken: bool = False
    is_doubted: bool = False

    def read(self, t: float, kpa: float, near_zero_kpa: float) -> None:
        """Take a reading of the gauge [kPa]."""
        if kpa < near_zero_kpa:
            self.empty_t, self.is_taken = t, False
        elif self.empty_t is None and self.filling is None:
            self.is_taken = True

    def see(self, event: Finding) -> None:
        """Take a finding about this pot or its gauge."""
        match event:
            case PotFilling():
                self.filling, self.is_stalled, self.blind_t, self.is_taken = event, False, None, False
                began_t = event.t if event.since is None else event.since
                self.rising_since = began_t if self.rising_since is None else self.rising_since
            case PotNotFilling():
                self.is_stalled = event.active
            case PortClogged():
                self.is_doubted = event.active
            case SensorSilent() | SensorFault():
                self.blind_t = event.t if self.blind_t is None else self.blind_t
            case SensorBack():
                self.blind_t = None

    @property
    def is_rising(self) -> bool:
        """Whether air comes in."""
        return self.filling is not None and not self.is_stalled

    def is_blind(self, t: float, tune: Settings) -> bool:
        """Whether the gauge shows another load, or is silent, and not yet for so long that waiting makes no sense."""
        return self.is_taken or (self.blind_t is not None and t - self.blind_t < tune.blind_s)

    def known_t(self, t: float, tune: Settings) -> float:
        """Up to when it is known that no fill has begun [unix s]."""
        unseen_s = 0.0 if self.empty_t is None else t - self.empty_t
        return t if unseen_s <= tune.seldom_s else t - min(unseen_s, tune.unseen_s)

    def usual_at(self, t: float, fill_s: float) -> float:
        """When a fill as quick as this pot's usual one is over [unix s]."""
        return (t if self.rising_since is None else self.rising_since) + fill_s

    def is_nearly_up(self, t: float, projected_at: float, tune: Settings) -> bool:
        """Whether a rise just heard of is at the floor before anything could be done about it."""
        is_heard = self.filling is not None and t - self.filling.t <= tune.heard_s
        return is_heard and self.is_rising and projected_at - t < tune.react_s

    def up_at(self, t: float, fill_s: float, floor_kpa: float | None, tune: Settings) -> float:
        """When a pot that has begun to fill will be at its floor [unix s]."""
        filling = self.filling
        if filling is None or self.is_stalled or floor_kpa is None or filling.kpa_per_min <= 0.0:
            return t + fill_s
        paced_at = filling.t + 60.0 * max(0.0, floor_kpa - filling.kpa) / filling.kpa_per_min
        if self.rising_since is not None and filling.t - self.rising_since < tune.pace_known_s:
            paced_at = min(paced_at, self.usual_at(t, fill_s))
        return paced_at if t - filling.t <= tune.heard_s else max(t, paced_at)
