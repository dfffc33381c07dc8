"""The page's state at moments of the invented studio's day: what a phone would be sent, with the clock standing still.

The recorded loads are stepped through the engine; the snapshot is the one the page's own Site makes of a Bulletin.
Some moments the day does not have are made of those it has: an alarm, a second pot, a gauge that says nothing.
"""

from __future__ import annotations

import copy
import functools
import json
import lzma
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from benchd.core.engine import Engine
from benchd.core.format.record import read_recording
from benchd.core.model import Context, Mark, Reading
from benchd.page.api import Api
from benchd.page.site import Site
from benchd.plugins import load_settings, watcher_plan
from benchd.runtime.bulletin import Bulletin, Posted
from benchd.runtime.clock import BenchClock
from benchd.runtime.contracts import Health

RECORDINGS = Path(__file__).parent / "recordings"
CONFIG = Path(__file__).parents[1] / "config" / "bench.toml"
State = dict[str, Any]

LOAD_1 = {
    "idle": -30.0, "mixing": 20.0, "pouring": 80.0, "closing": 106.0, "filling": 135.0, "kick": 196.0,
    "fed": 260.0, "holding": 500.0, "hold-done": 845.0, "venting": 906.0, "demolding": 975.0, "part-late": 1200.0,
}  # fmt: skip
"""Name -> seconds after the first mix of load 1."""
LOAD_2 = {"damp-idle": -30.0, "leaking": 420.0, "topped-up": 600.0}


MADE = ("alarm", "alarm-pouring", "attention", "gauge-blind", "two-pots")
NAMES = (*LOAD_1, *LOAD_2, *MADE)


@functools.cache
def moments() -> dict[str, State]:
    """Every moment by name: {"snapshot": ..., "history": {channel: [[t, value]]}}."""
    found = dict(_of_load("load-1", LOAD_1)) | dict(_of_load("load-2-crumb", LOAD_2))
    return found | {
        "alarm": _alarmed(found["holding"], "pot-leaking-fast", 1, "Leaking fast. Bleed shut? Hands off clamps."),
        "alarm-pouring": _alarmed(found["pouring"], "cup-kicking", 1, "Cup is kicking. Set it down, step back."),
        "attention": _alarmed(found["holding"], "pot-creeping", 2, "Pot creeping up. Shut the inlet."),
        "gauge-blind": _gauge_blind(found["holding"]),
        "two-pots": _two_pots(found["pouring"], found["holding"]),
    }


@functools.cache
def _to_the_parts() -> dict[str, State]:
    return dict(_of_load("load-1", {name: s for name, s in LOAD_1.items() if s <= LOAD_1["demolding"]}))


def moment(name: str) -> State:
    """One moment of load 1 up to its first parts, which is stepped once and no farther."""
    return _to_the_parts()[name]


def _of_load(name: str, at_s: dict[str, float]) -> Iterator[tuple[str, State]]:
    with lzma.open(RECORDINGS / f"{name}.jsonl.xz", "rt", encoding="utf-8") as lines:
        items = list(read_recording(lines))
    mix_t = next(item.t for item in items if isinstance(item, Mark) and item.verb == "mix")
    engine, bulletin, traces = Engine(watcher_plan), Bulletin(), dict[str, list[list[float]]]()
    due = sorted(((mix_t + s, key) for key, s in at_s.items()), reverse=True)
    assert isinstance(items[0], Context)
    for item in items:
        while due and item.t > due[-1][0]:
            t, key = due.pop()
            yield key, {"snapshot": _snapshot(bulletin, t), "history": copy.deepcopy(traces)}
        if not due:
            return
        for effect in engine.step(item):
            bulletin.post([Posted(effect, 1)])
            if isinstance(effect, Reading) and effect.value is not None:
                trace = traces.setdefault(effect.channel, [])
                if not trace or int(trace[-1][0]) != int(effect.t):
                    trace.append([round(effect.t, 1), round(effect.value, 2)])


def _snapshot(bulletin: Bulletin, t: float) -> State:
    clock = BenchClock(rate=0.0, anchor_s=t, monotonic=lambda: 0.0)
    health, bench = Health(), load_settings(CONFIG).bench
    api = Api(clock, bulletin, health, lambda mark: None, dict, lambda: 0.0)
    journal: Any = None  # a snapshot reads none
    site = Site(api, clock, bulletin, health, lambda: bench, journal, "moment", lambda: 0.0)
    state: State = json.loads(json.dumps(site.snapshot()))
    state.update(now=t, rate=0, stale=[])
    return state


def _alarmed(state: State, code: str, priority: int, text: str) -> State:
    new = copy.deepcopy(state)
    alert = {"t": new["snapshot"]["now"] - 4.0, "alert": code, "priority": priority, "active": True, "heard": False,
             "text": text, "subject": {"pot": "barrel"}, "shelved_until": None}  # fmt: skip
    new["snapshot"]["alerts"].append(alert)
    new["snapshot"]["said"] = []
    return new


def _gauge_blind(state: State) -> State:
    new = copy.deepcopy(state)
    for reading in new["snapshot"]["readings"]:
        if reading["role"] == "pot_pressure":
            reading.update(value=None, quality="fault", why="board says so")
    for card in new["snapshot"]["cards"]:
        if card["of"] == "pot":
            card["reads"] = "blind"
    return new


def _two_pots(pouring: State, holding: State) -> State:
    """A cup in hand while another load holds in a second pot, as far as it had come at `holding`."""
    new = copy.deepcopy(pouring)
    by_s = new["snapshot"]["now"] - holding["snapshot"]["now"]
    shot, held = new["snapshot"], holding["snapshot"]
    pot = next(p for p in held["bench"]["pots"] if p["id"] == "barrel")
    shot["bench"]["pots"].append(pot | {"id": "keg", "name": "Keg"})
    shot["bench"]["channels"].append({"id": "pot2", "role": "pot_pressure", "of": "keg"})
    for card in held["cards"]:
        if card["of"] in ("pot", "mold") and (card["of"] == "pot" or card["id"] in ("m02", "m03")):
            moved = {key: _moved(key, value, by_s) for key, value in card.items()}
            moved |= {"id": "keg"} if card["of"] == "pot" else {"id": {"m02": "m05", "m03": "m07"}[card["id"]]}
            shot["cards"] = [c for c in shot["cards"] if (c["of"], c["id"]) != (moved["of"], moved["id"])]
            shot["cards"].append(moved | ({"pot": "keg"} if card["of"] == "mold" else {}))
    gauge = next(r for r in held["readings"] if r["role"] == "pot_pressure")
    shot["readings"].append(gauge | {"channel": "pot2", "of": "keg", "t": shot["now"] - 0.2})
    new["history"]["pot2"] = [[t + by_s, v] for t, v in holding["history"][gauge["channel"]]]
    return new


def _moved(key: str, value: Any, by_s: float) -> Any:
    if isinstance(value, float) and value > 1e9:
        return value + by_s
    return [_moved(key, each, by_s) for each in value] if isinstance(value, list) else value
