"""Checks marks from outside before they are accepted: strict about form, retained copies, repeats and age.

A mark is at most 4 kB of strict JSON: one object, no duplicate keys, no NaN, nested at most 4 deep; an empty payload is
{}.  Retained ones, ids seen among the last 1,000, expired ones, those from the future and floods are refused with a
reason: the inbox never drops a mark, so they must be refused here.
"""

from __future__ import annotations

import json
import re
from collections import OrderedDict, deque
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from benchd.core.format.mark_form import mark_from_outside
from benchd.core.model import VERBS, Mark
from benchd.errors import DecodeError, MarkRejected, no_such

LARGEST_BYTES = 4096
DEEPEST = 4
IDS_REMEMBERED = 1000
AHEAD_MOST_S = 60.0
MARKS_MOST = 30  # in any FLOOD_S seconds: nobody presses faster; common practice
FLOOD_S = 10.0
OLDEST_S = 12 * 3600.0  # a pour is closed 12 h after its mix: an older mark can belong to none
_ID = re.compile(r"[ -~]{1,64}")
_SUBJECT_KEYS = ("pot", "load", "cup", "pour", "mold")


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a mark is refused; `id` as far as it could be read."""

    id: str
    why: str


def _pairs_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise MarkRejected("a key is given twice; leave one out")
    return found


def _no_constant(name: str) -> float:
    raise MarkRejected(f"{name} is not a number; leave it out")


def _depth(text: str) -> int:
    """The nesting depth of a JSON text, brackets inside strings ignored."""
    deepest = now = 0
    for sign in re.sub(r'"(?:[^"\\]|\\.)*"', "", text):
        now += (sign in "[{") - (sign in "]}")
        deepest = max(deepest, now)
    return deepest


def parse_object(payload: bytes) -> dict[str, Any]:
    """The JSON object in a payload, {} for an empty one.  Raises MarkRejected saying what is wrong."""
    if not payload.strip():
        return {}
    if len(payload) > LARGEST_BYTES:
        raise MarkRejected(f"{len(payload)} bytes are too many, at most {LARGEST_BYTES}")
    try:
        text = payload.decode("utf-8")
        if _depth(text) > DEEPEST:
            raise MarkRejected("nested too deep")
        body = json.loads(text, object_pairs_hook=_pairs_once, parse_constant=_no_constant)
    except (ValueError, RecursionError):
        raise MarkRejected("not JSON") from None
    if not isinstance(body, dict):
        raise MarkRejected("not a JSON object")
    return body


class MarkIntake:
    """The entry for marks; shared by all channels, so that an id seen on one is known on the others."""

    def __init__(self, now: Callable[[], float], bench: str, boot: str) -> None:
        self._now = now
        self._bench = bench
        self._boot = boot
        self._seen: OrderedDict[str, None] = OrderedDict()
        self._count = 0
        self._taken_t: deque[float] = deque(maxlen=MARKS_MOST)

    def take(self, verb: str, payload: bytes, retained: bool = False, by: str = "mqtt") -> Mark | Refusal:
        """The mark in a payload sent to `do/<verb>`, or why it is refused; a mark is accepted only once.

        It is recorded as `by` its channel, whatever it claims: "switch" and "cli" are trusted to be at the bench.
        """
        id = ""
        try:
            if retained:
                raise MarkRejected("retained: a mark is sent once, without retain")
            body = parse_object(payload)
            id = self._id(body)
            mark = self._mark(verb, body, id, by)
        except (MarkRejected, DecodeError) as error:
            return Refusal(id, error.detail if isinstance(error, DecodeError) else str(error))
        self._remember(id)
        self._taken_t.append(self._now())
        return mark

    def _id(self, body: dict[str, Any]) -> str:
        if "id" not in body:
            self._count += 1
            return f"{by_boot(self._boot)}-{self._count}"
        id = body["id"]
        if not isinstance(id, str) or not _ID.fullmatch(id):
            raise MarkRejected("id must be 1 to 64 printable characters")
        return id

    def _mark(self, verb: str, body: dict[str, Any], id: str, by: str) -> Mark:
        if id in self._seen:
            raise MarkRejected("this id was taken before")
        if verb not in VERBS:
            raise MarkRejected(no_such("verb", verb[:40], VERBS))
        if body.pop("verb", verb) != verb:
            raise MarkRejected(f"names another verb than its topic, {verb}; send it to do/VERB")
        if body.pop("v", 0) != 0:
            raise MarkRejected("unknown version, this is 0")
        self._flatten(body)
        now = self._now()
        if len(self._taken_t) == MARKS_MOST and now - self._taken_t[0] < FLOOD_S:
            raise MarkRejected("too many marks at once")
        t = self._time(body.pop("t", now))
        mark = replace(mark_from_outside(t, body | {"verb": verb, "id": id}), by=by)
        age_s = now - t
        if age_s < -AHEAD_MOST_S:
            raise MarkRejected(f"its time is {-age_s:.0f} s ahead")
        if age_s > (OLDEST_S if mark.ttl_s is None else mark.ttl_s):
            raise MarkRejected(f"too late: {age_s:.0f} s old")
        return mark

    @staticmethod
    def _time(t: Any) -> float:
        if isinstance(t, bool) or not isinstance(t, int | float) or not 0 <= t < 1e11:
            raise MarkRejected("t must be unix seconds")
        return float(t)

    def _flatten(self, body: dict[str, Any]) -> None:
        """Move a subject's keys into the mark itself; keys beside the subject take precedence."""
        subject = body.pop("subject", {})
        if not isinstance(subject, dict):
            raise MarkRejected("subject must be an object")
        if subject.get("bench", self._bench) != self._bench:
            raise MarkRejected("this is another bench")
        for key in _SUBJECT_KEYS:
            if key in subject:
                body.setdefault(key, subject[key])

    def _remember(self, id: str) -> None:
        self._seen[id] = None
        while len(self._seen) > IDS_REMEMBERED:
            self._seen.popitem(last=False)


def by_boot(boot: str) -> str:
    """The prefix of ids assigned here, different on every boot."""
    return f"own-{re.sub(r'[^A-Za-z0-9]', '', boot)[:16]}"
