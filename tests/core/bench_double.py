"""Test doubles: a small bench, and watchers that say what a script tells them to."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from benchd.core.bench import Bench, Channel, Cup, Lot, Mold, Pot, Resin
from benchd.core.bench.context import context_parts
from benchd.core.engine import Engine
from benchd.core.findings import Effect, Event, Finding
from benchd.core.intake.wire import encode
from benchd.core.model import Alert, Context, Line, Mark, Subject, Tick, Utterance
from benchd.core.model.day import DayBefore
from benchd.core.seat.watcher import Place, Reads, WatcherPlan
from benchd.stored import stored

T0 = 1_767_606_000.0  # 2026-01-05 09:40:00 UTC, the demo's invented day

FAST = Resin(id="fast", name="Fast white", pot_life_s=180.0, demold_s=600.0)
MOLDS = (
    Mold(id="m02", code="M02", name="Keeper arms", cavity_ml=28.0, gate_ml=9.0, thin_mm=2.2, thick_mm=9.0),
    Mold(id="m05", code="M05", name="Heron legs", cavity_ml=17.0, gate_ml=8.0, thin_mm=2.0, thick_mm=5.0, pull="green"),
    Mold(id="m01", code="M01", name="Lantern Keeper torso", cavity_ml=96.0, gate_ml=14.0, thin_mm=6.0, thick_mm=26.0),
)
BARREL = Pot(
    id="barrel", name="Barrel", volume_l=16.5, free_l=13.0, marked_kpa=413.7, relief_kpa=379.2, target_kpa=289.6,
    floor_kpa=241.3, limit_kpa=372.3,
)  # fmt: skip
CUP = Cup(id="cup-1", name="Cup one")
CHANNELS = (
    Channel(id="cup-1-temperature", source="board", senml="b1-cup", role="cup_temperature", of="cup-1"),
    Channel(id="barrel-pressure", source="board", senml="b1-pot", role="pot_pressure", of="barrel"),
    Channel(id="room-humidity", source="board", senml="b1-rh", role="room_humidity"),
)
BENCH = Bench(
    id="north", shop="quiet-harbour", name="North bench", channels=CHANNELS, pots=(BARREL,), cups=(CUP,), molds=MOLDS,
    lots=(Lot(id="r-07", code="R-07", resin="fast", label=FAST),), resins=(FAST,), sources=(("board", "crc32"),),
)  # fmt: skip


def context(bench: Bench = BENCH, t: float = T0, day: DayBefore | None = None) -> Context:
    config, shelf, resins = context_parts(bench)
    return Context(t, config, shelf, resins, bench.learned, bench.utc_offsets, "test", "hash", day)


@stored("test-script")
class Script:
    """A watcher that says its lines when their time comes."""

    left: list[Finding]

    def __init__(self, lines: Sequence[Finding]) -> None:
        self.left = sorted(lines, key=lambda f: f.t)

    def see(self, event: Event) -> Sequence[Finding]:
        due = [f for f in self.left if f.t <= event.t] if isinstance(event, Tick) else []
        self.left = self.left[len(due) :]
        return due


def scripted(*lines: Finding, bench: Bench = BENCH) -> Engine:
    """An engine on the small bench, whose only watcher says these findings."""
    place = Place(bench, Subject(bench=bench.id))
    plan = WatcherPlan("script", 0, "bench", Reads(ticks=True), place, None, lambda: Script(lines))
    engine = Engine(lambda _: [plan])
    engine.step(context(bench))
    return engine


def mark(verb: str, after_s: float = 0.0, **more: Any) -> Mark:
    return Mark(t=T0 + after_s, verb=verb, **more)


def line(seq: int, **values: tuple[float, str | None]) -> str:
    """A checked board line of board b1: name = (value, unit)."""
    records = [(name, value, None, unit) for name, (value, unit) in values.items()]
    return encode(records, board="b1-", seq=seq).decode().rstrip("\n")


def of(effects: Sequence[Effect], kind: type[Any]) -> list[Any]:
    return [e for e in effects if isinstance(e, kind)]


def said(effects: Sequence[Effect]) -> list[tuple[float, str]]:
    """(seconds after T0, words) of every utterance."""
    return [(round(u.t - T0, 1), u.say) for u in of(effects, Utterance)]


def alerts(effects: Sequence[Effect]) -> list[tuple[str, bool, bool]]:
    """(code, active, heard) of every alert transition."""
    return [(a.alert, a.active, a.heard) for a in of(effects, Alert)]


POT = Subject(bench="north", pot="barrel")
CUP_SUBJECT = Subject(bench="north", cup="cup-1")


class Foot:
    """The board's running counts of one foot."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self.counts = {"short": 0, "long": 0, "double": 0}
        self.seq = 0
        self._send(0.5)

    def _send(self, after_s: float) -> list[Effect]:
        self.seq += 1
        text = encode([], board="b1-", seq=self.seq, presses=self.counts).decode().rstrip("\n")
        return self.engine.step(Line(T0 + after_s, "board", text))

    def press(self, kind: str, after_s: float) -> list[Effect]:
        self.counts[kind] += 1
        return self._send(after_s)
