"""Builds what the hub receives: the device message and the states it reads, in the hub's own form, here alone.

Templates name keys of benchd's own, never a name somebody typed.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from benchd.core.casting import load, pour
from benchd.core.model import Alert, Card, Quality, Reading
from benchd.runtime.contracts import Tools
from benchd.runtime.mqtt.topics import GONE, HERE, level

LONGEST_STATE = 255  # a longer text becomes unknown on the hub
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


@dataclass(frozen=True, slots=True)
class Payload:
    """One bench as the hub has it; `at` is a topic below `hub/`, every_s how often a reading is sent."""

    tools: Tools
    at: Callable[..., str]
    every_s: float
    buttons: tuple[str, ...]

    @property
    def object(self) -> str:
        """The bench's id on the hub."""
        return re.sub(r"[^A-Za-z0-9_-]", "-", f"{level(self.tools.shop)}-{level(self.tools.bench)}")

    def device(self, ghosts: Mapping[str, str]) -> dict[str, Any]:
        """The device message; ghosts are components that are no more (key -> platform)."""
        about = self.tools.about()
        version = str(about.get("version", self.tools.version))
        return {
            "device": {
                "identifiers": [self.object],
                "name": str(about.get("name") or self.tools.bench),
                "model": "resin-casting bench watch",
                "sw_version": version,
            },
            "origin": {"name": "benchd", "sw_version": version},
            "components": self.components() | {key: {"platform": platform} for key, platform in ghosts.items()},
        }

    def components(self) -> dict[str, Component]:
        """Every entity of this bench, by its key."""
        about = self.tools.about()
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
        types = ["test", "green", "going-hard", "hard"]
        made["event-ready"] = self._component("event", "event-ready", "Part due") | {
            "state_topic": self.at("event", "ready"), "event_types": types,
        }  # fmt: skip
        for verb in self.buttons:
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
            "expire_after": math.ceil(EXPIRES_AFTER * self.every_s),
        }  # fmt: skip

    def _left(self, key: str, name: str, source: str) -> Component:
        return self._component("sensor", key, name, source) | {
            "state_topic": self.at("read", key), "value_template": "{{ value_json.value }}", "qos": 0,
            "device_class": "duration", "unit_of_measurement": "s",
            "expire_after": math.ceil(EXPIRES_AFTER * self.every_s),
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
        """A yes or no.  A probe's fault does not hang on the probe: else it would vanish just when it is true."""
        state = self._of(f"fault-{level(thing)}" if field == "fault" else thing)
        return self._component("binary_sensor", key, name or f"{_name(thing)} fault") | {
            "state_topic": state, "value_template": "{{ value_json." + field + " }}", "device_class": device_class,
            "payload_on": "ON", "payload_off": "OFF",
        }  # fmt: skip

    def states(self, about: Mapping[str, Any], is_damp: bool) -> dict[str, dict[str, Any]]:
        """Thing -> what stands retained of it."""
        bulletin = self.tools.bulletin
        active = [a for a in bulletin.alerts.values() if a.active]
        spoken = sorted((a for a in active if a.priority <= 2), key=lambda a: (a.priority, a.t))
        found: dict[str, dict[str, Any]] = {"bench": {"damp": _on(is_damp)}}
        found["alarm"] = {"text": _short(spoken[0].text if spoken else "none")}
        found["alarms"] = {"alarms": [{"alert": a.alert, "about": a.subject.id, "text": a.text} for a in spoken[:20]]}
        for channel, facts in _channels(about).items():
            faulty = _is_faulty(active, bulletin.readings.get(channel), str(facts.get("source", "")))
            found[f"fault-{level(channel)}"] = {"fault": _on(faulty)}
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
        """Seconds left to each cup's kick and each pot's end of hold, where a forecast stands."""
        now, left = self.tools.clock.now(), dict[str, float]()
        for (of, id), card in self.tools.bulletin.cards.items():
            kick = card.body.get("kick") or {}
            at = card.body.get("hold_at") if of == "pot" else kick.get("at") if not kick.get("found") else None
            if at is not None and at > now and of != "mold":
                left[f"left-{id}"] = round(at - now, 0)
        return left

    def _card(self, of: str, id: str) -> Mapping[str, Any]:
        card: Card | None = self.tools.bulletin.cards.get((of, id))
        return card.body if card is not None else {}


def _channels(about: Mapping[str, Any]) -> dict[str, Mapping[str, Any]]:
    return dict(about.get("channels") or {})


def _things(about: Mapping[str, Any], role: str) -> dict[str, str]:
    """Cup or pot id -> the source of its probe."""
    return {str(c["of"]): str(c.get("source", "")) for c in _channels(about).values() if c.get("role") == role}


def _is_faulty(active: list[Alert], reading: Reading | None, source: str) -> bool:
    if reading is None or reading.quality is Quality.FAULT:
        return True
    alone, together = ("sensor-silent", "sensor-fault", "pot-blind", "cup-blind"), ("board-gone", "board-silent")
    return any(
        (a.alert in alone and a.subject.channel == reading.channel)
        or (a.alert in together and a.subject.source == source)
        for a in active
    )


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
    return json.dumps(body, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
