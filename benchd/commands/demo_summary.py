"""What did the demo show?  Gathers what was found and said, and sets it beside the simulation's own truth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from benchd.core.model import (
    Alert,
    DemoldReady,
    Effect,
    HoldComplete,
    Kicked,
    KickForecast,
    PotAtPressure,
    PotVented,
    PourStarted,
    Utterance,
)
from benchd.core.units import shown_pressure
from benchd.rehearsal.rehearsal import Truth


@dataclass(slots=True)
class Tally:
    """Effects of one demo; `truth` is the rehearsal's."""

    effects: list[Effect] = field(default_factory=list)
    heard: list[str] = field(default_factory=list)
    truth: Truth | None = None
    by_broker: bool = False

    def add(self, effect: Effect) -> None:
        self.effects.append(effect)

    def _of(self, kind: type[Any]) -> list[Any]:
        return [e for e in self.effects if isinstance(e, kind)]

    def summary(self, kept: Path | None) -> str:
        """A few lines for the end of the demo."""
        lines = ["", "What was seen"]
        for started in self._of(PourStarted)[:9]:
            if started.finding == "pour_started":
                lines += self._pour(started)
        alarms = [a.alert for a in self._of(Alert) if a.active and a.priority <= 2]
        lines.append(f"  alarms        {', '.join(dict.fromkeys(alarms)) or 'none'}")
        via = "over the broker" if self.by_broker else "on this console (no broker)"
        said = len(self.heard) if self.by_broker else len(self._of(Utterance))
        lines.append(f"  words heard   {said} {via}")
        if kept is not None:
            lines.append(f"  kept          {kept}")
        lines.append(
            "  All of it is invented; benchd is no safety device: the dial, the relief valve and the SDS rule."
        )
        return "\n".join(lines)

    def _pour(self, started: PourStarted) -> Sequence[str]:
        def clock(t: float | None) -> str:
            return "not seen" if t is None else f"{int(t - started.mix_t) // 60}:{int(t - started.mix_t) % 60:02d}"

        pour, pot = started.subject.pour, started.subject.pot
        kick = next((k for k in self._of(Kicked) if k.subject.pour == pour), None)
        first = next((f for f in self._of(KickForecast) if f.subject.pour == pour), None)
        up = next((u for u in self._of(PotAtPressure) if u.subject.pot == pot and u.t >= started.mix_t), None)
        hold = next((h for h in self._of(HoldComplete) if h.subject.pot == pot and h.t >= started.mix_t), None)
        vent = next((v for v in self._of(PotVented) if v.subject.pot == pot and v.t >= started.mix_t), None)
        ready = [r for r in self._of(DemoldReady) if r.subject.pour == pour]
        lines = [f"  pour {started.number}        {', '.join(m.upper() for m in started.molds) or 'no molds named'}"]
        if first is not None:
            lines.append(
                f"  kick forecast {clock(first.at)} from the label, {clock(first.early)} to {clock(first.late)}"
            )
        lines.append(f"  kick          {clock(kick.at if kick else None)}{self._true_kick()}")
        lines.append(f"  at pressure   {clock(up.since if up else None)}{_margin(up, kick)}")
        lines.append(f"  hold done     {clock(hold.t if hold else None)}{_least(hold)}")
        lines.append(f"  vented        {clock(vent.t if vent else None)}")
        due = "; ".join(f"{r.mold.upper()} {r.stage} {clock(r.t)}" for r in ready)
        return [*lines, f"  due           {due or 'nothing yet'}"]

    def _true_kick(self) -> str:
        pours = self.truth.pours if self.truth is not None else []
        kicks = [p.kick_s - p.mix_s for p in pours if p.kick_s is not None]
        return f" (simulated: {int(kicks[0]) // 60}:{int(kicks[0]) % 60:02d})" if kicks else ""


def _margin(up: PotAtPressure | None, kick: Kicked | None) -> str:
    return "" if up is None or kick is None else f", {kick.at - up.since:.0f} s before the kick"


def _least(hold: HoldComplete | None) -> str:
    if hold is None or hold.min_kpa is None:
        return ""
    return f", never below {shown_pressure(hold.min_kpa, 'psi')} since the kick"
