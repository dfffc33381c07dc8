"""Predicts how long a cup would stay workable if mixed now, and with what uncertainty.

The kick of a mixing cup from nothing but its label and what this bench has learned (core/learned/cure_belief), at the
room's temperature: the largest mass of resin kicks first.  Without a room probe, at the label's own 23 C, with a wider
uncertainty.  For a lot whose kick clearly drifts with age (core/learned/lot_drift), the present value is used.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from benchd.core.bench import Bench
from benchd.core.bench.local_day import DAY_S
from benchd.core.bench.recipe import base_of
from benchd.core.learned.cure_belief import expectation, is_timed, learned_belief, lot_speed
from benchd.physics.cup_cure import START_SD_K, UNKNOWN_SD_K, CupCure
from benchd.physics.cup_heat import LABEL_TEMP_C

PLAUSIBLE_ROOM_C = (-10.0, 50.0)  # a workshop; outside this range no label's rule applies


WorkingBasis = Literal["drift", "learned", "typed", "label"]


@dataclass(frozen=True, slots=True)
class WorkingTime:
    """Likely, early and late [s] (90 % window) at temp_c [C]; basis of the resin and of the temperature."""

    working_s: float
    early_s: float
    late_s: float
    temp_c: float
    basis: WorkingBasis
    temp_basis: Literal["measured", "label"]
    lot: str | None
    resin: str


def working_time(bench: Bench, lot_id: str | None, room_c: float | None, now_t: float) -> WorkingTime | None:
    """The working time of one lot now: the kick of a mixing cup, with a 90 % window.  None without a label.

    lot_id: None for the default resin; room_c: the room's temperature [C], used between -10 and 50 C, else (or None)
    the label's 23 C with a wider uncertainty; now_t [unix s] gives the lot's age.  The cup model: physics/cup_cure.
    """
    label = bench.label_for(lot_id)
    if label is None:
        return None
    known = expectation(bench, lot_id, label, now_t)
    is_measured = room_c is not None and PLAUSIBLE_ROOM_C[0] < room_c < PLAUSIBLE_ROOM_C[1]
    temp_c = room_c if room_c is not None and is_measured else LABEL_TEMP_C
    aged = _aged(bench, lot_id, now_t)
    cup = next((c for c in bench.cups if c.kind == "mixing"), None)
    cure = CupCure(
        kind="mixing", mass_g=cup.mass_g if cup else known.mass_g, lag_s=0.0, resin=known.resin,
        pot_life_s=known.pot_life_s, start_sd_k=START_SD_K if is_measured else UNKNOWN_SD_K, label_mass_g=known.mass_g,
    )  # fmt: skip
    early_s, likely_s, late_s = cure.expect(temp_c, temp_c).window_s(0.0)
    basis = "drift" if aged is not None else _basis(bench, lot_id)
    return WorkingTime(
        likely_s, early_s, late_s, temp_c, basis, "measured" if is_measured else "label", lot_id, label.name
    )  # fmt: skip


def _aged(bench: Bench, lot_id: str | None, now_t: float) -> tuple[float, float] | None:
    """ln of this lot's kick over its label's at its present age, and sd; None unless its drift is clear."""
    lot = bench.lot(lot_id)
    drift = bench.learned.drift(base_of(lot_id))
    if lot is None or lot.opened is None or drift is None:
        return None
    return drift.ln_at((now_t - lot.opened) / DAY_S)


def _basis(bench: Bench, lot_id: str | None) -> WorkingBasis:
    label = bench.label_for(lot_id)
    if label is not None and (lot_speed(label, lot_id) or learned_belief(label.cure) is not None):
        return "learned"
    return "typed" if label is not None and is_timed(bench, lot_id, label) else "label"
