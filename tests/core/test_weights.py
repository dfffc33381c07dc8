"""A mix without weights takes those that stand on the scale, once, and says so."""

from __future__ import annotations

import json
from dataclasses import replace

from recordings_by_hand import BENCH, START_T, context

from benchd.core.bench import Channel, Lot, Mold, Resin
from benchd.core.engine import Engine
from benchd.core.findings import BatchWeighed, Effect, PourEnded, PourStarted
from benchd.core.format.record import from_record
from benchd.core.intake.wire import encode
from benchd.core.model import Line, Mark, MarkAnswer, Utterance
from benchd.plugins import watcher_plan

LABEL = Resin(id="fast", name="Fast", pot_life_s=180, demold_s=600, ratio_weight_b=0.9)
WEIGHING = replace(
    BENCH,
    channels=(*BENCH.channels, Channel(id="scale", source="board", senml="b1-scale", role="scale")),
    lots=(Lot(id="r-07", code="R-07", resin="fast", label=LABEL),),
    molds=(Mold(id="m02", code="M02", name="Arms", cavity_ml=28, thin_mm=2.2, thick_mm=9),),
)


def weighed(grams: list[tuple[float, int]]) -> tuple[Engine, list[Effect], float]:
    """An engine that saw these levels (grams, seconds), what followed, and the time then."""
    engine, found, t = Engine(watcher_plan), list[Effect](), START_T
    found += engine.step(from_record(json.loads(context(bench=WEIGHING))))
    for level, for_s in grams:
        for _ in range(for_s):
            t += 1.0
            line = encode([("scale", level, None, "g")], board="b1-", seq=int(t - START_T))
            found += engine.step(Line(t, "board", line.decode().strip()))
    return engine, found, t


def started(effects: list[Effect]) -> PourStarted:
    return next(e for e in effects if isinstance(e, PourStarted))


def test_a_bare_mix_takes_the_scales_weights_once() -> None:
    engine, found, t = weighed([(0.0, 8), (159.5, 10), (303.0, 10)])
    told = [e for e in found if isinstance(e, BatchWeighed)]
    assert [(e.a_g, e.b_g, e.side) for e in told] == [(159.5, 143.5, "good")]
    first = engine.step(Mark(t=t + 5, verb="mix", id="1", molds=("m02",)))
    assert (started(first).a_g, started(first).b_g) == (159.5, 143.5)
    assert any(isinstance(e, MarkAnswer) and "the scale's weights" in e.why for e in first)
    undone = engine.step(Mark(t=t + 7, verb="undo", id="2"))
    assert any(isinstance(e, PourEnded) for e in undone)
    again = engine.step(Mark(t=t + 20, verb="mix", id="3", molds=("m02",)))
    assert (started(again).a_g, started(again).b_g) == (159.5, 143.5)  # taken back, they stand on the scale again
    engine.step(Mark(t=t + 25, verb="end", id="4"))
    third = engine.step(Mark(t=t + 40, verb="mix", id="5", molds=("m02",)))
    assert started(third).a_g is None


def test_typed_weights_stand() -> None:
    engine, _, t = weighed([(0.0, 8), (159.5, 10), (303.0, 10)])
    found = engine.step(Mark(t=t + 5, verb="mix", id="1", molds=("m02",), a_g=150.0, b_g=135.0))
    assert (started(found).a_g, started(found).b_g) == (150.0, 135.0)


def test_a_wrong_ratio_is_said_before_the_mix() -> None:
    _, found, _ = weighed([(0.0, 8), (151.5, 10), (303.0, 20)])
    said = [e.say for e in found if isinstance(e, Utterance)]
    assert "B is over by eleven percent. Add A to match." in said
