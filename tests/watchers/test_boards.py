"""Is a board that goes silent or is pulled one alarm that names it, and a probe that fails alone still its own?"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

import pytest
from core.bench_double import BARREL, CUP, FAST, MOLDS, T0, context, mark, of, said

from benchd.core.bench import Bench, Channel, Lot
from benchd.core.engine import Engine
from benchd.core.findings import BoardGone, Effect, SensorBack, SensorFault, SensorSilent
from benchd.core.intake.wire import encode
from benchd.core.model import Alert, Line, Status
from benchd.plugins import watcher_plan

NAMES = {"cup": (24.0, "Cel"), "pot": (280e3, "Pa"), "room": (22.0, "Cel"), "rh": (45.0, "%RH"), "tank": (600e3, "Pa"),
         "tankt": (22.0, "Cel")}  # fmt: skip
ROLES = {"cup": "cup_temperature", "pot": "pot_pressure", "room": "room_temperature", "rh": "room_humidity",
         "tank": "tank_pressure", "tankt": "tank_temperature"}  # fmt: skip
OF = {"cup": "cup-1", "pot": "barrel"}


def channel(name: str, board: str = "b1-", source: str = "board") -> Channel:
    period_s = 5.0 if name in ("room", "rh") else 1.0
    return Channel(id=f"{name}-probe", source=source, senml=board + name, role=ROLES[name], of=OF.get(name, ""),
                   period_s=period_s)  # fmt: skip


def bench_of(*channels: Channel) -> Bench:
    crc: Literal["crc32"] = "crc32"
    sources = tuple((source, crc) for source in dict.fromkeys(c.source for c in channels))
    return Bench(
        id="north", shop="quiet-harbour", name="North bench", channels=channels, pots=(BARREL,), cups=(CUP,),
        molds=MOLDS, lots=(Lot(id="r-07", code="R-07", resin="fast", label=FAST),), resins=(FAST,), sources=sources,
    )  # fmt: skip


SIX = bench_of(*(channel(name) for name in NAMES))
BROKER = bench_of(*(channel(n, "b1-", "broker") for n in ("cup", "pot")), *(channel(n, "b2-", "broker") for n in
                                                                         ("room", "tank", "tankt")))  # fmt: skip


class Watched:
    """A bench with a mixed cup under pressure, whose boards send what they are asked to."""

    def __init__(self, bench: Bench, mix: bool = True) -> None:
        self.engine, self.bench, self.s, self.seq = Engine(watcher_plan), bench, 0, 0
        self.engine.step(context(bench))
        self.run(20)
        if mix:
            self.engine.step(mark("mix", 20.0, molds=("M02",)))

    def run(self, seconds: int, without: Iterable[str] = ()) -> list[Effect]:
        """Lines for so long, each second, of every channel but these."""
        effects: list[Effect] = []
        for _ in range(seconds):
            self.s, self.seq = self.s + 1, self.seq + 1
            for start in dict.fromkeys(c.senml[:3] for c in self.bench.channels):
                due = [c for c in self.bench.channels if c.senml.startswith(start) and self.s % c.period_s == 0]
                sent = [c.senml[3:] for c in due if c.id not in without]
                records = [(name, NAMES[name][0], None, NAMES[name][1]) for name in sent]
                if records:
                    text = encode(records, board=start, seq=self.seq).decode().rstrip("\n")
                    effects += self.engine.step(Line(T0 + self.s, self.bench.channels[0].source, text))
            effects += self.engine.advance(T0 + self.s + 0.5)
        return effects


def everything(bench: Bench) -> list[str]:
    return [c.id for c in bench.channels]


def spoken_for(effects: list[Effect]) -> list[tuple[str, str]]:
    """(code, subject) of each alert that began."""
    return [(a.alert, a.subject.id) for a in of(effects, Alert) if a.active and not a.heard]


def test_a_board_that_falls_silent_is_one_alarm_that_names_it_and_what_to_do_instead() -> None:
    watched = Watched(SIX)
    effects = watched.run(40, without=everything(SIX))
    assert spoken_for(effects) == [("board-gone", "board")]
    (gone,) = of(effects, BoardGone)
    assert set(gone.channels) == set(everything(SIX))
    assert gone.t - T0 <= 27.0
    assert {f.board for f in of(effects, SensorSilent)} == {"board"}
    words = [w for _, w in said(effects) if not w.startswith("Last mold")]
    assert words[0] == "Board gone. Watch the dial, use the timer."
    assert len(set(words)) == 1


def test_a_board_pulled_out_is_one_alarm_and_over_when_it_is_back() -> None:
    watched = Watched(SIX)
    effects = watched.engine.step(Status(T0 + 21.0, "board", up=False, why="unplugged"))
    effects += watched.engine.advance(T0 + 30.0)
    assert spoken_for(effects) == [("board-gone", "board")]
    assert {f.board for f in of(effects, SensorFault)} == {"board"}
    watched.s = 30
    back = watched.engine.step(Status(T0 + 31.0, "board", up=True))
    back += watched.run(30)
    assert [(a.alert, a.active) for a in of(back, Alert)] == [("board-gone", False)]
    assert {f.subject.channel for f in of(back, SensorBack)} == set(everything(SIX))


@pytest.mark.parametrize("name", ["pot", "cup", "tank"])
def test_a_probe_that_falls_silent_alone_is_named_itself(name: str) -> None:
    code = {"pot": "pot-blind", "cup": "cup-blind", "tank": "sensor-silent"}[name]
    effects = Watched(SIX).run(30, without=[f"{name}-probe"])
    assert spoken_for(effects) == [(code, f"{name}-probe")]
    assert of(effects, BoardGone) == []


def test_the_only_probe_of_a_source_is_named_itself() -> None:
    effects = Watched(bench_of(channel("pot"))).run(20, without=["pot-probe"])
    assert spoken_for(effects) == [("pot-blind", "pot-probe")]


def test_one_of_two_boards_on_a_broker_is_named_by_the_beginning_of_its_names() -> None:
    watched = Watched(BROKER)
    effects = watched.run(30, without=["cup-probe", "pot-probe"])
    assert spoken_for(effects) == [("board-gone", "b1")]
    assert said(effects)[0][1] == "Board b1 gone. Watch the dial, use the timer."
    more = watched.run(40, without=everything(BROKER))
    assert ("board-silent", "b2") in spoken_for(more)


def test_a_board_nobody_needs_now_is_a_line_in_the_log() -> None:
    watched = Watched(bench_of(channel("room"), channel("tank"), channel("tankt")), mix=False)
    effects = watched.run(40, without=["room-probe", "tank-probe", "tankt-probe"])
    assert spoken_for(effects) == [("board-silent", "board")]
    assert said(effects) == []


def test_it_becomes_an_alarm_when_it_is_needed() -> None:
    watched = Watched(bench_of(channel("cup"), channel("tank")), mix=False)
    watched.run(40, without=["cup-probe", "tank-probe"])
    effects = watched.engine.step(mark("mix", 61.0, molds=("M02",))) + watched.engine.advance(T0 + 64.0)
    assert ("board-gone", "board") in spoken_for(effects)
    assert said(effects)[0][1] == "Board gone. Use the timer."


def test_a_probe_that_does_not_come_back_with_its_board_is_named_then() -> None:
    watched = Watched(SIX)
    watched.run(40, without=everything(SIX))
    effects = watched.run(40, without=["pot-probe"])
    begun = [(a.alert, a.subject.id, a.active) for a in of(effects, Alert) if a.priority == 1]
    assert begun == [("board-gone", "board", False), ("pot-blind", "pot-probe", True)]


def test_a_probe_lost_before_stays_its_own_alarm_and_makes_no_board_of_one() -> None:
    watched = Watched(bench_of(channel("cup"), channel("pot")))
    lost = watched.run(20, without=["cup-probe"])
    assert spoken_for(lost) == [("cup-blind", "cup-probe")]
    assert spoken_for(watched.run(20, without=["cup-probe", "pot-probe"])) == [("pot-blind", "pot-probe")]


def test_a_slow_channel_heard_again_shows_that_its_board_is_there() -> None:
    """Nothing came of the board for 11 s, then the room's probe alone: the two others are lost by themselves."""
    watched = Watched(bench_of(channel("cup"), channel("pot"), channel("room")))
    lost = watched.run(11, without=["cup-probe", "pot-probe", "room-probe"])
    assert spoken_for(lost) == [("board-gone", "board")]
    effects = watched.run(20, without=["cup-probe", "pot-probe"])
    urgent = [(a.alert, a.active) for a in of(effects, Alert) if a.priority == 1]
    assert urgent[0] == ("board-gone", False)
