"""`benchd leaktest`: measures how tight an empty pot is, from the running watch or a recording."""

from __future__ import annotations

import argparse
import asyncio
import re
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from benchd.core.bench import Bench, Pot
from benchd.core.engine import Engine
from benchd.core.findings import PotIsolated, PotVented
from benchd.core.format.record import read_recording
from benchd.core.model import Input, Reading
from benchd.core.units import KPA_PER_PSI, shown_pressure
from benchd.errors import BenchdError, Complaint, RecordingError, SettingsError, did_you_mean
from benchd.physics.constants import ZERO_C_K
from benchd.physics.empty_pot import EmptyPot, EmptyPotResult, judge_empty
from benchd.plugins import load_settings, watcher_plan
from benchd.runtime.history.marks import Marked, marks_that_stood
from benchd.runtime.http.running import ask
from benchd.runtime.journal.asked import asked
from benchd.runtime.printing.terminal import Progress, say
from benchd.settings.config_option import add_config

HELP = "test an empty pot for leaks: fill it, shut the inlet, wait; a verdict, the trend, what to look at first"
EXAMPLE = "benchd leaktest barrel -c /etc/benchd/bench.toml"
CAUTIONS = (
    "Empty pot, lid clamped, never above the mark on the pot; keep the relief valve free.",
    "Never tighten a clamp under pressure.  Bleed open, no hiss, dial at zero, then the clamps.",
)
STEPS = "Fill to {target}, leave the air on for three minutes, shut the inlet, then: benchd mark shut pot={pot}"
POLL_S = 0.5
WAIT_FOR_SHUT_S = 1800.0
SMALL = ("relief seat", "gauge thread", "valve stem", "check valve", "quick connect")
LARGE = ("crumb on the gasket", "cut gasket", "uneven clamps", "bleed not quite shut", "quick connect")
NOTE = re.compile(r"leaktest (-?\d+\.\d+) psi/min, ([a-z-]+), tight to (\d+\.\d+)")


@dataclass(slots=True)
class Trial:
    """The observations of the pot: (t, kPa) from before the fill on, when its inlet was shut, the room."""

    samples: list[tuple[float, float]] = field(default_factory=list)
    shut_t: float | None = None
    room_c: float = 20.0

    def add(self, t: float, kpa: float) -> None:
        """Add one pressure sample at t [unix s]."""
        if not self.samples or t > self.samples[-1][0] + 0.2:
            self.samples.append((t, kpa))

    @property
    def minutes(self) -> float:
        """Minutes observed since the inlet was shut."""
        return (self.samples[-1][0] - self.shut_t) / 60.0 if self.samples and self.shut_t is not None else 0.0


class GaveUpError(BenchdError):
    """The test could not be completed; the text says why."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments to its parser."""
    parser.add_argument("pot", metavar="POT", help="the pot's id")
    add_config(parser)
    parser.add_argument("--minutes", type=float, default=10.0, help="how long to watch after the inlet is shut")
    parser.add_argument("--recording", type=Path, metavar="FILE", help="judge a recording instead of the running watch")


def run(args: argparse.Namespace) -> int:
    """Run the command; returns the exit code."""
    loaded = load_settings(args.config)
    pot, unit = chosen(loaded.bench, args.pot, args.config), loaded.bench.pressure_unit
    if args.recording is not None:
        trial = from_recording(args.recording, pot.id)
    else:
        steps = STEPS.format(target=shown_pressure(pot.target_kpa, unit), pot=pot.id)
        say(*CAUTIONS, *steps.split("\n"))
        with Progress() as progress:
            trial = from_watch(loaded.bench, pot, args.minutes, lambda now: progress.show(_shown(now, unit)))
    result = judged(loaded.bench, pot, trial)
    past = asyncio.run(history(loaded.journal_path, pot.id)) if loaded.journal_path.exists() else []
    say(*told(pot, result, past))
    if args.recording is None:
        ask("POST", "/api/v0/marks", {"verb": "note", "pot": pot.id, "text": note(result), "by": "cli:leaktest"})
    return 0


def chosen(bench: Bench, id: str, path: Path) -> Pot:
    """The pot with this id.  Raises SettingsError naming the existing ones."""
    pot = bench.pot(id.lower())
    if pot is None:
        ids = [p.id for p in bench.pots]
        raise SettingsError(Complaint(str(path), "pot", f'no pot "{id}"', did_you_mean(id, ids) or f"have {ids}"))
    return pot


# ---------------------------------------------------------------------------------------------------------- the samples


def from_watch(bench: Bench, pot: Pot, minutes: float, progress: Callable[[Trial], None]) -> Trial:
    """Follow the running watch until `minutes` after the inlet was shut.  Raises GaveUpError, NoDaemonError."""
    trial, began_s = Trial(), time.monotonic()
    while trial.minutes < minutes:
        _, state = ask("GET", "/api/v0/state")
        _take(trial, bench, pot, state)
        progress(trial)
        rate = max(1.0, float(state.get("rate", 1.0)))
        if trial.shut_t is None and (time.monotonic() - began_s) * rate > WAIT_FOR_SHUT_S:
            raise GaveUpError(f"{pot.name}: its inlet was not shut within half an hour; say so: benchd mark shut")
        if trial.shut_t is not None and trial.samples[-1][1] < 0.5 * pot.floor_kpa:
            break
        time.sleep(POLL_S / rate)
    return trial


def _take(trial: Trial, bench: Bench, pot: Pot, state: dict[str, Any]) -> None:
    for reading in state["readings"]:
        value = reading["value"]
        if reading["quality"] != "good" or value is None:
            continue
        if reading["role"] == "pot_pressure" and reading["of"] == pot.id:
            trial.add(float(reading["t"]), float(value))
        elif reading["role"] == "room_temperature":
            trial.room_c = float(value)
    card: dict[str, Any] = next((c for c in state["cards"] if (c["of"], c["id"]) == ("pot", pot.id)), {})
    if card.get("phase") == "isolated" and trial.shut_t is None and trial.samples:
        trial.shut_t = trial.samples[-1][0]
    elif card.get("phase") == "fed":
        trial.shut_t = None


def from_recording(path: Path, pot: str) -> Trial:
    """The last stretch in which a recording shows this pot shut, up to its vent or the end.  Raises RecordingError."""
    try:
        with open(path, encoding="utf-8", errors="surrogateescape") as lines:
            return _replayed(read_recording(lines), pot)
    except OSError as error:
        raise RecordingError(f"{path}: {error.strerror or error}") from error


def _replayed(items: Iterable[Input], pot: str) -> Trial:
    engine, trial, is_over = Engine(watcher_plan), Trial(), False
    for item in items:
        for effect in engine.step(item):
            match effect:
                case Reading(role="pot_pressure", value=float(kpa)) if effect.of == pot and not is_over:
                    trial.add(effect.t, kpa)
                case Reading(role="room_temperature", value=float(room_c)):
                    trial.room_c = room_c
                case PotIsolated() if effect.subject.pot == pot and not is_over:
                    trial.shut_t = effect.since
                case PotVented() if effect.subject.pot == pot and trial.shut_t is not None:
                    is_over = True
    return trial


def _shown(trial: Trial, unit: str) -> str:
    """How far the test has come: the gauge's reading, and the minutes since the inlet was shut."""
    kpa = trial.samples[-1][1] if trial.samples else 0.0
    what = "waiting for the inlet to be shut" if trial.shut_t is None else f"{trial.minutes:.1f} min"
    return f"{shown_pressure(kpa, unit)}, {what}"


# ---------------------------------------------------------------------------------------------------------- the verdict


def judged(bench: Bench, pot: Pot, trial: Trial) -> EmptyPotResult:
    """The verdict.  Raises GaveUpError when there is too little to judge."""
    if trial.shut_t is None:
        raise GaveUpError(f"{pot.name}: no shut inlet was seen; mark it: benchd mark shut pot={pot.id}")
    shut_t = trial.shut_t
    top = max((kpa for t, kpa in trial.samples if t <= shut_t + 30.0), default=0.0)
    if top < 0.5 * pot.target_kpa:
        raise GaveUpError(f"{pot.name} stood at {shown_pressure(top, 'psi')} at most: fill it to its target to test it")
    gauge = next((c for c in bench.channels if c.role == "pot_pressure" and c.of == pot.id), None)
    empty = EmptyPot(
        target_kpa=pot.target_kpa, p_atm_kpa=bench.p_atm_kpa, free_l=pot.volume_l, room_k=trial.room_c + ZERO_C_K,
        resolution_kpa=(gauge.resolution if gauge else None) or 0.0,
    )  # fmt: skip
    from_t = next((t for t, kpa in trial.samples if kpa > 0.05 * pot.target_kpa), trial.samples[0][0]) - 5.0
    end_t = next((t for t, kpa in trial.samples if t > shut_t + 30.0 and kpa < 0.4 * top), trial.samples[-1][0] + 1.0)
    result = judge_empty(empty, [s for s in trial.samples if from_t <= s[0] < end_t], shut_t)
    if result is None:
        raise GaveUpError(f"{pot.name}: watched for {trial.minutes:.1f} min only; ten minutes tell most")
    return result


def note(result: EmptyPotResult) -> str:
    """The result of a test as the text of a note mark."""
    v = result.verdict
    rate, tight = v.kpa_per_min / KPA_PER_PSI, v.tight_to_kpa_min / KPA_PER_PSI
    return f"leaktest {rate:.3f} psi/min, {v.word}, tight to {tight:.2f}"


def told(pot: Pot, result: EmptyPotResult, past: Sequence[tuple[float, float, str]]) -> list[str]:
    """The verdict for a person, the trend, and where to look first."""
    v, psi = result.verdict, KPA_PER_PSI
    rate, doubt, tight = v.kpa_per_min / psi, 2.0 * v.sd_kpa_per_min / psi, v.tight_to_kpa_min / psi
    minutes = f"{result.minutes:.0f} min"
    leaks = v.word in ("slow", "fast")
    if leaks:
        lines = [
            f"{pot.name} leaks {rate:.2f} psi/min ({max(0.0, rate - doubt):.2f} to {rate + doubt:.2f}) at target, "
            f"like a hole of {result.hole_mm:.2f} mm; {minutes} watched.",
            "Look first at: " + ", ".join(LARGE if v.word == "fast" or rate > 1.0 else SMALL) + ". Pot vented first.",
        ]
    elif v.word == "tight-to":
        lines = [f"{pot.name}: no leak above {tight:.2f} psi/min was seen in {minutes}. Smaller ones would not show."]
    else:
        lines = [f"{pot.name}: can't tell after {minutes}: {v.why}. What would have shown: {tight:.2f} psi/min."]
    return [*lines, *trend(rate, past)]


def trend(rate_psi_min: float, past: Sequence[tuple[float, float, str]]) -> list[str]:
    """This test compared with the past ones (t, psi/min, word), oldest first."""
    if not past:
        return ["First test of this pot on record."]
    days = [f"{time.strftime('%Y-%m-%d', time.localtime(t))} {rate:+.2f}" for t, rate, _ in past[-6:]]
    lines = [f"Before (psi/min): {', '.join(days)}; now {rate_psi_min:+.2f}."]
    usual = sorted(rate for _, rate, _ in past[-6:])[len(past[-6:]) // 2]
    if rate_psi_min > usual + 0.1:
        lines.append("It leaks more than it used to.")
    return lines


async def history(path: Path, pot: str) -> list[tuple[float, float, str]]:
    """Past tests of a pot from the journal's note marks, oldest first; none when it cannot be read."""
    none: Marked = []
    marks = await asked(path, partial(marks_that_stood, since_t=0.0), none)
    found = [(t, NOTE.search(str(mark.get("text")))) for t, mark in marks if mark.get("pot") == pot]
    return [(t, float(match[1]), match[2]) for t, match in found if match]
