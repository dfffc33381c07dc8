"""Follows each mixed cup and its molds: from the script's acts to cure curves and their truth.

A pour is one `mix` and the `witness` and `pour` acts up to the next.  Scenario times in, times since the start out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchd.rehearsal.acts import Act
from benchd.rehearsal.cure import CureCurves, Start, cure
from benchd.rehearsal.layers import RESIN_CELLS, Row, drained_cup, slab, straight_cup
from benchd.rehearsal.parts import MoldTruth, SectionTruth, section_truth
from benchd.rehearsal.resin import Array, ResinTruth, mixed
from benchd.rehearsal.scenario import CupSpec, MoldSpec, Scenario

SEEN_TO_S = 5400.0  # curves run at least this long after mix, so that thick parts get hard
MIXING_RADIUS_MM = 42.0  # a half-litre mixing cup
FILM_W_M2K = 7.0  # mold to the pot's air, invented within 5-10
THICK_SHARE = 0.7  # of a mold's outside is over its thick part, invented


@dataclass(frozen=True, slots=True)
class PourTruth:
    """One pour as it truly went; every time in s since the rehearsal's start, kick_s that of the probed cup."""

    mix_s: float
    cup: str
    lot: str
    ratio_error: float
    cup_truth: SectionTruth
    molds: dict[str, MoldTruth]
    poured_s: dict[str, float]

    @property
    def kick_s(self) -> float | None:
        """The probed cup's kick [s since the rehearsal's start]; None if it never came."""
        return self.cup_truth.kick_s

    @property
    def deadline_s(self) -> float | None:
        """When pressure had to be on: the earlier of the cup's kick and the first mold's."""
        kicks = [self.kick_s, *(m.kick_s for m in self.molds.values())]
        return min((k for k in kicks if k is not None), default=None)


@dataclass(frozen=True, slots=True)
class PourRun:
    """The curves of one pour (times since mix) and where to look in them."""

    mix_s: float
    in_cup_s: float
    spec: CupSpec
    curves: CureCurves
    cup_row: int
    mold_rows: dict[str, tuple[int, int]]
    truth: PourTruth

    def cup_c(self, t_s: Array, room_c: Array) -> Array:
        """What surrounds the probe at t_s [s since start]: air until the cup is filled, then resin."""
        spot = self.spec.off_centre * RESIN_CELLS - 0.5
        if self.spec.kind == "residue":
            spot = (0.5 + 0.4 * self.spec.off_centre) * RESIN_CELLS - 0.5
        since = t_s - self.mix_s
        resin_c = self._at(since, self.cup_row, spot)
        if self.spec.kind == "residue":
            resin_c = np.where(since < self.in_cup_s - self.mix_s, self._at(since, 0, spot), resin_c)
            return np.where(since < 0.0, room_c, resin_c)
        return np.where(t_s < self.in_cup_s, room_c, resin_c)

    def _at(self, since_s: Array, row: int, spot: float) -> Array:
        low = min(max(int(np.floor(spot)), 0), RESIN_CELLS - 2)
        part = min(max(spot - low, 0.0), 1.0)
        cells = self.curves.temp_c[:, row]
        return np.interp(since_s, self.curves.times_s, (1.0 - part) * cells[:, low] + part * cells[:, low + 1])

    def outside_c(self, code: str, t_s: Array) -> Array:
        """Temperature of a mold's outside at t_s [s since start]."""
        thin, thick = self.mold_rows[code]
        outer = self.curves.temp_c[:, :, -1]
        mean = (1.0 - THICK_SHARE) * outer[:, thin] + THICK_SHARE * outer[:, thick]
        return np.interp(t_s - self.mix_s, self.curves.times_s, mean)


def mold_outside_m2(mold: MoldSpec) -> float:
    """Outside of a block mold: a cube round its fill, a wall thick."""
    side_m = math.cbrt((mold.cavity_ml + mold.gate_ml) * 1e-6) + 2e-3 * mold.wall_mm
    return 6.0 * side_m * side_m


def pour_runs(scenario: Scenario, room_at: dict[float, float]) -> list[PourRun]:
    """Every pour of the script; room_at gives the room's temperature at each mix (by the act's at_s)."""
    mixes = [i for i, act in enumerate(scenario.acts) if act.do == "mix"]
    ends = [*mixes[1:], len(scenario.acts)]
    return [
        _pour(scenario, scenario.acts[i], scenario.acts[i + 1 : end], room_at[scenario.acts[i].at_s])
        for i, end in zip(mixes, ends, strict=True)
    ]


def _pour(scenario: Scenario, mix: Act, after: tuple[Act, ...], room_c: float) -> PourRun:
    cup, lot = scenario.cup(mix.cup), scenario.lot(mix.lot)
    kind = scenario.resins[lot.resin]
    a_g, b_g = mix.a_g or 0.0, mix.b_g or 0.0
    ratio_error = b_g / a_g / kind.b_per_a
    resin = mixed(kind, lot.rate_factor, ratio_error)
    rows: list[Row] = [straight_cup(resin, a_g + b_g, "plastic", MIXING_RADIUS_MM)]
    starts: dict[int, Start] = {}
    poured = {act.mold: act.at_s - mix.at_s for act in after if act.do == "pour"}
    filled_s = _add_cup(resin, cup, mix, after, room_c, rows, starts)
    cup_row = len(rows) - 1
    mold_rows = {
        code: _add_mold(resin, scenario.mold(code), at_s, room_c, rows, starts) for code, at_s in poured.items()
    }
    until_s = max(SEEN_TO_S, scenario.end_s - mix.at_s)
    curves = cure(
        resin, rows, starts, room_c if mix.resin_c is None else mix.resin_c, room_c, mix.mix_s, until_s
    )  # fmt: skip
    zero_s = mix.at_s + scenario.lead_s
    seen = [section_truth(resin, curves, i, row.share).shifted(zero_s) for i, row in enumerate(rows)]
    molds = {code: MoldTruth(code, seen[thin], seen[thick]) for code, (thin, thick) in mold_rows.items()}
    times = {code: at_s + zero_s for code, at_s in poured.items()}
    truth = PourTruth(zero_s, cup.id, lot.code, ratio_error, seen[cup_row], molds, times)
    return PourRun(zero_s, zero_s + filled_s, cup, curves, cup_row, mold_rows, truth)


def _add_cup(
    resin: ResinTruth,
    cup: CupSpec,
    mix: Act,
    after: tuple[Act, ...],
    room_c: float,
    rows: list[Row],
    starts: dict[int, Start],
) -> float:
    """A row for the probed cup, unless that is the mixing cup itself; returns when it is filled [s after mix]."""
    if cup.kind == "mixing":
        return 0.0
    if cup.kind == "witness":
        filled_s = next((act.at_s - mix.at_s for act in after if act.do == "witness"), mix.mix_s + 1.0)
        rows.append(straight_cup(resin, cup.mass_g, cup.sleeve))
    else:
        filled_s = max((act.at_s - mix.at_s for act in after if act.do == "pour"), default=mix.mix_s)
        rows.append(drained_cup(resin, cup.mass_g))
    starts[len(rows) - 1] = Start(filled_s, room_c)
    return filled_s


def _add_mold(
    resin: ResinTruth, mold: MoldSpec, at_s: float, room_c: float, rows: list[Row], starts: dict[int, Start]
) -> tuple[int, int]:
    """Rows for a mold's thin and thick section, poured at_s after mix; returns their numbers."""
    warm_c = room_c if mold.start_c is None else mold.start_c
    for thick_mm in (mold.thin_mm, mold.thick_mm):
        starts[len(rows)] = Start(at_s, warm_c)
        rows.append(slab(resin, thick_mm, mold.wall_mm, FILM_W_M2K))
    return len(rows) - 2, len(rows) - 1
