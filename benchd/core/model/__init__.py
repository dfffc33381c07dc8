"""The values that pass through benchd: inputs, readings, alerts, utterances, and their subjects.

One noun for each stage.  An *input* is what the shell received (a board's line, a mark, a context); the engine turns
lines into *readings*; *watchers* and the pour and load books turn those into *findings* (core/findings.py); the alert
stage turns findings into *alerts* (condition x heard) and *utterances* (what the caster hears now).  All are frozen
values; times are unix seconds UTC of the bench clock, pressures kPa gauge, temperatures C, or as a name ends.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from enum import Enum
from typing import Any, Literal

from benchd.core.model.day import DayBefore, DaySheet
from benchd.core.model.learned import Learned
from benchd.stored import stored

Json = Mapping[str, Any]


@stored("subject")
@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """The subject of a finding, alert, utterance or mark, filled in as far as known."""

    bench: str
    pot: str | None = None
    load: str | None = None
    cup: str | None = None
    pour: str | None = None
    mold: str | None = None
    channel: str | None = None
    source: str | None = None  # a source, or one board of it, as a whole

    def to_dict(self) -> dict[str, str]:
        """The ids that are set, by name."""
        return {name: value for name in SUBJECT_KEYS if (value := getattr(self, name)) is not None}

    @property
    def id(self) -> str:
        """The narrowest subject named: the last level of an alert's topic."""
        return self.channel or self.source or self.mold or self.cup or self.pot or self.bench

    def filled(self, **more: str | None) -> Subject:
        """This subject with gaps filled; what it already knows is kept."""
        gaps = {k: v for k, v in more.items() if v is not None and getattr(self, k) is None}
        return replace(self, **gaps) if gaps else self


SUBJECT_KEYS = tuple(f.name for f in fields(Subject))


class Quality(Enum):
    """How far a reading can be trusted."""

    GOOD = "good"
    SUSPECT = "suspect"
    FAULT = "fault"


class Basis(Enum):
    """The origin of a number; passed on to page, speech and MQTT."""

    MEASURED = "measured"
    LEARNED = "learned"
    LABEL = "label"
    TYPED = "typed"
    BLIND = "blind"


# --------------------------------------------------------------------------------------------------------------- inputs


@stored("line")
@dataclass(frozen=True, slots=True)
class Line:
    """One line a board sent (no LF), or one MQTT payload (then with its topic)."""

    t: float
    source: str
    line: str
    topic: str | None = None


@dataclass(frozen=True, slots=True)
class RawLine:
    """Bytes of one line that are not UTF-8, kept as base64 so that a recording stays text."""

    t: float
    source: str
    raw_b64: str


VERBS = (
    "mix", "poured", "kicked", "heard", "demolded", "repeat", "undo", "shut", "topup", "dumped", "note", "leaving",
    "back", "end", "check", "prepared", "watch", "oven", "oven-out", "tried", "trimmed",
)  # fmt: skip
MOST_MOLDS = 32  # in one mix; a pot of 16 l holds some ten: common practice, no source
PRESS_IDS = "switch-"  # prefix of the ids of a foot switch's presses; reserved for them
FEELS = ("rubbery", "green", "hard", "hot", "stuck")
GRADES = ("good", "second", "scrap")
CAUSES = ("trap", "short", "foam", "pinhole", "soft", "warp", "tear", "seam", "dimple", "colour")


@stored("mark")
@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """What the caster reported, by switch, page, command or broker; `t` is when it happened.

    On its way to the engine `t` is when it arrived, and `at` when it happened, if that was before.
    """

    t: float
    verb: str
    id: str = ""
    by: str = ""
    ttl_s: float | None = None
    cup: str | None = None
    pot: str | None = None
    mold: str | None = None
    pour: str | None = None
    load: str | None = None
    lot: str | None = None
    molds: tuple[str, ...] = ()
    a_g: float | None = None
    b_g: float | None = None
    mold_c: float | None = None
    code: str | None = None
    shelve_s: float | None = None
    feel: str | None = None
    grade: str | None = None
    cause: str | None = None
    text: str | None = None
    at: float | None = None
    picture: str | None = None  # a file's name; nothing opens it
    recipe: str | None = None  # of a mix: what is in it besides A and B


@dataclass(frozen=True, slots=True)
class Status:
    """A source came up or went down, and why; with `lost`, that many of its bad lines were counted and not kept."""

    t: float
    source: str
    up: bool
    why: str = ""
    lost: int = 0


@dataclass(frozen=True, slots=True)
class News:
    """The shell's report about itself: `active` when trouble begins (or has happened), not when it ends.

    journal: the journal is not written.  journal-changed: it was set aside or begun again.  listener: no phone is
    subscribed. contested: another client uses the bench's client id at the broker.
    """

    t: float
    what: Literal["journal", "journal-changed", "listener", "contested"]
    active: bool
    why: str = ""


@dataclass(frozen=True, slots=True)
class Gap:
    """The bench was not watched from `since` to `t`; no ticks are stepped over it."""

    t: float
    since: float
    why: str
    lost: int = 0


@dataclass(frozen=True, slots=True)
class ClockStep:
    """The wall clock moved: wall = bench time + offset_s from here on."""

    t: float
    offset_s: float


@dataclass(frozen=True, slots=True)
class Context:
    """What the core knows besides readings; written at start and on every change (shapes: core/bench/context.py)."""

    t: float
    config: Json
    shelf: Json
    resins: Json
    learned: Learned
    utc_offsets: tuple[tuple[float, float], ...]
    version: str
    hash: str
    day: DayBefore | None = None  # in an extract of a recording only
    sheet: DaySheet | None = None  # of a context written before sheets were inputs of their own


@dataclass(frozen=True, slots=True)
class Table:
    """A finished section table, computed outside the step and passed in like any other input."""

    t: float
    resin: str
    hash: str
    table: Json


Input = Line | RawLine | Mark | Status | News | Gap | ClockStep | Context | DaySheet | Table
Standing = Context | DaySheet | Table
"""Inputs in force until the next of their kind: an engine needs them before it can continue from anywhere."""


@stored("reading")
@dataclass(frozen=True, slots=True)
class Reading:
    """One sensor's reading: `value` in the core's unit (None when faulty), `raw` as the board sent it.

    `role` names the quantity, `of` the cup, pot or mold ("" for the room), `t` when, to within t_doubt_s.
    """

    t: float
    channel: str
    role: str
    of: str
    value: float | None
    raw: float | None
    quality: Quality = Quality.GOOD
    why: str = ""
    t_doubt_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Tick:
    """A whole second of bench time has passed."""

    t: float


# ------------------------------------------------------------------------------------------------------- what comes out


@dataclass(frozen=True, slots=True, kw_only=True)
class Alert:
    """One alert's state: whether its condition is on, and whether it was heard.  Emitted at every change of either.

    waits_for: the alert of the same pot that has to be over before this one is spoken.  value and limit: one kind of
    thing, both in `unit` (kPa, kPa/min, C, %RH, s, unix s); "" for a count or where there is no number.
    """

    t: float
    alert: str
    active: bool
    heard: bool
    priority: int
    subject: Subject
    shelved_until: float | None = None
    waits_for: str | None = None
    value: float | None = None
    limit: float | None = None
    unit: str = ""
    text: str = ""


@stored("utterance")
@dataclass(frozen=True, slots=True, kw_only=True)
class Utterance:
    """Words for the caster to hear now; never delivered after `say_until`.  to: who has the watch; "" for all."""

    t: float
    say: str
    priority: int
    tone: str
    say_until: float
    subject: Subject
    code: str = ""
    to: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """The present state of a pour, pot or mold, or of the watch, for retained topics and the page."""

    t: float
    of: Literal["pour", "pot", "mold", "watch"]
    id: str
    body: Json = field(hash=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkAnswer:
    """Whether a mark was accepted, and why not (or what was assumed); `same_as`: the mark it was counted once with."""

    t: float
    id: str
    verb: str
    ok: bool
    why: str
    same_as: str = ""
