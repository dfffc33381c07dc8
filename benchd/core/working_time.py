"""How long would a cup stay workable if it were mixed now, and how sure is that?

The kick of a mixing cup with nothing but its label and what this bench has learned (core/cure_belief), at the room's
temperature: the most resin in one place kicks first.  Without a room probe, at the label's own 23 C, its doubt wider.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from benchd.core.bench import Bench
from benchd.core.cure_belief import expectation, learned_belief, lot_speed
from benchd.physics.cup_cure import CupCure
from benchd.physics.cup_heat import LABEL_TEMP_C

START_SD_K = 1.6  # model: resin kept in the room is within 2 to 3 K of it
UNKNOWN_SD_K = 5.0  # common practice: a bench without thermometers, 13 to 33 C
PLAUSIBLE_ROOM_C = (-10.0, 50.0)  # a workshop; outside it no label's rule says anything


@dataclass(frozen=True, slots=True)
class WorkingTime:
    """Likely, early and late [s] (90 % window) at temp_c [C]; basis of the resin and of the temperature."""

    working_s: float
    early_s: float
    late_s: float
    temp_c: float
    basis: Literal["learned", "typed", "label"]
    temp_basis: Literal["measured", "label"]
    lot: str | None
    resin: str


def working_time(bench: Bench, lot_id: str | None, room_c: float | None) -> WorkingTime | None:
    """For one lot (None: of the default resin) in a room of room_c [C] (None: not known).  None without a label."""
    label = bench.label_for(lot_id)
    if label is None:
        return None
    known = expectation(bench, lot_id, label)
    is_measured = room_c is not None and PLAUSIBLE_ROOM_C[0] < room_c < PLAUSIBLE_ROOM_C[1]
    temp_c = room_c if room_c is not None and is_measured else LABEL_TEMP_C
    cup = next((c for c in bench.cups if c.kind == "mixing"), None)
    cure = CupCure(
        kind="mixing", mass_g=cup.mass_g if cup else known.mass_g, lag_s=0.0, resin=known.resin,
        pot_life_s=known.pot_life_s, start_sd_k=START_SD_K if is_measured else UNKNOWN_SD_K, label_mass_g=known.mass_g,
    )  # fmt: skip
    early_s, likely_s, late_s = cure.expect(temp_c, temp_c).window_s(0.0)
    return WorkingTime(
        likely_s, early_s, late_s, temp_c, _basis(bench, lot_id), "measured" if is_measured else "label", lot_id,
        label.name,
    )  # fmt: skip


def _basis(bench: Bench, lot_id: str | None) -> Literal["learned", "typed", "label"]:
    label = bench.label_for(lot_id)
    if label is not None and (lot_speed(label, lot_id) or learned_belief(label.cure) is not None):
        return "learned"
    lot = bench.lot(lot_id)
    common = bench.resin(lot.resin) if lot else None
    is_typed = common is not None and label is not None and common.pot_life_s != label.pot_life_s
    return "typed" if is_typed else "label"
