"""The names of benchd's MQTT topics, and the form of every payload.

Root `<prefix>/v0/<shop>/<bench>/`.  Payloads are JSON objects with `"v": 0` and a `subject`, at most 4 kB, made by
core/format/printed; `up` and `probe/<id>/up` alone are plain words.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType
from typing import Any

from benchd.core.bench import ROLES
from benchd.core.findings import Effect
from benchd.core.format.printed import format_number, to_json_object
from benchd.core.model import Alert, Card, MarkAnswer, Reading, Utterance
from benchd.runtime.bulletin import unsaved_keys
from benchd.runtime.contracts import OutboxRow

VERSION = 0
HERE = "here"
GONE = "gone"


@lru_cache(maxsize=512)
def level(name: str) -> str:
    """One topic level from an id: lower case, letters, digits and dashes; nothing that could be a wildcard."""
    return re.sub(r"[^a-z0-9-]+", "-", name.lower())[:64] or "-"


def packed(body: Mapping[str, Any]) -> str:
    """A payload: the body after its version, as compact JSON."""
    return json.dumps({"v": VERSION} | dict(body), ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def with_warning(payload: str, unsaved_why: str) -> str:
    """The payload with the keys that mark its cause as not in the journal; unchanged when there is no reason."""
    if not unsaved_why:
        return payload
    warned: dict[str, Any] = json.loads(payload) | unsaved_keys(unsaved_why)
    return packed(warned)


@dataclass(frozen=True, slots=True)
class Topics:
    """The tree of one bench."""

    shop: str
    bench: str
    prefix: str = "benchd"

    @property
    def root(self) -> str:
        """The topic above all of this bench's."""
        return f"{self.prefix}/v{VERSION}/{level(self.shop)}/{level(self.bench)}"

    def at(self, *levels: str) -> str:
        """A topic under the root; each given level is one level."""
        return "/".join((self.root, *(level(one) for one in levels)))

    @property
    def marks(self) -> str:
        """The filter for incoming marks."""
        return f"{self.root}/do/+"

    @property
    def kept_filters(self) -> tuple[str, ...]:
        """Filters over the retained topics that come and go with molds, probes and alerts."""
        return tuple(
            f"{self.root}/{tail}" for tail in ("pour/+", "pot/+", "mold/+", "watch/+", "probe/+/up", "alert/+/+")
        )

    @property
    def never_kept_filters(self) -> tuple[str, ...]:
        """Filters for topics published without retain: a message retained there comes from somebody else."""
        return tuple(f"{self.root}/{tail}" for tail in ("say", "alert-log", "did/+"))

    @property
    def subject(self) -> dict[str, str]:
        """The `subject` of a payload about the whole bench."""
        return {"bench": self.bench}

    def reading(self, reading: Reading, seq: int) -> tuple[str, str]:
        """Topic and payload of one reading; `seq` increases by one with each reading published on its channel."""
        told = to_json_object(reading)
        body = {
            "t": told["t"],
            "value": told["value"],
            "unit": ROLES.get(reading.role),
            "seq": seq,
            "quality": told["quality"],
            "subject": self.subject | {"channel": reading.channel},
        }
        return self.at("read", reading.channel), packed(body)

    def card(self, card: Card) -> tuple[str, str]:
        """Topic and payload of a card."""
        about = {"pour": "cup", "watch": "bench"}.get(card.of, card.of)
        subject = {"subject": self.subject | {about: card.id}}
        return self.at(card.of, card.id), packed(subject | to_json_object(card))

    def alert(self, alert: Alert) -> tuple[str, str]:
        """Topic and payload of an alert."""
        return self.at("alert", alert.alert, alert.subject.id), packed(to_json_object(alert))

    def answer(self, answer: MarkAnswer, warning: Mapping[str, Any] = MappingProxyType({})) -> tuple[str, str]:
        """Topic and payload of a mark's answer; `warning`: Posted.warning."""
        return self.at("did", answer.verb), packed(to_json_object(answer) | dict(warning) | {"subject": self.subject})

    def outbox_row(self, effect: Effect) -> OutboxRow | None:
        """The outbox row for what must be delivered: every change of an alert; every utterance until its say_until."""
        if isinstance(effect, Alert):
            key = f"{effect.alert}/{effect.subject.id}"
            state = ("on" if effect.active else "off") + ("-heard" if effect.heard else "")
            body = {"id": f"{key}/{format_number('t', effect.t)}/{state}"} | to_json_object(effect)
            return OutboxRow(self.at("alert-log"), packed(body), effect.priority, key, effect.t)
        if isinstance(effect, Utterance):
            body = to_json_object(effect)
            return OutboxRow(self.at("say"), packed(body), effect.priority, "say", effect.t, effect.say_until)
        return None
