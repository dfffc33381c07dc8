"""Takes readings from sensors people own already, as their firmware publishes them: a topic, a key, a unit for each.

    [[source]]
    id = "air"
    kind = "mqtt_values"
    host = "127.0.0.1"

    [[source.value]]
    name = "room"                     # a [[channel]]'s senml
    topic = "tele/shelf/SENSOR"
    key = "DS18B20.Temperature"       # left out where the payload is the number alone
    unit = "C"
    stale_after = "15 min"
    availability = { topic = "tele/shelf/LWT", here = "Online", gone = "Offline" }

    [[source.button]]
    topic = "radio/knob"
    key = "action"
    payload = "single"
    verb = "heard"

Each message becomes a line as a board would send it, in SenML units: from here on nothing knows of another unit.  What
cannot be read, and a device that says it is gone, is a fault of its channels alone, repeated until it is over.  A
retained value is as old as nobody knows and left alone unless it says `retained = true`; whether a device is there is
believed either way.  A press is never taken from the broker's store.
"""

from __future__ import annotations

import asyncio
import json
import secrets
from collections import defaultdict
from collections.abc import Mapping
from functools import partial
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema, model_validator

from benchd.core.intake.wire import Record, encode
from benchd.core.model import VERBS, Line
from benchd.core.units import parse_quantity
from benchd.errors import DecodeError
from benchd.runtime.clock import BenchClock
from benchd.runtime.contracts import Sent
from benchd.runtime.mqtt.address import BrokerAddress
from benchd.runtime.mqtt.client import Message
from benchd.runtime.mqtt.marks import MarkIntake, Refusal
from benchd.runtime.mqtt.source import BrokerSource
from benchd.sources.mqtt_values.payload import (
    Misfit,
    at,
    converted,
    is_same_unit,
    number,
    said_of,
    senml_unit,
    text_of,
    word,
)

FAULT_EVERY_S = 5.0  # two in a row are a fault to the sensors' watcher
GONE_WHY = "says it is gone"


def _topic(text: str) -> str:
    """A topic to subscribe to, without wildcards: a value comes from one place (MQTT 5.0, section 4.7)."""
    if not text or "+" in text or "#" in text or "\0" in text or len(text.encode()) > 256:
        raise ValueError("write one whole topic, without + and #, at most 256 bytes")
    return text


def _unit(text: str) -> str:
    senml_unit(text)
    return text


def _verb(text: str) -> str:
    if text not in VERBS:
        raise ValueError(f"must be one of {', '.join(VERBS)}")
    return text


Topic = Annotated[str, AfterValidator(_topic)]
Time = Annotated[
    float, BeforeValidator(partial(parse_quantity, dimension="time")), Field(ge=5.0, le=86_400.0),
    WithJsonSchema({"type": "string", "pattern": r"^\s*[0-9.].*[^0-9.\s]\s*$", "description": "a number and a unit"}),
]  # fmt: skip


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Availability(_Table):
    """Where a device says whether it is there, and in which words."""

    topic: Topic
    key: str = Field(default="", max_length=200)
    here: str = Field(default="online", min_length=1, max_length=64)
    gone: str = Field(default="offline", min_length=1, max_length=64)


class Value(_Table):
    """One number: where it comes from, its unit, and how long it may be silent."""

    name: str = Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9:./_-]*$", max_length=64)
    topic: Topic
    key: str = Field(default="", max_length=200)
    unit: Annotated[str, AfterValidator(_unit)]
    unit_key: str = Field(default="", max_length=200)
    """Where the payload itself names its unit: another than `unit` is then a fault."""
    stale_after: Time = 300.0
    availability: Availability | None = None
    retained: bool = False


class Button(_Table):
    """A press that is a mark; pot, cup, mold and text go into it."""

    topic: Topic
    key: str = Field(default="", max_length=200)
    payload: str = Field(min_length=1, max_length=200)
    verb: Annotated[str, AfterValidator(_verb)]
    pot: str | None = None
    cup: str | None = None
    mold: str | None = None
    text: str | None = Field(default=None, max_length=200)

    @property
    def body(self) -> bytes:
        """The mark as it would come over MQTT."""
        told = {"pot": self.pot, "cup": self.cup, "mold": self.mold, "text": self.text}
        return json.dumps({key: value for key, value in told.items() if value is not None}).encode()


class Settings(BrokerAddress):
    """Readings and presses of devices whose payloads are theirs to choose; host, port and so on as in `[mqtt]`."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"value": [{"name": "room", "topic": "shelf/sensor/room/state", "unit": "C"}]}]}
    )

    kind: Literal["mqtt_values"] = "mqtt_values"
    value: tuple[Value, ...] = Field(default=(), max_length=64)
    button: tuple[Button, ...] = Field(default=(), max_length=32)

    @model_validator(mode="after")
    def _has_something_to_do(self) -> Settings:
        names = [value.name for value in self.value]
        twice = next((name for name in names if names.count(name) > 1), None)
        if twice is not None:
            raise ValueError(f'the name "{twice}" stands twice; every [[source.value]] needs one of its own')
        if not self.value and not self.button:
            raise ValueError("has neither a [[source.value]] nor a [[source.button]]; write one below it")
        return self

    @property
    def sends(self) -> Mapping[str, Sent]:
        """Name -> what its lines will hold; the settings' loader judges the channels by it."""
        return {value.name: Sent(senml_unit(value.unit), value.stale_after) for value in self.value}


def make(settings: Settings, id: str, clock: BenchClock) -> MqttValues:
    """The source of these values and buttons; no I/O."""
    return MqttValues(settings, id, clock)


class MqttValues(BrokerSource):
    """Messages as board lines and marks.  Counts: `retained` values left alone; `refused` presses, `why` the last."""

    def __init__(self, settings: Settings, id: str, clock: BenchClock) -> None:
        super().__init__(settings, id, clock)
        self.retained = self.refused = 0
        self.why = ""
        self._values: dict[str, list[Value]] = defaultdict(list)
        self._presence: dict[str, list[Value]] = defaultdict(list)
        self._buttons: dict[str, list[Button]] = defaultdict(list)
        for value in settings.value:
            self._values[value.topic].append(value)
            if value.availability is not None:
                self._presence[value.availability.topic].append(value)
        for button in settings.button:
            self._buttons[button.topic].append(button)
        self._faults: dict[str, tuple[str, str]] = {}  # name -> (its topic, why)
        self._intake = MarkIntake(clock.now, "", secrets.token_hex(8))

    def _began(self) -> None:
        self._faults.clear()

    def _lost(self) -> None:
        self._faults.clear()  # the source itself is down: the core makes every channel of it faulty

    def _filters(self) -> list[str]:
        return list(dict.fromkeys([*self._values, *self._presence, *self._buttons]))

    async def _beside(self) -> None:
        while True:
            await asyncio.sleep(FAULT_EVERY_S)
            for name, (topic, why) in self._faults.items() if self._is_linked else ():
                self._put(topic, [], {name: why})

    # -- what the link hands over, on the loop

    def _hear(self, message: Message) -> None:
        self._present(message)
        if message.payload:
            self._read(message)
            self._pressed(message)

    def _present(self, message: Message) -> None:
        for value in self._presence.get(message.topic, ()):
            told = value.availability
            assert told is not None
            try:
                said = word(at(text_of(message.payload), told.key))
            except Misfit:
                continue
            if said == told.gone:
                self._fail(value, GONE_WHY)
            elif said == told.here and self._faults.get(value.name, ("", ""))[1] == GONE_WHY:
                del self._faults[value.name]

    def _fail(self, value: Value, why: str) -> None:
        self._faults[value.name] = (value.topic, why)
        self._put(value.topic, [], {value.name: why})

    def _read(self, message: Message) -> None:
        records: list[Record] = []
        faults: dict[str, str] = {}
        for value in self._values.get(message.topic, ()):
            if message.retained and not value.retained:
                self.retained += 1
                continue
            try:
                read, unit = reading_of(value, message.payload)
                records.append((value.name, read, None, unit))
                self._faults.pop(value.name, None)
            except Misfit as error:
                faults[value.name] = said_of(str(error))
                self._faults[value.name] = (value.topic, faults[value.name])
        if records or faults:
            self._put(message.topic, records, faults)

    def _put(self, topic: str, records: list[Record], faults: Mapping[str, str]) -> None:
        """One line, or where that would be too long a line for each record and fault."""
        told = [f"{name} {why}" for name, why in faults.items()]
        try:
            self._put_line(topic, records, "; ".join(told) or None)
        except DecodeError:
            for record in records:
                self._put_line(topic, [record], None)
            for fault in told:
                self._put_line(topic, [], fault)

    def _put_line(self, topic: str, records: list[Record], fault: str | None) -> None:
        line = encode(records, fault=fault, checked=False).decode()
        self._inputs.put(Line(self._clock.now(), self._id, line, topic))

    def _pressed(self, message: Message) -> None:
        for button in self._buttons.get(message.topic, ()):
            try:
                is_pressed = word(at(text_of(message.payload), button.key)) == button.payload
            except Misfit:
                continue
            if not is_pressed:
                continue
            taken = self._intake.take(button.verb, button.body, message.retained, by="button")
            if isinstance(taken, Refusal):
                self.refused, self.why = self.refused + 1, taken.why
            else:
                self._inputs.put(taken)


def reading_of(value: Value, payload: bytes) -> tuple[float, str | None]:
    """(the number a payload holds for this value, its SenML unit; None for counts).  Raises Misfit."""
    text = text_of(payload)
    if value.unit_key:
        said = word(at(text, value.unit_key))
        if not is_same_unit(said, value.unit):
            raise Misfit(f"comes in {said_of(said)[:20]}, not in {value.unit} as configured")
    return converted(number(at(text, value.key)), value.unit), senml_unit(value.unit)
