"""Runs a whole scenario: truth first, probes next, then frames in time; the same seed, the same bytes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from benchd.rehearsal.acts import ACTS, Act, typed_mark
from benchd.rehearsal.board import Board
from benchd.rehearsal.pot_run import LoadTruth, PotRun
from benchd.rehearsal.pours import PourRun, PourTruth, pour_runs
from benchd.rehearsal.probes import Gauge, cup_series, room_series, stream
from benchd.rehearsal.resin import Array
from benchd.rehearsal.scenario import Scenario
from benchd.rehearsal.vessel import P_ATM_PA, PA_PER_PSI, ZERO_C_K

TANK_NOISE_PA = 0.15 * PA_PER_PSI
TANK_NOISE_C = 0.08


@dataclass(frozen=True, slots=True)
class Frame:
    """One sampling of the board.  t_s: s since the start; readings: channel -> value (None: broken), pressure Pa gauge.

    lines: the bytes that arrive, damaged ones too; marks: typed ones due since the last frame, in the outer form, with
    t_s; is_plugged: False while the port is missing.
    """

    t_s: float
    readings: dict[str, float | None]
    lines: list[bytes]
    marks: list[dict[str, Any]]
    is_plugged: bool = True


@dataclass(slots=True)
class Truth:
    """What really happened; pours are known from the start, loads and events fill in as the frames are drawn."""

    pours: list[PourTruth]
    loads: list[LoadTruth]
    leak_mm: float
    events: list[tuple[float, str]] = field(default_factory=list)

    @property
    def kick_s(self) -> list[float | None]:
        """The probed cup's kick of each pour [s since start]."""
        return [pour.kick_s for pour in self.pours]


class Rehearsal:
    """One run of a scenario; deterministic in (scenario, seed)."""

    def __init__(self, scenario: Scenario, seed: int = 0) -> None:
        self.scenario = scenario
        self.dt_s = 1.0 / scenario.board.hz
        self._t_s: Array = np.arange(round(scenario.duration_s * scenario.board.hz) + 1) / scenario.board.hz
        zero_s = scenario.lead_s
        self._room_c, self._rh_pct = room_series(scenario.room, scenario.acts, self._t_s, zero_s, seed)
        at_mix = {
            a.at_s: float(np.interp(a.at_s + zero_s, self._t_s, self._room_c)) for a in scenario.acts if a.do == "mix"
        }
        self._runs = pour_runs(scenario, at_mix)
        self._cups = {
            cup.channel: cup_series(cup, self._runs, scenario.acts, self._t_s, self._room_c, zero_s, seed)
            for cup in scenario.cups
        }
        self.board = Board(scenario.board, seed)
        self.truth = Truth([run.truth for run in self._runs], [], scenario.pot.leak_mm)
        self._pot = PotRun(scenario, self._runs, self._t_s, lambda t, what: self.truth.events.append((t, what)))
        self.truth.loads = self._pot.loads
        self._gauge = Gauge(scenario.pot, seed)
        self._noise = stream(seed, "slow probes")
        self._is_reset_wanted = False
        self._drawn = False

    @property
    def duration_s(self) -> float:
        """From the start to the last frame [s]."""
        return float(self._t_s[-1])

    def reset_board(self) -> None:
        """Restart the board at the next frame."""
        self._is_reset_wanted = True

    def frames(self) -> Iterator[Frame]:
        """Every sampling in order; can be drawn once."""
        if self._drawn:
            raise RuntimeError("a rehearsal runs once: make another one")
        self._drawn = True
        todo = [(act.at_s + self.scenario.lead_s, act) for act in self.scenario.acts]
        marks, presses = self._told(todo)
        room, rh = self._room_probe()
        cups = {name: [None if np.isnan(v) else v for v in series.tolist()] for name, series in self._cups.items()}
        times, true_room = self._t_s.tolist(), self._room_c.tolist()
        tank_noise = self._noise.normal(0.0, 1.0, (2, len(times))).tolist()
        for k, t_s in enumerate(times):
            lines = self._acted(t_s, todo)
            self._pot.step(k, self.dt_s, true_room[k])
            while presses and presses[0][0] <= t_s:
                lines += self.board.press(*presses.pop(0))
            due = []
            while marks and marks[0][0] <= t_s:
                at_s, mark = marks.pop(0)
                due.append({"t_s": at_s} | mark)
            readings = {name: series[k] for name, series in cups.items()}
            readings |= self._air(t_s, tank_noise[0][k], tank_noise[1][k]) | {"room": room[k], "rh": rh[k]}
            lines += self.board.lines(t_s, readings)
            yield Frame(t_s, readings, lines, due, self.board.is_plugged(t_s))

    def _acted(self, t_s: float, todo: list[tuple[float, Act]]) -> list[bytes]:
        """Do all acts due by t_s; returns what the board sends on the spot."""
        lines: list[bytes] = []
        while todo and todo[0][0] <= t_s:
            lines += self._do(*todo.pop(0))
        if self._is_reset_wanted:
            self._is_reset_wanted = False
            lines += self.board.reset(t_s)
        return lines

    def _air(self, t_s: float, noise_pa: float, noise_c: float) -> dict[str, float | None]:
        """What the probes on pot and tank read, given unit noise for the tank's two."""
        pot, supply = self._pot, self._pot.supply
        return {
            "pot": self._gauge.read_psi(t_s, self.dt_s, pot.pot_psi, pot.hose_psi) * PA_PER_PSI,
            "tank": supply.tank_pa_abs - P_ATM_PA + TANK_NOISE_PA * noise_pa,
            "tankt": supply.temp_k - ZERO_C_K + TANK_NOISE_C * noise_c,
        }

    def _room_probe(self) -> tuple[list[float], list[float]]:
        spec, size = self.scenario.room, len(self._t_s)
        room = np.round(self._room_c + self._noise.normal(0.0, spec.noise_c, size), 2)
        rh = np.round(self._rh_pct + self._noise.normal(0.0, spec.noise_rh_pct, size), 1)
        return room.tolist(), rh.tolist()

    def _do(self, t_s: float, act: Act) -> list[bytes]:
        """One act; returns bytes the board sends on the spot (a reset's banner)."""
        self.truth.events.append((t_s, " ".join(x for x in (act.do, act.mold or act.cup) if x)))
        if act.do.startswith("board_"):
            what = act.do.removeprefix("board_")
            if what == "reset":
                return self.board.reset(t_s)
            self.board.fault(what, t_s + (act.for_s or 0.0))
        elif act.do == "clog":
            self._gauge.is_clogged = True
        else:
            self._pot.act(act, t_s)
        return []

    def _told(
        self, todo: list[tuple[float, Act]]
    ) -> tuple[list[tuple[float, dict[str, Any]]], list[tuple[float, str]]]:
        """How the caster reports the acts: typed marks and switch presses, each [s since start], in order."""
        marks: list[tuple[float, dict[str, Any]]] = []
        presses: list[tuple[float, str]] = []
        for t_s, act in todo:
            told_s = t_s + act.after_s
            if act.do == "mark" or act.way == "typed":
                marks.append((told_s, typed_mark(act, self._feel(act, t_s))))
            elif act.do == "press" or act.way == "switch":
                presses.append((told_s, act.press if act.do == "press" else ACTS[act.do].press))
        return sorted(marks, key=lambda m: m[0]), sorted(presses)

    def _feel(self, act: Act, t_s: float) -> str:
        """What the hand finds at a demold, from the truth."""
        if act.do != "demold":
            return ""
        poured = [run.truth for run in self._runs if act.mold in run.truth.molds]
        found = [pour.molds[act.mold] for pour in poured if pour.mix_s <= t_s]
        return found[-1].feel_at(t_s) if found else ""

    def cup_of(self, pour: int) -> PourRun:
        """The curves behind one pour, for tests and scorecards."""
        return self._runs[pour]
