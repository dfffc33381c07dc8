"""Do the demo's loads work out as a whole?  Played into the engine with the example config and its solved tables.

The hold must be called done after every mold's true gel and before the rehearsed caster bleeds; parts are called only
once the pot is down, and never before they truly are what the call says (the trade: pull green, or hard).
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import TypeVar

import pytest
from of_kind import known
from some_of import some_of

from benchd.core.engine import Engine
from benchd.core.findings import DemoldReady, Effect, HoldComplete, LoadOpened, PartPulled, PotVenting, WatcherFailed
from benchd.core.format.mark_form import mark_from_body
from benchd.core.format.record import from_record, to_record
from benchd.core.model import Context, Line, Table, Utterance
from benchd.core.mold_forecast import resin_hash
from benchd.physics.mold_factor import prior_sd
from benchd.plugins import load_settings, watcher_plan
from benchd.rehearsal import Rehearsal, load_scenario
from benchd.runtime.watch.sections import solve_plain

CONFIG = Path(__file__).resolve().parents[1] / "config" / "bench.toml"
E = TypeVar("E")
T0 = 1_767_602_340.0  # 09:39 of an invented Monday


@cache
def begun() -> tuple[Context, Table]:
    loaded = load_settings(CONFIG)
    resin = loaded.bench.resin("fast-white")
    assert resin is not None
    return loaded.context(T0), Table(T0, resin.id, resin_hash(resin), solve_plain(resin))


@cache
def played(name: str) -> tuple[Rehearsal, list[Effect]]:
    rehearsal, engine = Rehearsal(load_scenario(name), 3), Engine(watcher_plan)
    out = [f for item in begun() for f in engine.step(item)]
    for frame in rehearsal.frames():
        for mark in frame.marks:
            body = {k: v for k, v in mark.items() if k != "t_s"}
            out += engine.step(mark_from_body(T0 + mark["t_s"], body))
        for line in frame.lines:
            out += engine.step(Line(T0 + frame.t_s, "board", line.decode().rstrip("\n")))
    return rehearsal, out


def of(out: Sequence[Effect], kind: type[E]) -> list[E]:
    return [f for f in out if isinstance(f, kind)]


@pytest.mark.wide
@pytest.mark.parametrize(
    ("name", "earliest_s", "latest_s"),
    some_of([("load-1", 640, 890), ("load-2-crumb", 400, 640), ("load-3-damp", 300, 600)], 1),
)
def test_the_hold_is_done_after_the_last_gel_and_before_the_bleed(
    name: str, earliest_s: float, latest_s: float
) -> None:
    rehearsal, out = played(name)
    assert of(out, WatcherFailed) == []
    (pour,), (done,) = rehearsal.truth.pours, of(out, HoldComplete)
    assert earliest_s < done.t - T0 - pour.mix_s < latest_s
    assert done.t - T0 > max(known(m.gel_s) for m in pour.molds.values())
    vent = next(f for f in of(out, PotVenting) if f.active)
    assert done.t < vent.t
    assert not vent.before_hold_complete


@pytest.mark.parametrize(
    ("name", "due"),
    some_of(
        [
            ("load-1", {"m02": "green", "m03": "green"}),
            ("load-2-crumb", {"m07": "green"}),
            ("load-3-damp", {}),
        ],
        1,
    ),
)
def test_parts_are_called_when_the_pot_is_down_and_they_truly_are_ready(name: str, due: dict[str, str]) -> None:
    rehearsal, out = played(name)
    (opened,), molds = of(out, LoadOpened), rehearsal.truth.pours[0].molds
    called = [f for f in of(out, DemoldReady) if f.stage not in ("going-hard", "test")]
    assert {f.mold: f.stage for f in called} == due
    for call in called:
        truth = molds[call.mold.upper()]
        ready_s = truth.green_s if call.stage == "green" else truth.hard_s
        assert call.t >= opened.t
        assert ready_s is not None
        assert call.t - T0 >= ready_s


def test_the_caster_hears_of_it() -> None:
    _, out = played("load-1")
    said = [u.say for u in of(out, Utterance)]
    for words in ("Load one hold done. Mask on, vent slowly.", "Keeper arms and Keeper cloak due. Pull while green."):
        assert words in said
    assert not [s for s in said if s.startswith("Close the bleed")]


def test_each_pull_teaches_its_mold() -> None:
    rehearsal, out = played("load-1")
    pulled = of(out, PartPulled)
    assert [f.mold for f in pulled] == ["m02", "m03", "m06", "m01"]
    for found in pulled:
        assert found.feel == rehearsal.truth.pours[0].molds[found.mold.upper()].feel_at(found.t - T0)
        assert found.sd < prior_sd(26.0), "narrower than before any pull, the thickest too"


def test_a_table_travels_in_a_recording_and_an_engine_goes_on_alike_from_its_checkpoint() -> None:
    context, table = begun()
    assert from_record(to_record(table)) == table
    engine = Engine(watcher_plan)
    for item in (context, table):
        engine.step(item)
    blob = engine.freeze()
    assert len(blob) < 20_000
    copy = Engine.thaw(blob, watcher_plan, (context, table))
    mix = mark_from_body(T0 + 60.0, {"verb": "mix", "cup": "cup-1", "pot": "barrel", "lot": "R-07", "molds": ["M03"]})
    told = [[*e.step(mix), *e.advance(T0 + 65.0)] for e in (engine, copy)]
    assert told[0] == told[1]
    assert any(getattr(f, "gel_at", None) for f in told[1])
