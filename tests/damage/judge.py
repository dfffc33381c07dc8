"""What did the watch make of a damaged recording, held against the truth and the same recording undamaged?

1. A kick is *kept* if told within 10 % of the time from mix to kick or, where it fell in a hole, with a window that
   covers it; *off* if told elsewhere; *lost* if never told.  The truth is the rehearsal's.
2. At-pressure is *kept* if its `since` lies within 3 s of the undamaged recording's (within the time between two
   readings, where that is longer), or between that and 3 s after the end of a hole about it (and of one that follows
   before the pressure has lasted the five seconds it must), and it was told within 10 s of that; *off* otherwise;
   *lost* if never told.
3. Alerts of priority 1 and 2 that the undamaged recording does not raise are *new*, but the two that say that a probe
   is lost.
4. A decoy is broken by a kick, a load or a new alert.
5. "Board restarted" is false as often as it is told more than the board did.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, TypeVar

from damage.lines import Damaged, Moments
from damage.replay import replayed
from damage.subjects import Subject, subject

from benchd.core.findings import BenchNotice, Effect, Finding, Kicked, LoadClosed, PotAtPressure
from benchd.core.model import Alert, Utterance

BLIND = ("cup-blind", "pot-blind", "board-gone")
KICK_SHARE = 0.10
SINCE_S = 3.0
LASTS_S = 5.0  # at or above the floor, before it is told
TOLD_S = 10.0  # the five seconds it has to last, and the delay of an undecided reading
LATE_SHARE = 0.15  # of the time to kick: a kick told later than that after it is counted apart
MOST_PRIORITY = 2
F = TypeVar("F", bound=Finding)
TELLING = (
    "pour_started", "pour_ended", "load_closed", "load_opened", "kicked", "kick_overdue", "no_cure", "cup_peaked",
    "cup_odd", "label_doubtful", "pot_at_pressure", "pot_not_filling", "sensor_silent", "sensor_fault", "sensor_back",
    "gauge_dropped", "pot_letting_go", "watcher_failed", "pot_venting", "pot_vented", "hold_complete",
    "pot_leaking", "pot_isolated", "pot_below_floor", "pot_jet",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Verdict:
    """kick, at_pressure: "kept", "off", "lost" or "" (none was due); errors: told less true, kick's in % of the time to
    kick, at-pressure's in s; told_late_pct: how long after the kick (or the hole) it was told; false: what a decoy was
    taken for; restarts: false ones told; story: what was told [s since the mix]."""

    kick: str = ""
    kick_error_pct: float | None = None
    told_late_pct: float | None = None
    at_pressure: str = ""
    pressure_error_s: float | None = None
    new_alerts: tuple[str, ...] = ()
    false: tuple[str, ...] = ()
    restarts: int = 0
    story: tuple[str, ...] = ()

    @property
    def is_good(self) -> bool:
        """Nothing lost, nothing off, nothing new, nothing false."""
        is_kept = self.kick in ("", "kept") and self.at_pressure in ("", "kept")
        return is_kept and not self.new_alerts and not self.false and not self.restarts


@dataclass(frozen=True, slots=True)
class Plain:
    """What the undamaged recording gives: codes of its urgent alerts, since when its pot is at pressure [unix s]."""

    alerts: frozenset[str]
    since_t: float | None


@cache
def plain(name: str) -> Plain:
    """The undamaged recording of a subject, replayed once."""
    made = subject(name)
    effects = replayed(made, made.body.lines)
    up = _first(effects, PotAtPressure)
    return Plain(frozenset(_urgent(effects)), None if up is None else up.since)


def judged(name: str, damaged: Damaged, clock: str = "") -> Verdict:
    """The verdict on one subject's damaged lines."""
    made = subject(name)
    return verdict(made, plain(name), replayed(made, damaged.lines, clock), damaged)


def verdict(made: Subject, before: Plain, effects: Sequence[Effect], damaged: Damaged) -> Verdict:
    """The verdict on what was told of a subject."""
    spans = [(made.start_t + a, made.start_t + b) for a, b in damaged.holes]
    new = tuple(c for c in dict.fromkeys(_urgent(effects)) if c not in before.alerts and c not in BLIND)
    story = tuple(_story(made, effects))
    restarts = sum(isinstance(e, BenchNotice) and e.what == "board-reset" for e in effects)
    restarts = max(0, restarts - damaged.resets)
    if made.is_decoy:
        taken = [e.finding for e in effects if isinstance(e, Kicked | LoadClosed)]
        return Verdict(new_alerts=new, false=tuple(dict.fromkeys(taken)), restarts=restarts, story=story)
    kick, error, late = _kick(made, effects, spans)
    pressure, off_s = _pressure(before, effects, spans, max(SINCE_S, damaged.step_s))
    return Verdict(kick, error, late, pressure, off_s, new, (), restarts, story)


def _first(effects: Sequence[Effect], kind: type[F]) -> F | None:
    return next((e for e in effects if isinstance(e, kind)), None)


def _urgent(effects: Sequence[Effect]) -> list[str]:
    return [e.alert for e in effects if isinstance(e, Alert) and e.active and e.priority <= MOST_PRIORITY]


def _kick(
    made: Subject, effects: Sequence[Effect], spans: Sequence[tuple[float, float]]
) -> tuple[str, float | None, float | None]:
    at: Moments = made.body.at
    assert at.kick_s is not None
    true_t, way_s = made.start_t + at.kick_s, at.kick_s - at.mix_s
    told = _first(effects, Kicked)
    if told is None:
        return "lost", None, None
    error = (told.at - true_t) / way_s
    ends = [b for a, b in spans if a <= true_t <= b]
    is_covered = bool(ends) and told.early <= true_t <= told.late
    late = (told.t - max([true_t, *ends])) / way_s
    return "kept" if abs(error) <= KICK_SHARE or is_covered else "off", 100.0 * error, 100.0 * late


def _pressure(
    before: Plain, effects: Sequence[Effect], spans: Sequence[tuple[float, float]], within_s: float
) -> tuple[str, float | None]:
    if before.since_t is None:
        return "", None
    told = _first(effects, PotAtPressure)
    if told is None:
        return "lost", None
    due_t = before.since_t
    latest_t = due_t
    for a, b in sorted(spans):
        if a <= latest_t + LASTS_S <= b + LASTS_S + within_s:
            latest_t = max(latest_t, b)
    latest_t += within_s
    is_kept = due_t - within_s <= told.since <= latest_t and told.t <= latest_t + TOLD_S
    return "kept" if is_kept else "off", told.since - due_t


def _story(made: Subject, effects: Sequence[Effect]) -> list[str]:
    """What was told, for people: findings that tell of the pour, urgent alerts and words, seconds since the mix."""
    zero_t = made.start_t + made.body.at.mix_s
    out = []
    for e in effects:
        if isinstance(e, Finding) and e.finding in TELLING:
            out.append(f"{e.t - zero_t:.1f} {e.finding}{_keys(e, zero_t)}")
        elif isinstance(e, Alert) and e.active and e.priority <= MOST_PRIORITY:
            out.append(f"{e.t - zero_t:.1f} P{e.priority} {e.alert}: {e.text}")
        elif isinstance(e, Utterance):
            out.append(f'{e.t - zero_t:.1f} "{e.say}"')
    return out


def _keys(e: Finding, zero_t: float) -> str:
    shown: dict[str, Callable[[Any], str]] = {
        "at": lambda v: f"at {v - zero_t:.1f}", "early": lambda v: f"early {v - zero_t:.1f}",
        "late": lambda v: f"late {v - zero_t:.1f}", "since": lambda v: f"since {v - zero_t:.1f}",
        "kpa": lambda v: f"{v:.1f} kPa", "kpa_per_min": lambda v: f"{v:.1f} kPa/min", "verdict": str,
        "basis": str, "why": str, "what": str, "temp_c": lambda v: f"{v:.1f} C",
        "active": lambda v: "" if v else "over", "inferred": lambda v: "inferred" if v else "",
    }  # fmt: skip
    parts = [show(getattr(e, k)) for k, show in shown.items() if getattr(e, k, None) is not None]
    return " " + ", ".join(p for p in parts if p) if any(parts) else ""
