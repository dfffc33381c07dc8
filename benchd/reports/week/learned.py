"""Tells what was learned in a week: each thing as it was believed when the week began, and when it ended."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import exp, expm1
from statistics import median

from benchd.core.bench import Bench, Resin
from benchd.core.learned.cure_belief import learned_width, lot_speed
from benchd.core.model.learned import Drift, Learned
from benchd.physics.mold_factor import MoldFactor
from benchd.reports import plain
from benchd.reports.records import LoadRecord
from benchd.runtime.journal.reader import Logbook, Readable

NOTHING = "not known"


@dataclass(frozen=True, slots=True)
class Lesson:
    """One thing (`what`) in words before and after, and as numbers (None: not known)."""

    what: str
    before: str
    after: str
    was: float | None = None
    now: float | None = None


async def benches_at(journal: Readable, bench: Bench, since_t: float, until_t: float) -> tuple[Bench, Bench]:
    """The bench with what it believed at two times; before its first context it believed the labels alone.

    Raises JournalError.
    """
    book, bare = Logbook(journal), tuple(replace(resin, cure={}) for resin in bench.resins)
    return (
        await book.bench_at(since_t, replace(bench, learned=Learned(), resins=bare)),
        await book.bench_at(until_t, bench),
    )


def lessons_of_week(before: Bench, after: Bench) -> list[Lesson]:
    """What changed between two states of a bench: curves, lots, hands, pots, molds, silicones."""
    found = [*_curves(before, after), *_lots(before, after), *_hands(before, after), *_pots(before, after),
             *_molds(before, after), *_silicones(before, after)]  # fmt: skip
    return [lesson for lesson in found if lesson.before != lesson.after]


def _curves(before: Bench, after: Bench) -> Iterator[Lesson]:
    """Each lot's speed by its resin's [cure] table, and how wide its windows have to be."""
    for resin in after.resins:
        old = before.resin(resin.id)
        lots = resin.cure.get("lots")
        for lot in lots if isinstance(lots, Mapping) else ():
            was, now = (None if each is None else _speed(each, lot) for each in (old, resin))
            name = f"speed of {plain.lot_code(after, lot)} over its label"
            yield Lesson(name, _speed_words(was), _speed_words(now), was[0] if was else None, now[0] if now else None)
        widths = [1.0 if each is None else learned_width(each.cure) for each in (old, resin)]
        yield Lesson(f"{resin.name}: windows over the fit's own", f"x{widths[0]:.2f}", f"x{widths[1]:.2f}", *widths)


def _speed(resin: Resin, lot: str) -> tuple[float, float, int] | None:
    found = lot_speed(resin, lot)
    if found is None:
        return None
    known = resin.cure["lots"][lot]
    return found[0], found[1], int(known[2]) if len(known) > 2 else 0


def _speed_words(speed: tuple[float, float, int] | None) -> str:
    if speed is None:
        return NOTHING
    ln, sd, pours = speed
    return f"{100.0 * expm1(ln):+.0f} % +-{100.0 * sd:.0f} % ({_many(pours, 'pour')})"


def _many(n: int, what: str) -> str:
    return f"{n} {what}{'' if n == 1 else 's'}"


def _lots(before: Bench, after: Bench) -> Iterator[Lesson]:
    for lot, drift in after.learned.lots.items():
        was = before.learned.lots.get(lot)
        name = f"kick of {plain.lot_code(after, lot)} at {plain.label_warmth(after)}, over its label"
        yield Lesson(name, _drift_words(was), _drift_words(drift), was.level if was else None, drift.level)


def _drift_words(drift: Drift | None) -> str:
    if drift is None:
        return NOTHING
    ages = f", {100.0 * expm1(drift.per_day):+.1f} % a day" if drift.is_clear else ", ageing not clear"
    return f"x{exp(drift.level):.2f}{ages} ({_many(drift.pours, 'pour')})"


def _hands(before: Bench, after: Bench) -> Iterator[Lesson]:
    for name, key in (("from one mold to the next", "pour_s"), ("from the last mold to the air", "lid_s")):
        was, now = (getattr(bench.learned.caster, key) for bench in (before, after))
        yield Lesson(name, _seconds(was), _seconds(now), was, now)


def _seconds(value: float | None) -> str:
    return NOTHING if value is None else f"{value:.0f} s"


def _pots(before: Bench, after: Bench) -> Iterator[Lesson]:
    for pot in after.pots:
        was, now = before.learned.pot(pot.id), after.learned.pot(pot.id)
        yield Lesson(f"{pot.name}: fill", _seconds(was.fill_s), _seconds(now.fill_s), was.fill_s, now.fill_s)
        old, new = (f"by {_many(each.fills, 'tight fill')}" if each.fills else NOTHING for each in (was, now))
        yield Lesson(f"{pot.name}: how its gas cools", old, new, float(was.fills), float(now.fills))


def _molds(before: Bench, after: Bench) -> Iterator[Lesson]:
    for mold, by_resin in after.learned.molds.items():
        for resin, factor in by_resin.items():
            was = before.learned.factor(mold, resin)
            name = f"{plain.mold_codes(after, [mold])}: hard over the model's time"
            yield Lesson(name, _factor_words(was), _factor_words(factor), was.log_bias if was else None,
                         factor.log_bias)  # fmt: skip


def _factor_words(factor: MoldFactor | None) -> str:
    if factor is None:
        return NOTHING
    return f"x{exp(factor.log_bias):.2f} +-{100.0 * factor.sd:.0f} % ({_many(factor.pulls, 'pull')})"


def _silicones(before: Bench, after: Bench) -> Iterator[Lesson]:
    for silicone, life in after.learned.silicones.items():
        was = before.learned.silicones.get(silicone)
        words = NOTHING if was is None else f"{was.casts} casts"
        yield Lesson(f"life of {silicone} molds", words, f"{life.casts} casts", was.casts if was else None, life.casts)


def leak_lessons(bench: Bench, before: Sequence[LoadRecord], week: Sequence[LoadRecord]) -> list[Lesson]:
    """Each pot's leak, by the middle load: of the loads before the week, and of the week."""
    out: list[Lesson] = []
    for pot in bench.pots:
        was, now = ([load for load in loads if load.pot == pot.id] for loads in (before, week))
        for name, leaks in (("leak", True), ("no leak above", False)):
            values = [[_leak(load, leaks) for load in loads] for loads in (was, now)]
            old, new = ([v for v in each if v is not None] for each in values)
            if new:
                out.append(Lesson(f"{pot.name}: {name}", _leak_words(bench, old), _leak_words(bench, new),
                                  median(old) if old else None, median(new)))  # fmt: skip
    return out


def _leak(load: LoadRecord, leaks: bool) -> float | None:
    """kPa a minute: what leaked, or what a tight hold would have shown."""
    if load.leak is not None:
        return load.leak.kpa_per_min if leaks else None
    return None if leaks or load.verdict != "tight-to" else load.tight_kpa_min


def _leak_words(bench: Bench, values: Sequence[float]) -> str:
    return NOTHING if not values else f"{plain.rate(bench, median(values))} ({_many(len(values), 'load')})"
