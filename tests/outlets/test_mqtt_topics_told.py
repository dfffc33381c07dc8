"""Does every payload of a day fit `benchd schema mqtt`, and do the examples of TOPICS.md do what they say?

Judged by jsonschema, another implementation, over the golden recordings of the demo's loads.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import lzma
import re
import shlex
import shutil
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from mosquitto import needs_mosquitto, running
from outlet_tools import Bench, leak, word
from phone import Phone, until
from recordings_by_hand import context, fill_and_vent

from benchd.core.engine import Engine
from benchd.core.findings import Effect
from benchd.core.format.record import from_record, read_recording
from benchd.core.model import Alert, Card, Mark, MarkAnswer, Quality, Reading, Utterance
from benchd.outlets.mqtt import Settings, make
from benchd.plugins import load_settings, watcher_plan
from benchd.runtime.mqtt.topics import Topics, packed
from benchd.runtime.mqtt.topics.table import TABLE, mqtt_schema
from benchd.runtime.mqtt.topics.thinning import Thinning

HERE = Path(__file__).parents[1]
PAPER = HERE.parent / "benchd" / "runtime" / "mqtt" / "topics" / "TOPICS.md"
TOPICS = Topics("quiet-harbour", "north")
CONFIG = HERE.parent / "config" / "bench.toml"


@cache
def judge() -> jsonschema.Draft202012Validator:
    schema = json.loads(json.dumps(mqtt_schema()))
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


def tail(topic: str) -> str:
    return topic.removeprefix(f"{TOPICS.root}/")


def misfits(topic: str, payload: str) -> list[str]:
    body = json.loads(payload) if payload.startswith("{") else payload
    return [f"{tail(topic)}: {error.message}" for error in judge().iter_errors({tail(topic): body})]


def messages(effect: Effect, seq: Counter[str]) -> Iterator[tuple[str, str]]:
    """What the outlet publishes of one effect, by the functions it publishes with."""
    match effect:
        case Reading():
            seq[effect.channel] += 1
            yield TOPICS.reading(effect, seq[effect.channel])
        case Card():
            yield TOPICS.card(effect)
        case Alert():
            yield TOPICS.alert(effect)
    row = TOPICS.outbox_row(effect)
    if row is not None:
        yield row.topic, row.payload


def judged(effects: Iterator[Effect]) -> Counter[str]:
    """How many messages fit, by the first level of their topic; fails at the first that does not."""
    fit, seq, seen = Counter[str](), Counter[str](), set[tuple[str, str]]()
    for effect in effects:
        for topic, payload in messages(effect, seq):
            fit[tail(topic).split("/")[0]] += 1
            shape = re.sub(r"-?\d[\d.e-]*", "0", payload)
            if (topic, shape) not in seen:  # the same but for its numbers fits as well
                seen.add((topic, shape))
                assert misfits(topic, payload) == [], payload
    return fit


def test_every_message_of_a_short_load_fits() -> None:
    def effects() -> Iterator[Effect]:
        engine = Engine(watcher_plan)
        for line in [context(), *fill_and_vent()]:
            yield from engine.step(from_record(json.loads(line)))

    fit = judged(effects())
    assert fit["read"] > 100
    assert {"pot", "pour"} <= set(fit)


@pytest.mark.wide
def test_every_message_of_the_demos_day_fits() -> None:
    total = Counter[str]()
    for name in ("load-1", "load-2-crumb", "load-3-damp"):
        text = lzma.decompress((HERE / "recordings" / f"{name}.jsonl.xz").read_bytes()).decode()
        engine = Engine(watcher_plan)
        total += judged(e for item in read_recording(text.splitlines(keepends=True)) for e in engine.step(item))
    assert set(total) == {"read", "pour", "pot", "mold", "alert", "alert-log", "say"}
    assert sum(total.values()) > 1138


def test_what_is_wrong_does_not_fit() -> None:
    good = TOPICS.alert(leak(1.0))
    assert misfits(*good) == []
    body = json.loads(good[1])
    for spoiled in (body | {"more": 1}, {k: v for k, v in body.items() if k != "unit"}, body | {"v": 1}):
        assert misfits(good[0], json.dumps(spoiled)) != []
    assert misfits(f"{TOPICS.root}/sing", "{}") != []
    assert misfits(f"{TOPICS.root}/up", "away") != []


@needs_mosquitto
async def test_all_that_an_outlet_sends_fits_and_is_in_the_table(tmp_path: Path) -> None:
    bench = Bench()
    bench.about |= {"shop": "quiet-harbour", "bench": "north", "name": "North", "channels": {}, "molds": ["M02"]}
    bench.about |= {"lots": [], "probes": [{"id": "board", "up": True}]}
    del bench.about["shelf"]
    with running(tmp_path) as broker:
        async with Phone(broker.port, topic_filter=f"{TOPICS.root}/#") as phone:
            outlet = make(Settings(port=broker.port), bench.tools)
            task = asyncio.create_task(outlet.run())
            await until(lambda: outlet.marks_in == "ok")
            now = bench.tools.clock.now()
            bench.tell(
                leak(now), word(now), Reading(now, "barrel-pressure", "pot_pressure", "barrel", 289.6, 289600.0),
                Reading(now, "scale", "scale", "", None, None, Quality.FAULT, "open"),
            )  # fmt: skip
            phone.send(f"{TOPICS.root}/do/sing", "{}")
            await phone.hears(f"{TOPICS.root}/did/sing")
            await until(lambda: not bench.outbox.rows)
            await asyncio.sleep(0.1)
            task.cancel()
            await asyncio.wait([task])
            await until(lambda: phone.on(f"{TOPICS.root}/up")[-1] == "gone")
        heard = [(topic, payload) for topic, payload, _ in phone.heard if "/do/" not in topic]
    assert [why for message in heard for why in misfits(*message)] == []
    named = {topic.pattern for topic in TABLE}
    assert all(any(re.match(pattern, tail(topic)) for pattern in named) for topic, _ in heard)
    assert {tail(topic).split("/")[0] for topic, _ in heard} >= {
        "up", "about", "read", "probe", "alert", "alert-log", "say", "health", "did",
    }  # fmt: skip


def test_a_large_shelf_is_left_out_of_about_and_the_message_stays_below_its_limit() -> None:
    bench = Bench()
    outlet = make(Settings(), bench.tools)
    bench.about |= {"molds": [f"M{n:04}" for n in range(900)], "lots": [f"R-{n:04}" for n in range(200)]}
    outlet._publish_about()
    sent = json.loads(outlet.link._states._states[outlet.topics.at("about")].payload)
    assert "molds" not in sent
    assert sent["shelf_left_out"] is True


# ------------------------------------------------------------------------------------------------------- the paper


def commands() -> list[str]:
    return re.findall(r"^    (mosquitto_(?:sub|pub) .*)$", PAPER.read_text("utf-8"), re.MULTILINE)


@pytest.mark.wide
@needs_mosquitto
@pytest.mark.skipif(shutil.which("mosquitto_sub") is None, reason="mosquitto_sub is not installed")
async def test_the_papers_examples_do_what_they_say(tmp_path: Path) -> None:
    """Each command as it stands, but for the port."""
    bench = Bench()
    assert len(commands()) == 6
    with running(tmp_path) as broker:
        outlet = make(Settings(port=broker.port), bench.tools)
        task = asyncio.create_task(outlet.run())
        await until(lambda: outlet.marks_in == "ok")
        now = bench.tools.clock.now()
        bench.tell(leak(now), Card(t=now, of="pot", id="barrel", body={"phase": "idle"}))
        say, everything, pot, alerts, heard, demolded = [
            await asyncio.create_subprocess_exec(
                *shlex.split(command), "-p", str(broker.port), stdout=asyncio.subprocess.PIPE
            )
            for command in commands()
        ]
        out, _ = await asyncio.wait_for(pot.communicate(), 5)
        assert json.loads(out)["phase"] == "idle"
        await asyncio.wait_for(asyncio.gather(heard.wait(), demolded.wait()), 5)
        await until(lambda: len(bench.marks) == 2)
        bench.tell(word(bench.tools.clock.now()))
        assert say.stdout is not None
        assert json.loads(await asyncio.wait_for(say.stdout.readline(), 5))["say"] == "Lid now."
        out, _ = await asyncio.wait_for(alerts.communicate(), 6)
        assert json.loads(out)["alert"] == "pot-leaking"
        for process in (say, everything):
            with contextlib.suppress(ProcessLookupError):
                process.terminate()
        out, _ = await everything.communicate()
        assert f"{TOPICS.root}/up here".encode() in out
        task.cancel()
        await asyncio.wait([task])
    marks = {(mark.verb, mark.mold) for mark in bench.marks}  # two programs at once, in either order
    assert marks == {("demolded", "M02"), ("heard", None)}


# --------------------------------------------------------------------------------------------------- fewer readings


def reading(t: float, value: float | None, quality: Quality = Quality.GOOD) -> Reading:
    return Reading(t, "barrel-pressure", "pot_pressure", "barrel", value, value, quality)


def test_readings_are_thinned_by_time_and_by_change() -> None:
    every = Thinning()
    assert all(every.passes(reading(t / 4.0, 100.0)) for t in range(8))
    slow = Thinning(every_s=5.0)
    assert [t for t in range(12) if slow.passes(reading(float(t), 100.0))] == [0, 5, 10]
    still = Thinning(change={"barrel-pressure": 2.0})
    values = {0: 100.0, 1: 101.0, 2: 102.0, 3: 102.5, 40: 103.9, 62: 103.9, 63: 103.9}
    assert [t for t, value in values.items() if still.passes(reading(float(t), value))] == [0, 2, 62]
    assert still.passes(reading(64.0, None, Quality.FAULT))  # a fault at once, and its end
    assert still.passes(reading(64.2, 103.9))


@pytest.mark.parametrize(("written", "kpa_or_c"), [("0.2 psi", 1.378951), ("0.5 F", 0.2777778), ("2 %", 2.0)])
def test_a_change_is_written_with_its_unit(written: str, kpa_or_c: float) -> None:
    """1 psi = 6.894757 kPa, 1 F of difference = 5/9 C (NIST SP 811, B.8 and B.9)."""
    settings = Settings.model_validate({"read_change": {"x": written}})
    assert settings.read_change["x"] == pytest.approx(kpa_or_c, rel=1e-6)


@pytest.mark.parametrize("written", ["0.2", "2 bananas", 3, "-1 psi"])
def test_a_change_that_cannot_be_read_is_refused(written: Any) -> None:
    with pytest.raises(ValueError, match="read_change"):
        Settings.model_validate({"read_change": {"x": written}})


def test_it_is_read_from_a_bench_file(tmp_path: Path) -> None:
    shutil.copytree(CONFIG.parent, tmp_path, dirs_exist_ok=True)
    path = tmp_path / "bench.toml"
    example = re.search(r"^    read_every_s.*?\n    read_change.*?\n", PAPER.read_text("utf-8"), re.M | re.S)
    assert example is not None
    added = "".join(line.strip() + "\n" for line in example[0].splitlines())
    path.write_text(path.read_text("utf-8").replace("port = 1883\n", f"port = 1883\n{added}", 1), "utf-8")
    settings = load_settings(path).outlets["mqtt"]
    assert isinstance(settings, Settings)
    assert settings.read_every_s == 5.0
    assert settings.read_change == {"barrel-pressure": pytest.approx(0.2 * 6.894757, rel=1e-6)}


def test_a_change_for_a_channel_that_is_not_there_is_cautioned(tmp_path: Path) -> None:
    shutil.copytree(CONFIG.parent, tmp_path, dirs_exist_ok=True)
    path = tmp_path / "bench.toml"
    written = 'port = 1883\nread_change = { barel-pressure = "0.2 psi", barrel-pressure = "0.2 psi" }\n'
    path.write_text(path.read_text("utf-8").replace("port = 1883\n", written, 1), "utf-8")
    (caution,) = load_settings(path).warnings
    assert (caution.key, caution.problem) == ("mqtt.read_change.barel-pressure", "no such channel")
    assert "barrel-pressure" in caution.remedy


def test_the_alerts_of_a_leak_have_a_unit_and_a_limit_of_its_kind() -> None:
    """A rate has no pressure's limit, and no time for one."""
    text = (HERE / "recordings" / "load-2-crumb.expected.jsonl").read_text("utf-8")
    alerts = [row for line in text.splitlines() if "alert" in (row := json.loads(line))]
    assert {(a["alert"], a["unit"], a["limit"]) for a in alerts} == {
        ("pot-leaking-slowly", "kPa/min", None), ("gasket-to-check", "kPa/min", None),
    }  # fmt: skip


def test_an_utterance_fits_alone() -> None:
    said = Utterance(t=1.0, say="x", priority=3, tone="chime", say_until=9.0, subject=leak(1.0).subject)
    row = TOPICS.outbox_row(said)
    assert row is not None
    assert misfits(row.topic, row.payload) == []
    assert misfits(row.topic, packed(json.loads(row.payload) | {"unsaved": True, "unsaved_why": "disk full"})) == []


def test_who_has_the_watch_a_word_for_one_and_a_mark_counted_once_fit_too() -> None:
    """Keys that are there only where two share a bench."""
    engine = Engine(watcher_plan)
    engine.step(load_settings(CONFIG).context(1_767_605_400.0))
    by = {"ada": "page:Ada", "bo": "page:Bo"}
    marks = [("watch", "ada", 1.0), ("dumped", "ada", 3.0), ("dumped", "bo", 5.0)]
    items = [Mark(t=1_767_605_400.0 + s, verb=verb, by=by[who], id=f"{s}") for verb, who, s in marks]
    told = [effect for item in items for effect in engine.step(item)]
    (card,) = [e for e in (*told, *engine.advance(1_767_605_410.0)) if isinstance(e, Card) and e.of == "watch"]
    spoken = next(e for e in told if isinstance(e, Utterance))
    answers = [TOPICS.answer(e) for e in told if isinstance(e, MarkAnswer)]
    assert json.loads(answers[-1][1])["same_as"] == "3.0"
    assert tail(TOPICS.card(card)[0]) == "watch/north"
    row = TOPICS.outbox_row(replace(spoken, to="Ada"))
    assert row is not None
    assert json.loads(row.payload)["to"] == "Ada"
    for topic, payload in (TOPICS.card(card), (row.topic, row.payload), *answers):
        assert misfits(topic, payload) == []
