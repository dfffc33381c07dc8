"""Summarises the demo: collects findings and utterances, and compares them with the simulation's true values."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from benchd.core.bench import Bench
from benchd.core.findings import (
    Effect,
    HoldComplete,
    Kicked,
    KickForecast,
    PotAtPressure,
    PotLeaking,
    PotToppedUp,
    PotVented,
    PourStarted,
)
from benchd.core.model import Alert, Utterance
from benchd.core.units import shown_pressure
from benchd.rehearsal.rehearsal import Truth

CAUTION = "All of it is invented.  benchd is no safety device: the dial, the relief valve and the SDS rule."


@dataclass(slots=True)
class Tally:
    """The effects and typed marks of one demo; `truth` is the rehearsal's, `bench` the settings it ran on."""

    effects: list[Effect] = field(default_factory=list)
    heard: list[str] = field(default_factory=list)
    marks: list[dict[str, Any]] = field(default_factory=list)
    truth: Truth | None = None
    bench: Bench | None = None
    by_broker: bool = False

    def add(self, effect: Effect) -> None:
        """Add one effect."""
        self.effects.append(effect)

    def _of(self, kind: type[Any]) -> list[Any]:
        return [e for e in self.effects if isinstance(e, kind)]

    def _started(self) -> list[PourStarted]:
        return [s for s in self._of(PourStarted) if s.finding == "pour_started"]

    def summary(self, kept: Path | None) -> str:
        """A few lines for the end of the demo."""
        started = self._started()
        lines = ["", "What was seen"]
        for number, pour in enumerate(started):
            following = started[number + 1].mix_t if number + 1 < len(started) else float("inf")
            lines += self._pour(pour, following, self._true_kick(number))
        lines += day_lines(self.bench, self.marks)
        alarms = Counter(a.alert for a in self._of(Alert) if a.active and a.priority <= 2 and not a.heard)
        lines.append(_row("alarms", ", ".join(alarms) or "none"))
        via = "over the broker" if self.by_broker else "on this console (no broker)"
        said = len(self.heard) if self.by_broker else len(self._of(Utterance))
        lines.append(_row("words heard", f"{said} {via}"))
        if kept is not None:
            lines.append(_row("kept", str(kept)))
        return "\n".join([*lines, f"  {CAUTION}"])

    def _pour(self, started: PourStarted, until_t: float, true_kick: str) -> Sequence[str]:
        pour, pot, mix_t = started.subject.pour, started.subject.pot, started.mix_t

        def clock(t: float | None) -> str:
            return "not seen" if t is None else _minutes(t - mix_t)

        def first(kind: type[Any]) -> Any:
            mine = (e for e in self._of(kind) if e.subject.pot == pot and mix_t <= e.t < until_t)
            return next(mine, None)

        kick = next((k for k in self._of(Kicked) if k.subject.pour == pour), None)
        guess = next((f for f in self._of(KickForecast) if f.subject.pour == pour), None)
        up, hold, vent = first(PotAtPressure), first(HoldComplete), first(PotVented)
        lines = [f"  load {started.number}: {', '.join(m.upper() for m in started.molds) or 'no molds named'}"]
        if guess is not None:
            window = f"{clock(guess.early)} to {clock(guess.late)}"
            lines.append(_row("kick forecast", f"{clock(guess.at)} at the mix ({window}), by the {guess.basis}"))
        lines.append(_row("kick", f"{clock(kick.at if kick else None)}{true_kick}"))
        lines.append(_row("at pressure", f"{clock(up.since if up else None)}{_margin(up, kick)}"))
        leaks = [x for x in self._of(PotLeaking) if x.subject.pot == pot and mix_t <= x.t < until_t and x.active]
        if leaks:
            topped = first(PotToppedUp)
            what = (
                f"seen {clock(leaks[0].t)}, like a hole of {leaks[-1].hole_mm:.2f} mm" if leaks[-1].hole_mm else "seen"
            )
            lines.append(_row("leak", what + (f"; topped up {clock(topped.t)}" if topped else "")))
        lines.append(_row("hold done", f"{clock(hold.t if hold else None)}{_least(hold)}"))
        return [*lines, _row("vented", clock(vent.t if vent else None))]

    def _true_kick(self, number: int) -> str:
        pours = self.truth.pours if self.truth is not None else []
        pour = pours[number] if number < len(pours) else None
        return "" if pour is None or pour.kick_s is None else f" (simulated: {_minutes(pour.kick_s - pour.mix_s)})"


def day_lines(bench: Bench | None, marks: Sequence[dict[str, Any]]) -> list[str]:
    """Lines on the parts by grade and where the resin went: parts and gates by their volumes, the rest in the cup."""
    parts = [m for m in marks if m["verb"] == "demolded" and m.get("grade")]
    mixes = [m for m in marks if m["verb"] == "mix" and "a_g" in m and "b_g" in m]
    if bench is None or not parts or not mixes:
        return []
    grades = Counter(str(m["grade"]) for m in parts)
    told = ", ".join(f"{grades[g]} {g}" for g in ("good", "second", "scrap") if grades[g])
    lines = ["  the day", _row("casts", f"{len(parts)} = {told}")]
    lines += [_row("", f"{m['mold']} {m['grade']}: {m['cause']}") for m in parts if m.get("cause")]
    molds, lots = {m.code: m for m in bench.molds}, {x.code: x for x in bench.lots}
    in_parts = in_gates = mixed = cost = 0.0
    for mix in mixes:
        lot = lots[mix["lot"]]
        poured = [molds[code] for code in mix["molds"]]
        mixed_g = float(mix["a_g"]) + float(mix["b_g"])
        in_parts += lot.label.density_cured_g_ml * sum(m.cavity_ml for m in poured)
        in_gates += lot.label.density_cured_g_ml * sum(m.gate_ml + m.reservoir_ml for m in poured)
        mixed += mixed_g
        cost += mixed_g / 1000.0 * (lot.cost_kg or 0.0)
    cup = mixed - in_parts - in_gates
    lines.append(_row("resin", f"{mixed:.0f} g = {in_parts:.0f} parts + {in_gates:.0f} gates + {cup:.0f} cup"))
    return [*lines, _row("cost", f"{cost:.2f}")] if cost else lines


def _row(name: str, text: str) -> str:
    return f"    {name:<14}{text}"


def _minutes(seconds: float) -> str:
    return f"{int(seconds) // 60}:{int(seconds) % 60:02d}"


def _margin(up: PotAtPressure | None, kick: Kicked | None) -> str:
    return "" if up is None or kick is None else f", {kick.at - up.since:.0f} s before the kick"


def _least(hold: HoldComplete | None) -> str:
    if hold is None or hold.min_kpa is None:
        return ""
    return f", never below {shown_pressure(hold.min_kpa, 'psi')} since the kick"
