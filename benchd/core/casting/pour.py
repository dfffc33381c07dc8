"""Pours and their phases: the state of a mixed cup.

Rules.  1. Everything that moves a pour from one phase to another is in TRANSITIONS.  2. A pour begins with a `mix`
mark, or is inferred when the cup heats itself; a later mark joins an inferred pour.  3. A cup is free for the next pour
once its pour has kicked; the pour itself stays open while its molds cure.  4. A pour ends when marked, when all its
molds are demolded, 12 h after the mix, or when no cure was seen by three pot lives.

A pour's id is `<cup>-<unix second of its first input>`: it does not depend on what came before, so that an extract of a
recording replays to the same ids.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from benchd.core.findings import (
    CupOdd,
    CupPeaked,
    Finding,
    HoldLost,
    Kicked,
    MoldPoured,
    NoCure,
    PourEnded,
    PourRevised,
    PourStarted,
)
from benchd.core.model import Mark, Subject
from benchd.stored import stored

POUR_TIMEOUT_S = 12 * 3600.0

TRANSITIONS: dict[tuple[str, str], str] = {
    ("mixing", "mold poured"): "pouring",
    ("mixing", "all poured"): "standing",
    ("mixing", "pot fills"): "standing",
    ("mixing", "kick"): "kicked",
    ("pouring", "mold poured"): "pouring",
    ("pouring", "all poured"): "standing",
    ("pouring", "pot fills"): "standing",
    ("pouring", "kick"): "kicked",
    ("standing", "kick"): "kicked",
    ("kicked", "peak"): "curing",
}
"""(phase, event) -> phase; an event that is not listed leaves the phase as it is.  Any phase may end."""


@stored("pour")
@dataclass(slots=True, kw_only=True)
class Pour:
    """One mixed cup and its molds."""

    id: str
    number: int
    cup: str
    pot: str | None
    mix_t: float
    lot: str | None = None
    molds: tuple[str, ...] = ()
    a_g: float | None = None
    b_g: float | None = None
    mold_c: float | None = None
    inferred: bool = False
    phase: str = "mixing"
    load: str | None = None
    poured: dict[str, float] = field(default_factory=dict)
    demolded: dict[str, float] = field(default_factory=dict)
    kicked_t: float | None = None
    odd: str | None = None
    lost: tuple[str, ...] = ()  # molds whose pressure went before they had gelled
    pouring_done: bool = False
    alarms: int = 0

    def move(self, event: str) -> None:
        """Change the phase on an event."""
        self.phase = TRANSITIONS.get((self.phase, event), self.phase)


@stored("pour-book")
@dataclass(slots=True)
class PourBook:
    """All open pours, in the order they began."""

    open: dict[str, Pour] = field(default_factory=dict)
    last_lot: str | None = None
    _day: int | None = None
    _count: int = 0

    def __iter__(self) -> Iterator[Pour]:
        return iter(self.open.values())

    def on_cup(self, cup: str | None) -> Pour | None:
        """The pour whose curve this cup's probe shows: the latest one mixed in it."""
        found = [p for p in self if p.cup == cup]
        return found[-1] if found else None

    def waiting(self, pot: str) -> list[Pour]:
        """Pours meant for this pot that are in no load yet."""
        return [p for p in self if p.pot == pot and p.load is None]

    def with_mold(self, mold: str) -> Pour | None:
        """The pour with this mold not demolded yet, None if there is none."""
        found = [p for p in self if mold in p.molds and mold not in p.demolded]
        return found[0] if found else None

    def set_day(self, day: int, count: int) -> None:
        """Set the count of the local day's pours (an extract of a recording contains it)."""
        self._day, self._count = day, count

    def _number(self, day: int) -> int:
        if day != self._day:
            self._day, self._count = day, 0
        self._count += 1
        return self._count

    def start(self, mark: Mark, bench: str, day: int, inferred: bool, assumed: str) -> list[Finding]:
        """Open a pour from a resolved `mix` mark (or from evidence, then inferred)."""
        assert mark.cup is not None
        pour = Pour(
            id=f"{mark.cup}-{int(mark.t)}", number=self._number(day), cup=mark.cup, pot=mark.pot, mix_t=mark.t,
            lot=mark.lot, molds=mark.molds, a_g=mark.a_g, b_g=mark.b_g, mold_c=mark.mold_c, inferred=inferred,
        )  # fmt: skip
        self.open[pour.id] = pour
        self.last_lot = mark.lot or self.last_lot
        return [self._told(PourStarted, pour, bench, mark.t, assumed)]

    def revise(self, pour: Pour, mark: Mark, bench: str) -> list[Finding]:
        """Update an open pour from a late or fuller `mix` mark; what the mark omits stays as it was."""
        if pour.inferred:
            pour.mix_t, pour.inferred = mark.t if mark.t < pour.mix_t else pour.mix_t, False
        pour.lot, pour.pot = mark.lot or pour.lot, mark.pot or pour.pot
        pour.molds = mark.molds or pour.molds
        pour.a_g = pour.a_g if mark.a_g is None else mark.a_g
        pour.b_g = pour.b_g if mark.b_g is None else mark.b_g
        pour.mold_c = pour.mold_c if mark.mold_c is None else mark.mold_c
        self.last_lot = pour.lot or self.last_lot
        return [self.revised(pour, bench, mark.t)]

    def revised(self, pour: Pour, bench: str, t: float) -> Finding:
        """The finding that a pour's known facts have changed."""
        return self._told(PourRevised, pour, bench, t, "")

    @staticmethod
    def _told(kind: type[PourStarted], pour: Pour, bench: str, t: float, assumed: str) -> PourStarted:
        subject = Subject(bench=bench, pot=pour.pot, load=pour.load, cup=pour.cup, pour=pour.id)
        return kind(
            t=t, subject=subject, mix_t=pour.mix_t, lot=pour.lot, molds=pour.molds, inferred=pour.inferred,
            number=pour.number, a_g=pour.a_g, b_g=pour.b_g, mold_c=pour.mold_c, assumed=assumed,
        )  # fmt: skip

    def poured(self, pour: Pour, mold: str | None, bench: str, t: float) -> list[Finding]:
        """Record one mold (or, without a name, all that are left) as filled."""
        now_filled = [mold] if mold else [m for m in pour.molds if m not in pour.poured]
        for name in now_filled:
            pour.poured[name] = t
        left = len([m for m in pour.molds if m not in pour.poured])
        pour.pouring_done = left == 0
        pour.move("all poured" if left == 0 else "mold poured")
        base = Subject(bench=bench, pot=pour.pot, cup=pour.cup, pour=pour.id)
        return [MoldPoured(t=t, subject=base.filled(mold=name), left=left) for name in now_filled or [""]]

    def end(self, pour: Pour, why: str, bench: str, t: float) -> Finding:
        """Remove a pour and return the finding that it ended."""
        pour.phase = "ended"
        self.open.pop(pour.id, None)
        subject = Subject(bench=bench, pot=pour.pot, load=pour.load, cup=pour.cup, pour=pour.id)
        return PourEnded(t=t, subject=subject, why=why)  # type: ignore[arg-type]  # the five reasons, checked by tests

    def see(self, finding: Finding, bench: str) -> list[Finding]:
        """Change the pour that a finding is about, of a lost hold all those in its pot."""
        if isinstance(finding, HoldLost):
            for held in self:
                if held.pot == finding.subject.pot or held.load == finding.subject.load is not None:
                    held.lost = tuple(m for m in held.molds if m in finding.molds or m in held.lost)
        pour = self.open.get(finding.subject.pour or "")
        if pour is None:
            return []
        match finding:
            case Kicked():
                pour.kicked_t = finding.at
                pour.move("kick")
            case CupPeaked():
                pour.move("peak")
            case CupOdd():
                pour.odd = finding.what
            case NoCure():
                return [self.end(pour, "no_cure", bench, finding.t)]
        return []

    def tick(self, t: float, bench: str) -> list[Finding]:
        """End pours that are out of time."""
        late = [p for p in self if t - p.mix_t >= POUR_TIMEOUT_S]
        return [self.end(p, "timeout", bench, t) for p in late]
