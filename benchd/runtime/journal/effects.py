"""What was a stored effect, as the value it was?  Printed forms from the journal back into the types they came from.

The other way round from core/format/printed.py; numbers come back as rounded there.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from typing import Any

from benchd.core.findings import FINDINGS, Finding
from benchd.core.model import Alert, MarkAnswer, Subject, Utterance
from benchd.errors import DecodeError

Told = Finding | Alert | Utterance | MarkAnswer

_KINDS: dict[str, type[Told]] = {"alert": Alert, "utterance": Utterance, "answer": MarkAnswer}


def effect_from(kind: str, name: str, body: Mapping[str, Any]) -> Told:
    """The effect of a stored row: its kind ("finding", "alert" ...), its name, its printed form.

    Raises DecodeError for a kind, a finding or a field this version does not know.
    """
    cls = FINDINGS.get(name) if kind == "finding" else _KINDS.get(kind)
    if cls is None:
        raise DecodeError("effect", f"{kind} {name} is unknown here")
    known = [f.name for f in fields(cls)]
    try:
        return cls(**{key: _value(key, body[key]) for key in known if key in body})
    except TypeError as error:
        raise DecodeError("effect", f"{kind} {name}: {error}") from error


def _value(key: str, value: Any) -> Any:
    if key == "subject":
        return Subject(**value)
    return tuple(value) if isinstance(value, list) else value
