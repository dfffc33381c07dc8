"""Does a recorded load say the same when its lines come late, in bursts, twice and out of order?

The recording is the invented load 1; what is done to its lines is drawn from a seed.
"""

from __future__ import annotations

import lzma
import random
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
from some_of import some_of

from benchd.core.bench.context import bench_from_context, context_parts
from benchd.core.engine import Engine
from benchd.core.findings import BenchNotice, Effect, Finding, Kicked, PotAtPressure, PotVented
from benchd.core.format.record import read_recording
from benchd.core.model import Alert, Context, Input, Line, Utterance
from benchd.plugins import watcher_plan

RECORDING = Path(__file__).parent / "recordings" / "load-1.jsonl.xz"
STALL_MOST_S = 4.5  # a channel is silent after 5 s


@cache
def inputs() -> tuple[Input, ...]:
    with lzma.open(RECORDING, "rt", encoding="utf-8") as lines:
        return tuple(read_recording(lines))


def played(items: Sequence[Input]) -> list[Effect]:
    engine, found = Engine(watcher_plan), list[Effect]()
    for item in items:
        found += engine.step(item)
    return found


@cache
def undisturbed() -> tuple[Effect, ...]:
    return tuple(played(inputs()))


def stalled(items: Sequence[Input]) -> list[Input]:
    """Every 8 to 20 s no line comes for 0.5 to 4.5 s; then all that were made arrive at once.  20 ms of jitter."""
    rng, out = random.Random(5), list[Input]()
    begin_t = end_t = items[0].t
    for item in items:
        if item.t > end_t:
            begin_t = item.t + rng.uniform(8.0, 20.0) if end_t < item.t and begin_t <= end_t else begin_t
            end_t = begin_t + rng.uniform(0.5, STALL_MOST_S) if begin_t > end_t else end_t
        is_held = isinstance(item, Line) and begin_t <= item.t <= end_t
        late_t = end_t if is_held else item.t + rng.uniform(0.0, 0.02) * isinstance(item, Line)
        out.append(replace(item, t=late_t))
    return sorted(out, key=lambda item: item.t)


def muddled(items: Sequence[Input]) -> list[Input]:
    """Each twentieth line changes places with the next, each thirtieth comes twice."""
    out, places = list(items), [k for k, item in enumerate(items) if isinstance(item, Line)]
    for k, after in zip(places[19::20], places[20::20], strict=False):
        out[k], out[after] = replace(out[after], t=out[k].t), replace(out[k], t=out[after].t)
    return [item for k, item in enumerate(out) for _ in range(2 if k in set(places[10::30]) else 1)]


def by_arrival(items: Sequence[Input]) -> list[Input]:
    """The same, of a bench whose settings say that arrivals count."""
    (context,) = (item for item in items if isinstance(item, Context))
    bench = bench_from_context(context)
    config, _, _ = context_parts(replace(bench, clocks=tuple((source, "arrival") for source, _ in bench.sources)))
    return [replace(item, config=config) if item is context else item for item in stalled(items)]


def words(effects: Sequence[Effect]) -> list[str]:
    return [effect.say for effect in effects if isinstance(effect, Utterance)]


def moment(effects: Sequence[Effect], kind: type[Kicked | PotAtPressure | PotVented]) -> float:
    (found,) = (effect for effect in effects if isinstance(effect, kind))
    return getattr(found, "at", None) or getattr(found, "since", None) or found.t


@pytest.mark.timeout(120)
@pytest.mark.parametrize("ailment", some_of([stalled, muddled], 1))
def test_late_lines_change_no_word(ailment: Callable[[Sequence[Input]], list[Input]]) -> None:
    """The words and their order; the kick to 3 s, pressure reached to 0.5 s, vented when the stall it ends in does."""
    effects = played(ailment(inputs()))
    assert words(effects) == words(undisturbed())
    told = [effect.t for effect in effects if isinstance(effect, Finding | Alert | Utterance)]
    assert told == sorted(told)
    for kind, within_s in ((Kicked, 3.0), (PotAtPressure, 0.5), (PotVented, 0.5 + STALL_MOST_S)):
        assert moment(effects, kind) == pytest.approx(moment(undisturbed(), kind), abs=within_s)
    assert not [effect for effect in effects if isinstance(effect, BenchNotice) and effect.what == "board-reset"]


@pytest.mark.wide
@pytest.mark.timeout(120)
def test_a_stall_is_no_speed_where_arrivals_count() -> None:
    """Nobody knows when those lines were made: words may come later, none comes that was not said before."""
    said = words(played(by_arrival(inputs())))
    assert set(said) <= set(words(undisturbed()))
    assert "Past floor. Keep the air on." in said
