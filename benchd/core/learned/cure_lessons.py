"""Learns a resin's cure from the bench's past pours, and judges whether that is better than the previous belief.

Lessons are used in order.  Each pour's curve and kick improve the estimate of the resin's shape and its lot's speed: a
step of a Kalman filter whose measurement is a whole fitted curve (physics/cup_cure), with the spread from pour to pour
added in between. A table is judged in the way it would have been used: every pour but the first is forecast at half its
time from the earlier pours only, and compared with the old belief's forecast of the same pours.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import exp, log, sqrt
from statistics import fmean, quantiles
from typing import Any

from benchd.core.bench import Bench, Lot, Resin
from benchd.core.bench.recipe import recipe_of
from benchd.core.learned.cure_belief import LEAST_WIDTH, MOST_WIDTH, expectation, learned_belief
from benchd.physics.cup_cure import START_SD_K, CupCure, CupKind, Taught
from benchd.physics.cup_model import LF
from benchd.physics.cure_prior import ResinBelief, new_lot_speed, with_more, with_speed
from benchd.physics.curve_bins import CurveBins
from benchd.physics.label_cure import is_shops

MARKED_S, MARKED_SHARE = 5.0, 0.02  # as in watchers/kick: a kick marked by hand
FOUND_SHARE = 0.04  # a kick found from the curve lies within -4 to +9 % of the gel
HALF = 0.5
ALIKE, MOST_MISS = 3.0, 5.0
WARM_START_K, PLAUSIBLE_START_K = 3.0, 15.0  # as in watchers/kick


@dataclass(frozen=True, slots=True, kw_only=True)
class Lesson:
    """One past pour: seconds (s after the mix, C), noise of one [K], room [C], its kick (s after the mix, ln sd)."""

    pour: str
    lot: str
    kind: CupKind
    mass_g: float
    lag_s: float
    label: Resin
    seconds: tuple[tuple[float, float], ...]
    noise_k: float
    room_c: float
    start_c: float
    kick: tuple[float, float]
    is_marked: bool = True


@dataclass(frozen=True, slots=True)
class LearnedCure:
    """The new [cure] table, the pours it came from and those refused, and both beliefs' mean |ln error| at half time.

    by_mark: those used of which no law followed the curve, so that their marked kick alone taught.

    judged: how many pours that error covers; with 0 it is the single pour's own, which proves less.
    """

    table: dict[str, Any]
    used: tuple[str, ...]
    refused: tuple[str, ...]
    old_error: float | None
    new_error: float | None
    judged: int
    by_mark: tuple[str, ...] = ()

    @property
    def is_better(self) -> bool:
        """Whether it forecasts this bench's own pours better than the old belief."""
        return self.old_error is not None and self.new_error is not None and self.new_error < self.old_error


def likely_start_c(kind: CupKind, early_c: Sequence[float], room_c: float) -> float:
    """The resin's temperature at the mix [C], as in watchers/kick.

    In a mixing cup the coolest early reading, at most 3 K above the room; in other cups, whose probe waits in air, the
    room's.
    """
    if kind != "mixing" or len(early_c) < 5:
        return room_c
    early = quantiles(early_c, n=5)[0]
    return min(early, room_c + WARM_START_K) if abs(early - room_c) < PLAUSIBLE_START_K else room_c


def learn(
    bench: Bench, resin: Resin, lessons: Sequence[Lesson], seen: Callable[[int], None] = lambda count: None
) -> LearnedCure:
    """Learn a resin from lessons in order of time; `resin` includes its present [cure] table.

    seen: called with the number of lessons begun.
    """
    course = _Course(bench, resin, dict(resin.cure) if is_shops(resin.cure) else {})
    for count, lesson in enumerate(lessons, 1):
        seen(count)
        course.judge(lesson)
        course.take(lesson)
    return course.learned(lessons)


def taught_table(bench: Bench, resin: Resin, lessons: Sequence[Lesson]) -> dict[str, Any]:
    """The [cure] table these lessons would teach from the label on, its windows not widened; empty if none does.

    Half of the work of `learn`: nothing is judged.
    """
    course = _Course(bench, resin, {})
    for lesson in lessons:
        course.take(lesson)
    return course.table if course.used else {}


@dataclass(slots=True)
class _Course:
    """The lessons of one resin, taken in order: its table by now, and how both beliefs forecast each lesson."""

    bench: Bench
    resin: Resin
    table: dict[str, Any]
    used: list[str] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    by_mark: list[str] = field(default_factory=list)
    old_errors: list[float] = field(default_factory=list)
    new_errors: list[float] = field(default_factory=list)
    misses: list[float] = field(default_factory=list)

    def judge(self, lesson: Lesson) -> None:
        """Forecast a lesson by what came before it, and by the old belief."""
        if self.table:
            error, sd = _error(self.bench, replace(self.resin, cure=self.table), lesson)
            self.new_errors.append(error)
            self.misses.append(error / sd)
            self.old_errors.append(_error(self.bench, self.resin, lesson)[0])

    def take(self, lesson: Lesson) -> None:
        """Learn from a lesson."""
        bare = replace(self.resin, cure={})
        taught = _taught(self.bench, replace(bare, cure=self.table), lesson)
        if taught is None:
            self.refused.append(lesson.pour)
            return
        self.used.append(lesson.pour)
        self.by_mark += [] if taught.by_curve else [lesson.pour]
        self.table = {**_table(bare, self.table, lesson, taught.resin, self.used), "width": _width(self.misses)}

    def learned(self, lessons: Sequence[Lesson]) -> LearnedCure:
        """All of it; a single lesson, which nothing could forecast, is judged by itself."""
        judged, table = len(self.new_errors), self.table if self.used else {}
        new_errors, old_errors = self.new_errors, self.old_errors
        if not judged and self.used:
            known = next(x for x in lessons if x.pour == self.used[0])
            new_errors, old_errors = ([_error(self.bench, r, known)[0]] for r in (replace(self.resin, cure=table),
                                                                                  self.resin))  # fmt: skip
        return LearnedCure(
            table, tuple(self.used), tuple(self.refused), _mean(old_errors), _mean(new_errors), judged,
            tuple(self.by_mark),
        )  # fmt: skip


def _width(misses: Sequence[float]) -> float:
    """How much wider windows are to be, from the errors over sds of pours forecast before they were learned from.

    Their root mean square, beside as many of 1 as a bench is believed alike the model: few pours move it little.
    """
    squares = sum(min(miss, MOST_MISS) ** 2 for miss in misses)
    found = sqrt((ALIKE + squares) / (ALIKE + len(misses)))
    return round(min(max(found, LEAST_WIDTH), MOST_WIDTH), 3)


def _mean(values: Sequence[float]) -> float | None:
    return fmean(values) if values else None


def cup_at_mix(bench: Bench, resin: Resin, lesson: Lesson) -> CupCure:
    """The lesson's pour at its beginning, with `resin`'s [cure] table on the shelf."""
    label = replace(lesson.label, cure=resin.cure)
    if recipe_of(lesson.lot) is not None:
        mine = (replace(x, label=replace(x.label, cure=resin.cure)) if x.resin == resin.id else x for x in bench.lots)
        bench = replace(bench, lots=tuple(mine))
    lots = tuple(x for x in bench.lots if x.id != lesson.lot)
    if lesson.lot and recipe_of(lesson.lot) is None:
        lots = (*lots, Lot(id=lesson.lot, code=lesson.lot, resin=resin.id, label=label))
    others = tuple(r for r in bench.resins if r.id != resin.id)
    known = expectation(replace(bench, lots=lots, resins=(*others, resin)), lesson.lot or None, label)
    return CupCure(
        kind=lesson.kind, mass_g=lesson.mass_g, lag_s=lesson.lag_s, resin=known.resin, pot_life_s=known.pot_life_s,
        start_sd_k=START_SD_K, label_mass_g=known.mass_g, is_learned=known.is_learned, width=known.width,
    )  # fmt: skip


def _bins(lesson: Lesson, until_s: float) -> CurveBins:
    bins = CurveBins.for_pot_life(lesson.label.pot_life_s)
    for s, temp_c in lesson.seconds:
        if s <= until_s:
            bins.add(s, temp_c, lesson.noise_k)
    return bins


def _taught(bench: Bench, resin: Resin, lesson: Lesson) -> Taught | None:
    cup, bins = cup_at_mix(bench, resin, lesson), _bins(lesson, float("inf"))
    return cup.taught(bins, 0.0, lesson.noise_k, lesson.room_c, lesson.start_c, lesson.kick, lesson.is_marked)


def _error(bench: Bench, resin: Resin, lesson: Lesson) -> tuple[float, float]:
    """|ln| of the forecast, made at half the pour's time, over its kick; and the sd it was told with, unwidened."""
    cup, until_s = cup_at_mix(bench, resin, lesson), HALF * lesson.kick[0]
    bins = _bins(lesson, until_s)
    for _ in range(8):  # as many passes as a live fit has had by then
        belief = cup.update(bins, 0.0, lesson.noise_k, lesson.room_c, lesson.start_c)
    return abs(log(belief.window_s(until_s)[1] / lesson.kick[0])), belief.sd / cup.width


def _table(
    bare: Resin, before: Mapping[str, Any], lesson: Lesson, taught: ResinBelief, used: Sequence[str]
) -> dict[str, Any]:
    """The table after one more lesson: the lot's speed kept apart, the resin's own speed that of a lot not seen yet."""
    weights = [exp(w) for w in taught.ln_weights.tolist()]
    total = sum(weights)
    mean = sum(w * m for w, m in zip(weights, taught.means[:, LF].tolist(), strict=True)) / total
    var = (
        sum(
            w * (v + (m - mean) ** 2)
            for w, m, v in zip(
                weights, taught.means[:, LF].tolist(), taught.covariances[:, LF, LF].tolist(), strict=True
            )
        )
        / total
    )
    lots = dict(before.get("lots", {}))
    if lesson.lot:
        pours = int(lots[lesson.lot][2]) + 1 if lesson.lot in lots else 1
        # All speeds are relative to the resin's own label, whatever the lot's says.
        own = mean - log(lesson.label.pot_life_s / bare.pot_life_s)
        lots[lesson.lot] = [round(own, 4), round(var**0.5, 4), pours]
    known = [(v[0], v[1]) for id, v in lots.items() if recipe_of(id) is None] or [(mean, var**0.5)]
    belief = with_more(with_speed(taught, *new_lot_speed(known)), 0.0, -log(lesson.label.rise_share))
    return {**belief.to_plain(), "pot_life_s": bare.pot_life_s, "lots": lots, "pours": list(used)}


def spread_of(table: Mapping[str, Any]) -> dict[str, float]:
    """The likeliest shape's standard deviations by name, for people; empty if the table can't be read."""
    belief = learned_belief(table)
    if belief is None:
        return {}
    best = int(belief.ln_weights.argmax())
    names = ("ln_speed", "ln_c", "m", "n", "e_10_kj_mol", "ln_rise", "gel_conversion")
    return {name: float(belief.covariances[best, i, i]) ** 0.5 for i, name in enumerate(names)}
