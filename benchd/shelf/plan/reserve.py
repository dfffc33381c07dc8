"""Puts a small batch's surplus into a reserve mold, and collects the notes on the loads chosen.

A batch below 85 g is hard to proportion and heats poorly.  Such a load is mixed larger: a reserve mold is added,
poured last, the smallest that brings the batch to 85 g, else the largest there is.  It may cost margin, but no limit is
broken for it, and no mold that was asked for is left out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from benchd.core.bench import Mold
from benchd.core.bench.local_day import DAY_S
from benchd.core.learned.cure_belief import OPENED_DAYS
from benchd.core.learned.remedies import remedy_words
from benchd.shelf.amounts import SMALL_BATCH_G, fill_ml
from benchd.shelf.plan.ask import Ask
from benchd.shelf.plan.load import Loading, best_loading
from benchd.shelf.remains import is_past

LIFE_NEAR = 0.8  # of a mold's life: time to make the next one


def with_reserve(chosen: Sequence[Loading], ask: Ask) -> list[Loading]:
    """The loads, those that are too small with a reserve mold if one may be added."""
    out = list(chosen)
    times: dict[str, int] = {}
    for n, loading in enumerate(out):
        if not loading.batch.is_small:
            continue
        spare_g = _spare_g(out, loading)
        ways = [_with(loading, mold, spare_g) for mold in ask.reserve if _may(mold, times.get(mold.id, 0), ask)]
        best = min((way for way in ways if way is not None), key=_size, default=None)
        if best is not None:
            out[n] = best
            id = best.parts[-1].mold.id
            times[id] = times.get(id, 0) + 1
    return out


def _size(loading: Loading) -> tuple[bool, float]:
    """Large enough first, and then the smaller; of those too small the larger."""
    grams = loading.batch.batch_g
    return loading.batch.is_small, -grams if loading.batch.is_small else grams


def _may(mold: Mold, before: int, ask: Ask) -> bool:
    used, today = ask.used.get(mold.id, mold.casts_before), ask.today.get(mold.id, 0)
    is_fit = not mold.retired and not is_past(mold, ask.start_t) and fill_ml(mold) > 0.0
    life = min(mold.life, ask.life[mold.id].casts) if mold.id in ask.life else mold.life
    return is_fit and used + before < life and today + before < mold.casts_a_day


def _spare_g(chosen: Sequence[Loading], loading: Loading) -> float:
    """What is left of a load's lot beside all that is planned from it."""
    if loading.ask.left_g is None:
        return math.inf
    same = [other for other in chosen if other.ask.lot == loading.ask.lot]
    return loading.ask.left_g - math.fsum(other.batch.resin_g for other in same)


def _with(loading: Loading, mold: Mold, spare_g: float) -> Loading | None:
    """The load with a reserve mold; None if that would break a limit."""
    if mold.id in loading.mold_ids or mold.resin not in (None, loading.ask.resin):
        return None
    made = best_loading([*(part.mold for part in loading.parts), mold], loading.ask, loading.cup)
    fits = isinstance(made, Loading) and made.batch.resin_g - loading.batch.resin_g <= spare_g
    return made if fits and isinstance(made, Loading) else None


def notes_of(chosen: Sequence[Loading], ask: Ask) -> tuple[str, ...]:
    """What to watch for: small batches, where a surplus goes, worn molds, lots past their end, what is on trial."""
    notes = []
    for loading in chosen:
        codes = " ".join(part.mold.code for part in loading.parts if not part.mold.reserve)
        spare = [part.mold.code for part in loading.parts if part.mold.reserve]
        if spare:
            notes.append(f"{codes}: alone the batch is below {SMALL_BATCH_G:.0f} g: {spare[0]} takes the surplus, last")
        if loading.batch.is_small:
            notes.append(
                f"{codes}: the batch is {loading.batch.batch_g:.0f} g, below {SMALL_BATCH_G:.0f} g: hard to "
                "proportion, heats poorly; add a mold"
            )
    return (*notes, *_worn(chosen, ask), *_lots(chosen, ask), *_tried(chosen, ask), *_mixed(chosen))


def _worn(chosen: Sequence[Loading], ask: Ask) -> list[str]:
    notes = []
    for mold in {m.id: m for loading in chosen for m in (part.mold for part in loading.parts)}.values():
        used = ask.used.get(mold.id, mold.casts_before)
        life = min(mold.life, ask.life[mold.id].casts) if mold.id in ask.life else mold.life
        if used >= LIFE_NEAR * life:
            learned = f", as molds of {mold.silicone} gave" if life < mold.life else ""
            notes.append(f"{mold.code}: {used} of {life} casts{learned}, near its life's end")
    return notes


def _lots(chosen: Sequence[Loading], ask: Ask) -> list[str]:
    lots = {x.ask.lot.id: x.ask.lot for x in chosen if x.ask.lot is not None}
    notes = [
        f"{lot.code} is past its shelf end: a witness pour before the first load" for lot in lots.values()
        if is_past(lot, ask.start_t)
    ]  # fmt: skip
    for lot in lots.values():
        days = 0.0 if lot.opened is None else (ask.start_t - lot.opened) / DAY_S
        if days > OPENED_DAYS and not is_past(lot, ask.start_t):
            notes.append(f"{lot.code}, {days:.0f} days open, may be slow and may foam: a witness pour first")
    if len(lots) > 1:
        notes.append(f"{len(lots)} lots are poured: {', '.join(lot.code for lot in lots.values())}; one lot a cup")
    return notes


def _tried(chosen: Sequence[Loading], ask: Ask) -> list[str]:
    """What is on trial at the molds, and how it did."""
    molds = {part.mold.id: part.mold for loading in chosen for part in loading.parts}
    return [f"{mold.code}: {remedy_words(ask.tried[id]).rstrip('.')}" for id, mold in molds.items() if id in ask.tried]


def _mixed(chosen: Sequence[Loading]) -> list[str]:
    """What a recipe puts into each load's B, before A comes to it: common practice, no source."""
    notes = []
    for loading in chosen:
        batch, label = loading.batch, loading.ask.label
        if label.recipe:
            codes = " ".join(part.mold.code for part in loading.parts)
            extra = [(batch.pigment_g, "pigment"), (batch.filler_g, "filler")]
            told = " and ".join(f"{grams:.1f} g {what}" for grams, what in extra if grams > 0.0)
            notes.append(
                f"{codes}: {told} for {label.recipe}, dry, stirred into B first; its kick is in doubt until seen"
            )
    return notes
