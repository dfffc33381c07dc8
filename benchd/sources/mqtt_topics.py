"""Receives the readings that Wi-Fi boards publish to a broker.

Each message under `topics` is one SenML array, as on a serial line but without the checksum: the network guards it.
Retained messages are stale and ignored.  Beside its `lines` a board keeps a topic `up`: "here" or, as its last will,
"gone", retained; a board that says "gone" makes this source down, with its name, until it is back.  Its retained `boot`
says for people why it started, and by what full scale it reckons, which is passed on as a Status.  One source may
serve several boards, but goes down with any of them: give each its own if they must be distinguished.

The link comes back by itself after every loss; a loss is reported at once as a Status input.
"""

from __future__ import annotations

import asyncio
import base64
import secrets
from typing import Annotated, Literal

import paho.mqtt.client as mqtt
from pydantic import AfterValidator, ConfigDict, Field, field_validator

from benchd.core.intake.full_scale import FullScale, full_scale_of
from benchd.core.intake.wire import LIMIT_BYTES
from benchd.core.model import Line, RawLine, Status
from benchd.errors import OutletError, SourceError
from benchd.runtime.clock import BenchClock
from benchd.runtime.contracts import Inbox
from benchd.runtime.mqtt.address import BrokerAddress
from benchd.runtime.mqtt.client import Message, plain
from benchd.runtime.mqtt.link import MqttLink

GREETING_S = 0.3  # wall; how long a retained "gone" may take to follow the subscription
BOARDS_MOST = 32  # missing boards one source remembers: a wildcard must not grow without bound
LINES, UP, BOOT = "lines", "up", "boot"


def _topic_filter(text: str) -> str:
    """A filter as MQTT 5.0, section 4.7.1 has it: + is a whole level, # the whole last one."""
    levels = text.split("/")
    for place, level in enumerate(levels):
        is_wild = "+" in level or "#" in level
        if is_wild and (len(level) > 1 or (level == "#" and place < len(levels) - 1)):
            raise ValueError('+ and # stand for whole levels, # only for the last: "benchd/board/+/lines"')
    if not text or text.startswith("$") or "\0" in text or len(text.encode()) > 256:
        raise ValueError('write a topic of at most 256 bytes, for example "benchd/board/b1/lines"')
    return text


TopicFilter = Annotated[str, AfterValidator(_topic_filter)]


class Settings(BrokerAddress):
    """Readings from a broker; its host, port, username, password_file and TLS files as in `[mqtt]`."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"host": "127.0.0.1", "port": 1883, "topics": ["benchd/board/b1/lines"]}]}
    )

    kind: Literal["mqtt_topics"] = "mqtt_topics"
    topics: Annotated[tuple[TopicFilter, ...], Field(min_length=1, max_length=16)]
    """Where the arrays come, for example ["benchd/board/b1/lines"]; + and # may stand for levels."""
    clock: Literal["up", "arrival"] = "up"
    """Whose time counts: the board's own, by its seconds since boot or the cadence of its lines, or that of arrival."""

    @field_validator("topics")
    @classmethod
    def _none_covers_another(cls, topics: tuple[str, ...]) -> tuple[str, ...]:
        for place, topic in enumerate(topics):
            for other in topics[place + 1 :]:
                if mqtt.topic_matches_sub(topic, other) or mqtt.topic_matches_sub(other, topic):
                    raise ValueError(f'"{topic}" and "{other}" bring the same messages twice; leave one out')
        return topics


def make(settings: Settings, id: str, clock: BenchClock) -> MqttTopics:
    """The source of what is published under these topics; no I/O."""
    return MqttTopics(settings, id, clock)


class MqttTopics:
    """Messages as inputs.  Counts: `too_long` messages were refused, `retained` ones ignored."""

    def __init__(self, settings: Settings, id: str, clock: BenchClock) -> None:
        self.too_long = 0
        self.retained = 0
        self._settings = settings
        self._id = id
        self._clock = clock
        self._place = f"{settings.host}:{settings.port}"
        self._inbox: Inbox | None = None
        self._link: MqttLink | None = None
        self._gone: dict[str, None] = {}
        self._told: tuple[bool, str] | None = None
        self._refusals = 0
        self._is_refused = False
        self._scales: dict[str, FullScale] = {}
        self._told_scales: dict[str, FullScale] = {}

    async def run(self, inbox: Inbox) -> None:
        """Receive the topics until cancelled; Status(up) once they are subscribed, Status(down) whenever they are not.

        Raises SourceError, its Status already put, when a password or TLS file can't be used.
        """
        self._inbox = inbox
        self._gone.clear()
        self._refusals = 0
        link = MqttLink(self._settings, f"benchd-{self._id}-{secrets.token_hex(4)}", on_trouble=self._trouble)
        self._link = link
        for topic in self._filters():
            link.subscribe(topic, self._hear)
        link.when_connected(self._greet)
        try:
            async with link.opened():
                await asyncio.Event().wait()
        except OutletError as error:
            self._tell(False, str(error))
            raise SourceError(str(error)) from error

    def _filters(self) -> list[str]:
        """The topics, and for each that ends in `/lines` where that board says "here" and "gone", and how it began."""
        topics = self._settings.topics
        roots = [topic.removesuffix(LINES) for topic in topics if topic.endswith(f"/{LINES}")]
        beside = [root + level for root in roots for level in (UP, BOOT)]
        return [*topics, *(topic for topic in beside if topic not in topics)]

    async def _greet(self) -> None:
        """On every connect, once the broker has granted the topics: up, unless a board turns out to be missing."""
        await asyncio.sleep(GREETING_S)
        self._tell_whether_up(self._place)

    # -- what the link hands over, on the loop

    def _trouble(self, text: str) -> None:
        if not self._is_linked:
            self._is_refused = False
            self._gone.clear()  # a missing board is reported again on the next connection
            self._tell(False, text)
        elif self._link is not None and self._link.counts.refused > self._refusals:
            self._refusals = self._link.counts.refused  # nothing is published: a subscription
            if f"/{BOOT} " not in text:  # readings come without a board's boot word: the log names it, and `check`
                self._is_refused = True
                self._tell(False, f"{self._place}: {text}")

    def _hear(self, message: Message) -> None:
        level = message.topic.rpartition("/")[2]
        if level == UP:
            self._presence(message)
        elif level == BOOT:
            self._begun(message)
        elif message.payload:
            self._take(message)

    def _begun(self, message: Message) -> None:
        scale = full_scale_of(message.payload[:LIMIT_BYTES].decode(errors="replace"))
        if scale is not None and (scale.name in self._scales or len(self._scales) < BOARDS_MOST):
            self._scales[scale.name] = scale
            self._tell_scales()

    def _presence(self, message: Message) -> None:
        board = _board_of(message.topic)
        if message.payload == b"gone":
            if len(self._gone) < BOARDS_MOST:
                self._gone[board] = None
            self._tell(False, f"{plain(board)} is gone")
        elif message.payload == b"here":
            self._gone.pop(board, None)
            if not message.retained:
                self._tell_whether_up(f"{plain(board)} is here")

    def _take(self, message: Message) -> None:
        if message.retained:
            self.retained += 1
            return
        if len(message.payload) > LIMIT_BYTES:
            self.too_long += 1
            return
        board = _board_of(message.topic)
        self._gone.pop(board, None)  # it speaks again, so it is no longer missing
        self._is_refused = False
        self._tell_whether_up(f"{plain(board)} speaks")
        self._put(message)

    def _put(self, message: Message) -> None:
        now = self._clock.now()
        try:
            line = message.payload.decode()
        except UnicodeDecodeError:
            self._inputs.put(RawLine(now, self._id, base64.b64encode(message.payload).decode()))
            return
        self._inputs.put(Line(now, self._id, line, message.topic))

    # -- up and down

    @property
    def _is_linked(self) -> bool:
        return self._link is not None and self._link.is_connected

    @property
    def _inputs(self) -> Inbox:
        assert self._inbox is not None
        return self._inbox

    def _tell_whether_up(self, why: str) -> None:
        if self._gone or self._is_refused or not self._is_linked:
            return
        if self._told is None or not self._told[0]:
            self._tell(True, why)

    def _tell(self, up: bool, why: str) -> None:
        """Put a Status, unless the very same was the last."""
        if (up, why) != self._told:
            self._inputs.put(Status(self._clock.now(), self._id, up, why))
        self._told = (up, why)
        self._tell_scales()

    def _tell_scales(self) -> None:
        """Each new full scale, once; not while this source is down, which a Status would end."""
        if self._told is None or not self._told[0]:
            return
        for name, scale in self._scales.items():
            if self._told_scales.get(name) != scale:
                self._told_scales[name] = scale
                self._inputs.put(Status(self._clock.now(), self._id, True, f"board says: {scale.words}"))


def _board_of(topic: str) -> str:
    """Whose topic: all but the last level."""
    return topic.rpartition("/")[0] or topic
