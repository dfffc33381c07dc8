"""The newest findings about each open pour, pot and mold, and the cards made from them.

Only the kinds that are used are kept, each under the one subject it is looked up by, so that the memory used is the
same after a thousand loads as after one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from benchd.core.bench import Bench
from benchd.core.casting.load import LoadBook
from benchd.core.casting.pour import Pour, PourBook
from benchd.core.findings import (
    CupProbeSlow,
    DemoldForecast,
    DemoldReady,
    Finding,
    HoldComplete,
    HoldForecast,
    Kicked,
    KickForecast,
    PortClogged,
    PotAtPressure,
    PotFilling,
    PotFloorAhead,
    PotHold,
    PotLeaking,
    PotVented,
    PourEnded,
)
from benchd.core.model import Basis, Card, Reading
from benchd.stored import stored

RISES_S = 6.0  # a fill is published every 5 s while the pressure rises
NEAR_ZERO_KPA = 6.9  # 1 psi: below this a gauge reads "near zero"; common practice, no source

ASKED_OF: Mapping[str, Literal["pour", "pot", "mold"]] = {
    "kicked": "pour", "kick_forecast": "pour", "cup_probe_slow": "pour",
    "pot_filling": "pot", "pot_at_pressure": "pot", "pot_hold": "pot", "pot_leaking": "pot", "pot_floor_ahead": "pot",
    "port_clogged": "pot",
    "hold_forecast": "pot", "hold_complete": "pot", "relief_lifted": "pot",
    "demold_forecast": "mold", "demold_ready": "mold",
}  # fmt: skip
"""finding -> the kind of subject whose newest one is kept."""

SHOWN_STEP_KPA = 1.0  # three times a noise of 0.05 psi; common practice, no source


@stored("facts")
@dataclass(slots=True)
class Facts:
    """Newest finding by (kind, subject), last readings by channel role, and which cards changed."""

    _latest: dict[tuple[str, str], Finding] = field(default_factory=dict)
    _readings: dict[tuple[str, str], Reading] = field(default_factory=dict)
    _cards: dict[tuple[str, str], dict[str, Any]] = field(default_factory=dict)

    def see_reading(self, reading: Reading) -> None:
        """Keep a reading as its role's last."""
        self._readings[(reading.role, reading.of)] = reading

    def see(self, finding: Finding) -> None:
        """Keep a finding if its kind is used; when a pour ends, forget its findings."""
        of = ASKED_OF.get(finding.finding)
        whom = None if of is None else getattr(finding.subject, of)
        if whom is not None:
            self._latest[(finding.finding, whom)] = finding
        if isinstance(finding, PourEnded):
            self._forget(finding.subject.pour)
        if isinstance(finding, PotVented) and not finding.near_zero:  # the gauge is no witness of an open pot
            self._readings.pop(("pot_pressure", finding.subject.pot or ""), None)

    def _forget(self, pour: str | None) -> None:
        """Forget an ended pour and its parts, which nothing looks up any more."""
        self._latest = {
            key: found for key, found in self._latest.items() if ASKED_OF[key[0]] == "pot" or found.subject.pour != pour
        }

    def _forget_ended(self, pours: PourBook) -> None:
        """Forget findings that came after their pour was over."""
        ended = [key for key in self._latest if ASKED_OF[key[0]] == "pour" and key[1] not in pours.open]
        for key in ended:
            del self._latest[key]

    def forget_load(self, pot: str | None) -> None:
        """Forget an ended load's findings, which no longer describe the pot."""
        kinds = (PotFilling, PotAtPressure, PotHold, PotLeaking, PotFloorAhead, PortClogged, HoldForecast, HoldComplete)
        self._latest = {k: f for k, f in self._latest.items() if not (k[1] == pot and isinstance(f, kinds))}

    def last(self, kind: str, whom: str | None) -> Finding | None:
        """The newest finding of a kind about a pour, pot or mold.  Raises KeyError for a kind that is not kept."""
        ASKED_OF[kind]
        return self._latest.get((kind, whom or ""))

    def reading(self, role: str, of: str) -> Reading | None:
        """The last reading of a role on a cup, pot or mold, None if there is none."""
        return self._readings.get((role, of))

    def is_rising(self, pot: str | None, t: float) -> bool:
        """Whether air is coming into a pot at t [unix s]."""
        fill = self.last("pot_filling", pot)
        return fill is not None and t - fill.t <= RISES_S

    def is_doubted(self, pot: str | None) -> bool:
        """Whether a pot's gauge is doubted: its port clogged, or its tap shut."""
        clogged = self.last("port_clogged", pot)
        return isinstance(clogged, PortClogged) and clogged.active

    def pot_kpa(self, pot: str | None) -> float | None:
        """The pot's last pressure [kPa gauge], None if unknown."""
        reading = self.reading("pot_pressure", pot or "")
        return reading.value if reading is not None else None

    def cards(self, t: float) -> list[Card]:
        """All cards as last published, for a new subscriber."""
        return [Card(t=t, of=_of(of), id=id, body=body) for (of, id), body in self._cards.items()]

    def changed_cards(
        self, t: float, bench: Bench, pours: PourBook, loads: LoadBook, watch: dict[str, Any] | None
    ) -> list[Card]:  # fmt: skip
        """Cards that differ from the last ones published; `watch`: who has it, None while nobody ever had."""
        self._forget_ended(pours)
        fresh: dict[tuple[str, str], dict[str, Any]] = {}
        if watch is not None:
            fresh[("watch", bench.id)] = watch
        for cup in bench.cups:
            fresh[("pour", cup.id)] = self._pour_card(pours.on_cup(cup.id))
        for pot in bench.pots:
            fresh[("pot", pot.id)] = self._pot_card(pot.id, loads)
        for pour in pours:
            for mold in pour.molds:
                fresh[("mold", mold)] = self._mold_card(pour, mold)
        for key in self._cards:
            fresh.setdefault(key, {"phase": "idle"})
        changed = [key for key, body in fresh.items() if self._cards.get(key) != body]
        self._cards = fresh
        return [Card(t=t, of=_of(key[0]), id=key[1], body=fresh[key]) for key in changed]

    def _pour_card(self, pour: Pour | None) -> dict[str, Any]:
        if pour is None:
            return {"phase": "idle"}
        card: dict[str, Any] = {
            "phase": pour.phase, "pour": pour.id, "number": pour.number, "pot": pour.pot, "lot": pour.lot,
            "molds": list(pour.molds), "poured": list(pour.poured), "mix_t": pour.mix_t, "inferred": pour.inferred,
        }  # fmt: skip
        slow = self.last("cup_probe_slow", pour.id)
        if isinstance(slow, CupProbeSlow):
            card["probe_every_s"] = round(slow.every_s, 1)
        kick = self.last("kicked", pour.id) or self.last("kick_forecast", pour.id)
        if isinstance(kick, Kicked | KickForecast):
            found = isinstance(kick, Kicked)
            window = {"at": kick.at, "early": kick.early, "late": kick.late, "basis": kick.basis, "found": found}
            card["kick"] = window
        return card

    def _pot_card(self, pot: str, loads: LoadBook) -> dict[str, Any]:
        kpa = self.pot_kpa(pot)
        load = loads.of(pot)
        card: dict[str, Any] = {"phase": load.phase if load else "idle", "reads": _reads(kpa)}
        card["basis"] = (Basis.BLIND if kpa is None else Basis.MEASURED).value
        if kpa is not None:
            card["kpa"] = self._steady_kpa(pot, kpa)
        if load is None:
            return card
        card |= {"load": load.id, "number": load.number, "pours": list(load.pours), "alarms": load.alarms}
        card |= self._hold_facts(pot)
        return card

    def _steady_kpa(self, pot: str, kpa: float) -> float:
        """The pressure to show: the last one shown, unless it changed by more than the gauge's noise."""
        shown = self._cards.get(("pot", pot), {}).get("kpa")
        return float(shown) if shown is not None and abs(kpa - shown) < SHOWN_STEP_KPA else round(kpa, 1)

    def _hold_facts(self, pot: str) -> dict[str, Any]:
        facts: dict[str, Any] = {}
        up, hold = self.last("pot_at_pressure", pot), self.last("pot_hold", pot)
        due, done = self.last("hold_forecast", pot), self.last("hold_complete", pot)
        leak = self.last("pot_leaking", pot)
        if isinstance(up, PotAtPressure):
            facts |= {"at_pressure_t": up.since, "margin_s": up.margin_s}
        if isinstance(hold, PotHold):
            facts |= {"verdict": hold.verdict, "kpa_per_min": hold.kpa_per_min, "smallest_seen": hold.smallest_seen}
            facts["why"] = hold.why
        if isinstance(leak, PotLeaking) and leak.active:
            facts |= {"verdict": leak.verdict, "floor_at": leak.floor_at, "matters": leak.matters, "why": ""}
        ahead = self.last("pot_floor_ahead", pot)
        if isinstance(ahead, PotFloorAhead) and ahead.active:
            facts |= {"floor_at": ahead.floor_at, "matters": True}
        if isinstance(due, HoldForecast):
            facts |= {"hold_at": due.at, "hold_basis": due.basis, "hold_label_at": due.label_at}
        if isinstance(done, HoldComplete):
            facts |= {"hold_done_t": done.since, "min_kpa": done.min_kpa}
        return facts

    def _mold_card(self, pour: Pour, mold: str) -> dict[str, Any]:
        card: dict[str, Any] = {"phase": "waiting", "pour": pour.id, "load": pour.load}
        if mold in pour.poured or pour.pouring_done:
            card["phase"] = "curing"
        forecast, ready = self.last("demold_forecast", mold), self.last("demold_ready", mold)
        if isinstance(forecast, DemoldForecast) and forecast.subject.pour in (pour.id, None):
            green = list(forecast.green_at) if forecast.green_at else None
            card |= {"green_at": green, "hard_at": list(forecast.hard_at), "basis": forecast.basis}
        if isinstance(ready, DemoldReady) and ready.subject.pour in (pour.id, None):
            card |= {"limit": ready.limit, "rule": ready.rule}
            card |= {"test_t": ready.t} if ready.stage == "test" else {"phase": f"due-{ready.stage}"}
        if mold in pour.demolded:
            card |= {"phase": "demolded", "demolded_t": pour.demolded[mold]}
        return card


def _of(name: str) -> Any:
    return name


def _reads(kpa: float | None) -> str:
    if kpa is None:
        return "blind"
    return "pressurised" if kpa >= NEAR_ZERO_KPA else "near zero, check bleed and dial"
