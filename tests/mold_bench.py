"""How does the demold watcher do over drawn resins and molds?  Plays casts into it and keeps score against the truth.

Each shelf's pours are played a day apart into one watcher, with its resin's solved table: the pour, what the kick
watcher finds in its witness cup's record (forecasts and the kick, as it tells them), ticks; with `marks`, the caster
tests each part about the forecast's likely time and tells how it felt, which the truth decides.  One row a cast: what
was forecast once the kick was known, when it was called.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from accuracy.kick_score import run
from mold_population import Cast, Shelf
from of_kind import known
from rehearsed.pours import DrawnResin, draw_plan, pour

from benchd.core.bench import Bench, Cup, Mold, Resin
from benchd.core.findings import DemoldForecast, DemoldReady, Kicked, KickForecast, PourEnded, PourStarted
from benchd.core.learned.cure_lessons import Lesson, learn
from benchd.core.model import Mark, Reading, Subject, Table, Tick
from benchd.core.mold_forecast import resin_hash
from benchd.core.seat.watcher import Place
from benchd.runtime.watch.sections import solve_plain
from benchd.watchers import demold

T0 = 1_767_607_200.0
DAY_S = 86_400.0
TICK_S = 10.0
TESTED_SD = 0.12  # ln: how near to the forecast's likely time a caster comes to test a stub; invented


@dataclass(frozen=True, slots=True)
class Scored:
    """One cast: seconds from the mix; the window told after the kick, the call (None: never), and the truth."""

    thin_mm: float
    thick_mm: float
    pour: int
    gel: tuple[float, float, float]
    hard: tuple[float, float, float]
    called_s: float | None
    gel_s: float
    hard_s: float
    mold: str = ""

    @property
    def error(self) -> float:
        return abs(self.hard[1] / self.hard_s - 1.0)

    @property
    def is_early(self) -> bool:
        """Called more than 5 % of the true time too soon."""
        return self.called_s is not None and self.called_s < 0.95 * self.hard_s

    @property
    def over_wait(self) -> float:
        return (self.called_s or np.inf) / self.hard_s - 1.0

    @property
    def is_held(self) -> bool:
        """Does the window of hard hold the truth?"""
        return self.hard[0] <= self.hard_s <= self.hard[2]


def bench_of(shelf: Shelf, cure: dict[str, Any] | None = None) -> Bench:
    resin = Resin(
        id="drawn", name="Drawn", pot_life_s=shelf.resin.pot_life_s, demold_s=shelf.demold_s,
        ratio_weight_b=shelf.resin.truth.b_per_a, cure=cure or {},
    )  # fmt: skip
    molds = tuple(
        Mold(id=c.mold.code, code=c.mold.code, name=c.mold.code, cavity_ml=40.0, thin_mm=c.mold.thin_mm,
             thick_mm=c.mold.thick_mm, wall_mm=c.mold.wall_mm)
        for c in shelf.casts[0]
    )  # fmt: skip
    cup = Cup(id="cup-1", name="Cup one", kind="witness")
    return Bench(id="north", shop="quiet-harbour", name="North", default_resin="drawn", resins=(resin,), molds=molds,
                 cups=(cup,))  # fmt: skip


Watched = tuple[KickForecast | Kicked, ...]


def cups_watched(shelf: Shelf, cure: dict[str, Any] | None = None) -> tuple[Watched, ...]:
    """What the kick watcher finds in each pour's witness cup; times as if each were mixed at T0."""
    shown = bench_of(shelf, cure).resins[0]
    return tuple(
        tuple(f for f in run(shown, cup)[0] if isinstance(f, KickForecast | Kicked)) for cup in shelf.cups
    )  # fmt: skip


def play(
    shelf: Shelf, seed: int, marks: bool | str = False, cure: dict[str, Any] | None = None, tick_s: float = TICK_S,
    watched: Sequence[Watched] = (),
) -> list[Scored]:  # fmt: skip
    """All casts of a shelf, scored; marks: all molds' pulls are told, or one mold's (its code); tick_s: how often the
    watcher is asked; watched: the cups' findings, if `cups_watched` gave them already."""
    bench, rng = bench_of(shelf, cure), np.random.default_rng(seed)
    watched = watched or cups_watched(shelf, cure)
    watcher = demold.make(demold.Settings(), Place(bench, Subject(bench="north")))
    resin = bench.resins[0]
    watcher.see(Table(T0, resin.id, resin_hash(resin), solve_plain(resin)))
    out: list[Scored] = []
    for number, casts in enumerate(shelf.casts):
        out += _pour(watcher, casts, watched[number], number, T0 + DAY_S * number, marks, rng, tick_s)
    return out


def _pour(
    watcher: demold.DemoldWatcher,
    casts: Sequence[Cast],
    watched: Watched,
    number: int,
    mix_t: float,
    marks: bool | str,
    rng: np.random.Generator,
    tick_s: float,
) -> list[Scored]:
    subject = Subject(bench="north", cup="cup-1", pour=f"cup-1-{number}")
    first = casts[0]
    watcher.see(Reading(mix_t - 1.0, "room", "room_temperature", "", first.room_c, first.room_c))
    for cast in casts:
        channel = f"{cast.mold.code}-probe"
        watcher.see(Reading(mix_t - 1.0, channel, "mold_temperature", cast.mold.code, cast.mold_c, cast.mold_c))
    started = PourStarted(t=mix_t, subject=subject, mix_t=mix_t, lot=None, molds=tuple(c.mold.code for c in casts),
                          inferred=False, number=1, a_g=first.a_g, b_g=first.b_g)  # fmt: skip
    watcher.see(started)
    known_s = _show_kick(watcher, watched, subject, mix_t, first.kick_s)
    first_found = watcher.see(Tick(mix_t + known_s))
    told = {f.mold: f for f in first_found if isinstance(f, DemoldForecast)}
    called = {f.mold: known_s for f in first_found if isinstance(f, DemoldReady) and f.stage != "test"}
    tests = {
        mold: (found.hard_at[1] - mix_t) * float(np.exp(rng.normal(0.0, TESTED_SD))) for mold, found in told.items()
    }
    last_s = max(told[c.mold.code].hard_at[2] - mix_t for c in casts) + 2 * tick_s
    for since_s in np.arange(tick_s * np.ceil(known_s / tick_s), last_s, tick_s).tolist():
        for found in watcher.see(Tick(mix_t + since_s)):
            if isinstance(found, DemoldReady) and found.stage != "test":
                called.setdefault(found.mold, since_s)
    if marks:
        _pull(watcher, [c for c in casts if marks in (True, c.mold.code)], mix_t, tests)
    watcher.see(PourEnded(t=mix_t + last_s, subject=subject, why="marked"))
    return [
        Scored(c.mold.thin_mm, c.mold.thick_mm, number, _since(known(told[c.mold.code].gel_at), mix_t),
               _since(told[c.mold.code].hard_at, mix_t), called.get(c.mold.code), c.truth.gel_s, c.truth.hard_s,
               c.mold.code)
        for c in casts if c.truth.hard_s is not None and c.truth.gel_s is not None
    ]  # fmt: skip


def _show_kick(watcher: demold.DemoldWatcher, watched: Watched, subject: Subject, mix_t: float, kick_s: float) -> float:
    """Give the cup's findings to the watcher; when the kick was told [s after the mix], 1.5 times it if missed."""
    later_s = mix_t - T0
    for found in watched:
        moved = {name: getattr(found, name) + later_s for name in ("t", "at", "early", "late")}
        watcher.see(replace(found, subject=subject, **moved))
        if isinstance(found, Kicked):
            return found.t - T0
    return 1.5 * kick_s


def _pull(watcher: demold.DemoldWatcher, casts: Sequence[Cast], mix_t: float, tests: dict[str, float]) -> None:
    """The marks, given after the calls are scored: what a caster who tests early tells, in order."""
    for cast in sorted(casts, key=lambda c: tests[c.mold.code]):
        at_s = tests[cast.mold.code]
        watcher.see(Mark(t=mix_t + at_s, verb="demolded", mold=cast.mold.code, feel=cast.truth.feel_at(at_s)))


def _since(window: tuple[float, float, float], mix_t: float) -> tuple[float, float, float]:
    return window[0] - mix_t, window[1] - mix_t, window[2] - mix_t


def learned_cure(resin: DrawnResin, seed: int, pours: int = 6) -> dict[str, Any]:
    """The [cure] table a bench would have learned from six witness cups of this resin, each of a lot of its own."""
    label = Resin(id="drawn", name="Drawn", pot_life_s=resin.pot_life_s, demold_s=4.0 * resin.pot_life_s)
    bench = Bench(id="north", shop="quiet-harbour", name="North", default_resin="drawn", resins=(label,))
    lessons = []
    for i in range(pours):
        drawn = pour(resin, replace(draw_plan(seed + i, "witness"), fault=""))
        if drawn.kick_s is None:
            continue
        whole = np.arange(0.0, float(drawn.time_s[-1]))
        seen = np.interp(whole, drawn.time_s, drawn.value_c)
        lessons.append(
            Lesson(pour=f"p{i}", lot=f"l{i}", kind="witness", mass_g=25.0, lag_s=3.0, label=label,
                   seconds=tuple(zip(whole.tolist(), seen.tolist(), strict=True)), noise_k=0.15,
                   room_c=drawn.room_c, start_c=drawn.room_c, kick=(drawn.kick_s, 0.03))
        )  # fmt: skip
    return learn(bench, label, lessons).table
