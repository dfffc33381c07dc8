"""Watches the caster's pace towards the kick: the time to stop pouring, to put the lid on, and to hurry.

One clock with the plan (core/learned/load_clock): the pot has to be up a margin before the likely kick, the cup's or
that of the thickest mold, whichever comes first (a thick warm mold kicks before a witness cup; its forecast says by how
much).  From there back by the caster's own lid and pour and this pot's own fill.

    "Last mold"   the mold in hand is nearly full, and one more would be too many
    "Lid now"     acting now would just do, and the caster is behind: a mold or the lid is overdue; or the mold in hand
                  would take the others past the likely kick
    "Late"        half the margin will be gone, something can still be gained, and the kick may still be beaten

What is not marked goes by the clock.  Nothing is said that can't be followed: while A and B are being mixed, while the
only mold is poured, while the lid is on its way as quickly as ever, once even the window's late end is out of reach.
Each is said once a pour.  While the gauge is silent nobody knows how far the pot is: lateness waits, 75 s at most.  One
that reads seldom shows a fill late: until it is known, the fill may have begun at the last reading of an empty pot.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from benchd.core.findings import (
    DemoldForecast,
    Event,
    Finding,
    Kicked,
    KickForecast,
    LastMold,
    LidNow,
    MoldPoured,
    PotAtPressure,
    PotFilling,
    PotNotFilling,
    PourEnded,
    PourRevised,
    PourStarted,
    PressureLate,
    SensorBack,
    SensorFault,
    SensorSilent,
)
from benchd.core.learned import load_clock
from benchd.core.model import Reading, Subject, Tick
from benchd.core.seat.watcher import Place, Reads
from benchd.stored import stored
from benchd.watchers.pace.progress import Hand, Progress, pours_of
from benchd.watchers.pace.tune import Deadline, Settings, deadline_of

SCOPE = "cup"
ORDER = 30
READS = Reads(
    findings=(
        PourStarted, PourRevised, PourEnded, MoldPoured, KickForecast, Kicked, PotFilling, PotNotFilling, PotAtPressure,
        DemoldForecast, SensorSilent, SensorFault, SensorBack,
    ),
    any_of=("pot_pressure",), ticks=True, learned=True,
)  # fmt: skip
EMITS = (LastMold, LidNow, PressureLate)
__all__ = ["PaceWatcher", "Settings", "make"]


@stored("pace-watcher")
@dataclass(slots=True)
class PaceWatcher:
    """The watcher of one cup's clock."""

    tune: Settings
    place: Place
    pour: PourStarted | None = None
    deadline: Deadline | None = None
    progress: Progress | None = None
    filling: PotFilling | None = None
    rising_since: float | None = None
    is_stalled: bool = False
    blind_t: float | None = None
    empty_t: float | None = None
    """When the pour's pot last read empty [unix s]."""
    is_done: bool = False
    has_said_last: bool = False
    has_said_lid: bool = False
    late: PressureLate | None = None
    shares: dict[str, float] = field(default_factory=dict)
    forecast: KickForecast | None = None

    def see(self, event: Event) -> Sequence[Finding]:
        """The findings that follow from one event."""
        match event:
            case Reading(value=float(kpa)) if kpa < self.tune.near_zero_kpa and event.of == self._pot():
                self.empty_t = event.t
            case PourStarted():
                return self._pour(event)
            case PourEnded() if self._is_mine(event):
                return self._close(event.t)
            case MoldPoured() if self._is_mine(event):
                if self.progress is not None:  # after "Last mold" the one just filled was it
                    self.progress.fill(event.subject.mold, event.t, 0 if self.has_said_last else event.left)
            case KickForecast() if self._is_mine(event):
                self.forecast = event
                self._deadline()
            case DemoldForecast(kick_share=float(share)) if self._is_mine(event):
                self.shares[event.mold] = share
                self._deadline()
            case Kicked() if self._is_mine(event):
                return self._close(event.t)
            case SensorSilent() | SensorFault() if self._is_my_pot(event):
                self.blind_t = event.t if self.blind_t is None else self.blind_t
            case SensorBack() if self._is_my_pot(event):
                self.blind_t = None
            case PotFilling() if self._is_my_pot(event):
                self._fills(event)
            case PotNotFilling() if self._is_my_pot(event):
                self.is_stalled = event.active
            case PotAtPressure() if self._is_my_pot(event):
                return self._close(event.t)
            case Tick():
                return self._tick(event.t)
        return ()

    def _fills(self, filling: PotFilling) -> None:
        self.filling, self.is_stalled, self.blind_t = filling, False, None
        began_t = filling.t if filling.since is None else filling.since
        self.rising_since = began_t if self.rising_since is None else self.rising_since

    def _deadline(self) -> None:
        """Set the deadline: the cup's forecast, scaled to the mold that kicks first."""
        if self.pour is None or self.forecast is None:
            return
        self.deadline = deadline_of(self.tune, self.forecast, self.pour.mix_t, self._share())

    def _share(self) -> float:  # the first mold's kick time over the cup's, at most 1
        return min([1.0, *(share * self.tune.mold_later for share in self.shares.values())])

    def _limit(self) -> Literal["cup", "mold"]:
        return "mold" if self._share() < self.tune.mold_first else "cup"

    def _is_mine(self, finding: Finding) -> bool:
        return self.pour is not None and finding.subject.pour in (None, self.pour.subject.pour)

    def _pot(self) -> str | None:
        """The pour's pot; if it names none, the bench's only one."""
        if self.pour is not None and self.pour.subject.pot is not None:
            return self.pour.subject.pot
        pots = self.place.bench.pots
        return pots[0].id if len(pots) == 1 else None

    def _is_my_pot(self, finding: Finding) -> bool:
        return self.pour is not None and finding.subject.pot is not None and finding.subject.pot == self._pot()

    def _pour(self, started: PourStarted) -> list[Finding]:
        if self.pour is not None and self.pour.subject.pour == started.subject.pour:
            self.pour = started
            self.shares = {mold: share for mold, share in self.shares.items() if mold in started.molds}
            if self.progress is not None:
                self.progress.pours_s = self._pours_s(started)
            self._deadline()
            return []
        closed = self._close(started.t)
        self.pour, self.deadline = started, None
        self.progress = Progress(started.mix_t + self.tune.mix_s, self._pours_s(started))
        self.filling, self.rising_since, self.is_stalled, self.is_done = None, None, False, False
        self.blind_t = self.empty_t = None
        self.has_said_last = self.has_said_lid = False
        self.shares, self.forecast = {}, None
        return closed

    def _close(self, t: float) -> list[Finding]:
        """The deadline is over: at pressure, kicked, or the pour has ended."""
        late, self.late, self.is_done = self.late, None, True
        return [self._late(t, late.projected_at, late.kick_early, late.rising, active=False)] if late else []

    def _pours_s(self, pour: PourStarted) -> tuple[tuple[str, float], ...]:
        return pours_of(self.place.bench, pour, self._pour_s(), is_typed=self.tune.is_pour_typed)

    def _pour_s(self) -> float:
        """The time of one more mold, from this caster's own pours once known; a time set by hand takes precedence."""
        own = None if "pour_s" in self.tune.model_fields_set else self.place.bench.learned.caster.pour_s
        return self.tune.pour_s if own is None else own

    def _lid_s(self) -> float:
        """The time from the last mold to the first rise; a caster not known yet takes as long over it as over molds."""
        own = self.place.bench.learned.caster.lid_s
        if own is not None and "lid_s" not in self.tune.model_fields_set:
            return own
        is_usual = self.tune.lid_s == load_clock.LID_S and own is None
        return self.tune.lid_s * (self.progress.pace if self.progress is not None and is_usual else 1.0)

    def _fill_s(self) -> float:
        """The time from the first rise to the floor, from this pot's own fills once known."""
        own = self.place.bench.learned.pot(self._pot()).fill_s
        return self.tune.fill_s if own is None or "fill_s" in self.tune.model_fields_set else own

    def _tick(self, t: float) -> list[Finding]:
        if self.pour is None or self.progress is None or self.is_done or self.deadline is None:
            return []
        if not self.place.bench.pots or t < self.progress.mix_end_t:
            return []
        return self._lateness(t, self.progress, self.deadline) or self._calls(t, self.progress, self.deadline)

    def _calls(self, t: float, progress: Progress, due: Deadline) -> list[Finding]:
        if self.filling is not None or self.late is not None or self.has_said_lid:
            return []
        close_s = self._lid_s() + self._fill_s()
        if self._is_lid_time(t, progress, due, close_s):
            self.has_said_lid = self.has_said_last = True
            progress.done_t = t + self.tune.react_s if progress.done_t is None else progress.done_t
            return [LidNow(t=t, subject=self._subject(), fill_by=due.up_by)]
        hand = progress.hand(t, self._pour_s())
        if hand is None or self.has_said_last or not self._is_last_time(t, hand, due, close_s):
            return []
        self.has_said_last = True
        return [LastMold(t=t, subject=self._subject(), lid_by=due.up_by - self._fill_s())]

    def _is_last_time(self, t: float, hand: Hand, due: Deadline, close_s: float) -> bool:
        """Whether one more after the mold in hand would be too many: told when that is nearly full, or overdue."""
        if hand.next_s is None or t < hand.full_t - self.tune.ahead_s:
            return False
        if t < hand.full_t + self.tune.overdue_of_s(hand.takes_s):
            return max(t, hand.full_t) + hand.next_s + close_s > due.up_by
        acted_t = t + self.tune.react_s + hand.takes_s + close_s  # it may not have been begun
        return due.up_by - self.tune.behind_s < acted_t <= due.latest

    def _is_lid_time(self, t: float, progress: Progress, due: Deadline, close_s: float) -> bool:
        """Whether acting now would just do, and the caster is behind or about to be."""
        acted_t = t + self.tune.react_s + close_s
        if acted_t > due.latest:
            return False
        is_near = acted_t >= due.up_by - self.tune.behind_s and self._is_behind(t, progress)
        return is_near or (acted_t >= due.up_by and self._is_too_many(t, progress, due, close_s))

    def _is_behind(self, t: float, progress: Progress) -> bool:
        """Whether a mold or the lid is overdue; of a pour without names only the pot shows it."""
        full_t, hand = progress.full_t(t), progress.hand(t, self._pour_s())
        if full_t is not None:
            return self._known_t(t) >= full_t + self._lid_s() + self.tune.lid_seen_s
        return hand is not None and (not progress.pours_s or t >= hand.full_t + self.tune.overdue_of_s(hand.takes_s))

    def _is_too_many(self, t: float, progress: Progress, due: Deadline, close_s: float) -> bool:
        """Whether the mold in hand takes the load past the likely kick, though others of it are full."""
        hand = progress.hand(t, self._pour_s())
        return hand is not None and bool(progress.filled) and max(t, hand.full_t) + close_s > due.likely

    def _projected_at(self, t: float, progress: Progress) -> float:
        """When the pot will be at its floor, if the caster acts at once; a lid overdue is not on its way."""
        tune, filling, pot = self.tune, self.filling, self.place.bench.pot(self._pot())
        if filling is None:
            full_t, lid_s, from_t = progress.full_t(t), self._lid_s(), self._known_t(t)
            is_begun = full_t is not None and not self._is_behind(t, progress)
            lid_left_s = max(0.0, full_t + lid_s - from_t) if full_t is not None and is_begun else lid_s
            return from_t + lid_left_s + self._fill_s()
        if self.is_stalled or pot is None or filling.kpa_per_min <= 0.0:
            return t + self._fill_s()
        to_go_s = 60.0 * max(0.0, pot.floor_kpa - filling.kpa) / filling.kpa_per_min
        paced_at = filling.t + to_go_s
        if self.rising_since is not None and filling.t - self.rising_since < tune.pace_known_s:
            paced_at = min(paced_at, self.rising_since + self._fill_s())
        return paced_at if t - filling.t <= tune.heard_s else max(t, paced_at)

    def _known_t(self, t: float) -> float:
        """Up to when it is known that no fill has begun [unix s]."""
        unseen_s = 0.0 if self.empty_t is None else t - self.empty_t
        return t if unseen_s <= self.tune.seldom_s else t - min(unseen_s, self.tune.unseen_s)

    def _lateness(self, t: float, progress: Progress, due: Deadline) -> list[Finding]:
        projected_at = self._projected_at(t, progress)
        rising = self.filling is not None and not self.is_stalled
        if self.late is None:
            is_blind = self.blind_t is not None and t - self.blind_t < self.tune.blind_s
            hopeless = projected_at > due.latest or not self._can_gain(t, progress, due, projected_at)
            if projected_at <= due.late_by or is_blind or hopeless:
                return []
        elif projected_at > due.latest and not rising:
            return self._close(t)
        elif self.late.rising == rising:
            return []
        self.late = self._late(t, projected_at, due.early, rising, active=True)
        return [self.late]

    def _can_gain(self, t: float, progress: Progress, due: Deadline, projected_at: float) -> bool:
        """Whether hurrying could gain anything: molds left or overdue, a lid overdue, a fill slower than usual."""
        if self.filling is not None:
            usual_at = t if self.rising_since is None else self.rising_since + self._fill_s()
            return self.is_stalled or projected_at > usual_at + self.tune.overdue_s
        return self._is_behind(t, progress) or self._is_too_many(t, progress, due, self._lid_s() + self._fill_s())

    def _late(self, t: float, projected_at: float, early: float, rising: bool, active: bool) -> PressureLate:
        return PressureLate(
            t=t, subject=self._subject(), projected_at=projected_at, kick_early=early, rising=rising, active=active,
            limit=self._limit(),
        )  # fmt: skip

    def _subject(self) -> Subject:
        about = self.pour.subject if self.pour else None
        return self.place.subject.filled(pour=about.pour, pot=self._pot()) if about else self.place.subject


def make(settings: Settings, place: Place) -> PaceWatcher:
    """The watcher of one cup's clock."""
    return PaceWatcher(settings, place)
