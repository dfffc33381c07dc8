"""Does the bench's own speaker sound, light and tick when it should, in lines its board understands?

What a board understands is judged here by a reader of its own, written from the format's words in the outlet's
docstring; tests/firmware lets a compiled board judge the same lines.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import re
import time
import zlib
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import pytest
from daemon import Daemon, wait_for
from outlet_tools import Bench, leak, word

from benchd.core.alarm.phrases import PHRASES
from benchd.core.findings import PotFilling
from benchd.core.intake.wire import encode
from benchd.core.model import Card, Subject
from benchd.errors import OutletError
from benchd.outlets import speaker
from benchd.outlets.speaker import TUNES, Settings, SpeakerOutlet
from benchd.runtime.clock import BenchClock
from benchd.runtime.contracts import Tools


def understood(line: bytes) -> dict[str, Any]:
    """An order's records by name.  Fails on anything a board would refuse."""
    assert line.endswith(b"\n")
    assert len(line) - 1 <= 160
    body, _, trailer = line[:-1].rpartition(b" ")
    assert trailer == b"%08x" % zlib.crc32(body)
    assert b" " not in body
    records = json.loads(body)
    assert records[0].pop("bn") == "b1-"
    assert all(list(record) in (["n", "v"], ["n", "vs"]) for record in records)
    found = {record["n"]: record.get("v", record.get("vs")) for record in records}
    assert len(found) == len(records)
    assert found.keys() <= {"lamp", "tone", "tick"}
    assert found.get("lamp", 0) in (0, 1, 2, 3)
    assert found.get("tick", 1) == 1
    for note in found.get("tone", "0:1").split(","):
        hz, ms = (int(number) for number in re.fullmatch(r"(0|[1-9]\d{0,4}):([1-9]\d{0,4})", note).groups())  # type: ignore[union-attr]
        assert hz == 0 or 150 <= hz <= 5000
        assert 1 <= ms <= 5000
    assert found.get("tone", "").count(",") < 8
    return found


class Board:
    """Takes lines, or, deaf, does not."""

    def __init__(self) -> None:
        self.orders: list[dict[str, Any]] = []
        self.is_deaf = False

    def offer(self, line: bytes, /) -> bool:
        if not self.is_deaf:
            self.orders.append(understood(line))
        return not self.is_deaf

    def of(self, name: str) -> list[Any]:
        return [order[name] for order in self.orders if name in order]


class Stage:
    """A bench with a board and a living engine around a speaker."""

    def __init__(self, rate: float = 1.0, **settings: Any) -> None:
        self.bench, self.board = Bench(), Board()
        tools = self.bench.tools
        fields = {name: getattr(tools, name) for name in Tools.__slots__}
        fields |= {"boards": {"board": self.board}, "clock": BenchClock(rate)}
        self.tools = Tools(**fields)
        self.outlet = SpeakerOutlet(Settings(**settings), self.tools)
        self.is_engine_alive = True

    async def beat(self) -> None:
        while True:
            if self.is_engine_alive:
                self.tools.health.moved["engine"] = time.monotonic()
            await asyncio.sleep(0.01)

    def now(self) -> float:
        return self.tools.clock.now()

    def pot(self, phase: str, reads: str) -> None:
        self.bench.tell(Card(t=self.now(), of="pot", id="barrel", body={"phase": phase, "reads": reads}))


@contextlib.asynccontextmanager
async def playing(stage: Stage) -> AsyncIterator[Stage]:
    tasks = [asyncio.create_task(stage.beat()), asyncio.create_task(stage.outlet.run())]
    await asyncio.sleep(0.05)
    try:
        yield stage
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.wait(tasks)


@pytest.fixture(autouse=True)
def _brisk(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(speaker, "LOOK_EVERY_S", 0.02)


def test_every_tone_a_phrase_asks_for_has_a_tune_a_board_can_play() -> None:
    asked = {phrase.sound for phrase in PHRASES} - {""}
    assert asked <= TUNES.keys()
    for tune in TUNES.values():
        line = encode(
            [("tone", None, tune, None), ("lamp", 3, None, None), ("tick", 1, None, None)], board="b1-"
        )  # the longest there is
        assert understood(line)["tone"] == tune


async def test_each_word_has_its_tone_and_of_several_the_most_urgent_sounds() -> None:
    async with playing(Stage()) as stage:
        stage.bench.tell(word(stage.now()))
        await asyncio.sleep(0.05)
        urgent = word(stage.now(), "Pot blind.", priority=1)
        object.__setattr__(urgent, "tone", "alarm")
        stage.bench.tell(word(stage.now()), urgent, word(stage.now()))
        await asyncio.sleep(0.05)
    assert stage.board.of("tone") == [TUNES["chime"], TUNES["alarm"]]


def filling(t: float, kpa: float) -> PotFilling:
    return PotFilling(t=t, subject=Subject(bench="north", pot="barrel"), kpa=kpa, kpa_per_min=500.0)


async def test_a_filling_pot_sounds_higher_as_it_fills_and_never_over_a_word() -> None:
    async with playing(Stage()) as stage:
        for kpa in (20.0, 120.0, 230.0):
            stage.bench.tell(filling(stage.now(), kpa))
            await asyncio.sleep(0.05)
        stage.bench.tell(filling(stage.now() - 60.0, 235.0))
        await asyncio.sleep(0.05)
        stage.bench.tell(word(stage.now()), filling(stage.now(), 240.0))
        await asyncio.sleep(0.05)
        stage.bench.tell(filling(stage.now(), 241.0))
        await asyncio.sleep(0.05)
    *rising, last = stage.board.of("tone")
    notes = [[int(note.split(":")[0]) for note in tune.split(",")] for tune in rising]
    assert len(notes) == 3
    assert [hz for tune in notes for hz in tune][::2] == sorted({tune[0] for tune in notes})
    assert all(second > first for first, second in notes)
    assert last == TUNES["chime"]


async def test_what_is_out_of_date_or_has_no_tone_is_not_played() -> None:
    async with playing(Stage()) as stage:
        silent = word(stage.now(), priority=4)
        object.__setattr__(silent, "tone", "")
        stage.bench.tell(word(stage.now() - 60.0), silent)
        await asyncio.sleep(0.1)
    assert stage.board.of("tone") == []


async def test_the_lamp_follows_alarms_and_the_pot() -> None:
    def alarm(active: bool, heard: bool, priority: int) -> Any:
        told = leak(stage.now(), active)
        for name, value in {"heard": heard, "priority": priority}.items():
            object.__setattr__(told, name, value)
        return told

    async with playing(Stage()) as stage:
        changes: tuple[Callable[[], None], ...] = (
            lambda: stage.pot("filling", "pressurised"),
            lambda: stage.bench.tell(alarm(True, False, 2)),
            lambda: stage.bench.tell(alarm(True, False, 1)),
            lambda: stage.bench.tell(alarm(True, True, 1)),
            lambda: stage.bench.tell(alarm(False, True, 1)),
            lambda: stage.pot("idle", "near zero, check bleed and dial"),
        )
        for change in changes:
            change()
            await asyncio.sleep(0.06)
    assert stage.board.of("lamp") == [0, 1, 2, 3, 2, 1, 0]


async def test_while_a_pot_holds_it_ticks_once_a_minute_of_bench_time() -> None:
    """At 600 times life's speed a minute takes a tenth of a second."""
    async with playing(Stage(rate=600.0)) as stage:
        stage.pot("fed", "pressurised")
        await asyncio.sleep(0.75)
        ticks = len(stage.board.of("tick"))
        assert 4 <= ticks <= 7
        stage.pot("isolated", "blind")
        await asyncio.sleep(0.3)
        assert len(stage.board.of("tick")) <= ticks + 1
        blind = len(stage.board.of("tick"))
        stage.pot("isolated", "pressurised")
        await asyncio.sleep(0.3)
        assert len(stage.board.of("tick")) > blind
        stage.pot("venting", "pressurised")
        await asyncio.sleep(0.05)
        vented = len(stage.board.of("tick"))
        await asyncio.sleep(0.3)
        assert len(stage.board.of("tick")) == vented


async def test_the_lamp_is_told_anew_so_that_the_board_knows_it_is_heard(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(speaker, "LAMP_EVERY_S", 0.1)
    async with playing(Stage()) as stage:
        await asyncio.sleep(0.55)
        told = len(stage.board.of("lamp"))
        assert 4 <= told <= 7
        monkeypatch.setattr("benchd.runtime.health.WITHIN_S", 0.1)
        stage.is_engine_alive = False
        stage.tools.health.moved["engine"] -= 10.0
        await asyncio.sleep(0.05)
        still = len(stage.board.of("lamp"))
        await asyncio.sleep(0.4)
        assert len(stage.board.of("lamp")) == still


async def test_a_deaf_board_misses_lines_which_are_counted_and_is_told_the_lamp_when_it_hears() -> None:
    async with playing(Stage()) as stage:
        stage.board.is_deaf = True
        stage.bench.tell(leak(stage.now()), word(stage.now()))
        await asyncio.sleep(0.1)
        assert stage.tools.health.dropped["speaker"] >= 2
        stage.board.is_deaf = False
        await asyncio.sleep(0.1)
    assert stage.board.of("lamp") == [0, 2]
    assert stage.board.of("tone") == []  # its time was then


async def test_what_is_switched_off_stays_off() -> None:
    async with playing(Stage(rate=600.0, tones=False, ticks=False, lamp=False)) as stage:
        stage.pot("fed", "pressurised")
        stage.bench.tell(leak(stage.now()), word(stage.now(), until_s=1000.0))
        await asyncio.sleep(0.4)
    assert (stage.board.of("tone"), stage.board.of("tick"), set(stage.board.of("lamp"))) == ([], [], {0})


async def test_no_such_source_is_told_with_those_there_are(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(speaker, "SOURCES_WITHIN_S", 0.1)
    with pytest.raises(OutletError, match=r'no source "bord" .*there are: board'):
        await Stage(source="bord").outlet.run()


@pytest.mark.parametrize("wrong", [{"source": "Board 1"}, {"board": 'b"1'}, {"board": ""}, {"relay": True}])
def test_settings_that_make_no_line_are_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"validation error"):
        Settings(**wrong)


@pytest.mark.wide
def test_through_the_running_daemon_orders_come_out_of_the_very_port_its_readings_go_in(tmp_path: Path) -> None:
    daemon = Daemon(tmp_path, extra="[speaker]\n")
    heard = bytearray()

    def orders() -> list[dict[str, Any]]:
        with contextlib.suppress(BlockingIOError):
            while data := os.read(daemon.port._master, 65536):
                heard.extend(data)
        return [understood(line) for line in bytes(heard).splitlines(keepends=True) if line.endswith(b"\n")]

    try:
        os.set_blocking(daemon.port._master, False)
        daemon.start()
        assert wait_for(orders, 10.0)[0] == {"lamp": 0}
        for seq in range(8):
            daemon.port.write(encode([("pot", 0.0, None, "Pa"), ("cup", 22.0, None, "Cel")], board="b1-", seq=seq))
            time.sleep(0.1)
        daemon.mark("mix")
        daemon.port.write(encode([("cup", 22.0, None, "Cel")], board="b1-", seq=9, fault="pot open"))
        wait_for(lambda: TUNES["alarm"] in [order.get("tone") for order in orders()], 10.0)
        wait_for(lambda: 3 in [order.get("lamp") for order in orders()], 5.0)
    finally:
        daemon.close()
