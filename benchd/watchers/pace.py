"""Watches the caster's pace towards the kick: the time to stop pouring, to put the lid on, and to hurry.

Counted back from the kick's early end, the cup's or that of the thickest mold, whichever comes first (a thick warm mold
kicks before a witness cup; its forecast says by how much, and the cup's own window is scaled by that):

    at pressure by   early - reserve          (LidNow.fill_by)
    lid on by        that - fill              (LastMold.lid_by)
    "Lid now" at     that - lid
    "Last mold" at   that - one more mold's pour

Lateness is published when the pot will probably be up only after the kick's early end (an uncertain window is judged
less strictly, see Settings); until the pot fills this follows from the settings' times, then from its own pace.  Each
is said once a pour.  While the gauge is silent nobody knows how far the pot is: lateness waits, 75 s at most.  A gauge
that reads seldom shows a fill late: until it is known, the fill may have begun at the last reading of an empty pot.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from pydantic import BaseModel, ConfigDict

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
from benchd.core.model import Reading, Subject, Tick
from benchd.core.seat.watcher import Place, Reads
from benchd.stored import stored

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


@stored("pace-settings")
class Settings(BaseModel):
    """The times that this caster's hands and this pot take; CP: common practice for one person, no source.

    A forecast of low confidence has so wide a window that lateness against its early end would alarm in every good load
    of the rehearsal's day (at pressure 34 to 41 s before the kick); an alarm that calls for no action teaches people to
    ignore it (ISA-18.2).  Such a window is judged at about its 20 % point, part of the way from its early end to its
    likely time; the rehearsal's load at pressure 20 s after the kick still alarms 48 s before it.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    pour_s: float = 15.0  # CP: 10 to 22 s a mold
    lid_s: float = 25.0  # CP: load and lid 20 to 30 s
    fill_s: float = 30.0  # CP: 20 to 40 s
    pace_known_s: float = 4.0  # CP: an eighth of a fill; the first seconds' slope still holds the time before it
    late_share: float = 0.0  # interface: late is later than the window's early end (1 would be its likely time)
    low_late_share: float = 0.35  # simulated loads: see below
    mold_later: float = 1.03  # simulated molds: 26 mm ones kick 1 to 6 % later than their section table says
    mold_first: float = 0.98  # CP: 3 s in three minutes name no culprit
    blind_s: float = 75.0  # CP: how long a silent gauge is waited for: a minute's hole, and its first new samples
    heard_s: float = 8.0  # calc: a rise is told each 5 s, and a gauge is silent after 5 s more at the least
    near_zero_kpa: float = 6.9  # CP: 1 psi; below it the gauge reads near zero
    seldom_s: float = 1.25  # interface: readings of once a second and more count as steady
    unseen_s: float = 15.0  # interface: three readings at one in 5 s: the rise, its confirmation, its lasting
    reserve_s: float = 20.0  # CP: at pressure 20 to 30 s before the earliest kick


@stored("pace-watcher")
@dataclass(slots=True)
class PaceWatcher:
    """The watcher of one cup's clock."""

    tune: Settings
    place: Place
    pour: PourStarted | None = None
    early: float | None = None
    deadline: float | None = None
    poured_t: float | None = None
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
            case Reading(value=float(kpa)):
                if kpa < self.tune.near_zero_kpa and event.of == self._pot():
                    self.empty_t = event.t
            case PourStarted():
                return self._pour(event)
            case PourEnded() if self._is_mine(event):
                return self._close(event.t)
            case MoldPoured() if self._is_mine(event):
                self.poured_t = event.t if event.left == 0 else None
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
        mix_t, share = self.pour.mix_t, self._share()
        early, likely = (mix_t + share * (at - mix_t) for at in (self.forecast.early, self.forecast.at))
        doubt = self.tune.low_late_share if self.forecast.confidence == "low" else self.tune.late_share
        self.early, self.deadline = early, early + doubt * (likely - early)

    def _share(self) -> float:
        """The first mold's kick time over the cup's, at most 1."""
        return min([1.0, *(share * self.tune.mold_later for share in self.shares.values())])

    def _limit(self) -> Literal["cup", "mold"]:
        return "mold" if self._share() < self.tune.mold_first else "cup"

    # ------------------------------------------------------------------------------------------------------- whose

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
            self._deadline()
            return []
        closed = self._close(started.t)
        self.pour, self.early, self.deadline, self.poured_t = started, None, None, None
        self.filling, self.rising_since, self.is_stalled, self.is_done = None, None, False, False
        self.blind_t = self.empty_t = None
        self.has_said_last = self.has_said_lid = False
        self.shares, self.forecast = {}, None
        return closed

    def _close(self, t: float) -> list[Finding]:
        """The deadline is over: at pressure, kicked, or the pour has ended."""
        late, self.late, self.is_done = self.late, None, True
        return [self._late(t, late.projected_at, late.kick_early, late.rising, active=False)] if late else []

    # ------------------------------------------------------------------------------------------------ how long it takes

    def _pour_s(self) -> float:
        """The time of one more mold, from this caster's own pours once known; a time set by hand takes precedence."""
        own = self.place.bench.learned.caster.pour_s
        return self.tune.pour_s if own is None or "pour_s" in self.tune.model_fields_set else own

    def _lid_s(self) -> float:
        own = self.place.bench.learned.caster.lid_s
        return self.tune.lid_s if own is None or "lid_s" in self.tune.model_fields_set else own

    def _fill_s(self) -> float:
        """The time from the first rise to the floor, from this pot's own fills once known."""
        own = self.place.bench.learned.pot(self._pot()).fill_s
        return self.tune.fill_s if own is None or "fill_s" in self.tune.model_fields_set else own

    # -------------------------------------------------------------------------------------------------------- when

    def _tick(self, t: float) -> list[Finding]:
        if self.pour is None or self.is_done or self.early is None or self.deadline is None:
            return []
        if not self.place.bench.pots:
            return []
        return [*self._calls(t, self.early), *self._lateness(t, self.early, self.deadline)]

    def _calls(self, t: float, early: float) -> list[Finding]:
        if self.pour is None or self.filling is not None or self.has_said_lid:
            return []
        tune, subject = self.tune, self._subject()
        fill_by = early - tune.reserve_s
        lid_by = fill_by - self._fill_s()
        if t >= lid_by - self._lid_s():
            self.has_said_lid = self.has_said_last = True
            return [LidNow(t=t, subject=subject, fill_by=fill_by)]
        is_pouring = self.poured_t is None
        if is_pouring and not self.has_said_last and t >= lid_by - self._lid_s() - self._pour_s():
            self.has_said_last = True
            return [LastMold(t=t, subject=subject, lid_by=lid_by)]
        return []

    def _projected_at(self, t: float) -> float:
        """When the pot will be at its floor."""
        tune, filling, pot = self.tune, self.filling, self.place.bench.pot(self._pot())
        if filling is None:
            # Once the last mold is poured the lid is already on its way.
            lid_s, from_t = self._lid_s(), self._known_t(t)
            lid_left_s = lid_s if self.poured_t is None else max(0.0, self.poured_t + lid_s - from_t)
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

    def _lateness(self, t: float, early: float, deadline: float) -> list[Finding]:
        projected_at = self._projected_at(t)
        rising = self.filling is not None and not self.is_stalled
        if self.late is None:
            is_blind = self.blind_t is not None and t - self.blind_t < self.tune.blind_s
            if projected_at <= deadline or is_blind:
                return []
        elif self.late.rising == rising:
            return []
        self.late = self._late(t, projected_at, early, rising, active=True)
        return [self.late]

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
