"""Announces the probes and alarms to a home-automation hub through its MQTT discovery.

Off unless there is a [hub_discovery] table.  It has a client of its own, for the hub's broker may be another than the
phone's, and keeps to its own branch `<prefix>/v0/<shop>/<bench>/hub/`, in the form the hub reads best:

    hub/up                     here or gone (last will)         retained
    hub/probe/<source>/up      here or gone                     retained
    hub/state/<thing>          phase, times, leak, alarm ...    retained
    hub/read/<what>            {"value": ..}, null: not known   not retained: the hub lets it expire
    hub/event/<what>           {"event_type": ..}               not retained
    hub/do/<verb>              a button was pressed             comes in, never retained

One retained device message a bench; what the last one held and this bench no longer has is named once more with its
platform alone, which removes it.  After the hub's birth message everything is sent again, once for a storm of them.
The form of all this is in payload.py and states.py, nowhere else.
"""

from __future__ import annotations

import asyncio
import json
import random
import time
from collections.abc import Callable
from typing import Any, Literal

from pydantic import Field

from benchd.core.bench import Bench
from benchd.core.findings import DemoldReady, Effect, Kicked, RoomDamp
from benchd.core.model import Reading, Utterance
from benchd.outlets.hub_discovery.payload import OTHER, SAID_TYPES, TAKEN, MoldsShown, Payload, packed
from benchd.outlets.hub_discovery.states import States, iso
from benchd.runtime.bulletin import Subscription
from benchd.runtime.contracts import Tools
from benchd.runtime.mqtt.address import BrokerAddress
from benchd.runtime.mqtt.client import Message, Will
from benchd.runtime.mqtt.link import MqttLink
from benchd.runtime.mqtt.marks import MarkIntake, Refusal
from benchd.runtime.mqtt.topics import GONE, HERE, Topics

BIRTH_WAIT_S = (1.0, 10.0)
LOOK_EVERY_S = 1.0
SHORT_MOST = 3  # sessions in a row that end soon; then the device message is taken for the cause and left out
LASTING_S = 10.0
LEFT_OUT: dict[MoldsShown, str] = {"whole": "", "times": "have no buttons", "none": "are left out"}


class Settings(BrokerAddress):
    """The `[hub_discovery]` table: the hub's broker, and where the hub looks."""

    kind: Literal["hub_discovery"] = "hub_discovery"
    discovery_prefix: str = Field(default="homeassistant", pattern=r"^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$", max_length=64)
    prefix: str = Field(default="benchd", pattern=r"^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$", max_length=64)
    every_s: float = Field(default=10.0, ge=1.0, le=300.0)
    """How often a reading is sent; the hub forgets one after four times that."""
    buttons: bool = True
    """Whether marks can be made from the hub."""
    molds: bool = True
    """Whether each mold has its ready time and its button there; left out where they would not fit one message."""
    remove: bool = False
    """True: take the bench off the hub again, and do nothing else."""


def device_topic(settings: Settings, payload: Payload) -> str:
    """Where the hub looks for this bench's device message."""
    return f"{settings.discovery_prefix}/device/{payload.object}/config"


def make(settings: Settings, tools: Tools) -> HubOutlet:
    """The outlet; no I/O."""
    return HubOutlet(settings, tools)


class HubOutlet:
    """One bench on one hub.  `resends` counts the answers to birth messages."""

    def __init__(self, settings: Settings, tools: Tools) -> None:
        self.settings = settings
        self.topics = Topics(tools.shop, tools.bench, settings.prefix)
        self.payload = Payload(
            tools.known, self.at, settings.every_s, tools.version, tools.page_url, settings.buttons, settings.molds
        )
        self.states = States(tools)
        self.config_topic = device_topic(settings, self.payload)
        self.resends = 0
        self._tools = tools
        self._intake = MarkIntake(tools.clock.now, tools.bench, tools.boot)
        self._ghosts: dict[str, str] = {}
        self._states: dict[str, str] = {}
        self._damp: bool | None = None
        self._molds: MoldsShown = "whole" if settings.molds else "none"
        self._bench: Bench | None = None
        self._sent = ""
        self._lasted = 0  # how many sessions there were when one last lasted
        self._born = asyncio.Event()
        up = self.at("up")
        self.link = MqttLink(settings, f"benchd-hub-{self.payload.object}"[:64], Will(up, GONE), GONE, self._trouble)
        self.link.subscribe(self.config_topic, self._on_former)
        self.link.subscribe(f"{settings.discovery_prefix}/status", self._on_birth)
        if settings.buttons:
            self.link.subscribe(f"{self.topics.root}/hub/do/+", self._on_button)
        self.link.when_connected(self._greet)

    def at(self, *levels: str) -> str:
        return self.topics.at("hub", *levels)

    async def run(self) -> None:
        """Until cancelled.  Raises OutletError when a password or TLS file does not serve."""
        news = self._tools.bulletin.subscribe()
        works: tuple[tuple[str, Callable[[], Any]], ...] = (
            ("feed", lambda: self._feed(news)), ("readings", self._tell_readings), ("births", self._answer_births),
            ("probes", self._watch),
        )  # fmt: skip
        try:
            async with self.link.opened(), asyncio.TaskGroup() as group:
                for name, work in works:
                    group.create_task(work(), name=f"hub {name}")
        finally:
            self._tools.bulletin.unsubscribe(news)

    @property
    def _short_sessions(self) -> int:
        return self.link.counts.connects - self._lasted

    def _trouble(self, text: str) -> None:
        self._tools.health.last_error = f"hub: {text}"

    # -- out

    async def _greet(self) -> None:
        """On every connect: here, the device, all state."""
        if self.settings.remove:
            self.link.publish_state(self.config_topic, "")
            return
        self.link.publish_state(self.at("up"), HERE)
        self._send_all()

    def _send_all(self) -> None:
        self._states.clear()
        self._bench = self._tools.known()
        payload, self._molds = self.payload.message(self._ghosts)
        if self.settings.molds and self._molds != "whole":
            self._trouble(f"so many molds do not fit one message: they {LEFT_OUT[self._molds]}; molds = false is quiet")
        self._sent, size = payload, len(payload.encode())
        if self._short_sessions <= SHORT_MOST:
            self.link.publish_state(self.config_topic, payload, most_bytes=size)
        else:
            self._trouble(
                f"the broker ends the connection at the device message of {size} bytes; `benchd check` tries it"
            )
        for finding in self._tools.bulletin.findings:
            self._note_damp(finding)
        self._send_states()

    def _keep(self, topic: str, payload: str) -> None:
        """Publish a retained state that has changed."""
        if self._states.get(topic) != payload:
            self._states[topic] = payload
            self.link.publish_state(topic, payload)

    def _send_states(self) -> None:
        """All retained states, those that changed."""
        if self.settings.remove:
            return
        for probe in self._tools.about().get("probes", ()):
            self._keep(self.at("probe", str(probe["id"]), "up"), HERE if probe.get("up") else GONE)
        for thing, body in self.states.retained(self._damp, self._molds != "none").items():
            self._keep(self.at("state", thing), packed(body))

    async def _feed(self, news: Subscription) -> None:
        while True:
            batch = await news.batch()
            for posted in batch:
                effect = posted.effect
                self._note_damp(effect)
                if isinstance(effect, Kicked | DemoldReady | Utterance) and not self.settings.remove:
                    await self._send_event(effect)
            if not all(isinstance(posted.effect, Reading) for posted in batch):
                self._send_states()  # what readings alone change is looked at each second

    def _note_damp(self, effect: Effect) -> None:
        if isinstance(effect, RoomDamp):
            self._damp = effect.active

    async def _send_event(self, effect: Kicked | DemoldReady | Utterance) -> None:
        """A kick, a part due or a word, once; one that falls into a lost connection is not told late."""
        if isinstance(effect, Kicked):
            body: dict[str, Any] = {"event_type": "kick", "at": iso(effect.at), "basis": effect.basis}
            topic = self.at("event", f"kick-{effect.subject.cup or ''}")
        elif isinstance(effect, DemoldReady):
            body = {"event_type": effect.stage, "mold": effect.mold, "limit": effect.limit}
            topic = self.at("event", "ready")
        else:
            code = effect.code if effect.code in SAID_TYPES else OTHER
            body = {"event_type": code, "words": effect.say, "priority": effect.priority, "about": effect.subject.id}
            topic = self.at("event", "said")
        await self.link.publish_event(topic, packed(body))

    async def _tell_readings(self) -> None:
        """Each channel's value and the times left, each period, while connected; null where none holds now."""
        while True:
            await asyncio.sleep(self.settings.every_s)
            if not self.link.is_connected or self.settings.remove:
                continue
            for what, body in self.states.numbers().items():
                self.link.publish_state(self.at("read", what), packed(body), qos=0, retain=False)

    async def _watch(self) -> None:
        connects, since_s = 0, 0.0
        while True:
            await asyncio.sleep(LOOK_EVERY_S)
            self.link.note_contest(self._tools.health)
            if connects != self.link.counts.connects:
                connects, since_s = self.link.counts.connects, time.monotonic()
            elif self.link.is_connected and time.monotonic() - since_s > LASTING_S:
                self._lasted = connects
            if not self.link.is_connected and self._short_sessions >= SHORT_MOST:
                self.link.withdraw(self.config_topic)
            if self.link.is_connected and self._tools.known() is not self._bench and not self.settings.remove:
                self._announce_changes()
            elif self.link.is_connected:
                self._send_states()

    def _announce_changes(self) -> None:
        """The settings were read again: what they no longer have goes, what is new comes."""
        before = json.loads(self._sent)["components"] if self._sent else {}
        self._take_away(before)
        self._send_all()

    # -- in

    def _on_birth(self, message: Message) -> None:
        if message.payload == b"online":
            self._born.set()

    async def _answer_births(self) -> None:
        """After a birth wait 1 to 10 s, so that not every bridge answers at once; births meanwhile are the same one."""
        while True:
            await self._born.wait()
            await asyncio.sleep(random.uniform(*BIRTH_WAIT_S))
            self._born.clear()
            if self.link.is_connected and not self.settings.remove:
                self.resends += 1
                self.link.publish_state(self.at("up"), HERE)
                self._send_all()

    def _on_former(self, message: Message) -> None:
        """What the device message of an earlier run held: components this bench no longer has are to be removed."""
        if not message.retained or not message.payload or self.settings.remove:
            return
        try:
            former = json.loads(message.payload)["components"]
            is_news = self._take_away(former)
        except (ValueError, KeyError, TypeError, AttributeError):
            return
        if is_news:
            self._send_all()

    def _take_away(self, former: dict[str, Any]) -> bool:
        """Name components of an earlier message that are no more, and empty their state; whether there are any new."""
        here = self.payload.components(self._molds)
        gone = {str(k): c for k, c in former.items() if "unique_id" in c and k not in here}
        ghosts = {key: str(component["platform"]) for key, component in gone.items()}
        if not ghosts or ghosts == self._ghosts:
            return False
        self._ghosts = ghosts
        kept = {str(component.get("state_topic", "")) for component in here.values()}
        for topic in {str(component.get("state_topic", "")): None for component in gone.values()}:
            if topic.startswith(f"{self.at('state')}/") and topic not in kept:
                self.link.publish_state(topic, "")
        return True

    def _on_button(self, message: Message) -> None:
        verb = message.topic.rsplit("/", 1)[-1]
        if verb not in TAKEN:
            return
        taken = self._intake.take(verb, message.payload, message.retained, by="hub")
        if isinstance(taken, Refusal):
            self._trouble(f"{verb} not taken: {taken.why}")
        else:
            self._tools.submit(taken)
