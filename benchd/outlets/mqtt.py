"""Publishes the bench to the phone over MQTT: state, events from the outbox, and the marks that come back.

On every connect: the subscription to `do/+`, `up` = here, all state, then the outbox.  Nothing is sent before it is
released: state comes from the bulletin, events from the outbox.  Without a broker it waits and the bench goes on being
watched.  Only marks are accepted from outside.
"""

from __future__ import annotations

import asyncio
import secrets
import time
from collections.abc import Mapping
from dataclasses import asdict
from types import MappingProxyType
from typing import Any, Literal

from pydantic import Field

from benchd.core.findings import Effect
from benchd.core.format.printed import tidy
from benchd.core.model import Alert, Card, MarkAnswer, Reading
from benchd.errors import MarkRejected
from benchd.runtime.bulletin import Subscription
from benchd.runtime.contracts import Tools
from benchd.runtime.mqtt.address import BrokerAddress
from benchd.runtime.mqtt.client import NO_SUBSCRIBERS, REFUSED, Message, Will
from benchd.runtime.mqtt.link import MqttLink
from benchd.runtime.mqtt.marks import MarkIntake, Refusal, parse_object
from benchd.runtime.mqtt.outbox_pump import OutboxPump
from benchd.runtime.mqtt.retained import swept
from benchd.runtime.mqtt.topics import GONE, HERE, Topics, packed
from benchd.runtime.mqtt.topics.thinning import Change, Thinning

HEALTH_EVERY_S = 10.0
ABOUT_LOOK_EVERY_S = 1.0
ECHO_WITHIN_S = 5.0
ANSWERS_MOST = 100
SHELF = ("molds", "lots")
TEST_AGAIN_S = 30.0  # wall; a broker that refuses marks may stop doing so without ending the connection
UNREACHED_S = 15.0  # wall; the link is back within 5 s of a broker that was only restarted
REACH_EVERY_S = 1.0
FAILED = ("denied", "refused")
NO_WARNING: Mapping[str, Any] = MappingProxyType({})


class Settings(BrokerAddress):
    """The `[mqtt]` table."""

    kind: Literal["mqtt"] = "mqtt"
    prefix: str = Field(default="benchd", pattern=r"^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$", max_length=64)
    read_every_s: float = Field(default=0.0, ge=0.0, le=3600.0)
    """A channel's readings are published this far apart at the least; 0: each of them, as it comes."""
    read_change: dict[str, Change] = Field(default={}, max_length=64)
    """Channel -> by how much a reading must differ from the last one published, for example "0.2 psi"."""


def make(settings: Settings, tools: Tools) -> MqttOutlet:
    """The outlet, its outbox rule registered; no I/O."""
    outlet = MqttOutlet(settings, tools)
    tools.outbox_rules.append(outlet.topics.outbox_row)
    return outlet


class MqttOutlet:
    """One bench's MQTT tree.  `marks_in` is "untested", "ok", "denied" (silently) or "refused" (the test itself)."""

    def __init__(self, settings: Settings, tools: Tools) -> None:
        self.topics = Topics(tools.shop, tools.bench, settings.prefix)
        self.marks_in = "untested"
        self._tools = tools
        up = self.topics.at("up")
        self.link = MqttLink(
            settings, f"{self.topics.root.replace('/', '-')[:64]}", Will(up, GONE), GONE, self._trouble
        )
        self._pump = OutboxPump(self.link, tools.outbox, tools.clock, tools.health)
        self._intake = MarkIntake(tools.clock.now, tools.bench, tools.boot)
        self._answers: asyncio.Queue[tuple[MarkAnswer, dict[str, Any]]] = asyncio.Queue(ANSWERS_MOST)
        self._seq: dict[str, int] = {}
        self._thinning = Thinning(settings.read_every_s, settings.read_change)
        self._published: set[str] = set()
        self._about = ""
        self._stands, self._former = False, set[str]()
        self._echo = ""
        self._echoed = asyncio.Event()
        self.link.subscribe(self.topics.marks, self._on_mark)
        self.link.subscribe(self.topics.at("about"), self._on_about)
        self.link.when_connected(self._greet)

    async def run(self) -> None:
        """Serve until cancelled.  Raises OutletError when a password or TLS file can't be used."""
        news = self._tools.bulletin.subscribe()
        try:
            async with self.link.opened(), asyncio.TaskGroup() as group:
                for name, work in (
                    ("feed", self._feed(news)),
                    ("outbox", self._pump.run()),
                    ("answers", self._answer()),
                    ("health", self._tell_health()),
                    ("about", self._watch_about()),
                    ("sessions", self._each_session()),
                    ("reach", self._mind_reach()),
                ):
                    group.create_task(work, name=f"mqtt {name}")
        finally:
            self._tools.bulletin.unsubscribe(news)

    async def _mind_reach(self) -> None:
        """Count a broker lost for a while as nobody listening, until it is back: it reaches no phone.

        Another client under our name takes every other session away: that is reported by name.
        """
        lost_s: float | None = None
        while True:
            await asyncio.sleep(REACH_EVERY_S)
            self.link.note_contest(self._tools.health)
            if self.link.is_connected:
                if lost_s is not None and self._tools.health.listeners == 0:
                    self._tools.health.listeners = None  # not known again: the next word shows it
                lost_s = None
                continue
            lost_s = time.monotonic() if lost_s is None else lost_s
            if time.monotonic() - lost_s >= UNREACHED_S:
                self._tools.health.listeners = 0

    def _trouble(self, text: str) -> None:
        self._tools.health.last_error = f"mqtt: {text}"

    # -- out

    async def _greet(self) -> None:
        """Everything a new subscriber needs, "here" first."""
        self._keep(self.topics.at("up"), HERE)
        self._about = ""
        self._publish_about()
        bulletin = self._tools.bulletin
        state: list[Effect] = [*bulletin.cards.values(), *bulletin.alerts.values()]
        for effect in state:
            self._publish(effect)
        self._publish_health()

    def _keep(self, topic: str, payload: str, is_urgent: bool = False) -> None:
        self._published.add(topic)
        self.link.publish_state(topic, payload, is_urgent=is_urgent)

    async def _feed(self, news: Subscription) -> None:
        while True:
            for posted in await news.batch():
                self._publish(posted.effect, posted.warning)

    def _publish(self, effect: Effect, warning: Mapping[str, Any] = NO_WARNING) -> None:
        """Queue one published effect; one without a printed form is counted, and the next one follows."""
        try:
            self._queue(effect, warning)
        except Exception as error:  # one odd card must not silence the alerts
            self._count("mqtt-unprintable")
            self._trouble(f"{type(effect).__name__}: {error}")

    def _queue(self, effect: Effect, warning: Mapping[str, Any]) -> None:
        match effect:
            case Reading() if self._thinning.passes(effect):
                self._seq[effect.channel] = seq = self._seq.get(effect.channel, -1) + 1
                self.link.publish_state(*self.topics.reading(effect, seq), qos=0, retain=False)
            case Card():
                self._keep(*self.topics.card(effect))
            case Alert():
                self._keep(*self.topics.alert(effect), is_urgent=True)
            case MarkAnswer():
                self._queue_answer(effect, warning)

    def _count(self, what: str) -> None:
        self._tools.health.dropped[what] = self._tools.health.dropped.get(what, 0) + 1

    def _publish_about(self) -> None:
        """`about` and each probe's `up`, when anything in them has changed."""
        about = self._tools.about()
        payload = packed(tidy("about", about) | {"subject": self.topics.subject})
        if payload == self._about:
            return
        self._about = payload
        for probe in about.get("probes", ()):
            self._keep(self.topics.at("probe", str(probe["id"]), "up"), HERE if probe.get("up") else GONE)
        topic = self.topics.at("about")
        if len(payload.encode()) > 4096:  # a large shelf: its molds have topics of their own
            short = {key: value for key, value in about.items() if key not in SHELF} | {"shelf_left_out": True}
            payload = packed(tidy("about", short) | {"subject": self.topics.subject})
        self._keep(topic, payload)

    async def _watch_about(self) -> None:
        while True:
            await asyncio.sleep(ABOUT_LOOK_EVERY_S)
            if self.link.is_connected:
                self._publish_about()

    def _publish_health(self) -> None:
        health = self._tools.health
        body = {"t": self._tools.clock.now()} | asdict(health) | {"marks_in": self.marks_in}
        body["last_error"] = health.last_error[:500]
        payload = packed({key: tidy(key, value) for key, value in body.items()} | {"subject": self.topics.subject})
        self.link.publish_state(self.topics.at("health"), payload, qos=0, retain=True)

    async def _tell_health(self) -> None:
        while True:
            await asyncio.sleep(HEALTH_EVERY_S)
            self._publish_health()

    # -- once for each connection

    async def _each_session(self) -> None:
        """After every connect: test the subscription, and empty what others have left at the broker meanwhile.

        As long as the test fails it is repeated.
        """
        seen, tested_s = 0, 0.0
        while True:
            await self.link.ready()
            if self.link.counts.connects == seen:
                if self.marks_in in FAILED and time.monotonic() - tested_s >= TEST_AGAIN_S:
                    tested_s = time.monotonic()
                    await self._test_subscription()
                await asyncio.sleep(ABOUT_LOOK_EVERY_S)
                continue
            seen, tested_s = self.link.counts.connects, time.monotonic()
            await self._test_subscription()
            await swept(self.link, self.topics, self._published, self._trouble)

    async def _test_subscription(self) -> None:
        """Send ourselves a word through `do/`: a broker may grant a subscription and still deliver nothing."""
        self._echo, before = secrets.token_hex(8), self.marks_in
        self._echoed.clear()
        code = await self.link.publish_event(self.topics.at("do", "echo"), self._echo)
        if code is None:
            return
        if code >= REFUSED:
            self.marks_in = "refused"
            self._trouble(f"cannot test whether marks arrive: {self.topics.at('do', 'echo')} is refused (0x{code:02X})")
        elif code == NO_SUBSCRIBERS or not await self._echo_came():
            self.marks_in = "denied"
            self._trouble(f"the subscription {self.topics.marks} is silently denied: no marks from the phone")
        else:
            self.marks_in = "ok"
        if self.marks_in != before:
            self._publish_health()

    async def _echo_came(self) -> bool:
        try:
            async with asyncio.timeout(ECHO_WITHIN_S):  # wait_for of Python 3.11 may swallow a stop that comes just now
                await self._echoed.wait()
        except TimeoutError:
            return False
        return True

    # -- in

    def _on_mark(self, message: Message) -> None:
        verb = message.topic.rsplit("/", 1)[-1]
        if verb == "echo":
            if message.payload.decode("ascii", "replace") == self._echo:
                self._echoed.set()
            return
        taken = self._intake.take(verb, message.payload, message.retained)
        if isinstance(taken, Refusal):
            self._queue_answer(MarkAnswer(t=self._tools.clock.now(), id=taken.id, verb=verb, ok=False, why=taken.why))
        else:
            self._tools.submit(taken)

    def _on_about(self, message: Message) -> None:
        """Another boot in our `about` after ours was there: a second bench of our name.

        What was there before ours came from an earlier run; a broker killed and restarted may bring that back.

        Not every broker says that it gave our session to another (mosquitto 2.0.11 ends it without a word).
        """
        try:
            boot = parse_object(message.payload).get("boot")
        except MarkRejected:
            return
        if boot == self._tools.boot:
            self._stands = True
        elif not isinstance(boot, str) or boot in self._former:
            return
        elif self._stands:
            self.link.contest()
        else:
            self._former.add(boot)

    def _queue_answer(self, answer: MarkAnswer, warning: Mapping[str, Any] = NO_WARNING) -> None:
        if self._answers.full():
            self._answers.get_nowait()
            self._count("mqtt-answers")
        self._answers.put_nowait((answer, dict(warning)))

    async def _answer(self) -> None:
        while True:
            topic, payload = self.topics.answer(*await self._answers.get())
            await self.link.publish_event(topic, payload)
