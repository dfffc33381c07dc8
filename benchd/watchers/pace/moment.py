"""What one second of a pour calls for: the last mold, the lid, hurry."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot

from benchd.core.bench import Pot
from benchd.watchers.pace.air import Air
from benchd.watchers.pace.progress import Hand, Progress
from benchd.watchers.pace.stakes import one_more_costs
from benchd.watchers.pace.tune import Deadline, Settings
from benchd.watchers.pace.usual import Usual


@dataclass(frozen=True, slots=True)
class Moment:
    """The second t of a pour [unix s]: how far caster and pot are, the deadline, and the usual times from here on."""

    t: float
    tune: Settings
    progress: Progress
    air: Air
    due: Deadline
    usual: Usual
    pot: Pot | None

    @property
    def close_s(self) -> float:
        """From the last mold to the floor."""
        return self.usual.lid_s() + self.usual.fill_s()

    @property
    def hand(self) -> Hand | None:
        """What the caster is at; None once all molds are full."""
        return self.progress.hand(self.t, self.usual.pour_s())

    @property
    def may_be_pouring(self) -> bool:
        """Whether a mold may be in hand: until the last one is marked full nobody knows."""
        return not self.progress.is_marked_full

    # ------------------------------------------------------------------------------------------------------ the calls

    def is_last_time(self, hand: Hand) -> bool:
        """Whether one more after the mold in hand would be too many: told when that is nearly full, or overdue."""
        t, due, tune = self.t, self.due, self.tune
        if hand.next_s is None or t < hand.full_t - tune.ahead_s:
            return False
        if t < hand.full_t + tune.overdue_of_s(hand.takes_s):
            up_t, sd_s = max(t, hand.full_t) + self.close_s, self._close_sd_s(hand)
            return one_more_costs(due, up_t, sd_s, hand.next_s, hand.before + 1) > tune.omitted_casts
        acted_t = t + tune.react_s + hand.takes_s + self.close_s  # it may not have been begun
        return due.up_by - tune.behind_s < acted_t <= due.latest

    def is_lid_time(self) -> bool:
        """Whether acting now would just do, and a mold or the lid is overdue."""
        acted_t = self.t + self.tune.react_s + self.close_s
        would_do = self.due.up_by - self.tune.behind_s <= acted_t <= self.due.latest
        return would_do and not self.air.is_taken and self.is_behind()

    def is_behind(self) -> bool:
        """Whether a mold or the lid is overdue; of a pour without names only the pot shows it."""
        full_t, hand = self.progress.full_t(self.t), self.hand
        if full_t is not None:
            seen_s = self.usual.lid_seen_s(0.0 if self.progress.done_t is not None else self._poured_sd_s())
            return self.air.known_t(self.t, self.tune) >= full_t + self.usual.lid_s() + seen_s
        return hand is not None and (
            not self.progress.pours_s or self.t >= hand.full_t + self.tune.overdue_of_s(hand.takes_s)
        )

    def _close_sd_s(self, hand: Hand) -> float:
        """The doubt about when the pot is up once the mold in hand is full [s]."""
        poured_s = 0.0 if self.progress.filled else self._poured_sd_s(hand.before + 1)
        return hypot(self.usual.lid_sd_s(), self.usual.fill_sd_s(), poured_s)

    def _poured_sd_s(self, count: int | None = None) -> float:
        """The doubt about when the first `count` molds, or all, are full by the clock [s]."""
        each_s = [s for _, s in self.progress.pours_s[:count]]
        own_s = self.tune.pour_sd_share * hypot(*each_s)
        pace_s = 0.0 if self.usual.is_known else self.tune.pace_sd_share * sum(each_s)
        return hypot(self.tune.stir_sd_s, own_s, pace_s)

    # ----------------------------------------------------------------------------------------------------------- late

    def projected_at(self) -> float:
        """When the pot will be at its floor, if the caster acts at once and leaves no mold half full.

        A lid overdue is not on its way.
        """
        fill_s, lid_s, full_t, hand = self.usual.fill_s(), self.usual.lid_s(), self.progress.full_t(self.t), self.hand
        if self.air.filling is not None:
            return self.air.up_at(self.t, fill_s, None if self.pot is None else self.pot.floor_kpa, self.tune)
        from_t = self.air.known_t(self.t, self.tune)
        if self.is_behind():
            return from_t + lid_s + fill_s
        if full_t is None:
            return max(from_t, from_t if hand is None else hand.full_t) + lid_s + fill_s
        return max(from_t, full_t + lid_s) + fill_s

    def is_late(self, projected_at: float) -> bool:
        """Whether hurrying gains something, or the pot will more likely than not be late.

        A load that no caster could have been in time with is not hurried for nothing.
        """
        t, due, usual = self.t, self.due, self.usual
        if self.air.filling is not None:
            if self.air.is_nearly_up(t, projected_at, self.tune):
                return False
            usual_at = self.air.usual_at(t, usual.fill_s())
            gains = self.air.is_stalled or projected_at > usual_at + self.tune.overdue_s
        else:
            gains = self.is_behind()
        if gains and projected_at <= due.latest:
            return projected_at > due.late_by
        is_begun = self.air.filling is not None or self.progress.full_t(t) is not None or bool(self.progress.filled)
        first_t = self.progress.first_t(usual.pour_s())  # one mold alone may have been late
        return is_begun and projected_at > due.likely and first_t + self.close_s <= due.late_by
