"""How does a rehearsed load become a scenario for a compiled board's pins?  The board adds its own noise."""

from __future__ import annotations

from dataclasses import replace

from firmware.avr_runs import PSI_PA, Row

from benchd.rehearsal import Rehearsal, Scenario, load_scenario
from benchd.rehearsal.acts import ACTS

TREAD_S = {"short": "0.15", "long": "0.9", "double": "0.15+0.2+0.15"}


def unspoiled(scenario: Scenario) -> Scenario:
    """The same load with probes that add neither noise nor rounding: the board under test does that itself."""
    cups = tuple(replace(cup, noise_c=0.0, quantum_c=0.0) for cup in scenario.cups)
    pot = replace(scenario.pot, noise_psi=0.0, resolution_psi=0.0)
    return replace(scenario, cups=cups, pot=pot, room=replace(scenario.room, noise_c=0.0, noise_rh_pct=0.0))


def by_foot(scenario: Scenario) -> Scenario:
    """The same load with every mark a foot can make made by foot: a long press as A meets B, one for each mold."""
    acts = tuple(replace(act, way="switch") if act.do in ("mix", "pour") else act for act in scenario.acts)
    return replace(scenario, acts=acts)


def load_1(end_s: float = 1740.0) -> Scenario:
    """Load 1 of the invented studio's day; from a minute before the mix 1,800 s in all."""
    return by_foot(replace(unspoiled(load_scenario("load-1")), end_s=end_s))


def presses(scenario: Scenario) -> list[tuple[float, str]]:
    """(s since start, kind) of every tread.  A mix by foot is a long press, as nothing stands open then."""
    found = []
    for act in scenario.acts:
        if act.way == "switch":
            kind = "long" if act.do == "mix" else ACTS[act.do].press
            found.append((scenario.lead_s + act.at_s + act.after_s, kind))
    return found


def rows_of(scenario: Scenario, more: list[Row]) -> tuple[list[Row], Rehearsal]:
    """The host's rows, four a second, `more` (faults, treads) among them in time; and the rehearsal, run to its end."""
    rehearsal = Rehearsal(scenario)
    rows: list[Row] = []
    for frame in rehearsal.frames():
        readings = {name: value for name, value in frame.readings.items() if value is not None}
        rows.append(
            {
                "t_s": frame.t_s,
                "cup_c": round(readings["cup"], 4),
                "cold_junction_c": round(readings["room"] + 1.5, 4),
                "pot_psi": round(readings["pot"] / PSI_PA, 5),
                "room_c": round(readings["room"], 3),
                "rh_pct": round(readings["rh"], 3),
            }
        )
    rows += [{"t_s": t_s, "press_s": TREAD_S[kind]} for t_s, kind in presses(scenario)]
    return sorted(rows + more, key=lambda row: float(row["t_s"])), rehearsal
