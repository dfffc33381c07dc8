"""Writes findings, alerts and utterances as JSON; the one place that rounds printed numbers.

`format_number` rounds by the name's ending: times 0.1 s, C 0.01, kPa 0.01, others 4 significant digits, so that two
machines print the same.  All published output (replay, MQTT, HTTP, journal) goes through `to_json_object`.
"""

from __future__ import annotations

import math
from dataclasses import fields
from typing import Any

from benchd.core.findings import Effect, Finding
from benchd.core.model import Alert, Card, MarkAnswer, Reading, Subject, Utterance

TIME_NAMES = (
    "t",
    "at",
    "early",
    "late",
    "since",
    "say_until",
    "shelved_until",
    "expected_by",
    "lid_by",
    "fill_by",
    "kick_early",
)


def format_number(name: str, value: float) -> float | int | None:
    """`value` rounded for printing under the field `name`; non-finite becomes None; -0.0 becomes 0.0."""
    if isinstance(value, int):
        return value
    if not math.isfinite(value):
        return None
    return round(value, _places(name, value)) + 0.0


def printed_step(name: str, value: float) -> float:
    """One unit of the last printed place: outputs of two machines may differ by this much and still agree."""
    return float(10.0 ** -_places(name, value))


def _places(name: str, value: float) -> int:
    if name in TIME_NAMES or name.endswith(("_at", "_t", "_s")):
        return 1
    if name.endswith(("_c", "_kpa", "_psi", "_pct")) or name in ("kpa", "value", "limit"):
        return 2
    if value == 0.0:
        return 0
    return max(0, 3 - math.floor(math.log10(abs(value))))


def tidy(name: str, value: Any) -> Any:
    """A JSON-able copy of value with every number printed under `name` (dict keys name their own values)."""
    if isinstance(value, bool) or value is None or isinstance(value, str | int):
        return value
    if isinstance(value, float):
        return format_number(name, value)
    if isinstance(value, dict):
        return {k: tidy(k, v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [tidy(name, v) for v in value]
    raise TypeError(f"{name}: {type(value).__name__} has no printed form")


_NAMES: dict[type, tuple[str, ...]] = {}


def _names(cls: type[Any]) -> tuple[str, ...]:
    if cls not in _NAMES:
        _NAMES[cls] = tuple(f.name for f in fields(cls) if f.name not in ("t", "subject", "body"))
    return _NAMES[cls]


def _alert(effect: Alert) -> dict[str, Any]:
    """An alert's keys; its numbers are printed by their unit: times to 0.1 s."""
    name = "at" if effect.unit == "unix s" else "value"
    numbers = {key: tidy(name, getattr(effect, key)) for key in ("value", "limit")}
    return _body(effect) | numbers


WHERE_SET = ("to", "same_as")
"""Keys of an utterance and an answer that are printed only where they say something."""


def _body(effect: Any) -> dict[str, Any]:
    told = {name: tidy(name, getattr(effect, name)) for name in _names(type(effect))}
    return {name: value for name, value in told.items() if value or name not in WHERE_SET}


def _flat(subject: Subject) -> dict[str, Any]:
    filled = subject.to_dict()
    return {"subject": filled} | {k: v for k, v in filled.items() if k != "bench"}


def to_json_object(effect: Effect) -> dict[str, Any]:
    """The JSON form of any effect of the engine (interfaces: findings, alerts, utterances, cards, answers)."""
    t = format_number("t", effect.t)
    match effect:
        case Finding():
            return {"t": t, "finding": effect.finding} | _flat(effect.subject) | _body(effect)
        case Alert():
            return {"t": t} | _alert(effect) | {"subject": effect.subject.to_dict()}
        case Utterance():
            return {"t": t} | _body(effect) | {"subject": effect.subject.to_dict()}
        case Card():
            head: dict[str, Any] = {"t": t, "of": effect.of, "id": effect.id}
            return head | {k: tidy(k, v) for k, v in effect.body.items()}
        case MarkAnswer():
            return {"t": t} | _body(effect)
        case Reading():
            quality = effect.quality.value
            value = None if effect.value is None else format_number("value", effect.value)
            printed = {
                "t": t,
                "channel": effect.channel,
                "role": effect.role,
                "of": effect.of,
                "value": value,
                "quality": quality,
            }
            return printed | ({"why": effect.why} if effect.why else {})
