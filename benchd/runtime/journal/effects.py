"""Converts effects stored in the journal in printed form back into the types they came from.

The inverse of core/format/printed.py; numbers come back as rounded there.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import fields
from typing import Any, TypeVar

from benchd.core.findings import FINDINGS, Finding
from benchd.core.format.record import is_time
from benchd.core.model import Alert, MarkAnswer, Subject, Utterance
from benchd.errors import DecodeError

Told = Finding | Alert | Utterance | MarkAnswer
Made = TypeVar("Made", bound=Told)

_KINDS: dict[str, type[Told]] = {"alert": Alert, "utterance": Utterance, "answer": MarkAnswer}


def effect_from(kind: str, name: str, body: Mapping[str, Any]) -> Told:
    """The effect of a stored row: its kind ("finding", "alert" ...), its name, its printed form.

    Raises DecodeError for a kind, a finding or a field this version does not know.
    """
    if kind == "finding":
        return finding_from(name, body)
    if kind not in _KINDS:
        raise DecodeError("effect", f"{kind} {name} is unknown here")
    return _made(_KINDS[kind], f"{kind} {name}", body)


def finding_from(name: str, body: Mapping[str, Any]) -> Finding:
    """A finding from its printed form.  Raises DecodeError where this version does not know it."""
    if name not in FINDINGS:
        raise DecodeError("effect", f"finding {name} is unknown here")
    return _made(FINDINGS[name], f"finding {name}", body)


def printed_in(body: object) -> dict[str, Any] | None:
    """The printed form in a row's body; None where the row is damaged."""
    try:
        plain = json.loads(body) if isinstance(body, str | bytes) else None
    except (ValueError, RecursionError):
        return None
    return plain if isinstance(plain, dict) else None


def alert_in(body: object) -> Alert | None:
    """The alert in a row's body; None where the row is damaged, or written by a version that this one cannot read."""
    printed = printed_in(body)
    try:
        alert = None if printed is None else alert_from(printed)
    except DecodeError:
        return None
    if alert is None or not is_time(alert.t) or not isinstance(alert.subject, Subject):
        return None
    return alert if isinstance(alert.alert, str) and isinstance(alert.text, str) else None


def alert_from(body: Mapping[str, Any]) -> Alert:
    """An alert's state from its printed form.  Raises DecodeError."""
    return _made(Alert, "alert", body)


def _made(cls: type[Made], what: str, body: Mapping[str, Any]) -> Made:
    known = [f.name for f in fields(cls)]
    try:
        return cls(**{key: _value(key, body[key]) for key in known if key in body})
    except TypeError as error:
        raise DecodeError("effect", f"{what}: {error}") from error


def _value(key: str, value: Any) -> Any:
    if key == "subject":
        return Subject(**value)
    return tuple(_value("", each) for each in value) if isinstance(value, list) else value
