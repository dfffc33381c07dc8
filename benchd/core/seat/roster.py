"""The roster: seats watchers, routes events to them, and isolates one that raises."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from benchd.core.bench import ROOM_ROLES
from benchd.core.findings import Event, Finding, LoadClosed, PourStarted, WatcherFailed
from benchd.core.model import Mark, Quality, Reading, Subject, Table, Tick
from benchd.core.model.learned import Learned
from benchd.core.seat.watcher import Place, Watcher, WatcherPlan
from benchd.core.state.errors import StateError

Seated = tuple[str, str, Watcher | None, bool]
"""One seat in a checkpoint: kind of watcher, id of its place, the watcher, whether it was made for an older plan."""


class Seat:
    """One watcher in its place; empty after it raised, until its next pour or load.

    `plan` is the newest; `is_behind`: the watcher was made for an older one, and kept because a pour or load was open.
    """

    __slots__ = ("is_behind", "plan", "watcher")

    def __init__(self, plan: WatcherPlan, watcher: Watcher | None, is_behind: bool = False) -> None:
        self.plan = plan
        self.watcher = watcher
        self.is_behind = is_behind

    def wants_reading(self, role: str, of: str) -> bool:
        """Whether the watcher reads this role of this cup, pot or the room."""
        plan = self.plan
        if role in plan.reads.any_of:
            return True
        if role not in plan.reads.roles:
            return False
        if plan.scope == "bench" or role in ROOM_ROLES:
            return True
        return of == plan.place.subject.id

    def wants_finding(self, finding: Finding) -> bool:
        """Whether the watcher reads this kind of finding and its subject agrees."""
        if not isinstance(finding, self.plan.reads.findings):
            return False
        return agrees(self.plan.place.subject, finding.subject)


def agrees(place: Subject, about: Subject) -> bool:
    """Whether a subject is compatible with a place: the same cup and pot, or none named."""
    for name in ("cup", "pot"):
        here, there = getattr(place, name), getattr(about, name)
        if here is not None and there is not None and here != there:
            return False
    return True


class Roster:
    """All seats in stepping order."""

    def __init__(self) -> None:
        self.seats: list[Seat] = []
        self._routes: dict[tuple[str, str], tuple[Seat, ...]] = {}
        self._ticked: tuple[Seat, ...] = ()

    def seat(self, plans: Sequence[WatcherPlan], keep_all: bool) -> None:
        """Take new plans; a watcher whose seat and settings are unchanged stays.

        With `keep_all` (a pour or load is open) it also stays when only the rest of the bench changed, until plans come
        while the bench is idle.
        """
        old = {seat.plan.key: seat for seat in self.seats}
        self.seats = [_seated(old.get(plan.key), plan, keep_all) for plan in _in_order(plans)]
        self._index()

    def _index(self) -> None:
        self._routes = {}
        self._ticked = tuple(s for s in self.seats if s.plan.reads.ticks)

    def _route(self, role: str, of: str) -> tuple[Seat, ...]:
        key = (role, of)
        if key not in self._routes:
            self._routes[key] = tuple(s for s in self.seats if s.wants_reading(role, of))
        return self._routes[key]

    def show(self, event: Event) -> list[Finding]:
        """Show one event to every watcher that reads it; their findings in seat order."""
        match event:
            case Reading():
                good = event.quality is Quality.GOOD
                seats: Sequence[Seat] = self._route(event.role, event.of)
                if not good:
                    seats = [s for s in seats if s.plan.reads.all_qualities]
            case Tick():
                seats = self._ticked
            case Table():
                seats = [s for s in self.seats if s.plan.reads.tables]
            case Mark():
                seats = [s for s in self.seats if event.verb in s.plan.reads.marks and _mark_agrees(s, event)]
            case Finding():
                self._revive(event)
                seats = [s for s in self.seats if s.wants_finding(event)]
        found: list[Finding] = []
        for seat in seats:
            watcher = seat.watcher
            if watcher is None:
                continue
            try:
                found += watcher.see(event)
            except Exception as error:  # one watcher's fault must never end the watch; it is told and replays the same
                seat.watcher = None
                why = f"{type(error).__name__}: {error}"[:200]
                found += [WatcherFailed(t=event.t, subject=seat.plan.place.subject, watcher=seat.plan.name, why=why)]
        return found

    def _revive(self, event: Finding) -> None:
        if not isinstance(event, PourStarted | LoadClosed):
            return
        for seat in self.seats:
            if seat.watcher is None and agrees(seat.plan.place.subject, event.subject):
                seat.watcher, seat.is_behind = seat.plan.make(), False

    def dump(self) -> list[Seated]:
        """The seats, for a checkpoint."""
        return [(*seat.plan.key, seat.watcher, seat.is_behind) for seat in self.seats]

    def restore(self, plans: Sequence[WatcherPlan], kept: Sequence[Seated]) -> None:
        """Seat plans with the watchers of a checkpoint; raises StateError when they do not fit."""
        ordered = _in_order(plans)
        if [plan.key for plan in ordered] != [(name, place) for name, place, _, _ in kept]:
            raise StateError("the checkpoint's watchers are not this bench's")
        self.seats = [
            Seat(plan, watcher, is_behind) for plan, (_, _, watcher, is_behind) in zip(ordered, kept, strict=True)
        ]
        self._index()


def _in_order(plans: Sequence[WatcherPlan]) -> list[WatcherPlan]:
    """In stepping order."""
    return sorted(plans, key=lambda p: (p.order, p.name, p.place.subject.id))


def _seated(was: Seat | None, plan: WatcherPlan, keep_all: bool) -> Seat:
    """The seat of this plan, with the watcher that sat there if it may stay."""
    if was is not None:
        fits = not was.is_behind and _same(was.plan, plan)
        if fits or (keep_all and _same_here(was.plan, plan)):
            return Seat(plan, was.watcher, is_behind=not fits)
    return Seat(plan, plan.make())


def _same(old: WatcherPlan, new: WatcherPlan) -> bool:
    if old.settings != new.settings or old.reads != new.reads:
        return False
    return old.place == new.place if new.reads.learned else _untaught(old.place) == _untaught(new.place)


def _untaught(place: Place) -> Place:
    return replace(place, bench=replace(place.bench, learned=Learned()))


def _same_here(old: WatcherPlan, new: WatcherPlan) -> bool:
    ours, theirs = old.place, new.place
    return old.settings == new.settings and (ours.cup, ours.pot, ours.subject) == (
        theirs.cup,
        theirs.pot,
        theirs.subject,
    )


def _mark_agrees(seat: Seat, mark: Mark) -> bool:
    place = seat.plan.place.subject
    return (place.cup is None or mark.cup in (None, place.cup)) and (place.pot is None or mark.pot in (None, place.pot))
