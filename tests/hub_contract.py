"""What would a home hub refuse, drop, or take for something else?  Its published discovery form, typed in by hand.

The form is that of early 2026: which keys it takes at root, in `device` and `origin`, which a component may have, and
which class goes with which unit (its MQTT discovery, sensor, binary sensor, button and event documentation).  Unknown
keys at root or in `device` make the hub refuse the whole message silently; in a component it drops them, which we take
for a fault too.  `of_payload` is what it would make of a message on a topic that the device message names.
"""

from __future__ import annotations

import json
import re
from datetime import datetime
from typing import Any

ROOT_KEYS = {"device", "origin", "components", "availability", "availability_mode", "availability_topic",
             "payload_available", "payload_not_available", "state_topic", "command_topic", "qos"}  # fmt: skip
DEVICE_KEYS = {"identifiers", "connections", "manufacturer", "model", "model_id", "name", "hw_version",
               "serial_number", "sw_version", "via_device", "suggested_area", "configuration_url"}  # fmt: skip
ORIGIN_KEYS = {"name", "sw_version", "support_url"}
COMMON = {"platform", "unique_id", "name", "qos", "availability", "availability_mode", "default_entity_id", "icon",
          "entity_category", "enabled_by_default", "json_attributes_topic", "json_attributes_template"}  # fmt: skip
OF_PLATFORM = {
    "sensor": {"state_topic", "value_template", "device_class", "unit_of_measurement", "state_class", "expire_after",
               "options", "suggested_display_precision"},
    "binary_sensor": {"state_topic", "value_template", "device_class", "payload_on", "payload_off", "expire_after"},
    "button": {"command_topic", "payload_press", "retain", "device_class"},
    "event": {"state_topic", "value_template", "event_types", "device_class"},
}  # fmt: skip
UNITS = {"temperature": {"°C", "°F", "K"}, "pressure": {"Pa", "hPa", "kPa", "bar", "psi"}, "humidity": {"%"},
         "duration": {"s", "min"}, "weight": {"kg", "g", "oz", "lb"}}  # fmt: skip
CLASSES = {"sensor": {*UNITS, "timestamp", "enum"}, "binary_sensor": {"problem", "moisture"}}
THERE_KEYS = {"topic", "payload_available", "payload_not_available"}
CATEGORIES = {"diagnostic", "config"}
LONGEST_STATE = 255


def complaints(message: dict[str, Any], topic: str) -> list[str]:
    """What the hub would refuse or drop in a device message."""
    found = [f"root: {key}" for key in message if key not in ROOT_KEYS]
    found += [f"device: {key}" for key in message.get("device", {}) if key not in DEVICE_KEYS]
    found += [f"origin: {key}" for key in message.get("origin", {}) if key not in ORIGIN_KEYS]
    found += [] if message.get("origin", {}).get("name") else ["origin: no name"]
    device = message.get("device", {})
    found += [] if device.get("identifiers") or device.get("connections") else ["device: no identifiers"]
    found += [] if re.match(r"https?://[^/]+", device.get("configuration_url", "http://x")) else ["device: no address"]
    found += [] if re.fullmatch(r"[A-Za-z0-9_-]+", topic.split("/")[2]) else ["topic: object id"]
    found += of_availability(message)
    for key, component in message.get("components", {}).items():
        found += [] if set(component) == {"platform"} else [f"{key}: {what}" for what in of_component(component)]
    ids = [c["unique_id"] for c in message.get("components", {}).values() if "unique_id" in c]
    return found + ([] if len(ids) == len(set(ids)) else ["the same unique_id twice"])


def of_availability(table: dict[str, Any]) -> list[str]:
    there = table.get("availability", [])
    found = ["two availabilities"] if {"availability", "availability_topic"} <= set(table) else []
    found += ["availability keys"] if any(not set(one) <= THERE_KEYS or "topic" not in one for one in there) else []
    return found + (["availability mode"] if table.get("availability_mode", "all") not in ("all", "any") else [])


def of_component(component: dict[str, Any]) -> list[str]:
    platform = component.get("platform", "")
    found = [key for key in component if key not in COMMON | OF_PLATFORM.get(platform, set())]
    found += ["no unique_id"] if not re.fullmatch(r"[A-Za-z0-9_-]+", component.get("unique_id", "")) else []
    found += ["no qos"] if component.get("qos") not in (0, 1) else []
    found += of_availability(component)
    found += ["wildcard"] if re.search(r"[+#]", component.get("command_topic", "")) else []
    found += ["entity id"] if not component.get("default_entity_id", "").startswith(f"{platform}.") else []
    found += ["category"] if component.get("entity_category", "diagnostic") not in CATEGORIES else []
    found += ["precision"] if not isinstance(component.get("suggested_display_precision", 0), int) else []
    found += ["no event types"] if platform == "event" and not component.get("event_types") else []
    return found + of_class(component, platform)


def of_class(component: dict[str, Any], platform: str) -> list[str]:
    kind = component.get("device_class")
    found = [f"class {kind}"] if kind is not None and kind not in CLASSES.get(platform, set()) else []
    found += ["unit"] if kind in UNITS and component.get("unit_of_measurement") not in UNITS[kind] else []
    found += ["state_class"] if kind in ("timestamp", "enum", "duration") and "state_class" in component else []
    found += ["no options"] if kind == "enum" and not component.get("options") else []
    found += ["retained command"] if platform == "button" and component.get("retain") is not False else []
    found += ["typed text in a template"] if not re.fullmatch(
        r"(\{\{ value_json\.[a-z_]+ \}\})?", component.get("value_template", "")
    ) else []  # fmt: skip
    return found


def of_payload(component: dict[str, Any], payload: str) -> str:
    """What the hub would not understand of a message on a component's state topic; "" if nothing.

    null is its "unknown"; an empty payload clears.
    """
    if not payload:
        return ""
    body = json.loads(payload)
    if component["platform"] == "event":
        kinds = component["event_types"]
        return "" if body.get("event_type") in kinds else f"event {body.get('event_type')}"
    field = component["value_template"].removeprefix("{{ value_json.").removesuffix(" }}")
    if field not in body:
        return f"no {field}"
    value = body[field]
    if value is None:
        return ""
    if component["platform"] == "binary_sensor":
        return "" if value in (component["payload_on"], component["payload_off"]) else f"neither on nor off: {value}"
    return of_sensor(component, value)


def of_sensor(component: dict[str, Any], value: Any) -> str:
    kind = component.get("device_class")
    if kind in UNITS:
        return "" if isinstance(value, int | float) and not isinstance(value, bool) else f"no number: {value}"
    if kind == "enum":
        return "" if value in component["options"] else f"no option: {value}"
    if kind == "timestamp":
        return "" if datetime.fromisoformat(value).tzinfo is not None else f"no offset: {value}"
    return "" if isinstance(value, str) and len(value) <= LONGEST_STATE else f"no state: {value}"


def all_complaints(heard: list[tuple[str, str, bool]], config_topic: str, prefix: str) -> list[str]:
    """Everything wrong in all messages below the prefix, judged by the last device message; unnamed topics too."""
    device = json.loads([payload for topic, payload, _ in heard if topic == config_topic and payload][-1])
    found = complaints(device, config_topic)
    by_topic: dict[str, list[dict[str, Any]]] = {}
    for component in device["components"].values():
        if "state_topic" in component:
            by_topic.setdefault(component["state_topic"], []).append(component)
    extra = {c["json_attributes_topic"] for c in device["components"].values() if "json_attributes_topic" in c}
    there = {one["topic"] for one in device["availability"]}
    there |= {one["topic"] for c in device["components"].values() for one in c.get("availability", ())}
    for topic, payload, retained in heard:
        if not topic.startswith(prefix) or "/do/" in topic:
            continue
        if topic in there:
            found += [] if payload in ("here", "gone") else [f"{topic}: {payload}"]
        elif topic in extra:
            found += [] if isinstance(json.loads(payload), dict) else [f"{topic}: no attributes"]
        elif topic not in by_topic:
            found.append(f"{topic} is named nowhere")
        for component in by_topic.get(topic, ()):
            why = of_payload(component, payload)
            found += [f"{topic}: {why}"] if why else []
        found += [f"{topic} is retained"] if retained and re.search("/(read|event)/", topic) else []
    return found
