"""Is "taken" ever said of a mark that a kill then takes away?  What is not in the log yet says so, everywhere."""

from __future__ import annotations

import http.client
import json
import socket
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from typing import Any

import pytest
from daemon import Daemon, wait_for
from mosquitto import needs_mosquitto
from mosquitto import running as running_broker
from phone import Phone
from phone_page import Board, PageDaemon, chromium, word
from phone_page import until as until_shown
from recordings_by_hand import BENCH, START_T
from runtime.journal_fakes import T0, Watch, settled, until, watching
from small_disk import SmallDisk, mounted

from benchd.core.bench.context import context_parts
from benchd.core.engine import Engine
from benchd.core.intake.wire import encode
from benchd.core.model import Alert, ClockStep, Context, Gap, Input, Line, MarkAnswer, News, Status, Utterance
from benchd.core.model.learned import Learned
from benchd.plugins import watcher_plan
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.rows import Checkpoint, Reached, Writes
from benchd.runtime.watch.recovery import EngineMaker
from benchd.runtime.watch.stepping import run_inputs

LOG_NOT_WRITTEN = "Log is not being saved. Look at the page."
ROOT = "benchd/v0/quiet-harbour/north"
NOTE = "a long word on what was seen at the bench " * 10


@dataclass
class BenchOn(Daemon):
    """A daemon whose journal lies in a folder of its own."""

    state: Path = Path()

    @property
    def journal(self) -> Path:
        return self.state / "journal.db"

    def send_lines(self, many: int = 3) -> None:
        """Some lines from the board, so that the engine steps."""
        self.numbers = getattr(self, "numbers", count(1))
        for _ in range(many):
            values = [("cup", 23.5, None, "Cel"), ("pot", 120.0, None, "Pa")]
            self.port.write(encode(values, board="b1-", seq=next(self.numbers)))

    def alerts(self) -> dict[str, bool]:
        return {alert["alert"]: alert["active"] for alert in self.get("/api/v0/state")["alerts"]}

    def said(self) -> list[str]:
        return [utterance["say"] for utterance in self.get("/api/v0/state")["said"]]

    def marks_kept(self) -> set[str]:
        bodies = self.rows("SELECT body FROM inputs WHERE kind = 'mark'")
        return {json.loads(body)["mark"].get("id", "") for (body,) in bodies}


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[SmallDisk]:
    with mounted(tmp_path / "disk") as small:
        yield small


@pytest.fixture
def bench(tmp_path: Path, disk: SmallDisk) -> Iterator[BenchOn]:
    made = BenchOn(tmp_path / "bench", state=disk.path)
    try:
        yield made
    finally:
        made.close()


def noted(bench: BenchOn, most: int = 40) -> tuple[set[str], list[dict[str, Any]]]:
    """Notes marked until one is answered as unsaved: the ids answered without that word, and the answers with it."""
    saved, unsaved = set(), []
    for n in range(most):
        answer = bench.mark("note", id=f"note-{n}", text=NOTE)
        assert answer["ok"], answer
        if "unsaved" in answer:
            unsaved.append(answer)
            break
        saved.add(f"note-{n}")
    return saved, unsaved


def test_a_mark_on_a_full_disk_is_answered_as_unsaved_and_what_is_not_survives_a_kill(
    bench: BenchOn, disk: SmallDisk
) -> None:
    """In mid-pour the disk fills up: every mark answered without `unsaved` is in the journal after kill -9."""
    bench.start()
    mix = bench.mark("mix", id="mix", molds=["M02"])
    assert mix["ok"]
    assert "unsaved" not in mix
    disk.fill()
    saved, unsaved = noted(bench)
    assert unsaved, "nothing was ever told to be unsaved, on a full disk"
    assert unsaved[0]["unsaved"] is True
    assert "full" in unsaved[0]["unsaved_why"]
    wait_for(lambda: bench.alerts().get("journal-failing"))
    bench.kill()
    disk.free()
    bench.start()
    assert {"mix", *saved} <= bench.marks_kept()
    assert unsaved[0]["id"] not in bench.marks_kept()  # or there was nothing to warn of
    assert "unsaved" not in bench.mark("end")


@pytest.mark.wide
def test_a_disk_full_from_the_start_warns_until_there_is_room_and_then_keeps_all(
    bench: BenchOn, disk: SmallDisk
) -> None:
    """No journal can be begun: every mark says so; once there is room all of them are written and the alarm ends."""
    disk.fill()
    bench.start()
    for n in range(3):
        answer = bench.mark("note", id=f"early-{n}", text=NOTE)
        assert (answer["ok"], answer.get("unsaved")) == (True, True), answer
    assert bench.alerts()["journal-failing"]
    assert list(disk.path.glob("*set-aside*")) == []  # what could not be begun is no journal to keep
    disk.free()
    wait_for(lambda: not bench.alerts().get("journal-failing"), 15.0)
    assert "unsaved" not in bench.mark("note", id="late", text=NOTE)
    bench.kill()
    bench.start()
    assert {"early-0", "early-1", "early-2", "late"} <= bench.marks_kept()


def test_a_journal_that_cannot_be_opened_raises_an_alarm_that_stands_until_it_is_written(tmp_path: Path) -> None:
    """A folder lies where the journal should: the alarm is said once, stands, and ends when the journal writes."""
    state = tmp_path / "state"
    (state / "journal.db").mkdir(parents=True)
    (state / "journal.db" / "not-empty").touch()
    bench = BenchOn(tmp_path / "bench", state=state, rate=10.0)
    with bench.started():
        bench.send_lines()
        wait_for(lambda: LOG_NOT_WRITTEN in bench.said())
        for _ in range(2):
            answer = bench.mark("note", text=NOTE)
            assert (answer["ok"], answer.get("unsaved")) == (True, True), answer
            bench.send_lines()
        began_t = bench.get("/api/v0/state")["now"]
        wait_for(lambda: bench.get("/api/v0/state")["now"] > began_t + 30.0)
        assert bench.alerts()["journal-failing"], "withdrawn though nothing is written"
        assert bench.said().count(LOG_NOT_WRITTEN) == 1, "once each trouble, not once each mark"
        (state / "journal.db" / "not-empty").unlink()
        (state / "journal.db").rmdir()
        wait_for(lambda: not bench.alerts().get("journal-failing"), 15.0)
        assert "unsaved" not in bench.mark("note", id="late")
        bench.kill()
        bench.start()
        assert "late" in bench.marks_kept()


def test_no_other_news_of_the_bench_ends_the_alarm() -> None:
    """Lost lines, a gap, a clock step, a board that comes back, a log begun anew: it is not written all the same."""
    config, shelf, resins = context_parts(BENCH)
    engine = Engine(watcher_plan)
    engine.step(Context(START_T, config, shelf, resins, Learned(), ((0.0, 0.0),), "0", "h"))
    effects = engine.step(News(START_T + 1, "journal", True, "disk full")) + engine.advance(START_T + 2)
    assert [(e.alert, e.active) for e in effects if isinstance(e, Alert)] == [("journal-failing", True)]
    assert [e.say for e in effects if isinstance(e, Utterance)] == [LOG_NOT_WRITTEN]
    after = [
        *engine.step(Line(START_T + 3, "board", "garbage")),
        *engine.step(Gap(START_T + 9, START_T + 4, "paused")),
        *engine.step(ClockStep(START_T + 10, 3600.0)),
        *engine.step(Status(START_T + 11, "board", False, "unplugged")),
        *engine.step(Status(START_T + 12, "board", True)),
        *engine.step(News(START_T + 13, "journal-changed", True, "set aside")),
        *engine.step(News(START_T + 14, "listener", True, "nobody subscribes")),
        *engine.step(News(START_T + 15, "listener", False, "a phone listens")),
        *engine.advance(START_T + 30),
    ]
    assert "journal-failing" not in [e.alert for e in after if isinstance(e, Alert)]
    over = engine.step(News(START_T + 31, "journal", False, "saving again"))
    assert [(e.alert, e.active) for e in over if isinstance(e, Alert)] == [("journal-failing", False)]


async def test_an_alarm_left_by_a_killed_run_ends_with_the_first_commit(tmp_path: Path) -> None:
    """Killed between "saving again" and its news: the next run's first commit ends the alarm, not a person."""
    config, shelf, resins = context_parts(BENCH)
    inputs: list[Input] = [
        Context(START_T, config, shelf, resins, Learned(), ((0.0, 0.0),), "0", "h"),
        News(START_T + 1, "journal", True, "disk full"),
    ]
    engine, writes = Engine(watcher_plan), Writes()
    for seq, item in enumerate(inputs, 1):
        writes.add_input(seq, item)
        for event in run_inputs(engine, [(seq, item)]).events:
            writes.add_effect(event.number, seq, event.effect)
    writes.reached = Reached(2, engine.now, engine.told)
    writes.checkpoint = Checkpoint(2, engine.now, engine.told, zlib.compress(engine.freeze()))
    async with Journal(tmp_path / "j.db") as journal:
        await journal.write(writes)
    maker = EngineMaker(lambda: Engine(watcher_plan), lambda blob, standing: Engine.thaw(blob, watcher_plan, standing))
    watch = Watch(tmp_path / "j.db", maker=maker, t=START_T + 5)
    watch._on_ready = lambda recovered: watch.ready.set()  # type: ignore[method-assign]
    key = ("journal-failing", "north")
    async with watching(watch):
        assert watch.bulletin.alerts[key].active
        watch.line("x")
        await until(lambda: not watch.bulletin.alerts[key].active)


async def test_what_follows_from_an_input_that_was_not_kept_is_told_as_unsaved(tmp_path: Path) -> None:
    """The log writes again, but the hole is not closed by a checkpoint yet: a kill now would forget the mark."""
    watch = Watch(tmp_path / "j.db")
    answer = MarkAnswer(t=T0, id="m", verb="mix", ok=True, why="")
    async with watching(watch):
        watch.line("20")
        await until(settled(watch, 1))
        watch.pipeline.saver.trouble.lose(T0)
        watch.pipeline.saver.add_event(900, 1, answer)
        (told,) = watch.ear._events
        assert (told.unsaved, "not kept" in told.why) == (True, True)
        watch.ear._events.clear()
        watch.line("30")  # the pipeline closes the hole: a gap and a checkpoint
        await until(lambda: bool(getattr(watch.recovered.engine, "gaps", ())))
        await until(settled(watch, watch.pipeline.seq))
        watch.ear._events.clear()
        watch.pipeline.saver.add_event(901, 3, answer)
        await until(lambda: watch.ear._events)
        assert [posted.warning for posted in watch.ear._events] == [{}]


def streamed(bench: BenchOn, kind: str) -> dict[str, Any]:
    """The next event of a kind on the live stream, as the page hears it, after a mark."""
    connection = http.client.HTTPConnection("localhost", timeout=10.0)
    connection.sock = socket.socket(socket.AF_UNIX)
    connection.sock.settimeout(10.0)
    connection.sock.connect(str(bench.socket))
    connection.request("GET", "/api/v0/stream")
    response = connection.getresponse()
    try:
        bench.mark("note", text=NOTE)
        while True:
            if response.readline().strip() == b"event: " + kind.encode():
                found: dict[str, Any] = json.loads(response.readline().removeprefix(b"data: "))
                return found
    finally:
        response.close()
        connection.close()


@needs_mosquitto
async def test_what_goes_out_unsaved_says_so_over_mqtt_and_on_the_stream(tmp_path: Path) -> None:
    """did/<verb>, say, alert-log and the page's stream carry `unsaved` and why; once the log is written they do not."""
    state = tmp_path / "state"
    (state / "journal.db").mkdir(parents=True)
    folder = tmp_path / "broker"
    folder.mkdir()
    with running_broker(folder) as broker:
        async with Phone(broker.port) as phone:
            bench = BenchOn(tmp_path / "bench", state=state, mqtt_port=broker.port)
            with bench.started():
                bench.send_lines()
                await phone.hears(f"{ROOT}/say", 15.0)
                await phone.hears(f"{ROOT}/alert-log", 15.0)
                phone.send(f"{ROOT}/do/note", json.dumps({"id": "m1", "text": "seen"}))
                await phone.hears(f"{ROOT}/did/note", 15.0)
                first = [phone.on(f"{ROOT}/{topic}")[0] for topic in ("say", "alert-log", "did/note")]
                first.append(streamed(bench, "answer"))
                assert [body.get("unsaved") for body in first] == [True] * 4
                assert all("journal.db" in body["unsaved_why"] for body in first)
                (state / "journal.db").rmdir()
                wait_for(lambda: bench.get("/api/v0/state")["health"]["journal_ok"], 15.0)
                heard = len(phone.on(f"{ROOT}/did/note"))
                phone.send(f"{ROOT}/do/note", json.dumps({"id": "m2", "text": "seen"}))
                answers = await phone.hears(f"{ROOT}/did/note", 15.0, heard + 1)
                assert answers[-1]["id"] == "m2"
                assert "unsaved" not in answers[-1]
                assert streamed(bench, "answer")["unsaved"] is False


@pytest.mark.wide
def test_the_page_says_beside_answer_and_word_that_nothing_is_saved(tmp_path: Path) -> None:
    """A mark pressed on the phone is answered with the reason; beside the word it stands while it lasts."""
    bench = PageDaemon(tmp_path)
    (bench.journal / "in-the-way").mkdir(parents=True)
    with bench.started(), chromium() as context, Board(bench):
        page = context.new_page()
        page.goto(bench.url)
        until_shown(page, lambda: word(page) == LOG_NOT_WRITTEN, 30.0)
        assert page.inner_text("#unsaved") == ""  # the word says it, the line above says why
        page.click("#heard")
        until_shown(page, lambda: "Not saved: journal.db" in page.inner_text("#answer"))
        until_shown(page, lambda: word(page) != LOG_NOT_WRITTEN, 30.0)
        until_shown(page, lambda: "Not saved: journal.db" in page.inner_text("#unsaved"))
        (bench.journal / "in-the-way").rmdir()
        bench.journal.rmdir()
        until_shown(page, lambda: page.inner_text("#unsaved") == "", 30.0)
        page.click("#heard")
        until_shown(page, lambda: "Not saved" not in page.inner_text("#answer"))
