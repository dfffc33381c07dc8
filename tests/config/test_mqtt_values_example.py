"""Does the example bench with sensors its owner had already work as it stands, from the broker to the core?

Payload shapes as in tests/sources/test_mqtt_values.py, with its sources.
"""

from __future__ import annotations

import asyncio
import contextlib
import shutil
from pathlib import Path

import pytest
from mosquitto import needs_mosquitto, running
from phone import Phone, until

from benchd.core.engine import Engine
from benchd.core.findings import SensorFault, SensorSilent
from benchd.core.model import Input, Line, Mark, Quality, Reading
from benchd.errors import SettingsError
from benchd.plugins import load_settings, watcher_plan
from benchd.runtime.clock import BenchClock
from benchd.sources.mqtt_values import Settings, make

CONFIG = Path(__file__).parents[2] / "config"
EXAMPLE = CONFIG / "bench-mqtt-values.toml"
T = 1767607200.0


class Inbox:
    def __init__(self) -> None:
        self.items: list[Input] = []

    def put(self, item: Input) -> None:
        self.items.append(item)


def engine() -> Engine:
    made = Engine(watcher_plan)
    made.step(load_settings(EXAMPLE).context(T))
    return made


def line(payload: str, t: float) -> Line:
    return Line(t, "house", payload, "radio/bench-air")


@needs_mosquitto
async def test_it_reads_what_such_devices_publish(tmp_path: Path) -> None:
    """73.4 F = 23 C (NIST SP 811, B.9), 87.25 psi x 6.894757 = 601.568 kPa."""
    written = load_settings(EXAMPLE).sources["house"]
    assert isinstance(written, Settings)
    inbox = Inbox()
    with running(tmp_path) as broker:
        source = make(written.model_copy(update={"port": broker.port}), "house", BenchClock(anchor_s=T + 1))
        task = asyncio.create_task(source.run(inbox))
        async with Phone(broker.port) as device:
            await until(lambda: bool(inbox.items))
            device.send("radio/bench-air", '{"battery": 97, "humidity": 44.72, "temperature": 21.34}')
            device.send("tele/compressor/SENSOR", '{"Time":"2026","DS18B20":{"Temperature":73.4},"TempUnit":"F"}')
            device.send("compressor/sensor/tank_pressure/state", "87.25")
            device.send("radio/bench-knob", '{"action":"double"}')
            await until(lambda: sum(isinstance(i, Line | Mark) for i in inbox.items) == 4)
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
    core = engine()
    effects = [effect for item in sorted(inbox.items, key=lambda i: i.t) for effect in core.step(item)]
    read = {e.channel: e.value for e in effects if isinstance(e, Reading) and e.quality is Quality.GOOD}
    assert read == {
        "room-temperature": pytest.approx(21.34), "room-humidity": pytest.approx(44.72),
        "tank-temperature": pytest.approx(23.0), "tank-pressure": pytest.approx(601.568, abs=1e-3),
    }  # fmt: skip
    assert [(m.verb, m.pot) for m in inbox.items if isinstance(m, Mark)] == [("shut", "barrel")]


def test_a_value_is_silent_after_its_own_time_and_not_before() -> None:
    core = engine()
    core.step(line('[{"n":"tank-pressure","u":"Pa","v":601568.0}]', T + 1.0))

    def silent(t: float) -> set[str | None]:
        return {e.subject.channel for e in core.advance(t) if isinstance(e, SensorSilent)}

    assert "tank-pressure" not in silent(T + 118.0)
    assert "tank-pressure" in silent(T + 125.0)


def test_a_fault_that_stays_is_told_with_its_reason() -> None:
    core = engine()
    core.step(line('[{"n":"room","u":"Cel","v":21.0}]', T + 1.0))
    bad = '[{"n":"fault","vs":"room \\"unavailable\\" is no number"}]'
    effects = [e for n in range(3) for e in core.step(line(bad, T + 60.0 + 5.0 * n))]
    assert [e.why for e in effects if isinstance(e, SensorFault)] == ['"unavailable" is no number']


WRONG = [
    ('senml = "rh"', 'senml = "rj"', 'the source "house" has no value of this name; '),
    ('name = "rh"', 'name = "hum"', 'write name = "rh" into a [[source.value]]'),
    ('unit = "%"', 'unit = "C"', "comes in Cel, and room_humidity needs %RH"),
    ('unit = "psi"', 'unit = "dry"', '"dry" is no unit of temperature, pressure'),
    ('verb = "shut"', 'verb = "close"', "must be one of mix, poured"),
]


@pytest.mark.parametrize(("old", "new", "why"), WRONG)
def test_what_does_not_fit_is_said_with_file_key_and_remedy(tmp_path: Path, old: str, new: str, why: str) -> None:
    shutil.copytree(CONFIG, tmp_path, dirs_exist_ok=True)
    path = tmp_path / EXAMPLE.name
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), "utf-8")
    with pytest.raises(SettingsError) as raised:
        load_settings(path)
    assert any(why in str(complaint) and EXAMPLE.name in str(complaint) for complaint in raised.value.complaints)


def test_a_cup_by_a_slow_sensor_is_a_caution(tmp_path: Path) -> None:
    shutil.copytree(CONFIG, tmp_path, dirs_exist_ok=True)
    path = tmp_path / EXAMPLE.name
    text = path.read_text("utf-8").replace('source = "board"\nsenml = "b1-cup"', 'source = "house"\nsenml = "room"', 1)
    path.write_text(text.replace('source = "house"\nsenml = "room"\nrole = "room_temperature"', "", 1), "utf-8")
    text = path.read_text("utf-8").replace("[[channel]]\n\n", "", 1)
    path.write_text(text, "utf-8")
    told = [str(w) for w in load_settings(path).warnings]
    assert any("silent only after 3600 s" in w for w in told), told
