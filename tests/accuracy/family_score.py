"""Plays the families' pours into the kick watcher and keeps score against their truth.

One `Told` a pour: the forecasts standing at shares of the time to the kick, the kick found, what was said of the label,
and the fit's state at each update, which the windows are calibrated from.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import exp, hypot
from typing import Any, cast

import numpy as np
from rehearsed.families import FamilyResin, draw
from rehearsed.family_pours import FamilyPour, pour_of

from benchd.core.bench import Bench, Cup, Lot, Resin
from benchd.core.findings import Finding, Kicked, KickForecast, LabelDoubtful, PourStarted
from benchd.core.learned.cure_lessons import Lesson, learn, likely_start_c
from benchd.core.model import Mark, Reading, Subject, Tick
from benchd.core.seat.watcher import Place
from benchd.physics.cup_cure import CupKind
from benchd.physics.cup_kick import KickFinder
from benchd.physics.cure_prior import cup_tau
from benchd.watchers import kick
from benchd.watchers.kick.tune import Settings

T0 = 1_767_607_200.0  # 2026-01-05 10:00:00 UTC
HOME = Subject(bench="north", cup="cup-1")
POUR = Subject(bench="north", cup="cup-1", pour="cup-1-1767607200")
SHARES = (0.3, 0.5, 0.7, 0.85)


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """forecasts: (early, at, late) at SHARES, over the truth; clock: the label's clock over the truth; found: the kick
    told over the truth, told_at: when, over the truth; doubted: the label by 70 % of the way;
    steepest: when the cup truly heats fastest, expected: what the label alone let expect, both over the truth."""

    family: str
    clock: float
    forecasts: tuple[tuple[float, float, float], ...]
    found: float | None
    told_at: float | None
    held: bool
    doubted: bool
    steepest: float
    costs_ms: tuple[float, ...]
    expected: float = 1.0


def label_of(resin: FamilyResin, wrong: float = 1.0, cure: Mapping[str, Any] | None = None) -> Resin:
    """What the bottle says."""
    return Resin(
        id="drawn", name="Drawn", pot_life_s=wrong * resin.pot_life_s, demold_s=resin.demold_s, cure=cure or {}
    )


def seat_of(shown: Resin, drawn: FamilyPour, lot: str | None) -> kick.KickWatcher:
    """A kick watcher at this pour's cup."""
    lots = (Lot(id=lot, code=lot, resin=shown.id, label=shown),) if lot else ()
    bench = Bench(id="north", shop="quiet-harbour", name="North bench", resins=(shown,), lots=lots)
    cup = Cup(id="cup-1", name="Cup one", kind=cast(CupKind, drawn.kind), mass_g=drawn.mass_g)
    return kick.make(Settings(), Place(bench, HOME, cup))


Watch = Callable[[kick.KickWatcher, float], None]


def play(
    seat: kick.KickWatcher, drawn: FamilyPour, lot: str | None = None, mark_s: float | None = None,
    watch: Watch | None = None,
) -> tuple[list[Finding], list[float]]:  # fmt: skip
    """All findings and the cost of each call that fitted [ms]; watch(seat, t): called after each fit."""
    found: list[Finding] = []
    costs: list[float] = []
    second = 0
    seat.see(Reading(T0 - 40.0, "room", "room_temperature", "", drawn.room_c, drawn.room_c))
    started = PourStarted(t=T0, subject=POUR, mix_t=T0, lot=lot, molds=(), inferred=False, number=1)
    begun = False
    for s, value in zip(drawn.time_s.tolist(), drawn.value_c.tolist(), strict=True):
        if s >= 0.0 and not begun:
            begun = True
            found += seat.see(started)
        while begun and second + 1 <= s:
            second += 1
            found += seat.see(Tick(T0 + second))
            if mark_s is not None and second >= mark_s:
                found += seat.see(Mark(t=T0 + mark_s, verb="kicked", cup="cup-1"))
                return found, costs
        before, since = seat.fitted_t, time.perf_counter()
        found += seat.see(Reading(T0 + s, "cup", "cup_temperature", "cup-1", value, value))
        if seat.fitted_t != before:
            costs.append(1e3 * (time.perf_counter() - since))
            if watch is not None:
                watch(seat, s)
        if any(isinstance(f, Kicked) for f in found):
            break
    return found, costs


def told(drawn: FamilyPour, shown: Resin, lot: str | None = None, watch: Watch | None = None) -> Told:
    """One pour's score."""
    seat = seat_of(shown, drawn, lot)
    found, costs = play(seat, drawn, lot, watch=watch)
    forecasts = [f for f in found if isinstance(f, KickForecast)]
    kicks = [f for f in found if isinstance(f, Kicked)]
    doubts = [f for f in found if isinstance(f, LabelDoubtful) and f.t - T0 <= 0.7 * drawn.kick_s]
    standing = []
    for share in SHARES:
        last = [f for f in forecasts if f.t - T0 <= share * drawn.kick_s][-1]
        early, at, late = ((x - T0) / drawn.kick_s for x in (last.early, last.at, last.late))
        standing.append((early, at, late))
    kick_t = T0 + drawn.kick_s
    return Told(
        family=drawn.family, clock=shown.pot_life_s * 2.0 ** ((23.0 - drawn.room_c) / 10.0) / drawn.kick_s,
        forecasts=tuple(standing), found=(kicks[0].at - T0) / drawn.kick_s if kicks else None,
        told_at=(kicks[0].t - T0) / drawn.kick_s if kicks else None,
        held=bool(kicks) and kicks[0].early <= kick_t <= kicks[0].late, doubted=bool(doubts),
        steepest=drawn.steepest_s / drawn.kick_s, costs_ms=tuple(costs),
        expected=exp(seat.cure.by_label.mean) / drawn.kick_s if seat.cure and seat.cure.by_label else 1.0,
    )  # fmt: skip


def lesson_of(shown: Resin, drawn: FamilyPour, number: int, rng: np.random.Generator) -> Lesson:
    """A past pour of a lot of its own, its kick marked 5 s and 2 % off."""
    finder, seconds = KickFinder(cup_tau(drawn.kind, drawn.mass_g)[0], 3.0), list[tuple[float, float]]()
    for s, value in zip(drawn.time_s.tolist(), drawn.value_c.tolist(), strict=True):
        if s < 1.12 * drawn.kick_s:
            seconds += [(each.t, each.temp_c) for each in finder.see(s, value, drawn.room_c) if each.t > 0.0]
    kind = cast(CupKind, drawn.kind)
    early = [c for s, c in seconds if s < 60.0]
    marked_s = max(20.0, drawn.kick_s * exp(float(rng.normal(0.0, 0.02))) + float(rng.normal(0.0, 5.0)))
    return Lesson(
        pour=f"cup-1-{number}", lot=f"r-{number}", kind=kind, mass_g=drawn.mass_g, lag_s=3.0, label=shown,
        seconds=tuple(seconds), noise_k=finder.noise_k, room_c=drawn.room_c,
        start_c=likely_start_c(kind, early, drawn.room_c), kick=(marked_s, hypot(0.02, 5.0 / marked_s)),
    )  # fmt: skip


def learned_told(job: tuple[str, int, int]) -> list[tuple[Told, Told]]:
    """One resin's pours, of new lots, from the label alone and after six marked pours."""
    family, seed, pours = job
    resin, rng = draw(family, seed), np.random.default_rng(seed)
    kind, shown = "witness" if seed % 2 else "mixing", label_of(resin)
    past = [pour for i in range(6) if (pour := pour_of(resin, seed * 100 + i, kind=kind)) is not None]
    lessons = [lesson_of(shown, pour, i, rng) for i, pour in enumerate(past)]
    table = learn(Bench(id="north", shop="quiet-harbour", name="North bench"), shown, lessons).table
    new = [pour for i in range(pours) if (pour := pour_of(resin, seed * 100 + 50 + i, kind=kind)) is not None]
    return [(told(pour, shown), told(pour, label_of(resin, cure=table))) for pour in new]
