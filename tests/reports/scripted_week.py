"""Writes a journal of an invented week whose every pour is typed out: what was foretold, called, and what came.

A pour a day at nine, Monday the first.  What each is to be judged as stands in the test that asks.  All invented.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from benchd.core.findings import (
    DemoldForecast,
    DemoldReady,
    Finding,
    HoldComplete,
    Kicked,
    KickForecast,
    LastMold,
    LidNow,
    LoadClosed,
    LoadOpened,
    MoldPoured,
    NoCure,
    PotAtPressure,
    PotHold,
    PourStarted,
    PressureLate,
)
from benchd.core.model import Alert, Mark, Subject
from benchd.core.model.learned import CasterHabits, Learned, PotHabits
from benchd.physics.mold_factor import MoldFactor
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.rows import Writes
from benchd.settings import Loaded

MONDAY_T = 1_767_571_200.0  # 2026-01-05, 00:00 UTC
DAY_S, NINE_S = 86_400.0, 9 * 3600.0
KNOWN = Learned(
    caster=CasterHabits(lid_s=25.0), pots={"barrel": PotHabits(fill_s=30.0)},
    molds={"m01": {"fast-white": MoldFactor(log_bias=0.0, sd=0.2, pulls=2)}},
)  # fmt: skip
"""What the bench had learned when the week began."""
LEARNED = replace(
    KNOWN, caster=CasterHabits(pour_s=14.0, lid_s=25.0),
    molds={"m01": {"fast-white": MoldFactor(log_bias=0.0953, sd=0.12, pulls=4)}},
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Cast:
    """One pour; all times in s after its mix, the window as it was told 20 s after it."""

    day: int
    kick: float | None
    is_marked: bool = True
    own: float = 8.0
    window: tuple[float, float, float] = (150.0, 165.0, 185.0)
    rise: float = 110.0
    up: float = 140.0
    calls: tuple[tuple[str, float], ...] = ()
    filled: tuple[float, ...] = ()
    molds: tuple[str, ...] = ("m01",)
    feel: str | None = "hard"
    out: float = 2000.0
    word: float | None = 1900.0
    hard: tuple[float, float, float] = (1200.0, 1500.0, 1900.0)
    least_kpa: float = 280.0
    alarm: tuple[str, float] | None = None
    no_cure: float | None = None
    undo_s: float | None = None
    """The part's mark is taken back so long after it, and not made again."""


class Script:
    """Findings, alerts and marks in order, as a daemon would have written them."""

    def __init__(self) -> None:
        self.writes, self.seq, self.number = Writes(), 0, 0

    def learned(self, loaded: Loaded, t: float, what: Learned) -> None:
        """A context of the bench, with what it had learned."""
        self.seq += 1
        self.writes.add_input(self.seq, loaded.context(t, what))

    def _found(self, effect: Finding | Alert) -> None:
        self.number += 1
        self.writes.add_effect(self.number, self.seq, effect)

    def _mark(self, t: float, verb: str, **keys: object) -> None:
        self.seq += 1
        mark = Mark(t=t, verb=verb, id=f"{verb}-{t:.0f}", **keys)  # type: ignore[arg-type]  # as given
        self.writes.add_input(self.seq, mark)

    def cast(self, cast: Cast) -> None:
        """One pour and its load, to the parts out."""
        t = MONDAY_T + cast.day * DAY_S + NINE_S
        about = Subject(bench="north", cup="cup-1", pour=f"cup-1-{int(t)}", pot="barrel", load=f"barrel-{int(t)}")
        self._found(PourStarted(t=t, subject=about, mix_t=t, lot="r-07", molds=cast.molds, inferred=False, number=1,
                                a_g=150.0, b_g=135.0))  # fmt: skip
        early, likely, late = (t + s for s in cast.window)
        self._found(KickForecast(t=t + 20.0, subject=about, at=likely, early=early, late=late, confidence="good",
                                 basis="label"))  # fmt: skip
        self._rest(t, cast, about)

    def _rest(self, t: float, cast: Cast, about: Subject) -> None:
        later = [*((s, self._call(name, t + s, t, about)) for name, s in cast.calls)]
        later += [(s, MoldPoured(t=t + s, subject=about, left=len(cast.filled) - n))
                  for n, s in enumerate(cast.filled, 1)]  # fmt: skip
        later += [(cast.rise + 3.0, LoadClosed(t=t + cast.rise + 3.0, subject=about, pours=(str(about.pour),), number=1,
                                               since=t + cast.rise)),
                  (cast.up + 5.0, PotAtPressure(t=t + cast.up + 5.0, subject=about, kpa=290.0, since=t + cast.up,
                                                margin_s=None))]  # fmt: skip
        if cast.no_cure is not None:
            later.append((cast.no_cure, NoCure(t=t + cast.no_cure, subject=about)))
        if cast.kick is not None:
            at = t + cast.kick
            later.append((cast.kick, Kicked(t=at, subject=about, at=at, early=at - cast.own, late=at + cast.own,
                                            temp_c=60.0, basis="marked" if cast.is_marked else "curve")))  # fmt: skip
        hold = PotHold(t=t + 900.0, subject=about, verdict="tight-to", kpa=cast.least_kpa, kpa_per_min=0.0, low=0.0,
                       high=0.0, smallest_seen=2.0)  # fmt: skip
        later += [(900.0, hold), (1000.0, HoldComplete(t=t + 1000.0, subject=about, since=t, min_kpa=cast.least_kpa))]
        for _, finding in sorted(later, key=lambda each: each[0]):
            self._found(finding)
        if cast.alarm is not None:
            self._found(Alert(t=t + cast.alarm[1], alert=cast.alarm[0], active=True, heard=False, priority=1,
                              subject=Subject(bench="north", pot="barrel")))  # fmt: skip
        self._found(LoadOpened(t=t + 1100.0, subject=about, pours=(str(about.pour),), number=1))
        self._parts(t, cast, about)

    def _call(self, name: str, at: float, mix_t: float, about: Subject) -> Finding:
        if name == "late":
            return PressureLate(t=at, subject=about, projected_at=mix_t + 190.0, kick_early=mix_t + 150.0, rising=True,
                                active=True)  # fmt: skip
        return LidNow(t=at, subject=about, fill_by=mix_t + 140.0) if name == "lid" else LastMold(
            t=at, subject=about, lid_by=mix_t + 110.0
        )  # fmt: skip

    def _parts(self, t: float, cast: Cast, about: Subject) -> None:
        hard = (t + cast.hard[0], t + cast.hard[1], t + cast.hard[2])
        for mold in cast.molds:
            of_mold = about.filled(mold=mold)
            self._found(DemoldForecast(t=t + 300.0, subject=of_mold, mold=mold, green_at=None, hard_at=hard,
                                       basis="learned"))  # fmt: skip
            if cast.word is not None:
                self._found(DemoldReady(t=t + cast.word, subject=of_mold, mold=mold, stage="hard", limit="thin"))
            self._mark(t + cast.out, "demolded", mold=mold, feel=cast.feel, grade="good")
            if cast.undo_s is not None:
                self._mark(t + cast.out + cast.undo_s, "undo")


async def write_week(path: Path, loaded: Loaded, casts: Sequence[Cast]) -> Path:
    """The journal of a week; what was learned is written before its Monday and on its Saturday."""
    script = Script()
    script.learned(loaded, MONDAY_T - DAY_S, KNOWN)
    for cast in casts:
        script.cast(cast)
    script.learned(loaded, MONDAY_T + 5.9 * DAY_S, LEARNED)
    async with Journal(path) as journal:
        await journal.write(script.writes)
    return path
