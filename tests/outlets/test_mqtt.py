"""Does the phone get what it must, in order, and only marks come back?  Against mosquitto and the embedded broker.

The tree's topics, qualities of service and retain flags are benchd's own contract; reason codes are those of OASIS MQTT
5.0, section 2.4.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from mosquitto import Mosquitto, free_port, needs_mosquitto, running
from outlet_tools import Bench, leak, run, word
from phone import Phone, until
from relay import Relay

from benchd.core.model import Alert, Card, MarkAnswer, Reading
from benchd.outlets import mqtt
from benchd.outlets.mqtt import MqttOutlet, Settings, make
from benchd.runtime.mqtt import retained
from benchd.runtime.mqtt.embedded_broker import EmbeddedBroker

ROOT = "benchd/v0/quiet-harbour/north"


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with running(tmp_path) as started:
        yield started


@pytest.fixture(params=[pytest.param("mosquitto", marks=needs_mosquitto), "embedded"])
async def settings(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[Settings]:
    if request.param == "mosquitto":
        with running(tmp_path) as started:
            yield Settings(port=started.port)
    else:
        async with EmbeddedBroker(free_port(), free_port()) as embedded:
            yield Settings(port=embedded.port, username="bench", password_file=embedded.password_file)


@contextlib.asynccontextmanager
async def outlet_running(settings: Settings, bench: Bench) -> AsyncIterator[MqttOutlet]:
    async with run(make(settings, bench.tools)) as outlet:
        yield outlet


def phone_to(settings: Settings) -> Phone:
    return Phone(settings.port, settings.username, settings.password() or "")


def card(t: float) -> Card:
    return Card(t=t, of="pot", id="barrel", body={"phase": "isolated", "kpa": 289.57898, "basis": "measured"})


async def test_a_stranger_gets_the_whole_tree_and_the_stop_says_gone(settings: Settings) -> None:
    """State told before anybody listened is retained; words and the log arrive once; gone is the last word."""
    bench = Bench()
    bench.about["probes"] = [{"id": "board", "up": True}]
    now = bench.tools.clock.now()
    async with outlet_running(settings, bench) as outlet:
        bench.tell(card(now), leak(now))
        await asyncio.wait_for(outlet.link.ready(), 30)
        await until(lambda: not bench.outbox.rows)
        async with phone_to(settings) as phone:
            await phone.hears(f"{ROOT}/alert/pot-leaking/barrel")
            assert await phone.hears(f"{ROOT}/up") == ["here"]
            assert await phone.hears(f"{ROOT}/probe/board/up") == ["here"]
            assert (await phone.hears(f"{ROOT}/about"))[0]["version"] == "0.1.0"
            pot = (await phone.hears(f"{ROOT}/pot/barrel"))[0]
            assert (pot["v"], pot["kpa"], pot["subject"]) == (0, 289.58, {"bench": "north", "pot": "barrel"})
            bench.tell(word(now), Reading(now, "cup-1.temperature", "cup_temperature", "cup-1", 24.0312, 24.0))
            said = (await phone.hears(f"{ROOT}/say"))[0]
            assert (said["v"], said["say"], said["say_until"]) == (0, "Lid now.", round(now + 20, 1))
            reading = (await phone.hears(f"{ROOT}/read/cup-1-temperature"))[0]
            assert reading == {
                "v": 0, "t": round(now, 1), "value": 24.03, "unit": "C", "seq": 0, "quality": "good",
                "subject": {"bench": "north", "channel": "cup-1.temperature"},
            }  # fmt: skip
            bench.tell(leak(now + 1, active=False))
            log = (await phone.hears(f"{ROOT}/alert-log"))[0]
            assert (log["active"], log["id"]) == (False, f"pot-leaking/barrel/{round(now + 1, 1)}/off")
            assert not [t for t, _, kept in phone.heard if kept and t.endswith(("say", "alert-log", "temperature"))]
        phone = phone_to(settings)
        async with phone:
            await phone.hears(f"{ROOT}/alert/pot-leaking/barrel")
            assert phone.on(f"{ROOT}/alert/pot-leaking/barrel")[0]["active"] is False
            assert outlet.marks_in == "ok"
            await _leave(outlet)
            await until(lambda: phone.on(f"{ROOT}/up")[-1:] == ["gone"])


async def _leave(outlet: MqttOutlet) -> None:
    """Cancel the outlet's task as the daemon's stop does."""
    task = next(t for t in asyncio.all_tasks() if t.get_name() == "outlet under test")
    task.cancel()
    await asyncio.wait([task], timeout=30)
    assert task.done()
    assert not outlet.link.is_connected


@needs_mosquitto
async def test_every_alert_event_survives_kills_in_order(broker: Mosquitto) -> None:
    """Faults 2, 10, 15: two kill -9 while events come; each arrives at least once, in order; the tree is as before.

    What the dead broker had acknowledged may never have left its sockets: that loss is the broker's, and only that one
    is let pass; everything else must be heard.
    """
    bench = Bench()
    acknowledged: set[int] = set()
    log: list[tuple[str, float]] = []
    async with Relay(broker.port) as gate, outlet_running(Settings(port=gate.port), bench) as outlet:
        for kill in range(3):
            async with Phone(broker.port) as phone:
                gate.is_open = True
                await asyncio.wait_for(outlet.link.ready(), 20)
                for number in range(kill * 30, kill * 30 + 30):
                    bench.tell(leak(1000.0 + number, code=f"code-{number % 3}"))
                    if number % 30 == 15 and kill < 2:
                        await asyncio.sleep(0.003)
                        gate.is_open = False
                        broker.kill()
                await until(lambda: not outlet.link.is_connected or not bench.outbox.rows, 20.0)
                if kill < 2:
                    await phone.lost()  # and so has heard all that the dead broker had sent
                    await asyncio.sleep(0.1)
                    acknowledged |= set(bench.outbox.delivered_ids)
                else:
                    await until(lambda: 1089.0 in [event["t"] for event in phone.on(f"{ROOT}/alert-log")])
                log += [(event["alert"], event["t"]) for event in phone.on(f"{ROOT}/alert-log")]
            if kill < 2:
                assert bench.outbox.rows
                broker.start()
        tail = ("up", "about", "health", "alert/code-0/barrel", "alert/code-1/barrel", "alert/code-2/barrel")
        async with Phone(broker.port) as phone:
            for one in tail:  # a broker hands over what it keeps in any order
                await phone.hears(f"{ROOT}/{one}")
            kept = {topic for topic, _, retained in phone.heard if retained and topic.startswith(ROOT)}
    assert kept == {f"{ROOT}/{one}" for one in tail}
    assert len(bench.outbox.delivered_ids) == 90
    sent = {(f"code-{number % 3}", 1000.0 + number): number + 1 for number in range(90)}
    assert set(log) <= set(sent)
    assert {id for event, id in sent.items() if event not in log} <= acknowledged
    assert len(acknowledged) < 45
    for code in ("code-0", "code-1", "code-2"):
        firsts = list(dict.fromkeys(t for name, t in log if name == code))
        assert firsts == sorted(firsts)


async def test_marks_come_in_once_and_the_answer_goes_out(settings: Settings) -> None:
    """Fault 13: one effect of a good mark; repeated, retained, stale, early and garbage ones are answered with why."""
    bench = Bench()
    now = bench.tools.clock.now()
    async with outlet_running(settings, bench) as outlet, phone_to(settings) as phone:
        await asyncio.wait_for(outlet.link.ready(), 30)
        good = {"id": "m1", "cup": "cup-1", "lot": "R-07", "molds": ["M02", "M03"], "a_g": 159.5, "b_g": 143.5}
        phone.send(f"{ROOT}/do/mix", json.dumps(good))
        await until(lambda: len(bench.marks) == 1)
        mark = bench.marks[0]
        assert (mark.verb, mark.id, mark.molds, mark.a_g, mark.by) == ("mix", "m1", ("M02", "M03"), 159.5, "mqtt")
        assert abs(mark.t - now) < 5
        bad: list[tuple[str, bytes | str, bool]] = [
            ("mix", json.dumps(good), False),
            ("mix", json.dumps({"id": "m2", "t": now - 100, "ttl_s": 30}), False),
            ("mix", json.dumps({"id": "m3", "t": now + 600}), False),
            ("mix", b'{"id":"m4","a_g":NaN}', False),
            ("mix", b"\xff\xfe{", False),
            ("mix", b"[" * 3000, False),
            ("mix", b'{"id":"m5","id":"m6"}', False),
            ("mix", b'{"id":"m7","note":"' + b"x" * 5000 + b'"}', False),
            ("bleed", b'{"id":"m8"}', False),
            ("mix", b'{"id":"m9","cup":7}', False),
        ]
        for verb, payload, retain in bad:
            phone.send(f"{ROOT}/do/{verb}", payload, retain)
        answers = await phone.hears(f"{ROOT}/did/mix", most=9)
        assert [a["ok"] for a in answers] == [False] * 9
        assert "taken before" in answers[0]["why"]
        assert "too late" in answers[1]["why"]
        assert "ahead" in answers[2]["why"]
        assert 'no verb "bleed"; known: back, check, demolded' in (await phone.hears(f"{ROOT}/did/bleed"))[0]["why"]
        bench.tell(MarkAnswer(t=now, id="m1", verb="mix", ok=True, why=""))
        assert (await phone.hears(f"{ROOT}/did/mix", most=10))[9]["ok"] is True
    assert len(bench.marks) == 1


async def test_a_retained_mark_is_refused_after_a_reconnect(settings: Settings) -> None:
    """A broker that kept a mark would replay it for ever: it is answered, not taken."""
    bench = Bench()
    async with phone_to(settings) as phone:
        phone.send(f"{ROOT}/do/end", '{"id":"old"}', retain=True)
        await phone.hears(f"{ROOT}/do/end")
        async with outlet_running(settings, bench):
            answer = (await phone.hears(f"{ROOT}/did/end"))[0]
    assert (answer["ok"], "retained" in answer["why"], bench.marks) == (False, True, [])


@pytest.mark.wide
async def test_a_megabyte_does_no_harm(settings: Settings) -> None:
    """Fault 13: a mark of 1 MB is kept away by the broker or refused; the next one is taken."""
    bench = Bench()
    async with outlet_running(settings, bench) as outlet, phone_to(settings) as flood:
        await asyncio.wait_for(outlet.link.ready(), 30)
        flood.send(f"{ROOT}/do/mix", b"x" * 1_000_000)
        await asyncio.sleep(0.3)
        async with phone_to(settings) as phone:
            await asyncio.wait_for(outlet.link.ready(), 30)
            phone.send(f"{ROOT}/do/end", '{"id":"after"}')
            await until(lambda: [mark.id for mark in bench.marks] == ["after"])


@needs_mosquitto
async def test_a_silently_denied_subscription_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Fault 7: the broker grants `do/+` and delivers nothing; the self-test finds it out."""
    monkeypatch.setattr(mqtt, "ECHO_WITHIN_S", 0.5)
    (tmp_path / "acl").write_text("topic write benchd/#\n")
    bench = Bench()
    with running(tmp_path, "acl_file {folder}/acl") as broker:
        async with outlet_running(Settings(port=broker.port), bench) as outlet:
            await until(lambda: outlet.marks_in == "denied", 8.0)
    assert "silently denied" in bench.tools.health.last_error


@needs_mosquitto
async def test_a_refused_row_is_parked_and_others_go_on(tmp_path: Path) -> None:
    """Fault 6: three refusals park a row, health says which and why; what is allowed still goes."""
    (tmp_path / "acl").write_text(f"topic write {ROOT}/alert-log\ntopic write {ROOT}/up\ntopic read #\n")
    bench = Bench()
    now = bench.tools.clock.now()
    with running(tmp_path, "acl_file {folder}/acl") as broker:
        async with outlet_running(Settings(port=broker.port), bench):
            bench.tell(word(now, priority=1), leak(now), leak(now + 1, active=False))
            await until(lambda: bool(bench.outbox.parked_why) and not bench.outbox.rows)
            await until(lambda: "refused" in bench.tools.health.last_error)
    assert list(bench.outbox.parked_why) == [1]
    assert "0x87" in bench.outbox.parked_why[1]
    assert bench.outbox.delivered_ids == [2, 3]
    assert bench.tools.health.dropped["parked"] == 1


@needs_mosquitto
async def test_that_nobody_listens_is_known(broker: Mosquitto) -> None:
    """0x10 on a word means no phone; once one subscribes, its absence means one does."""
    bench = Bench()
    now = bench.tools.clock.now()
    async with outlet_running(Settings(port=broker.port), bench):
        bench.tell(word(now))
        await until(lambda: bench.tools.health.listeners == 0)
        async with Phone(broker.port):
            bench.tell(word(now, "At pressure."))
            await until(lambda: bench.tools.health.listeners == 1)


@needs_mosquitto
async def test_a_broker_gone_for_a_while_is_nobody_listening(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchd.outlets.mqtt.UNREACHED_S", 0.6)
    monkeypatch.setattr("benchd.outlets.mqtt.REACH_EVERY_S", 0.05)
    made, bench = Mosquitto(tmp_path), Bench()
    made.start()
    try:
        async with outlet_running(Settings(port=made.port), bench) as outlet:
            await until(lambda: outlet.link.is_connected)
            assert bench.tools.health.listeners is None
            made.stop()
            await until(lambda: bench.tools.health.listeners == 0, 8.0)
            made.start()
            await until(lambda: bench.tools.health.listeners is None, 12.0)
    finally:
        made.stop()


@needs_mosquitto
async def test_another_client_of_our_name_is_told_and_forgotten_when_it_is_gone(
    broker: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Fault 9: the id stands in health while it is contested, for the engine to make an alarm of."""
    monkeypatch.setattr("benchd.outlets.mqtt.REACH_EVERY_S", 0.05)
    bench, other = Bench(), Bench()
    other.tools = replace(other.tools, boot="b2")
    other.about["boot"] = "b2"
    async with outlet_running(Settings(port=broker.port), bench) as outlet:
        await outlet.link.ready()
        assert bench.tools.health.contested == ""
        async with outlet_running(Settings(port=broker.port), other):
            await until(lambda: bench.tools.health.contested == "benchd-v0-quiet-harbour-north", 10.0)
        monkeypatch.setattr("benchd.runtime.mqtt.link.UNCONTESTED_S", 0.2)
        await until(lambda: bench.tools.health.contested == "", 20.0)


@pytest.mark.wide
@needs_mosquitto
async def test_a_stale_word_is_never_delivered(tmp_path: Path) -> None:
    """Said while the broker was away and over since: dropped, counted; the alert-log of the same time still comes."""
    late = Mosquitto(tmp_path)
    bench = Bench()
    async with outlet_running(Settings(port=late.port), bench):
        now = bench.tools.clock.now()
        bench.tell(word(now, "Stale.", until_s=0.3), word(now, "Fresh.", until_s=60), leak(now))
        await asyncio.sleep(0.5)
        try:
            late.start()
            async with Phone(late.port) as phone:
                await until(lambda: not bench.outbox.rows, 6.0)
                await phone.hears(f"{ROOT}/up")
                assert "Stale." not in [said["say"] for said in phone.on(f"{ROOT}/say")]
        finally:
            late.stop()
    assert bench.tools.health.dropped["said-too-late"] == 1
    assert sorted(bench.outbox.delivered_ids) == [1, 2, 3]


async def test_what_is_no_more_is_emptied(settings: Settings, monkeypatch: pytest.MonkeyPatch) -> None:
    """Fault 12: a mold taken off the shelf leaves no ghost; what still stands, and other benches, are not touched."""
    monkeypatch.setattr(retained, "SWEEP_AFTER_S", 0.3)
    bench = Bench()
    bench.tell(card(1.0))
    async with phone_to(settings) as phone:
        phone.send(f"{ROOT}/mold/m99", '{"v":0}', retain=True)
        phone.send("benchd/v0/quiet-harbour/south/mold/m99", '{"v":0}', retain=True)
        await phone.hears(f"{ROOT}/mold/m99")
        async with outlet_running(settings, bench):
            assert (await phone.hears(f"{ROOT}/mold/m99", most=2))[1] == ""
            assert len(phone.on(f"{ROOT}/pot/barrel")) == 1
            assert "" not in phone.on("benchd/v0/quiet-harbour/south/mold/m99")


async def test_large_payloads_are_split_or_refused(settings: Settings) -> None:
    """Fault 8: a shelf too long for 4 kB is left out of `about`, which says so; a card too long is counted and told."""
    bench = Bench()
    bench.about["molds"] = [f"mold-{number:04d}" for number in range(400)]
    bench.tell(Card(t=1.0, of="mold", id="m01", body={"text": "x" * 5000}))
    async with phone_to(settings) as phone, outlet_running(settings, bench) as outlet:
        about = (await phone.hears(f"{ROOT}/about"))[0]
        await until(lambda: outlet.link.counts.oversize == 1)
        assert (about["shelf_left_out"], phone.on(f"{ROOT}/mold/m01")) == (True, [])
        assert max(len(payload) for _, payload, _ in phone.heard) <= 4096


async def test_what_cannot_be_printed_does_not_silence_the_rest(settings: Settings) -> None:
    """A card with a value that has no JSON form is counted; the alert after it arrives, then and after a reconnect."""
    bench = Bench()
    bench.tell(Card(t=1.0, of="pot", id="barrel", body={"odd": object()}), leak(1.0))
    async with phone_to(settings) as phone, outlet_running(settings, bench):
        await phone.hears(f"{ROOT}/alert/pot-leaking/barrel")
        bench.tell(Card(t=2.0, of="pot", id="barrel", body={"odd": object()}), leak(2.0))
        await phone.hears(f"{ROOT}/alert/pot-leaking/barrel", most=2)
    assert bench.tools.health.dropped["mqtt-unprintable"] >= 2


async def test_without_a_broker_nothing_but_waiting_happens() -> None:
    """Fault 1: no broker at all: made without I/O, it runs, keeps the outbox whole and stops at once."""
    bench = Bench()
    async with outlet_running(Settings(port=free_port()), bench) as outlet:
        for number in range(100):
            bench.tell(leak(float(number)), Reading(float(number), "c", "scale", "", 1.0, 1.0))
        await asyncio.sleep(0.3)
        assert len(bench.outbox.rows) == 100
        await _leave(outlet)
    assert "refused" in bench.tools.health.last_error.lower()


async def test_the_outbox_rule_takes_alerts_and_words_only() -> None:
    """Alerts never expire and keep order by code and subject; words expire at say_until."""
    bench = Bench()
    make(Settings(), bench.tools)
    (rule,) = bench.tools.outbox_rules
    alert, said = rule(leak(5.0)), rule(word(5.0))
    assert alert is not None
    assert said is not None
    assert (alert.priority, alert.order_key, alert.expires_t) == (2, "pot-leaking/barrel", None)
    assert (said.priority, said.expires_t, said.topic) == (3, 25.0, f"{ROOT}/say")
    assert rule(card(1.0)) is None
    assert rule(Reading(1.0, "c", "scale", "", 1.0, 1.0)) is None
    heard = Alert(**{**{f: getattr(leak(5.0), f) for f in Alert.__dataclass_fields__}, "heard": True})
    assert rule(heard) != alert


@needs_mosquitto
async def test_health_is_published_and_says_whether_marks_arrive(
    broker: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The health topic is retained and carries the self-test's outcome."""
    monkeypatch.setattr(mqtt, "HEALTH_EVERY_S", 0.1)
    bench = Bench()
    bench.tools.health.journal_lag_s = 0.25
    async with outlet_running(Settings(port=broker.port), bench) as outlet:
        await until(lambda: outlet.marks_in == "ok")
        async with Phone(broker.port) as phone:
            health = (await phone.hears(f"{ROOT}/health", most=2))[-1]
    assert (health["v"], health["marks_in"], health["journal_lag_s"]) == (0, "ok", 0.2)
    assert health["subject"] == {"bench": "north"}
