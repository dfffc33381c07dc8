"""Shows probes and alarms on a home-automation hub: its MQTT discovery payload, here alone.

Off unless there is a [hub_discovery] table.  It has a client of its own, as the hub's broker may differ from the
phone's, and keeps to its own branch `<prefix>/v0/<shop>/<bench>/hub/`, in the form the hub reads best:

    hub/up                     here or gone (last will)         retained
    hub/probe/<source>/up      here or gone                     retained
    hub/state/<thing>          phase, times, leak, alarm ...    retained
    hub/read/<channel>         {"value": ..}                    not retained: the hub lets it expire
    hub/event/<what>           {"event_type": ..}               not retained
    hub/do/<verb>              a button was pressed             comes in, never retained

One retained device message a bench; what the last one held and this bench no longer has is sent once more with its
platform alone, which removes it.  After the hub's birth message everything is sent again, once for a storm of them.
Templates name keys of benchd's own, never a name somebody typed.
"""

from __future__ import annotations

import asyncio
import json
import math
import random
import re
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Any, Literal

from pydantic import Field

from benchd.core.casting import load, pour
from benchd.core.model import Alert, Card, DemoldReady, Effect, Kicked, Quality, Reading, RoomDamp
from benchd.runtime.bulletin import Subscription
from benchd.runtime.contracts import Tools
from benchd.runtime.mqtt.address import BrokerAddress
from benchd.runtime.mqtt.client import Message, Will
from benchd.runtime.mqtt.link import MqttLink
from benchd.runtime.mqtt.marks import MarkIntake, Refusal
from benchd.runtime.mqtt.topics import GONE, HERE, Topics, level

BIRTH_WAIT_S = (1.0, 10.0)
LOOK_EVERY_S = 1.0
LONGEST_STATE = 255  # a longer text becomes unknown on the hub
DEVICE_MOST_BYTES = 65_536
EXPIRES_AFTER = 4  # periods without a reading
BUTTONS = ("heard", "poured", "kicked", "repeat")
LEAKS = ("pot-leaking-slowly", "pot-leaking-fast")
QUANTITIES: dict[str, tuple[str, str]] = {
    "cup_temperature": ("temperature", "\N{DEGREE SIGN}C"), "room_temperature": ("temperature", "\N{DEGREE SIGN}C"),
    "pot_gas_temperature": ("temperature", "\N{DEGREE SIGN}C"), "tank_temperature": ("temperature", "\N{DEGREE SIGN}C"),
    "mold_temperature": ("temperature", "\N{DEGREE SIGN}C"), "pot_pressure": ("pressure", "kPa"),
    "tank_pressure": ("pressure", "kPa"), "barometer": ("pressure", "kPa"), "room_humidity": ("humidity", "%"),
}  # fmt: skip
"""Role of a channel -> (the hub's class, unit); a role that is not here stays off the hub."""

Component = dict[str, Any]


class Settings(BrokerAddress):
    """The `[hub_discovery]` table: the hub's broker, and where the hub looks."""

    kind: Literal["hub_discovery"] = "hub_discovery"
    discovery_prefix: str = Field(default="homeassistant", pattern=r"^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$", max_length=64)
    prefix: str = Field(default="benchd", pattern=r"^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$", max_length=64)
    every_s: float = Field(default=10.0, ge=1.0, le=300.0)
    """How often a reading is sent; the hub forgets one after four times that."""
    buttons: bool = True
    remove: bool = False
    """True: take the bench off the hub again, and do nothing else."""


def make(settings: Settings, tools: Tools) -> HubOutlet:
    """The outlet; no I/O."""
    return HubOutlet(settings, tools)


class HubOutlet:
    """One bench on one hub.  `resends` counts the answers to birth messages."""

    def __init__(self, settings: Settings, tools: Tools) -> None:
        self.settings = settings
        self.topics = Topics(tools.shop, tools.bench, settings.prefix)
        self.object = re.sub(r"[^A-Za-z0-9_-]", "-", f"{level(tools.shop)}-{level(tools.bench)}")
        self.config_topic = f"{settings.discovery_prefix}/device/{self.object}/config"
        self.resends = 0
        self._tools = tools
        self._intake = MarkIntake(tools.clock.now, tools.bench, tools.boot)
        self._ghosts: dict[str, str] = {}
        self._states: dict[str, str] = {}
        self._damp = "OFF"
        self._readings: dict[str, Reading] = {}
        self._born = asyncio.Event()
        up = self.at("up")
        self.link = MqttLink(settings, f"benchd-hub-{self.object}"[:64], Will(up, GONE), GONE, self._trouble)
        self.link.subscribe(self.config_topic, self._on_former)
        self.link.subscribe(f"{settings.discovery_prefix}/status", self._on_birth)
        if settings.buttons:
            self.link.subscribe(f"{self.topics.root}/hub/do/+", self._on_button)
        self.link.when_connected(self._greet)

    def at(self, *levels: str) -> str:
        """A topic on the hub's own branch."""
        return self.topics.at("hub", *levels)

    async def run(self) -> None:
        """Serve until cancelled.  Raises OutletError when a password or TLS file can't be used."""
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
        payload = packed(self.device())
        self.link.publish_state(self.config_topic, payload, most_bytes=DEVICE_MOST_BYTES)
        bulletin = self._tools.bulletin
        for finding in bulletin.findings:
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
        about = self._tools.about()
        for probe in about.get("probes", ()):
            self._keep(self.at("probe", str(probe["id"]), "up"), HERE if probe.get("up") else GONE)
        for thing, body in self.states(about).items():
            self._keep(self.at("state", thing), packed(body))

    async def _feed(self, news: Subscription) -> None:
        while True:
            for posted in await news.batch():
                effect = posted.effect
                if isinstance(effect, Reading):
                    self._readings[effect.channel] = effect
                self._note_damp(effect)
                if isinstance(effect, Kicked | DemoldReady) and not self.settings.remove:
                    await self._send_event(effect)
            self._send_states()

    def _note_damp(self, effect: Effect) -> None:
        if isinstance(effect, RoomDamp):
            self._damp = _on(effect.active)

    async def _send_event(self, finding: Kicked | DemoldReady) -> None:
        """A kick or a part due, once; one that meets a lost connection is not sent late."""
        if isinstance(finding, Kicked):
            body: dict[str, Any] = {"event_type": "kick", "at": iso(finding.at), "basis": finding.basis}
            topic = self.at("event", f"kick-{finding.subject.cup or ''}")
        else:
            body = {"event_type": finding.stage, "mold": finding.mold, "limit": finding.limit}
            topic = self.at("event", "ready")
        await self.link.publish_event(topic, packed(body))

    async def _tell_readings(self) -> None:
        """The newest good reading of each channel and the time left, each period, while connected."""
        while True:
            await asyncio.sleep(self.settings.every_s)
            if not self.link.is_connected or self.settings.remove:
                continue
            fresh, self._readings = self._readings, {}
            for channel, reading in fresh.items():
                value = reading.value
                if value is not None and math.isfinite(value) and reading.quality is not Quality.FAULT:
                    self._tell(channel, round(value, 2))
            for thing, left_s in self.left().items():
                self._tell(thing, left_s)

    def _tell(self, what: str, value: float) -> None:
        self.link.publish_state(self.at("read", what), packed({"value": value}), qos=0, retain=False)

    async def _watch(self) -> None:
        while True:
            await asyncio.sleep(LOOK_EVERY_S)
            self.link.note_contest(self._tools.health)
            if self.link.is_connected:
                self._send_states()

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
            gone = {str(k): c for k, c in former.items() if "unique_id" in c and k not in self.components()}
            ghosts = {key: str(component["platform"]) for key, component in gone.items()}
        except (ValueError, KeyError, TypeError, AttributeError):
            return
        if not ghosts or ghosts == self._ghosts:
            return
        self._ghosts = ghosts
        self._send_all()
        for topic in {str(component.get("state_topic", "")): None for component in gone.values()}:
            if topic.startswith(f"{self.at('state')}/") and topic not in self._states:
                self.link.publish_state(topic, "")

    def _on_button(self, message: Message) -> None:
        verb = message.topic.rsplit("/", 1)[-1]
        if verb not in BUTTONS:
            return
        taken = self._intake.take(verb, message.payload, message.retained, by="hub")
        if isinstance(taken, Refusal):
            self._trouble(f"{verb} not taken: {taken.why}")
        else:
            self._tools.submit(taken)

    # -- what the hub is sent about the bench

    def device(self) -> dict[str, Any]:
        """The device message."""
        about = self._tools.about()
        version = str(about.get("version", self._tools.version))
        return {
            "device": {
                "identifiers": [self.object],
                "name": str(about.get("name") or self._tools.bench),
                "model": "resin-casting bench watch",
                "sw_version": version,
            },
            "origin": {"name": "benchd", "sw_version": version},
            "components": self.components() | {key: {"platform": platform} for key, platform in self._ghosts.items()},
        }

    def components(self) -> dict[str, Component]:
        """Every entity of this bench, by its key."""
        about = self._tools.about()
        made: dict[str, Component] = {}
        for channel, facts in _channels(about).items():
            source = str(facts.get("source", ""))
            if facts.get("role") in QUANTITIES:
                made[f"read-{level(channel)}"] = self._reading(channel, *QUANTITIES[facts["role"]], source)
            made[f"fault-{level(channel)}"] = self._flag(f"fault-{level(channel)}", "fault", channel, "problem")
        for cup, source in _things(about, "cup_temperature").items():
            made |= self._cup(cup, source)
        for pot, source in _things(about, "pot_pressure").items():
            made |= self._pot(pot, source)
        for mold in about.get("molds", ()):
            id = level(str(mold))
            made[f"ready-{id}"] = self._moment(f"ready-{id}", f"mold-{id}", "ready_at", f"{mold} ready at", "")
        made["damp"] = self._flag("damp", "damp", "bench", "moisture", "Damp room")
        made["alarm"] = self._state("alarm", "alarm", "text", "Alarm") | {"json_attributes_topic": self._of("alarms")}
        types = ["green", "going-hard", "hard"]
        made["event-ready"] = self._component("event", "event-ready", "Part due") | {
            "state_topic": self.at("event", "ready"), "event_types": types,
        }  # fmt: skip
        for verb in BUTTONS if self.settings.buttons else ():
            made[f"do-{verb}"] = self._component("button", f"do-{verb}", verb.capitalize()) | {
                "command_topic": self.at("do", verb), "payload_press": "{}", "retain": False,
            }  # fmt: skip
        return made

    def _cup(self, cup: str, source: str) -> dict[str, Component]:
        phases = list(dict.fromkeys(["idle", "mixing", *pour.TRANSITIONS.values()]))
        kick = {"state_topic": self.at("event", f"kick-{cup}"), "event_types": ["kick"]}
        return {
            f"phase-{cup}": self._enum(f"phase-{cup}", f"cup-{cup}", f"{_name(cup)} phase", phases, source),
            f"kick-{cup}": self._moment(f"kick-{cup}", f"cup-{cup}", "kick_at", f"{_name(cup)} kick at", source),
            f"left-{cup}": self._left(f"left-{cup}", f"{_name(cup)} time to kick", source),
            f"event-kick-{cup}": self._component("event", f"event-kick-{cup}", f"{_name(cup)} kick", source) | kick,
        }

    def _pot(self, pot: str, source: str) -> dict[str, Component]:
        phases = list(dict.fromkeys(["idle", "filling", *load.TRANSITIONS.values()]))
        return {
            f"phase-{pot}": self._enum(f"phase-{pot}", f"pot-{pot}", f"{_name(pot)} phase", phases, source),
            f"reads-{pot}": self._state(f"reads-{pot}", f"pot-{pot}", "reads", f"{_name(pot)} reads"),
            f"leak-{pot}": self._flag(f"leak-{pot}", "leak", f"pot-{pot}", "problem", f"{_name(pot)} leak"),
            f"hold-{pot}": self._moment(f"hold-{pot}", f"pot-{pot}", "ready_at", f"{_name(pot)} hold done at", source),
            f"left-{pot}": self._left(f"left-{pot}", f"{_name(pot)} hold left", source),
        }

    def _of(self, thing: str) -> str:
        return self.at("state", thing)

    def _component(self, platform: str, key: str, name: str, source: str = "") -> Component:
        """What every entity has; `source` = it is only there while that probe is."""
        topics = [self.at("up"), *([self.at("probe", source, "up")] if source else [])]
        available = [{"topic": t, "payload_available": HERE, "payload_not_available": GONE} for t in topics]
        id = f"{self.object}-{key}"
        return {
            "platform": platform, "unique_id": id, "name": name, "qos": 1, "availability": available,
            "availability_mode": "all", "default_entity_id": f"{platform}.{re.sub('[^a-z0-9]+', '_', id.lower())}",
        }  # fmt: skip

    def _reading(self, channel: str, quantity: str, unit: str, source: str) -> Component:
        return self._component("sensor", f"read-{level(channel)}", _name(channel), source) | {
            "state_topic": self.at("read", channel), "value_template": "{{ value_json.value }}", "qos": 0,
            "device_class": quantity, "unit_of_measurement": unit, "state_class": "measurement",
            "expire_after": math.ceil(EXPIRES_AFTER * self.settings.every_s),
        }  # fmt: skip

    def _left(self, key: str, name: str, source: str) -> Component:
        return self._component("sensor", key, name, source) | {
            "state_topic": self.at("read", key), "value_template": "{{ value_json.value }}", "qos": 0,
            "device_class": "duration", "unit_of_measurement": "s",
            "expire_after": math.ceil(EXPIRES_AFTER * self.settings.every_s),
        }  # fmt: skip

    def _state(self, key: str, thing: str, field: str, name: str, source: str = "") -> Component:
        template = "{{ value_json." + field + " }}"
        return self._component("sensor", key, name, source) | {
            "state_topic": self._of(thing), "value_template": template,
        }  # fmt: skip

    def _enum(self, key: str, thing: str, name: str, options: list[str], source: str) -> Component:
        return self._state(key, thing, "phase", name, source) | {"device_class": "enum", "options": options}

    def _moment(self, key: str, thing: str, field: str, name: str, source: str) -> Component:
        return self._state(key, thing, field, name, source) | {"device_class": "timestamp"}

    def _flag(self, key: str, field: str, thing: str, device_class: str, name: str = "") -> Component:
        """A yes or no.  A probe's fault is shown even while the probe is missing, or it would vanish just when true."""
        state = self._of(f"fault-{level(thing)}" if field == "fault" else thing)
        return self._component("binary_sensor", key, name or f"{_name(thing)} fault") | {
            "state_topic": state, "value_template": "{{ value_json." + field + " }}", "device_class": device_class,
            "payload_on": "ON", "payload_off": "OFF",
        }  # fmt: skip

    def states(self, about: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
        """Thing -> its retained state."""
        bulletin = self._tools.bulletin
        active = [a for a in bulletin.alerts.values() if a.active]
        spoken = sorted((a for a in active if a.priority <= 2), key=lambda a: (a.priority, a.t))
        found: dict[str, dict[str, Any]] = {"bench": {"damp": self._damp}}
        found["alarm"] = {"text": _short(spoken[0].text if spoken else "none")}
        found["alarms"] = {"alarms": [{"alert": a.alert, "about": a.subject.id, "text": a.text} for a in spoken[:20]]}
        for channel in _channels(about):
            found[f"fault-{level(channel)}"] = {"fault": _on(_is_faulty(active, bulletin.readings.get(channel)))}
        for cup in _things(about, "cup_temperature"):
            body = self._card("pour", cup)
            kick = body.get("kick") or {}
            found[f"cup-{cup}"] = {"phase": body.get("phase", "idle"), "kick_at": iso(kick.get("at"))}
        for pot in _things(about, "pot_pressure"):
            body = self._card("pot", pot)
            leak = any(a.alert in LEAKS and a.subject.pot == pot for a in active)
            found[f"pot-{pot}"] = {
                "phase": body.get("phase", "idle"), "reads": _short(str(body.get("reads", "blind"))),
                "leak": _on(leak), "ready_at": iso(body.get("hold_at")),
            }  # fmt: skip
        for mold in about.get("molds", ()):
            body = self._card("mold", str(mold).lower())
            window = body.get("green_at") or body.get("hard_at") or (None, None, None)
            found[f"mold-{level(str(mold))}"] = {"ready_at": iso(window[1])}
        return found

    def left(self) -> dict[str, float]:
        """Seconds left to each cup's kick and each pot's end of hold, as far as forecast."""
        now, left = self._tools.clock.now(), dict[str, float]()
        for (of, id), card in self._tools.bulletin.cards.items():
            kick = card.body.get("kick") or {}
            at = card.body.get("hold_at") if of == "pot" else kick.get("at") if not kick.get("found") else None
            if at is not None and at > now and of != "mold":
                left[f"left-{id}"] = round(at - now, 0)
        return left

    def _card(self, of: str, id: str) -> Mapping[str, Any]:
        card: Card | None = self._tools.bulletin.cards.get((of, id))
        return card.body if card is not None else {}


def _channels(about: Mapping[str, Any]) -> dict[str, Mapping[str, Any]]:
    return dict(about.get("channels") or {})


def _things(about: Mapping[str, Any], role: str) -> dict[str, str]:
    """Cup or pot id -> the source of its probe."""
    return {str(c["of"]): str(c.get("source", "")) for c in _channels(about).values() if c.get("role") == role}


def _is_faulty(active: list[Alert], reading: Reading | None) -> bool:
    if reading is None or reading.quality is Quality.FAULT:
        return True
    names = ("sensor-silent", "sensor-fault", "pot-blind", "cup-blind")
    return any(a.alert in names and a.subject.channel == reading.channel for a in active)


def _name(id: str) -> str:
    return id.replace("-", " ").replace(".", " ").capitalize()


def _short(text: str) -> str:
    return text if len(text) <= LONGEST_STATE else text[: LONGEST_STATE - 1] + "\N{HORIZONTAL ELLIPSIS}"


def _on(value: bool) -> str:
    return "ON" if value else "OFF"


def iso(t: Any) -> str | None:
    """Unix seconds as ISO 8601 with offset, whole seconds; None stays None, which the hub reads as unknown."""
    return datetime.fromtimestamp(round(t), UTC).isoformat() if isinstance(t, int | float) else None


def packed(body: Mapping[str, Any]) -> str:
    """A payload as compact JSON.  Raises ValueError on a number that is not finite."""
    return json.dumps(body, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
