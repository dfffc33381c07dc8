"""Two pots and three cups at once, out of three rehearsed loads: each with pot and cup of its own name, on one clock.

 0:00   cup one into Barrel (load 1)
25:30   cup two into Drum (load 2, with the crumb under its gasket)
32:00   cup three into Barrel again, pressurised late, while Drum's hold is done and its parts come out
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

from benchd.core.bench import Bench, Channel, Cup
from benchd.core.format.mark_form import mark_from_body
from benchd.core.intake.wire import encode
from benchd.core.model import Line, Mark
from benchd.rehearsal import Rehearsal, load_scenario
from benchd.rehearsal.rehearsal import Frame

CUPS = (("cup-1", "Cup one"), ("cup-2", "Cup two"), ("cup-3", "Cup three"))
END_S = 3900.0


@dataclass(frozen=True, slots=True)
class Played:
    """One rehearsed load: from begin_s on [s], with this cup, in this pot."""

    scenario: str
    begin_s: float
    cup: str
    pot: str


LOADS = (Played("load-1", 0.0, "cup-1", "barrel"), Played("load-2-crumb", 1530.0, "cup-2", "drum"),
         Played("pressurised-late", 1920.0, "cup-3", "barrel"))  # fmt: skip


def bench_of(one: Bench) -> Bench:
    """The bench of the example, with a second pot, two more cups and their probes."""
    barrel = one.pots[0]
    first = next(c for c in one.channels if c.role == "pot_pressure")
    probe = next(c for c in one.channels if c.role == "cup_temperature")
    channels: list[Channel] = [c for c in one.channels if c.role not in ("pot_pressure", "cup_temperature")]
    channels += [replace(first, id=f"{pot}-pressure", senml=f"b1-{pot}", of=pot) for pot in ("barrel", "drum")]
    channels += [replace(probe, id=f"{id}-temp", senml=f"b1-{id}", of=id) for id, _ in CUPS]
    cups = tuple(Cup(id=id, name=name, kind="witness", mass_g=25.0) for id, name in CUPS)
    return replace(one, pots=(barrel, replace(barrel, id="drum", name="Drum")), cups=cups, channels=tuple(channels))


def inputs(t0: float, seed: int) -> Iterator[Mark | Line]:
    """All that the bench is told, in order; t0: when the first rehearsal begins [unix s]."""
    running = [(load, Rehearsal(load_scenario(load.scenario), seed + i).frames()) for i, load in enumerate(LOADS)]
    still: dict[str, Frame] = {}
    for k in range(int(4.0 * END_S)):
        t_s, marks = k / 4.0, list[Mark]()
        for load, frames in running:
            if t_s < load.begin_s or (frame := next(frames, None)) is None:
                continue
            still[load.cup] = still[load.pot] = frame
            marks += map(partial(_mark, t0 + load.begin_s, load), frame.marks)
        yield from sorted(marks, key=lambda mark: mark.t)
        yield Line(t0 + t_s, "board", _line(k, t_s, still))


def _mark(begin_t: float, load: Played, typed: dict[str, Any]) -> Mark:
    own = {"cup": load.cup, "pot": load.pot}
    body = {key: own.get(key, value) for key, value in typed.items() if key != "t_s"}
    return mark_from_body(begin_t + float(typed["t_s"]), body)


def _line(k: int, t_s: float, still: dict[str, Frame]) -> str:
    """The board's line: each pot and cup of its own rehearsal, the room of the first; before that cold and empty."""
    room = still["cup-1"].readings
    read = [(pot, still[pot].readings["pot"] if pot in still else 0.0, None, "Pa") for pot in ("barrel", "drum")]
    read += [(id, (still[id].readings if id in still else {"cup": room["room"]})["cup"], None, "Cel") for id, _ in CUPS]
    read += [("room", room["room"], None, "Cel"), ("rh", room["rh"], None, "%RH")]
    return encode([r for r in read if r[1] is not None], board="b1-", seq=k + 1, up=t_s + 1.0).decode().rstrip("\n")
