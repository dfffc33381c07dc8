"""Receives the readings that Wi-Fi boards publish to a broker.

Each message under `topics` is one SenML array, as on a serial line but without the checksum: the network guards it.
Retained messages are stale and ignored.  Beside its `lines` a board keeps a topic `up`: "here" or, as its last will,
"gone", retained; a board that says "gone" makes this source down, with its name, until it is back.  Its retained `boot`
says for people why it started, and by what full scale it reckons, which is passed on as a Status.  One source may
serve several boards, but goes down with any of them: give each its own if they must be distinguished.

The link comes back by itself after every loss; a loss is reported at once as a Status input.
"""

from __future__ import annotations

import base64
from typing import Annotated, Literal

import paho.mqtt.client as mqtt
from pydantic import AfterValidator, ConfigDict, Field, field_validator

from benchd.core.intake.full_scale import FullScale, full_scale_of
from benchd.core.intake.wire import LIMIT_BYTES
from benchd.core.model import Line, RawLine, Status
from benchd.runtime.clock import BenchClock
from benchd.runtime.mqtt.address import BrokerAddress
from benchd.runtime.mqtt.client import Message, plain
from benchd.runtime.mqtt.source import BrokerSource

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


class MqttTopics(BrokerSource):
    """Messages as inputs.  Counts: `too_long` messages were refused, `retained` ones ignored."""

    def __init__(self, settings: Settings, id: str, clock: BenchClock) -> None:
        super().__init__(settings, id, clock)
        self.too_long = 0
        self.retained = 0
        self._topics = settings.topics
        self._gone: dict[str, None] = {}
        self._scales: dict[str, FullScale] = {}
        self._told_scales: dict[str, FullScale] = {}

    def _began(self) -> None:
        self._gone.clear()

    def _filters(self) -> list[str]:
        """The topics, and for each that ends in `/lines` where that board says "here" and "gone", and how it began."""
        topics = self._topics
        roots = [topic.removesuffix(LINES) for topic in topics if topic.endswith(f"/{LINES}")]
        beside = [root + level for root in roots for level in (UP, BOOT)]
        return [*topics, *(topic for topic in beside if topic not in topics)]

    def _is_whole(self) -> bool:
        return not self._gone

    def _lost(self) -> None:
        self._gone.clear()  # a missing board is reported again on the next connection

    def _told_status(self) -> None:
        self._tell_scales()

    # -- what the link hands over, on the loop

    def _can_do_without(self, refusal: str) -> bool:
        return f"/{BOOT} " in refusal  # readings come without a board's boot word: the log names it, and `check`

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
