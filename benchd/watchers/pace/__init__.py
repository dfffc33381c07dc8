"""Watches the caster's pace towards the kick: the time to stop stirring and pouring, to put the lid on, and to hurry.

One clock with the plan (core/learned/load_clock): the pot has to be up a margin before the likely kick, the cup's or
that of the thickest mold, whichever comes first (a thick warm mold kicks before a witness cup; its forecast says by how
much).  From there back by the caster's own lid and pour and this pot's own fill.

    "Stop stirring"  stirred as long as the label asks, or as the clock allows
    "Last mold"      the mold in hand is nearly full, and one more would cost more casts than it brings (stakes.py)
    "Lid now"        acting now would just do, and the caster is behind: a mold or the lid is overdue
    "Late"           half the margin will be gone and hurrying gains something; or a mold is full, and the pot will more
                     likely than not be up after the kick

A mold half full is lost for certain: until the last one is marked full, "Lid now" and "Late" say to finish it first.
What is not marked goes by the clock.  Nothing is said that can't be followed: while the only mold is poured, or of a
load that one mold alone would have made late.  "Late" stands until the kick, also once that can't be beaten: thin
sections gel minutes after it.  Each is said once a pour.  While the gauge is silent nobody knows how far the pot is:
lateness waits, 75 s at most; of one that hardly moves it ends.  A gauge that reads seldom shows a fill late: until it
is known, the fill may have begun at the last reading of an empty pot.
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
    PortClogged,
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
    StopStirring,
)
from benchd.core.model import Reading, Subject, Tick
from benchd.core.seat.watcher import Place, Reads
from benchd.stored import stored
from benchd.watchers.pace.air import Air
from benchd.watchers.pace.moment import Moment
from benchd.watchers.pace.progress import Progress
from benchd.watchers.pace.tune import Deadline, Settings, deadline_of, is_news, stop_stirring_t
from benchd.watchers.pace.usual import Usual

SCOPE = "cup"
ORDER = 30
READS = Reads(
    findings=(
        PourStarted, PourRevised, PourEnded, MoldPoured, KickForecast, Kicked, PotFilling, PotNotFilling, PotAtPressure,
        DemoldForecast, PortClogged, SensorSilent, SensorFault, SensorBack,
    ),
    any_of=("pot_pressure",), ticks=True, learned=True,
)  # fmt: skip
EMITS = (StopStirring, LastMold, LidNow, PressureLate)
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
    air: Air = field(default_factory=Air)
    is_done: bool = False
    has_said_stir: bool = False
    has_said_last: bool = False
    has_said_lid: bool = False
    late: PressureLate | None = None
    shares: dict[str, float] = field(default_factory=dict)
    forecast: KickForecast | None = None

    def see(self, event: Event) -> Sequence[Finding]:
        """The findings that follow from one event."""
        match event:
            case Reading(value=float(kpa)) if event.of == self._pot():
                self.air.read(event.t, kpa, self.tune.near_zero_kpa)
            case PourStarted():
                return self._pour(event)
            case PourEnded() | Kicked() if self._is_mine(event):
                return self._close(event.t)
            case MoldPoured() if self._is_mine(event):
                if self.progress is not None:  # after "Last mold" the one just filled was it
                    self.progress.fill(event.subject.mold, event.t, 0 if self.has_said_last else event.left)
            case KickForecast() if self._is_mine(event):
                self._foretold(event)
            case DemoldForecast(kick_share=float(share)) if self._is_mine(event):
                self.shares[event.mold] = share
                self._deadline()
            case PotAtPressure() if self._is_my_pot(event):
                return self._close(event.t)
            case Tick():
                return self._tick(event.t)
            case Finding() if self._is_my_pot(event):
                self.air.see(event)
        return ()

    def _foretold(self, told: KickForecast) -> None:
        """Take a forecast, unless the one before says more."""
        if self.forecast is None or self.pour is None or is_news(self.tune, told, self.forecast, self.pour.mix_t):
            self.forecast = told
            self._deadline()

    def _deadline(self) -> None:
        """Set the deadline: the cup's forecast, scaled to the mold that kicks first."""
        if self.pour is not None and self.forecast is not None and self.place.bench.pots:
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
            is_same = (self.pour.lot, self.pour.mix_t) == (started.lot, started.mix_t)
            self.forecast = self.forecast if is_same else None
            self.pour = started
            self.shares = {mold: share for mold, share in self.shares.items() if mold in started.molds}
            if self.progress is not None:
                self.progress.pours_s = self._usual.pours_s(started)
            self._deadline()
            return []
        closed = self._close(started.t)
        self.pour, self.deadline = started, None
        self.progress = Progress(started.mix_t + self._usual.stir_s(started), self._usual.pours_s(started))
        self.air, self.is_done = Air(), False
        self.has_said_stir = self.has_said_last = self.has_said_lid = False
        self.shares, self.forecast = {}, None
        return closed

    def _close(self, t: float) -> list[Finding]:
        """The deadline is over: at pressure, kicked, or the pour has ended."""
        self.is_done = True
        return self._end_late(t)

    def _end_late(self, t: float) -> list[Finding]:
        late, self.late = self.late, None
        return [self._late(t, late.projected_at, late.kick_early, late.rising, active=False)] if late else []

    @property
    def _usual(self) -> Usual:
        return Usual(self.place.bench, self.tune, self._pot(), 1.0 if self.progress is None else self.progress.pace)

    def _close_s(self) -> float:
        """From the last mold to the floor."""
        return self._usual.lid_s() + self._usual.fill_s()

    def _tick(self, t: float) -> list[Finding]:
        if self.pour is None or self.progress is None or self.is_done or self.deadline is None:
            return []
        stop = [] if self.has_said_stir else self._stop(t, self.pour, self.progress, self.deadline)
        if stop or t < self.progress.mix_end_t:
            return stop
        if self.air.is_doubted:  # the lid is on, and only the dial knows how far it is
            return self._end_late(t)
        pot = self.place.bench.pot(self._pot())
        now = Moment(t, self.tune, self.progress, self.air, self.deadline, self._usual, pot)
        return self._lateness(now) or self._calls(now)

    # ------------------------------------------------------------------------------------------------------- the calls

    def _stop(self, t: float, pour: PourStarted, progress: Progress, due: Deadline) -> list[Finding]:
        """The word to stop stirring, while that can be followed."""
        label = self.place.bench.label_for(pour.lot)
        to_do_s = sum(s for _, s in progress.pours_s) + self._close_s() + self.tune.react_s
        stop_t = stop_stirring_t(self.tune, pour.mix_t, due.late_by - to_do_s, None if label is None else label.stir_s)
        is_over = bool(progress.filled) or progress.done_t is not None or self.air.filling is not None
        if stop_t is None or t < stop_t or pour.inferred or is_over:
            return []
        self.has_said_stir = True
        if t > stop_t + self.tune.react_s:
            return []  # the mark came late: by now it is being poured
        progress.mix_end_t = min(progress.mix_end_t, t + self.tune.react_s)
        return [StopStirring(t=t, subject=self._subject(), stirred_s=t - pour.mix_t)]

    def _calls(self, now: Moment) -> list[Finding]:
        if self.air.filling is not None or self.late is not None or self.has_said_lid:
            return []
        if now.is_lid_time():
            self.has_said_lid = self.has_said_last = True
            if now.progress.done_t is None:
                now.progress.done_t = now.t + self.tune.react_s
            return [LidNow(t=now.t, subject=self._subject(), fill_by=now.due.up_by, finish=now.may_be_pouring)]
        if now.hand is None or self.has_said_last or not now.is_last_time(now.hand):
            return []
        self.has_said_last = True
        return [LastMold(t=now.t, subject=self._subject(), lid_by=now.due.up_by - now.usual.fill_s())]

    # ----------------------------------------------------------------------------------------------------------- late

    def _lateness(self, now: Moment) -> list[Finding]:
        projected_at, rising, due = now.projected_at(), self.air.is_rising, now.due
        if self.late is None:
            if now.t > due.latest or self.air.is_blind(now.t, self.tune) or not now.is_late(projected_at):
                return []
        elif projected_at <= due.up_by or now.t > due.latest:
            return self._end_late(now.t)
        elif self.late.rising == rising:
            return []
        finish = now.may_be_pouring and self.air.filling is None
        self.has_said_last = self.has_said_last or finish  # what is marked from here on was the last one
        self.late = self._late(now.t, projected_at, due.early, rising, active=True, finish=finish)
        return [self.late]

    def _late(
        self, t: float, projected_at: float, early: float, rising: bool, active: bool, finish: bool = False
    ) -> PressureLate:
        return PressureLate(
            t=t, subject=self._subject(), projected_at=projected_at, kick_early=early, rising=rising, active=active,
            limit=self._limit(), finish=finish,
        )  # fmt: skip

    def _subject(self) -> Subject:
        about = self.pour.subject if self.pour else None
        return self.place.subject.filled(pour=about.pour, pot=self._pot()) if about else self.place.subject


def make(settings: Settings, place: Place) -> PaceWatcher:
    """The watcher of one cup's clock."""
    return PaceWatcher(settings, place)
