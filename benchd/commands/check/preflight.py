"""The questions and answers of `benchd check --before-pour`: whether the bench is ready to be watched through a pour.

Each answer is what a sensor or the caster said, with what it cannot show; the last line names what is not watched. The
caster decides whether to pour.
"""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from benchd.commands.check.day_notes import DayNotes, Tested
from benchd.core.bench import Bench, Cup, Pot
from benchd.core.casting.facts import NEAR_ZERO_KPA
from benchd.core.units import KPA_PER_PSI, shown_pressure
from benchd.physics.humid_air import co2_volume_ml, compressed_rh_pct, dew_point_c, water_in_pot_mg
from benchd.reports.plain import hour_of
from benchd.runtime.http.running import ask
from benchd.shelf.remains import is_past

FRESH_S = 15.0  # common practice, no source: an older reading does not count
SUPPLY_OVER_KPA = 10.0 * KPA_PER_PSI  # common practice: a regulator needs this much more than its outlet
CLOCK_S = 2.0  # common practice: a pour is counted in seconds
DISK_BYTES = 200 * 2**20  # a year takes 500 MB: this lasts for months
LOT_DAYS = 30.0  # common practice: 30 days once opened
ECHO_WITHIN_S = 20.0
KICK_EVERY_S = 5.0  # the slowest probe a three-minute kick can be dated by; as the kick watcher's slow_probe_s

Word = Literal["yes", "look", "not watched"]


@dataclass(frozen=True, slots=True)
class Answer:
    """One question's answer: `what` is short for the question, with the answer's word."""

    what: str
    word: Word
    why: str

    @property
    def line(self) -> str:
        """The answer as printed."""
        return f"{self.word:<11} {self.what}: {self.why}"


@dataclass(frozen=True, slots=True)
class Typed:
    """What only the caster knows; None where not given."""

    mask_h: float | None = None
    cartridge_h: float | None = None
    relief_lifted: bool | None = None
    drained: bool | None = None


def answers(
    bench: Bench, state: Mapping[str, Any], typed: Typed, journal: Path, now_t: float, said: DayNotes | None = None
) -> list[Answer]:
    """All answers but the phone's, from the daemon's state, what was typed, and what was noted today."""
    seen = _Seen(state)
    out = [answer for pot in bench.pots for answer in _pot(bench, pot, seen)]
    out += [_cup(bench, cup, seen) for cup in bench.cups]
    out += [_molds(bench, seen), *_room(bench, seen), _lots(bench, now_t), _clock(state, now_t), _disk(journal)]
    return [*out, *_typed(typed, said or DayNotes(), bench), *_tests(bench, said or DayNotes())]


class _Seen:
    """Fresh readings of the daemon's state, by role and whose."""

    def __init__(self, state: Mapping[str, Any]) -> None:
        now = float(state["now"])
        self.fresh = {
            (r["role"], r["of"]): float(r["value"])
            for r in state["readings"]
            if r["quality"] == "good" and r["value"] is not None and now - float(r["t"]) <= FRESH_S
        }

    def value(self, role: str, of: str = "") -> float | None:
        return self.fresh.get((role, of))


def _pot(bench: Bench, pot: Pot, seen: _Seen) -> list[Answer]:
    kpa = seen.value("pot_pressure", pot.id)
    if kpa is None:
        return [Answer(pot.name, "not watched", "its gauge is silent: watch the dial")]
    reads = shown_pressure(kpa, bench.pressure_unit)
    zero = abs(kpa) < NEAR_ZERO_KPA
    why = f"gauge reads {reads}" + (
        "; the bleed must stand open, only dial and hiss show it" if zero else ", not near zero: look at dial and bleed"
    )
    out = [Answer(pot.name, "yes" if zero else "look", why)]
    out.append(Answer("gauge tap", "not watched", "a clogged tap shows only when the pot fills"))
    tank = seen.value("tank_pressure")
    if tank is None:
        return [*out, Answer("supply", "not watched", "no tank gauge: look at the compressor's")]
    enough = tank >= pot.target_kpa + SUPPLY_OVER_KPA
    has, needs = (shown_pressure(k, bench.pressure_unit) for k in (tank, pot.target_kpa))
    why = f"tank {has}, target {needs}"
    return [*out, Answer("supply", "yes" if enough else "look", why)]


def _cup(bench: Bench, cup: Cup, seen: _Seen) -> Answer:
    name, temp_c, room_c = cup.name, seen.value("cup_temperature", cup.id), seen.value("room_temperature")
    if temp_c is None:
        return Answer(name, "not watched", "its probe is silent: use the timer")
    probes = (c for c in bench.channels if c.role == "cup_temperature" and c.of == cup.id)
    every_s = min((c.period_s for c in probes), default=0.0)
    if every_s > KICK_EVERY_S:
        why = f"one reading in {every_s:.3g} s is too slow for a kick: {KICK_EVERY_S:.0f} s at most"
        return Answer(name, "look", why)
    if room_c is not None and abs(temp_c - room_c) > 10.0:
        return Answer(name, "look", f"probe {temp_c:.1f} C in a room of {room_c:.1f} C: still in the last cup?")
    return Answer(name, "yes", f"probe alive, {temp_c:.1f} C")


def _molds(bench: Bench, seen: _Seen) -> Answer:
    warm = {m.code: t for m in bench.molds if (t := seen.value("mold_temperature", m.id)) is not None}
    if not warm:
        return Answer("molds", "not watched", "no probe in them: type mold_c with the mix mark")
    cold = [code for code, temp_c in warm.items() if temp_c < 20.0]
    why = ", ".join(f"{code} {temp_c:.0f} C" for code, temp_c in warm.items())
    dew_c = _dew_c(seen)
    wet = [code for code, temp_c in warm.items() if dew_c is not None and temp_c < dew_c]
    if wet and dew_c is not None:
        why += f"; {', '.join(wet)} below the room's dew point of {dew_c:.0f} C: warm and dry first"
    return Answer("molds", "look" if cold or wet else "yes", why)


def _dew_c(seen: _Seen) -> float | None:
    room_c, rh_pct = seen.value("room_temperature"), seen.value("room_humidity")
    return None if room_c is None or rh_pct is None else dew_point_c(room_c, min(max(rh_pct, 0.0), 100.0))


def _room(bench: Bench, seen: _Seen) -> list[Answer]:
    room_c, rh_pct = seen.value("room_temperature"), seen.value("room_humidity")
    if room_c is None or rh_pct is None:
        return [Answer("room", "not watched", "temperature or humidity is not measured")]
    rh_pct = min(max(rh_pct, 0.0), 100.0)
    out = [Answer("room", "yes" if rh_pct <= 50.0 else "look", f"{room_c:.1f} C, {rh_pct:.0f} %RH")]
    for pot in bench.pots:
        atm_pa = 1e3 * bench.p_atm_kpa
        pot_pct = compressed_rh_pct(room_c, rh_pct, room_c, 1e3 * pot.target_kpa, atm_pa)
        _, wet_mg = water_in_pot_mg(pot.free_l, room_c, pot_pct)
        gas_ml = co2_volume_ml(wet_mg, room_c, atm_pa)
        if wet_mg > 0.0:
            why = f"undried, a fill may leave about {_about(wet_mg)} mg of water, {_about(gas_ml)} ml of gas at most"
            out.append(Answer(f"{pot.name}'s air", "look", why))
    return out


def _about(value: float) -> str:
    """The value with one digit: only an order of magnitude is known."""
    return f"{float(f'{value:.0e}'):g}"


def _lots(bench: Bench, now_t: float) -> Answer:
    old = [x.code for x in bench.lots if x.opened is not None and now_t - x.opened > LOT_DAYS * 86_400.0]
    past = [x.code for x in bench.lots if is_past(x, now_t)]
    if not bench.lots:
        return Answer("lots", "not watched", "none on the shelf")
    why = f"{', '.join(old)} opened over {LOT_DAYS:.0f} days ago" if old else ", ".join(x.code for x in bench.lots)
    if past:
        why = f"{', '.join(past)} past the shelf end; {why}"
    return Answer("lots", "look" if old or past else "yes", why)


def _clock(state: Mapping[str, Any], now_t: float) -> Answer:
    off_s = float(state["now"]) - now_t
    if float(state.get("rate", 1.0)) != 1.0:
        return Answer("clock", "look", f"the bench runs {state['rate']:g} times faster than life")
    return Answer("clock", "yes" if abs(off_s) <= CLOCK_S else "look", f"{off_s:+.1f} s from this machine's")


def _disk(journal: Path) -> Answer:
    folder = next(parent for parent in journal.absolute().parents if parent.exists())
    free = shutil.disk_usage(folder).free
    return Answer("disk", "yes" if free >= DISK_BYTES else "look", f"{free / 2**30:.1f} GB free for the journal")


def _typed(typed: Typed, said: DayNotes, bench: Bench) -> list[Answer]:
    """Answers that only the caster can give: typed now, else noted today."""
    out = []
    for what, hours, note in (("mask", typed.mask_h, said.mask), ("cartridges", typed.cartridge_h, said.cartridges)):
        if hours is not None:
            out.append(Answer(what, "yes", f"{hours:g} h, you say"))
        elif note is not None:
            out.append(Answer(what, "yes", f"{note[0]:g} h, noted {hour_of(bench, note[1])}"))
        else:
            out.append(Answer(what, "not watched", "not said"))
    return [
        *out,
        _done(bench, "relief", "lifted", typed.relief_lifted, said.relief_t, "lift it by hand each day"),
        _done(bench, "tank water", "drained", typed.drained, said.drained_t, "drain it each day"),
    ]


def _done(bench: Bench, what: str, done: str, typed: bool | None, note_t: float | None, remedy: str) -> Answer:
    if typed is not None:
        return Answer(what, "yes" if typed else "look", f"{'' if typed else 'not '}{done} today, you say")
    if note_t is not None:
        return Answer(what, "yes", f"{done} today at {hour_of(bench, note_t)}, by note or gauge")
    return Answer(what, "not watched", f"not said: {remedy}")


def _tests(bench: Bench, said: DayNotes) -> list[Answer]:
    """Each pot's newest leak test; one from another day does not count today."""
    return [_tested(bench, pot, said.tests.get(pot.id), said.since_t) for pot in bench.pots]


def _tested(bench: Bench, pot: Pot, test: Tested | None, since_t: float) -> Answer:
    what = f"{pot.name}'s leak test"
    if test is None:
        return Answer(what, "not watched", f"none on record: benchd leaktest {pot.id}")
    tight = test.word == "tight-to"
    found = f"tight to {test.tight_psi_min:.2f} psi/min" if tight else f"{test.word}, {test.psi_min:.2f} psi/min"
    if test.t < since_t:
        days = int((since_t - test.t) // 86_400.0) + 1
        return Answer(what, "not watched", f"none today; {days} day{'s' if days > 1 else ''} ago {found}")
    return Answer(what, "yes" if tight else "look", f"{found} at {hour_of(bench, test.t)}")


def notes(typed: Typed) -> list[str]:
    """The typed answers as texts of note marks."""
    out = [f"mask {typed.mask_h:g} h"] if typed.mask_h is not None else []
    out += [f"cartridges {typed.cartridge_h:g} h"] if typed.cartridge_h is not None else []
    out += ["relief lifted"] if typed.relief_lifted else []
    return out + (["tank drained"] if typed.drained else [])


def last_line(found: Sequence[Answer]) -> str:
    """The one line that is spoken: what is not watched."""
    names = [a.what for a in found if a.word == "not watched"]
    return "Not watched: " + ", ".join([*names, "lids, clamps, bleed, your breath"]) + ". Go is yours to say."


# ----------------------------------------------------------------------------------------------------------- the phone


def heard_count(state: Mapping[str, Any]) -> int:
    """How many `heard` marks the daemon has received from senders other than this command."""
    return int(state["health"].get("heard", 0))


def phone(within_s: float, wait: Callable[[float], None] = time.sleep) -> Answer:
    """Have the last words spoken again and wait for a press of "heard": a person's, not a broker's, confirmation."""
    before = heard_count(ask("GET", "/api/v0/state")[1])
    ask("POST", "/api/v0/marks", {"verb": "repeat", "by": "cli:check"})
    left_s = within_s
    while left_s > 0.0:
        if heard_count(ask("GET", "/api/v0/state")[1]) > before:
            return Answer("phone", "yes", "answered")
        wait(0.5)
        left_s -= 0.5
    return Answer("phone", "not watched", f"no press of heard within {within_s:.0f} s")
