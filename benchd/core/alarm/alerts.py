"""The alert book: which alarms are active, and whether they were acknowledged.

Two axes, after ISA-18.2 / IEC 62682: *active* (the finding's condition holds and its phrase applies now) and *heard*
(acknowledged by the caster).  An alarm that ends unheard stays visible as "returned, unheard" until heard.  Findings
are never suppressed by phase; alarms are: a latent condition becomes an alarm when its phrase begins to apply (a blind
gauge, once a pot is up).

*Shelved* (a term of both): suspended by the caster for a while.  A shelved alarm stays visible and is not spoken; it is
unshelved automatically, and spoken again if still active, at the latest with the next load of its pot.  Priority 1
cannot be shelved.

*Waiting* (`waits_for`): one alarm at a time sends a person somewhere.  While a pot lets go, "Add air" would call him to
it: such a one waits, active and shown, until the one before it is over.

An alarm that comes back within REARM_S is the same alarm: shown as active, neither counted nor begun again, and as
heard as it was.  A *notice* is an event (a board restarted, a gap): each one is published, also while another still
stands.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from benchd.core.alarm.phrases import ENDED_BY, PHRASES, Phrase, TextOf, phrases_for
from benchd.core.alarm.situation import NOTICES, PREDICATES, SituationOf, once_a_subject
from benchd.core.findings import Finding
from benchd.core.model import Alert, Subject
from benchd.errors import MarkRejected, no_such
from benchd.stored import stored

HEARD_SILENCE_S = 60.0  # common practice, no source: after this the condition decides whether it is said again
REARM_S = {1: 120.0, 2: 30.0}
"""By priority.  ISA-18.2 asks for a delay against chatter; its length: common practice, no source.  P1 is told again at
once when it comes back, so that a longer one hides nothing: a regulator that hunts takes up to a minute or two."""
SHELVED_MOST_S = 3600.0  # common practice, no source: longer than any hold, shorter than a shift

UNIX_S = "unix s"
_MEASURES = (
    ("kpa", "limit_kpa", "kPa"), ("kpa_per_min", "", "kPa/min"), ("temp_c", "", "C"), ("rh_pct", "", "%RH"),
    ("projected_at", "kick_early", UNIX_S), ("for_s", "", "s"), ("expected_by", "", UNIX_S), ("count", "", ""),
)  # fmt: skip
"""A finding's number and the limit it is held against, one kind of thing, and the unit of both."""


@stored("alarm")
@dataclass(slots=True)
class Alarm:
    """One alarm of one subject: its latent condition, its two axes, and how often it was spoken."""

    phrase: Phrase
    condition: Finding
    latent: bool
    active: bool = False
    heard: bool = False
    raised: bool = False
    since_t: float = 0.0
    ended_t: float = -1e12
    heard_t: float = 0.0
    back_t: float = -1e12  # when it last came back as the same alarm
    unheard_t: float = 0.0  # since when it has been active and not heard: its repeats are counted from here
    said: int = 0
    said_t: float = 0.0
    said_since_heard: bool = False
    waits_for: str | None = None  # the alarm it was last published to wait for

    @property
    def subject(self) -> Subject:
        """The subject of the alarm's latest finding."""
        return self.condition.subject


def _number(finding: Finding, name: str) -> float | None:
    value = getattr(finding, name, None)
    return float(value) if isinstance(value, int | float) else None


def measured(finding: Finding) -> tuple[float | None, float | None, str]:
    """(a condition's number, the limit of its kind, their unit): None and "" where it has none."""
    for name, limit_name, unit in _MEASURES:
        value = _number(finding, name)
        if value is not None:
            return value, _number(finding, limit_name), unit
    return None, None, ""


@stored("alert-book")
@dataclass(slots=True)
class AlertBook:
    """All alarms that are active, latent, or returned but unheard."""

    alarms: dict[tuple[str, str], Alarm] = field(default_factory=dict)
    shelf: dict[tuple[str, str], float] = field(default_factory=dict)
    """Shelved alarms, each until when [unix s]."""

    def speaking(self) -> Iterator[Alarm]:
        """Active alarms that are neither heard nor shelved, most urgent first."""
        live = [
            a
            for key, a in self.alarms.items()
            if a.active and not a.heard and a.phrase.priority <= 2 and key not in self.shelf and not self.before(a)
        ]
        return iter(sorted(live, key=lambda a: (a.phrase.priority, a.phrase.rank, a.since_t)))

    @property
    def is_quiet(self) -> bool:
        """Whether nothing that is spoken waits to be heard."""
        return not any(self.speaking())

    def before(self, alarm: Alarm) -> str | None:
        """The alarm of the same pot for which this one waits, None if it need not."""
        return self.comes_before(alarm.phrase, alarm.subject) if alarm.active else None

    def comes_before(self, phrase: Phrase, subject: Subject) -> str | None:
        """The standing alarm behind which a phrase about this subject waits: its code, None if there is none."""
        for code in phrase.behind:
            for key, other in self.alarms.items():
                if key[0] == code and other.active and concerns(other.subject, subject):
                    return code
        return None

    def see(self, finding: Finding, situation_of: SituationOf, text_of: TextOf) -> tuple[list[Alert], list[Phrase]]:
        """Process one finding; returns the alert transitions and the calls that are due."""
        told = self._end(finding, text_of)
        if finding.finding == "load_closed":
            told += self._take_off([k for k in self.shelf if self._is_about(k, finding.subject)], finding.t, text_of)
        calls: list[Phrase] = []
        for phrase in phrases_for(finding.finding):
            applies = PREDICATES[phrase.when](finding, situation_of(finding))
            if phrase.when in NOTICES and not applies:
                continue  # about something else: a board that is back says nothing about the journal
            if phrase.kind == "call":
                calls += [phrase] if applies else []
            else:
                told += self._condition(phrase, finding, applies, text_of)
        return told, calls

    def _condition(self, phrase: Phrase, finding: Finding, applies: bool, text_of: TextOf) -> list[Alert]:
        key = (phrase.code, finding.subject.id)
        alarm = self.alarms.get(key)
        if not getattr(finding, "active", True):
            if alarm is None or alarm.condition.finding != finding.finding:
                return []
            alarm.latent = False
            return self._settle(key, alarm, False, finding.t, text_of)
        if alarm is None:
            if not applies and not phrase.ends_on and not hasattr(finding, "active"):
                return []
            alarm = self.alarms[key] = Alarm(phrase, finding, True)
        again = alarm.active and applies and _is_event(phrase, finding)
        alarm.condition, alarm.latent, alarm.phrase = finding, True, phrase
        if again:
            return [self._alert(alarm, finding.t, text_of)]
        return self._settle(key, alarm, applies, finding.t, text_of)

    def _end(self, finding: Finding, text_of: TextOf) -> list[Alert]:
        """End the alarms that this finding ends, where it has the same subject."""
        codes = ENDED_BY.get(finding.finding, ())
        told: list[Alert] = []
        for key, alarm in list(self.alarms.items()):
            if key[0] in codes and finding.finding in alarm.phrase.ends_on and concerns(finding.subject, alarm.subject):
                alarm.latent = False
                told += self._settle(key, alarm, False, finding.t, text_of)
        return told

    def review(self, t: float, situation_of: SituationOf, text_of: TextOf) -> list[Alert]:
        """Check again whether each latent condition's phrase applies now; end the silence after `heard`."""
        told = self._take_off([key for key, until_t in self.shelf.items() if until_t <= t], t, text_of)
        situation_of = once_a_subject(situation_of)
        for key, alarm in list(self.alarms.items()):
            if alarm.latent:
                alarm.latent = not _is_past(alarm, t)
                applies = alarm.latent and self._applies(alarm, situation_of)
                told += self._settle(key, alarm, applies, t, text_of)
            if alarm.active and alarm.heard and alarm.phrase.priority == 1 and t - alarm.heard_t >= HEARD_SILENCE_S:
                alarm.heard, alarm.said_since_heard, alarm.unheard_t = False, False, t
                told.append(self._alert(alarm, t, text_of))
            elif self.before(alarm) != alarm.waits_for:
                told.append(self._alert(alarm, t, text_of))
            self._drop(key, alarm, t)
        return told

    @staticmethod
    def _applies(alarm: Alarm, situation_of: SituationOf) -> bool:
        return PREDICATES[alarm.phrase.when](alarm.condition, situation_of(alarm.condition))

    def _settle(self, key: tuple[str, str], alarm: Alarm, active: bool, t: float, text_of: TextOf) -> list[Alert]:
        changed = alarm.active != active
        if active and changed and self._chatters(alarm, t):
            alarm.back_t = t
        elif active and changed:
            alarm.raised, alarm.since_t, alarm.unheard_t = True, t, t
            alarm.heard, alarm.said, alarm.said_since_heard = False, 0, False
        if changed and not active:
            alarm.ended_t = t
        alarm.active = active
        self._drop(key, alarm, t)
        return [self._alert(alarm, t, text_of)] if changed else []

    def _drop(self, key: tuple[str, str], alarm: Alarm, t: float) -> None:
        """Forget an alarm that is over and heard, once it can no longer come back as the same one."""
        over = not alarm.active and not alarm.latent and (alarm.heard or not alarm.raised or alarm.phrase.kind == "log")
        if over and not (alarm.phrase.kind == "alarm" and self._chatters(alarm, t)):
            self.alarms.pop(key, None)

    @staticmethod
    def _chatters(alarm: Alarm, t: float) -> bool:
        """Whether it ended only just now: then it is the same alarm, said as its repeats are and not counted again."""
        return alarm.raised and t - alarm.ended_t < REARM_S.get(alarm.phrase.priority, 0.0)

    def hear(self, t: float, code: str | None, text_of: TextOf) -> list[Alert]:
        """The caster acknowledged: silences only what has been spoken (or the one code named)."""
        told: list[Alert] = []
        for key, alarm in list(self.alarms.items()):
            meant = alarm.phrase.code == code if code else alarm.said > 0 or not alarm.active
            if alarm.heard or not meant or not alarm.raised:
                continue
            alarm.heard, alarm.heard_t = True, t
            told.append(self._alert(alarm, t, text_of))
            self._drop(key, alarm, t)
        return told

    def shelve(self, t: float, code: str | None, for_s: float, text_of: TextOf) -> list[Alert]:
        """Shelve the active alarms of one code for a while; 0 s unshelves them.  Raises MarkRejected."""
        priority = check_code(code)
        if priority == 1:
            raise MarkRejected(f"{code} cannot be shelved: it is priority 1")
        if not 0.0 <= for_s <= SHELVED_MOST_S:
            raise MarkRejected(f"shelve_s must be 0 to {SHELVED_MOST_S:.0f}")
        if for_s == 0.0:
            return self._take_off([key for key in self.shelf if key[0] == code], t, text_of)
        raised = [(key, alarm) for key, alarm in self.alarms.items() if key[0] == code and alarm.raised]
        standing = [key for key, alarm in raised if alarm.active or not alarm.heard]
        if not standing:
            raise MarkRejected(f"{code} is not on, so there is nothing to shelve")
        for key in standing:
            self.shelf[key] = t + for_s
        return [self._alert(self.alarms[key], t, text_of) for key in standing]

    def _take_off(self, keys: list[tuple[str, str]], t: float, text_of: TextOf) -> list[Alert]:
        """Unshelve alarms; those still active are to be spoken as if new."""
        told: list[Alert] = []
        for key in keys:
            self.shelf.pop(key)
            alarm = self.alarms.get(key)
            if alarm is None:
                continue
            if alarm.active:
                alarm.heard, alarm.said, alarm.said_since_heard, alarm.unheard_t = False, 0, False, t
            told.append(self._alert(alarm, t, text_of))
        return told

    def _is_about(self, key: tuple[str, str], load: Subject) -> bool:
        alarm = self.alarms.get(key)
        return key[1] == load.pot if alarm is None else alarm.subject.pot == load.pot

    def is_news(self, alert: Alert) -> bool:
        """Whether this alarm has just begun (not a repeat, a `heard` or a shelving)."""
        alarm = self.alarms.get((alert.alert, alert.subject.id))
        begins = alert.active and not alert.heard and alarm is not None and alarm.since_t == alert.t
        return begins and alert.priority <= 2

    def _alert(self, alarm: Alarm, t: float, text_of: TextOf) -> Alert:
        alarm.waits_for = self.before(alarm)
        value, limit, unit = measured(alarm.condition)
        return Alert(
            t=t, alert=alarm.phrase.code, active=alarm.active, heard=alarm.heard, priority=alarm.phrase.priority,
            subject=alarm.subject, value=value, limit=limit, unit=unit, text=text_of(alarm.phrase, [alarm.condition]),
            shelved_until=self.shelf.get((alarm.phrase.code, alarm.subject.id)), waits_for=alarm.waits_for,
        )  # fmt: skip


def _is_event(phrase: Phrase, finding: Finding) -> bool:
    """Whether a finding is an event that lasts no time of its own, so that a second one is news."""
    return phrase.kind == "log" and (phrase.lasts_s > 0.0 or not hasattr(finding, "active"))


def _is_past(alarm: Alarm, t: float) -> bool:
    return 0.0 < alarm.phrase.lasts_s <= t - alarm.condition.t


def check_code(code: str | None) -> int:
    """The priority of an alert's code.  Raises MarkRejected for an unknown code."""
    found = next((p.priority for p in PHRASES if p.code == code and p.kind != "call"), None)
    if found is None:
        known = {p.code for p in PHRASES if p.kind != "call"}
        raise MarkRejected(
            no_such("alert", code, known, "`benchd why` lists them") if code else "say which alert: code=pot-creeping"
        )
    return found


def concerns(ended_by: Subject, alarm: Subject) -> bool:
    """Whether the finding that ends an alarm has the alarm's subject.  No id that both name may differ."""
    for name in ("pot", "cup", "pour", "mold", "channel", "source"):
        ours, theirs = getattr(alarm, name), getattr(ended_by, name)
        if ours is not None and theirs is not None and ours != theirs:
            return False
    return True
