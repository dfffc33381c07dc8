"""Plays weeks at the invented studio: each morning the orders are planned, each load marked, each part graded.

A bench without a board but, in a wet week, the room's humidity: what is known comes from marks, as at a bench whose
caster types everything.  The engine starts anew each morning, as a bench that is switched off at night.  All invented.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

from benchd.core.bench import Bench
from benchd.core.engine import Engine
from benchd.core.findings import Finding
from benchd.core.intake.wire import encode
from benchd.core.model import Alert, Input, Line, Mark, MarkAnswer, Utterance
from benchd.plugins import load_settings, watcher_plan
from benchd.runtime.history.shelf import spent
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.rows import Writes
from benchd.runtime.watch.orders_file import order_book
from benchd.settings import Loaded
from benchd.shelf.orders import Order
from benchd.shelf.orders.book import words_of
from benchd.shelf.plan import LeftOut, plan
from benchd.shelf.plan.wish import Wish, ask_of
from benchd.shelf.remains import counted_since

CONFIG = Path(__file__).parents[2] / "config" / "bench.toml"
MONDAY_T = 1_767_571_200.0  # 2026-01-05, 00:00 UTC
DAY_S, NINE_S = 86_400.0, 9 * 3600.0
KICK_S = 175.0
Outcome = tuple[str, str | None, str]
"""Grade, cause, feel."""


def studio(bought_g: float, **molds: dict[str, object]) -> Loaded:
    """The demo's files with the lot R-07 alone, so much of it, no board, and some molds changed."""
    loaded = load_settings(CONFIG)
    bench = loaded.bench
    lots = tuple(replace(lot, bought_g=bought_g) for lot in bench.lots if lot.id == "r-07")
    changed = tuple(replace(m, **molds.get(m.id, {})) for m in bench.molds)  # type: ignore[arg-type]  # as given
    return replace(loaded, bench=replace(bench, channels=(), lots=lots, molds=changed))


def with_room(loaded: Loaded) -> Loaded:
    """The same bench, its room's temperature and humidity measured, each 20 s."""
    room = [c for c in load_settings(CONFIG).bench.channels if c.role in ("room_temperature", "room_humidity")]
    slow = tuple(replace(c, period_s=20.0) for c in sorted(room, key=lambda c: c.role))
    return replace(loaded, bench=replace(loaded.bench, channels=slow))


@dataclass(slots=True)
class Week:
    """A week as it is played; `judge(mold, nth cast of it, day)` grades; `rh_of(day)` is the room's humidity."""

    loaded: Loaded
    journal: Journal
    judge: Callable[[str, int, int], Outcome]
    rh_of: Callable[[int], float] | None = None
    seq: int = 0
    told: int = 0
    made: Counter[str] = field(default_factory=Counter)
    left_out: list[tuple[int, LeftOut]] = field(default_factory=list)
    refused: list[MarkAnswer] = field(default_factory=list)

    @property
    def bench(self) -> Bench:
        return self.loaded.bench

    async def day(self, number: int, orders: list[Order]) -> int:
        """Cast what the orders want of a day; returns how many casts were made."""
        morning_t = MONDAY_T + number * DAY_S + NINE_S
        book = await order_book(self.journal, self.bench, orders, morning_t)
        words = words_of(book.casts_on(0), self.bench)
        if not words:
            return 0
        used = await spent(self.journal, self.bench.midnight_t(morning_t), counted_since(self.bench))
        made = plan(ask_of(Wish(molds=tuple(words), temp_c=21.5, start_t=morning_t), self.bench, used))
        self.left_out += [(number, out) for out in made.left_out]
        inputs: list[Input] = self._damp(number, morning_t)
        casts = 0
        for placed in made.loads:
            batch, molds = placed.loading.batch, placed.loading.mold_ids
            inputs.append(self._mark(placed.mix_t, verb="mix", molds=molds, lot="r-07", a_g=batch.a_g, b_g=batch.b_g))
            inputs.append(self._mark(placed.mix_t + KICK_S, verb="kicked"))
            for mold, due_t in zip(molds, placed.due_t, strict=True):
                inputs.append(self._out(mold, max(due_t, placed.open_t) + 5.0, number))
                casts += 1
        await self._play(morning_t - 600.0, sorted(inputs, key=lambda item: item.t))
        return casts

    def _mark(self, t: float, **keys: object) -> Mark:
        return Mark(t=t, by="cli", id=f"{keys['verb']}-{keys.get('mold', '')}{t:.0f}", **keys)  # type: ignore[arg-type]

    def _out(self, mold: str, t: float, number: int) -> Mark:
        self.made[mold] += 1
        grade, cause, feel = self.judge(mold, self.made[mold], number)
        return self._mark(t, verb="demolded", mold=mold, grade=grade, cause=cause, feel=feel)

    def _damp(self, number: int, morning_t: float) -> list[Input]:
        """The room every 20 s until the afternoon, by a board's lines."""
        if self.rh_of is None:
            return []
        damp, warm = self.bench.channels
        records = [(damp.senml, self.rh_of(number), None, "%RH"), (warm.senml, 21.5, None, "Cel")]
        return [
            Line(morning_t - 500.0 + 20.0 * n, damp.source, encode(records, seq=n, up=20.0 * n).decode().rstrip("\n"))
            for n in range(600)
        ]

    async def _play(self, start_t: float, inputs: list[Input]) -> None:
        writes, engine = Writes(), Engine(watcher_plan)
        for item in (self.loaded.context(start_t), *inputs):
            self.seq += 1
            writes.add_input(self.seq, item)
            for effect in engine.step(item):
                if isinstance(effect, Finding | Alert | Utterance | MarkAnswer):
                    self.told += 1
                    writes.add_effect(self.told, self.seq, effect)
                    if isinstance(effect, MarkAnswer) and not effect.ok:
                        self.refused.append(effect)
        await self.journal.write(writes)
