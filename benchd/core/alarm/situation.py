"""What is known of a finding's pour and load, and the situations that phrases wait for."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from benchd.core.findings import Finding
from benchd.core.model import Subject


@dataclass(frozen=True, slots=True)
class Situation:
    """What the alert stage knows of the subject's pour and load when it decides whether a phrase applies.

    mid_pour: a cup is between mix and its pot's pressure; loaded: a pot is closed; pressurised: the subject's pot reads
    or last read above 1 psi; at_floor: it reads its floor or more now, whether or not that has lasted; doubted: its
    gauge hardly moves; gelled: its load's hold is complete, or would be had it been at pressure; rising: air is coming
    into it; lost: the mold had not gelled when its pressure went; blind: what takes the place of the probes of a board
    that are needed now ("dial" of a pot, "timer" of a cup).
    """

    pour_phase: str | None = None
    load_phase: str | None = None
    role: str | None = None
    mid_pour: bool = False
    loaded: bool = False
    pouring: bool = False
    filling: bool = False
    at_pressure: bool = False
    at_floor: bool = False
    pressurised: bool = False
    gelled: bool = False
    kicked: bool = False
    odd: str | None = None
    lost: bool = False
    rising: bool = False
    doubted: bool = False
    blind: tuple[str, ...] = ()


SituationOf = Callable[[Finding], Situation]


def _value(finding: Finding, name: str) -> Any:
    return getattr(finding, name, None)


def _notice(what: str) -> Callable[[Finding, Situation], bool]:
    return lambda finding, _: _value(finding, "what") == what


def _stage(stage: str) -> Callable[[Finding, Situation], bool]:
    return lambda finding, _: _value(finding, "stage") == stage


def needs_pot(now: Situation) -> bool:
    """Whether the gauge of a pot in this situation is needed."""
    return now.load_phase is not None or now.mid_pour or now.pressurised


def needs_cup(now: Situation) -> bool:
    """Whether the probe of a cup in this situation is needed."""
    return now.pour_phase in ("mixing", "pouring", "standing")


def _pot_needed(finding: Finding, now: Situation) -> bool:
    return now.role == "pot_pressure" and needs_pot(now) and not _value(finding, "board")


def _cup_needed(finding: Finding, now: Situation) -> bool:
    return now.role == "cup_temperature" and needs_cup(now) and not _value(finding, "board")


def _not_needed(finding: Finding, now: Situation) -> bool:
    return not _pot_needed(finding, now) and not _cup_needed(finding, now) and not _value(finding, "board")


def _is_unpressed(now: Situation) -> bool:
    return not now.pouring and not now.filling and not now.at_pressure and now.load_phase is None


def _is_down(finding: Finding) -> bool:
    return str(_value(finding, "why")).endswith(" gone")  # then the notice of its source says so


def _step(what: str) -> Callable[[Finding, Situation], bool]:
    return lambda finding, _: _value(finding, "what") == what


DUE = ("green", "hard")
"""Stages of a part's due call; what has to be known of it is said with that, once."""

PREDICATES: dict[str, Callable[[Finding, Situation], bool]] = {
    "always": lambda f, s: True,
    "is_active": lambda f, s: bool(_value(f, "active")),
    "before_a_load": lambda f, s: bool(_value(f, "active")) and not s.loaded,
    "damper_before_a_load": lambda f, s: bool(_value(f, "active")) and not _value(f, "eased") and not s.loaded,
    "too_much_b": lambda f, s: _value(f, "side") == "too-much-b" and not s.mid_pour,
    "too_little_b": lambda f, s: _value(f, "side") == "too-little-b" and not s.mid_pour,
    "pot_needed": _pot_needed,
    "cup_needed": _cup_needed,
    "not_needed": _not_needed,
    "board_needed": lambda f, s: bool(s.blind),
    "board_silent": lambda f, s: not s.blind and not _is_down(f),
    "source_not_needed": lambda f, s: _notice("source")(f, s) and not s.blind,
    "about_a_pot": lambda f, s: f.subject.pot is not None and f.subject.cup is None,
    "not_about_a_pot": lambda f, s: f.subject.pot is None or f.subject.cup is not None,
    "pouring": lambda f, s: s.pouring and not s.filling and not s.at_pressure,
    "fast_before_gel": lambda f, s: _value(f, "verdict") == "fast" and not s.gelled,
    "slow": lambda f, s: _value(f, "verdict") == "slow",
    "a_marked_pour": lambda f, s: not _value(f, "inferred"),
    "before_gel": lambda f, s: not s.gelled,
    "low_before_gel": lambda f, s: not s.gelled and not s.rising,
    "before_hold": lambda f, s: bool(_value(f, "before_hold_complete")) and not s.gelled,
    "below_target": lambda f, s: _value(f, "reached") == "floor",
    "found_up": lambda f, s: _value(f, "reached") == "unseen",
    "to_be_shut": lambda f, s: _value(f, "hold") != "fed" and not _value(f, "settles_low"),
    "to_be_fed": lambda f, s: _value(f, "hold") == "fed",
    "settles_low": lambda f, s: _value(f, "hold") != "fed" and bool(_value(f, "settles_low")),
    "kick_while_filling": lambda f, s: s.filling and not s.at_pressure and not s.at_floor and not s.doubted,
    "kick_before_lid": lambda f, s: _is_unpressed(s) and not s.doubted,
    "kick_unread": lambda f, s: s.doubted and not s.pouring and not s.at_pressure,
    "kick_after_pressure": lambda f, s: s.at_pressure or (s.filling and s.at_floor),
    "near_zero": lambda f, s: bool(_value(f, "near_zero")),
    "stage_green": _stage("green"),
    "stage_going_hard": _stage("going-hard"),
    "stage_test": _stage("test"),
    "stage_hard": _stage("hard"),
    **{f"step_{what}": _step(what) for what in ("dry", "spray", "talc", "warm", "weigh", "tank")},
    "prep_later": lambda f, s: _value(f, "why") == "later",
    "prep_changed": lambda f, s: _value(f, "why") == "changed",
    "hold_was_lost": lambda f, s: s.lost and _value(f, "stage") in DUE,
    "cup_ran_odd": lambda f, s: s.odd is not None and _value(f, "stage") in DUE,
    "notice_journal": _notice("journal"),
    "notice_journal_changed": _notice("journal-changed"),
    "notice_listener": _notice("listener"),
    "notice_contested": _notice("contested"),
    "notice_unchecked": _notice("unchecked-lines"),
    "notice_lines": _notice("lines"),
    "notice_reset": _notice("board-reset"),
    "notice_gap": _notice("gap"),
    "notice_clock": _notice("clock"),
}


NOTICES = frozenset(name for name in PREDICATES if name.startswith(("notice_", "source_")))
"""The predicates that check the subject of a bench_notice."""


def once_a_subject(situation_of: SituationOf) -> SituationOf:
    """The same answers while nothing happens: most conditions of a moment are of the same few pots and cups.

    A source's depends on the finding, too: which of its probes are gone.
    """
    known: dict[Subject, Situation] = {}

    def situation(finding: Finding) -> Situation:
        about = finding.subject
        if about.source is not None:
            return situation_of(finding)
        if about not in known:
            known[about] = situation_of(finding)
        return known[about]

    return situation
