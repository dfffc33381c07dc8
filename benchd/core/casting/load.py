"""Loads and their phases: the state of a closed pot.

Rules.  1. Everything that moves a load from one phase to another is in TRANSITIONS.  2. A load begins when its pot
starts to fill (a lid cannot be sensed, only pressure) and takes the pours that wait for that pot.  3. It ends when the
gauge reads near zero after a vent; a pot that was already up when the watch began is a load too, of unknown age.

A load's id is `<pot>-<unix second of its first input>`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from benchd.core.casting.pour import PourBook
from benchd.core.findings import (
    Finding,
    HoldComplete,
    LoadClosed,
    LoadOpened,
    PotAtPressure,
    PotFilling,
    PotIsolated,
    PotVented,
    PotVenting,
)
from benchd.core.model import Subject
from benchd.stored import stored

TRANSITIONS: dict[tuple[str, str], str] = {
    ("filling", "at pressure"): "fed",
    ("filling", "isolated"): "isolated",
    ("filling", "venting"): "venting",
    ("fed", "isolated"): "isolated",
    ("fed", "venting"): "venting",
    ("isolated", "filling"): "fed",
    ("isolated", "venting"): "venting",
    ("venting", "vent stopped"): "isolated",
    ("venting", "filling"): "fed",
    ("venting", "at pressure"): "fed",
}
"""(phase, event) -> phase; any other event leaves the phase as it is.  `vented` ends a load from any phase."""


@stored("load")
@dataclass(slots=True, kw_only=True)
class Load:
    """One closing of a pot; may hold several pours."""

    id: str
    number: int
    pot: str
    closed_t: float
    phase: str = "filling"
    pours: list[str] = field(default_factory=list)
    at_pressure_t: float | None = None
    gelled: bool = False
    alarms: int = 0

    def move(self, event: str) -> None:
        """Change the phase on an event."""
        self.phase = TRANSITIONS.get((self.phase, event), self.phase)


@stored("load-book")
@dataclass(slots=True)
class LoadBook:
    """The open load of each pot."""

    open: dict[str, Load] = field(default_factory=dict)
    _day: int | None = None
    _count: int = 0

    def __iter__(self) -> Iterator[Load]:
        return iter(self.open.values())

    def of(self, pot: str | None) -> Load | None:
        """The open load of a pot, None if there is none."""
        return self.open.get(pot or "")

    def set_day(self, day: int, count: int) -> None:
        """Set the count of the local day's loads (an extract of a recording contains it)."""
        self._day, self._count = day, count

    def _number(self, day: int) -> int:
        if day != self._day:
            self._day, self._count = day, 0
        self._count += 1
        return self._count

    def see(self, finding: Finding, pours: PourBook, day: int) -> list[Finding]:
        """Open, change or close a pot's load after a finding."""
        pot = finding.subject.pot
        if pot is None:
            return []
        load = self.open.get(pot)
        match finding:
            case PotFilling() | PotAtPressure() if load is None:
                return self._begin(finding, pot, pours, day)
            case PotVented() if load is not None:
                return self._finish(finding, load)
        if load is not None:
            self._move(load, finding)
        return []

    def _begin(self, finding: Finding, pot: str, pours: PourBook, day: int) -> list[Finding]:
        since = finding.since if isinstance(finding, PotFilling) else None
        closed_t = finding.t if since is None else since
        load = Load(id=f"{pot}-{int(finding.t)}", number=self._number(day), pot=pot, closed_t=closed_t)
        self.open[pot] = load
        for pour in pours.waiting(pot):
            pour.load = load.id
            pour.pouring_done = True
            pour.move("pot fills")
            load.pours.append(pour.id)
            load.alarms += pour.alarms
        self._move(load, finding)
        subject = Subject(bench=finding.subject.bench, pot=pot, load=load.id)
        return [LoadClosed(t=finding.t, subject=subject, pours=tuple(load.pours), number=load.number, since=since)]

    def _finish(self, finding: Finding, load: Load) -> list[Finding]:
        load.phase = "opened"
        del self.open[load.pot]
        subject = Subject(bench=finding.subject.bench, pot=load.pot, load=load.id)
        return [LoadOpened(t=finding.t, subject=subject, pours=tuple(load.pours), number=load.number)]

    @staticmethod
    def _move(load: Load, finding: Finding) -> None:
        match finding:
            case PotFilling():
                load.move("filling")
            case PotAtPressure():
                load.at_pressure_t = finding.since
                load.move("at pressure")
            case PotIsolated():
                load.move("isolated")
            case PotVenting():
                load.move("venting" if finding.active else "vent stopped")
            case HoldComplete():
                load.gelled = True

    def join(self, pot: str | None, pour_id: str) -> str | None:
        """Add a pour marked after its pot began to fill to the open load, if that is still filling; its id or None."""
        load = self.of(pot)
        if load is None or load.phase != "filling":
            return None
        load.pours.append(pour_id)
        return load.id
