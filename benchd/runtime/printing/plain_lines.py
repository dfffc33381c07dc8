"""Formats effects as single plain lines.

    11:23:17 +03:07 !! "Pressure late. Kick in 20 s."

Bench time of day, the mix clock of the pour concerned, then what was said (quoted), an alert's change or a finding.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, tzinfo

from benchd.core.findings import (
    DemoldReady,
    Effect,
    Finding,
    HoldComplete,
    Kicked,
    KickForecast,
    LoadClosed,
    LoadOpened,
    MoldPoured,
    PotAtPressure,
    PotIsolated,
    PotVented,
    PourEnded,
    PourStarted,
    SensorBack,
    SensorFault,
    SensorSilent,
    WatcherFailed,
)
from benchd.core.model import Alert, MarkAnswer, Subject, Utterance
from benchd.runtime.printing.finding_words import FindingWords, Names
from benchd.runtime.printing.terminal import BOLD, DIM, PLAIN, RED, YELLOW, painted

FORECAST_EVERY_S = 15.0
POUR_LIVES_S = 12 * 3600.0  # the books end a pour by then; a log without its end may still hold it
AT_ONCE = (
    PourStarted, KickForecast, Kicked, PotAtPressure, PotVented, MoldPoured, DemoldReady, LoadClosed, LoadOpened,
    SensorSilent, SensorFault, SensorBack, WatcherFailed, PourEnded, PotIsolated, HoldComplete,
)  # fmt: skip
"""The findings a person wants to see as they happen."""


@dataclass(frozen=True, slots=True)
class Style:
    """The format of lines: units, time zone (None: the system's), findings included or only words and alerts, names."""

    pressure: str = "psi"
    temperature: str = "C"
    zone: tzinfo | None = None
    colored: bool = False
    findings: bool = True
    every: bool = False
    """All kinds of findings, as in the log; else those that matter while they happen."""
    names: Names = field(default_factory=dict)


class PlainLines:
    """Lines from effects; remembers when each pour was mixed."""

    def __init__(self, style: Style) -> None:
        self._style = style
        self._mixed: dict[str, tuple[float, Subject]] = {}
        self._forecast_t: dict[str, float] = {}
        self._words = FindingWords(style.pressure, style.temperature, self._clock, style.names)

    def line(self, effect: Effect) -> str | None:
        """The line for one effect, None when there is nothing to print."""
        match effect:
            case Utterance():
                sign, color = {1: ("!!", RED), 2: ("! ", YELLOW)}.get(effect.priority, ("  ", BOLD))
                return self._set(effect.t, effect.subject, sign, f'"{effect.say}"', color)
            case Alert():
                state = ("on" if effect.active else "over") + (", heard" if effect.heard else "")
                text = f"{effect.alert} {subject_name(effect.subject, self._style.names)} {state}" + (
                    f": {effect.text}" if effect.text and effect.active else ""
                )
                return self._set(effect.t, effect.subject, "* ", text, PLAIN)
            case MarkAnswer():
                return self._set(effect.t, None, "> ", self._answer(effect), PLAIN)
            case Finding():
                return self._finding(effect)
        return None

    def _answer(self, answer: MarkAnswer) -> str:
        text = f"{answer.verb} {'taken' if answer.ok else 'refused'}"
        return text + (f": {answer.why}" if answer.why else "")

    def _finding(self, finding: Finding) -> str | None:
        if isinstance(finding, PourStarted) and finding.subject.pour:
            self._mixed[finding.subject.pour] = (finding.mix_t, finding.subject)
        text = self._text(finding) if self._style.findings else None
        line = None if text is None else self._set(finding.t, finding.subject, "- ", text, DIM)
        if isinstance(finding, PourEnded):
            self._mixed.pop(finding.subject.pour or "", None)
        return line

    def _text(self, finding: Finding) -> str | None:
        if isinstance(finding, KickForecast) and not self._is_due(finding):
            return None
        return self._words(finding) if self._style.every or isinstance(finding, AT_ONCE) else None

    def _is_due(self, finding: KickForecast) -> bool:
        """Whether a forecast may be printed: a moving one must not flood the terminal."""
        cup = finding.subject.cup or ""
        if finding.t - self._forecast_t.get(cup, float("-inf")) < FORECAST_EVERY_S:
            return False
        self._forecast_t[cup] = finding.t
        return True

    def _clock(self, t: float, subject: Subject) -> str:
        """A time on the mix clock where the pour is known, else the time of day."""
        mixed_t = self._mix_t(subject)
        return self._time_of_day(t) if mixed_t is None else mix_clock(t - mixed_t)

    def _mix_t(self, subject: Subject | None) -> float | None:
        """When the subject's pour was mixed: the pour it names, else the one in its cup."""
        if subject is None:
            return None
        if subject.pour in self._mixed:
            return self._mixed[subject.pour][0]
        of_cup = [t for t, pour in self._mixed.values() if subject.cup in (None, pour.cup)]
        return max(of_cup, default=None)

    def _time_of_day(self, t: float) -> str:
        return datetime.fromtimestamp(t, self._style.zone).strftime("%H:%M:%S")

    def _set(self, t: float, subject: Subject | None, sign: str, text: str, color: str) -> str:
        mixed_t = self._mix_t(subject)
        mixed_t = None if mixed_t is None or t - mixed_t > POUR_LIVES_S else mixed_t
        since = "      " if mixed_t is None else f"{mix_clock(t - mixed_t):>6}"
        paint = color if self._style.colored else PLAIN
        return painted(f"{sign} {text}", paint, before=f"{self._time_of_day(t)} {since} ")


def subject_name(subject: Subject, names: Names) -> str:
    """What an alert is about, as people call it: a mold's code, a pot's or cup's name, else an id."""
    kind = next((key for key in ("channel", "source", "mold", "cup", "pot") if getattr(subject, key)), "")
    return subject.id.upper() if kind == "mold" else names.get((kind, subject.id), subject.id)


def mix_clock(since_s: float) -> str:
    """Time since the mix as +mm:ss, truncated like a stopwatch (-mm:ss before the mix)."""
    minutes, seconds = divmod(int(abs(since_s)), 60)
    return f"{'-' if since_s < 0 else '+'}{minutes:02d}:{seconds:02d}"
