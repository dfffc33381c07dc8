"""Builds the device message by which a hub finds the bench, in the hub's own form, here alone.

Templates name keys of benchd's own, never a name somebody typed.  Availability stands at the root: the bench is there;
only what hangs on a probe has its own besides.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from benchd.core.alarm.phrases import PHRASES
from benchd.core.bench import ROLES, Bench, Mold
from benchd.core.casting import load, pour
from benchd.runtime.mqtt.topics import GONE, HERE, level

DEVICE_MOST_BYTES = 65_000  # what our own client announces to take back, less the topic
EXPIRES_AFTER = 4  # periods without a message
OTHER = "other"
SAID_TYPES = (*dict.fromkeys(p.code for p in PHRASES if p.priority <= 3), "answer", OTHER)
DUE_TYPES = ("test", "green", "going-hard", "hard")
BUTTONS = {
    "heard": "Heard", "poured": "Poured", "kicked": "Kicked", "repeat": "Say it again", "undo": "Undo",
    "leaving": "Leaving", "prepared": "Step done", "mix": "Mix", "shut": "Inlet shut", "demolded": "Out",
}  # fmt: skip
"""Verb -> the button's name; mix and shut have one for each cup and pot, demolded one for each mold."""
TAKEN = (*BUTTONS, "watch")
"""The verbs taken from the hub; the watch has no button, since its mark has to say a name."""
PLAIN_BUTTONS = ("heard", "poured", "kicked", "repeat", "undo", "leaving", "prepared")
CELSIUS, FAHRENHEIT = "\N{DEGREE SIGN}C", "\N{DEGREE SIGN}F"
QUANTITIES = {"C": "temperature", "kPa": "pressure", "%RH": "humidity", "g": "weight"}
"""The core's unit -> the hub's class."""
PLACES = {CELSIUS: 1, FAHRENHEIT: 1, "psi": 1, "kPa": 0, "bar": 2, "%": 0, "g": 1}
"""How many decimals the hub shows."""

Component = dict[str, Any]
MoldsShown = Literal["whole", "times", "none"]
DIAGNOSTIC: Component = {"entity_category": "diagnostic"}


@dataclass(frozen=True, slots=True)
class Payload:
    """One bench as the hub has it; `at` is a topic below `hub/`, every_s how often a reading is sent."""

    known: Callable[[], Bench]
    at: Callable[..., str]
    every_s: float
    version: str
    page_url: str = ""
    has_buttons: bool = True
    has_molds: bool = True

    @property
    def object(self) -> str:
        """The bench's id on the hub."""
        bench = self.known()
        return re.sub(r"[^A-Za-z0-9_-]", "-", f"{level(bench.shop)}-{level(bench.id)}")

    def message(self, ghosts: Mapping[str, str]) -> tuple[str, MoldsShown]:
        """(the packed device message, what it has of the molds): less of them where it would be too large."""
        fewer: tuple[MoldsShown, ...] = ("whole", "times", "none") if self.has_molds else ("none",)
        for molds in fewer:
            whole = packed(self.device(ghosts, self.components(molds)))
            if len(whole.encode()) <= DEVICE_MOST_BYTES:
                break
        return whole, molds

    def device(self, ghosts: Mapping[str, str], components: Mapping[str, Component] | None = None) -> dict[str, Any]:
        """The device message; ghosts are components that are no more (key -> platform)."""
        here = self.components() if components is None else components
        gone = {key: {"platform": platform} for key, platform in ghosts.items() if key not in here}
        return {
            "device": {
                "identifiers": [self.object],
                "name": self.known().name,
                "model": "resin-casting bench watch",
                "sw_version": self.version,
                **({"configuration_url": self.page_url} if self.page_url else {}),
            },
            "origin": {"name": "benchd", "sw_version": self.version},
            "availability": [self._there(self.at("up"))],
            "components": {**here, **gone},
        }

    def components(self, molds: MoldsShown = "whole") -> dict[str, Component]:
        """Every entity of this bench, by its key; of the molds what is said."""
        bench = self.known()
        made: dict[str, Component] = {}
        for channel in bench.channels:
            key, name = level(channel.id), capital(channel_name(bench, channel.id))
            made[f"read-{key}"] = self._reading(key, channel.id, name, channel.source)
            made[f"fault-{key}"] = self._flag(f"fault-{key}", f"fault-{key}", "fault", f"{name} fault") | DIAGNOSTIC
        for id, source in probed(bench, "cup_temperature").items():
            made |= self._cup(id, capital(cup_name(bench, id)), source)
        for id, source in probed(bench, "pot_pressure").items():
            made |= self._pot(id, capital(pot_name(bench, id)), source)
        for mold in shown_molds(bench) if self.has_molds and molds != "none" else ():
            made |= self._mold(mold, self.has_buttons and molds == "whole")
        return made | self._whole(bench) | (self._buttons(bench) if self.has_buttons else {})

    # -- what belongs to one thing

    def _whole(self, bench: Bench) -> dict[str, Component]:
        said = self._event("event-said", "said", "Said", SAID_TYPES)
        made = {
            "alarm": self._state("alarm", "alarm", "text", "Alarm") | {"json_attributes_topic": self._of("alarms")},
            "alarm-active": self._flag("alarm-active", "alarm", "active", "Alarm active"),
            "event-said": said,
            "event-ready": self._event("event-ready", "ready", "Part due", DUE_TYPES),
            "log": self._flag("log", "bench", "log", "Log not saved") | DIAGNOSTIC,
            "watch": self._state("watch", "bench", "watch", "Has the watch"),
            "trouble": self._state("trouble", "bench", "trouble", "Last trouble") | DIAGNOSTIC,
        }
        if probed(bench, "room_humidity"):
            made["damp"] = self._flag("damp", "bench", "damp", "Damp room", "moisture")
        return made

    def _cup(self, id: str, name: str, source: str) -> dict[str, Component]:
        phases = list(dict.fromkeys(["idle", "mixing", *pour.TRANSITIONS.values()]))
        return {
            f"phase-{id}": self._enum(f"phase-{id}", f"cup-{id}", f"{name} phase", phases, source),
            f"kick-{id}": self._moment(f"kick-{id}", f"cup-{id}", "kick_at", f"{name} kick at", source),
            f"left-{id}": self._left(f"left-{id}", f"{name} time to kick", source),
            f"event-kick-{id}": self._event(f"event-kick-{id}", f"kick-{id}", f"{name} kick", ("kick",), source),
        }

    def _pot(self, id: str, name: str, source: str) -> dict[str, Component]:
        phases = list(dict.fromkeys(["idle", "filling", *load.TRANSITIONS.values()]))
        return {
            f"phase-{id}": self._enum(f"phase-{id}", f"pot-{id}", f"{name} phase", phases, source),
            f"reads-{id}": self._state(f"reads-{id}", f"pot-{id}", "reads", f"{name} reads"),
            f"leak-{id}": self._flag(f"leak-{id}", f"pot-{id}", "leak", f"{name} leak"),
            f"hold-{id}": self._moment(f"hold-{id}", f"pot-{id}", "ready_at", f"{name} hold done at", source),
            f"left-{id}": self._left(f"left-{id}", f"{name} hold left", source),
        }

    def _mold(self, mold: Mold, has_button: bool) -> dict[str, Component]:
        key, name = level(mold.id), f"{capital(mold.name)} {mold.code}"
        made = {f"ready-{key}": self._moment(f"ready-{key}", f"mold-{key}", "ready_at", f"{name} ready at", "")}
        if has_button:
            made[f"do-out-{key}"] = self._button(f"do-out-{key}", "demolded", f"{name} out", {"mold": mold.code})
        return made

    def _buttons(self, bench: Bench) -> dict[str, Component]:
        made = {f"do-{verb}": self._button(f"do-{verb}", verb, BUTTONS[verb], {}) for verb in PLAIN_BUTTONS}
        for verb, key, names in (
            ("mix", "cup", {cup.id: cup.name for cup in bench.cups}),
            ("shut", "pot", {pot.id: pot.name for pot in bench.pots}),
        ):
            for id, name in names.items():
                entity, title = f"do-{verb}-{id}", f"{capital(name)}: {BUTTONS[verb].lower()}"
                made[entity] = self._button(entity, verb, title, {key: id})
        return made

    # -- kinds of entities

    def _of(self, thing: str) -> str:
        return self.at("state", thing)

    @staticmethod
    def _there(topic: str) -> dict[str, str]:
        return {"topic": topic, "payload_available": HERE, "payload_not_available": GONE}

    def _component(self, platform: str, key: str, name: str, source: str = "") -> Component:
        """What every entity has; `source` = it is only there while that probe is."""
        id = f"{self.object}-{key}"
        made: Component = {"platform": platform, "unique_id": id, "name": name, "qos": 1}
        if source:
            topics = (self.at("up"), self.at("probe", source, "up"))
            made |= {"availability": [self._there(topic) for topic in topics], "availability_mode": "all"}
        return made | {"default_entity_id": f"{platform}.{re.sub('[^a-z0-9]+', '_', id.lower())}"}

    def _reading(self, key: str, channel: str, name: str, source: str) -> Component:
        bench = self.known()
        role = bench.role_of(channel) or ""
        unit = shown_unit(bench, role)
        return self._number(f"read-{key}", channel, name, source) | {
            "device_class": QUANTITIES[ROLES[role]], "unit_of_measurement": unit, "state_class": "measurement",
            "suggested_display_precision": PLACES[unit],
        }  # fmt: skip

    def _left(self, key: str, name: str, source: str) -> Component:
        seconds = {"device_class": "duration", "unit_of_measurement": "s"}
        return self._number(key, key, name, source) | seconds

    def _number(self, key: str, topic: str, name: str, source: str) -> Component:
        return self._component("sensor", key, name, source) | {
            "state_topic": self.at("read", topic), "value_template": "{{ value_json.value }}", "qos": 0,
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

    def _flag(self, key: str, thing: str, field: str, name: str, device_class: str = "problem") -> Component:
        """A yes or no.  A probe's fault does not hang on the probe: else it would vanish just when it is true."""
        return self._component("binary_sensor", key, name) | {
            "state_topic": self._of(thing), "value_template": "{{ value_json." + field + " }}",
            "device_class": device_class, "payload_on": "ON", "payload_off": "OFF",
        }  # fmt: skip

    def _event(self, key: str, what: str, name: str, types: tuple[str, ...], source: str = "") -> Component:
        topic = {"state_topic": self.at("event", what), "event_types": list(types)}
        return self._component("event", key, name, source) | topic

    def _button(self, key: str, verb: str, name: str, body: Mapping[str, str]) -> Component:
        return self._component("button", key, name) | {
            "command_topic": self.at("do", verb), "payload_press": packed(body), "retain": False,
        }  # fmt: skip


def shown_unit(bench: Bench, role: str) -> str:
    """The bench's unit for a role, in the hub's spelling."""
    unit = ROLES[role]
    if unit == "C":
        return FAHRENHEIT if bench.temperature_unit == "F" else CELSIUS
    return bench.pressure_unit if unit == "kPa" else "%" if unit == "%RH" else unit


def probed(bench: Bench, role: str) -> dict[str, str]:
    """The cups or pots ("" for the room) with a probe of a role -> its source."""
    return {channel.of: channel.source for channel in bench.channels if channel.role == role}


def shown_molds(bench: Bench) -> list[Mold]:
    """The molds still cast."""
    return [mold for mold in bench.molds if not mold.retired]


def cup_name(bench: Bench, id: str) -> str:
    """A cup's name as configured."""
    cup = bench.cup(id)
    return cup.name if cup is not None else id


def pot_name(bench: Bench, id: str) -> str:
    """A pot's name as configured."""
    pot = bench.pot(id)
    return pot.name if pot is not None else id


def channel_name(bench: Bench, id: str) -> str:
    """What a channel measures, by the configured name of where it sits; one with an id of its own keeps that."""
    channel = next(c for c in bench.channels if c.id == id)
    sits = bench.mold(channel.of)
    where = sits.name if sits is not None else cup_name(bench, channel.of)
    where = pot_name(bench, channel.of) if bench.pot(channel.of) is not None else where
    rest = id.removeprefix(f"{channel.of}-") if channel.of else id
    return f"{where} {rest}".replace("-", " ").strip() if channel.of and rest != id else id.replace("-", " ")


def capital(text: str) -> str:
    """The text with its first letter large, the others as they are."""
    return text[:1].upper() + text[1:]


def packed(body: Mapping[str, Any]) -> str:
    """The body as compact JSON."""
    return json.dumps(body, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
