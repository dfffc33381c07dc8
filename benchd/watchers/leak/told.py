"""The published state of a pot's leak, and what a leak of that size means for its load."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from benchd.core.findings import PotLeaking
from benchd.core.seat.watcher import Place
from benchd.physics import pot_gas
from benchd.physics.leak_bank import LeakEstimate
from benchd.physics.leak_verdict import floor_in_s
from benchd.stored import stored

Word = Literal["slow", "fast"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Need:
    """The load's needs, as far as known.

    The hold's end [unix s], whether it is done, whether the floor is foreseen before it (None: not judged yet), and the
    gas temperature [K].
    """

    hold_at: float | None
    hold_done: bool
    floor_foreseen: bool | None
    gas_k: float


@stored("leak-told")
@dataclass(slots=True)
class LeakTold:
    """The leak as last published: its word ("" for none), loss and its sd [kPa/min at target]."""

    place: Place
    word: Literal["", "slow", "fast"] = ""
    kpa_min: float = 0.0
    sd_kpa_min: float = 0.0

    def tell(self, word: Word, kpa_min: float, sd_kpa_min: float, fast_kpa_min: float) -> None:
        """Take a new size; a fast leak becomes slow only when it is well below fast."""
        if self.word == "fast" and word == "slow" and kpa_min > 0.5 * fast_kpa_min:
            word = "fast"
        self.word, self.kpa_min, self.sd_kpa_min = word, kpa_min, sd_kpa_min

    def finding(self, t: float, kpa: float, owed: LeakEstimate | None, need: Need) -> list[PotLeaking]:
        """The finding of the known leak; the floor's time is calculated from kpa, now.

        owed: the fall still to come from cooling, None where no floor is calculated (a fed pot reaches none).
        """
        return [self._finding(t, kpa, owed, need, True)] if self.word else []

    def stop(self, t: float, kpa: float, owed: LeakEstimate | None, need: Need) -> list[PotLeaking]:
        """The finding that ends the leak, if one is published."""
        if not self.word:
            return []
        out = self._finding(t, kpa, owed, need, False)
        self.word = ""
        return [out]

    def _finding(self, t: float, kpa: float, owed: LeakEstimate | None, need: Need, active: bool) -> PotLeaking:
        assert self.word
        pot, p_atm = self.place.pot, self.place.bench.p_atm_kpa
        assert pot is not None
        free_m3, full = pot.free_l * 1e-3, pot.target_kpa + p_atm
        opening = pot_gas.conductance_from_loss(self.kpa_min, full * 1e3, p_atm * 1e3, free_m3, need.gas_k)
        floor_at = None
        if owed is not None:
            left_s = floor_in_s(owed, kpa + p_atm, pot.floor_kpa + p_atm, p_atm, opening, free_m3, need.gas_k)
            floor_at = t + left_s if math.isfinite(left_s) else None
        before = floor_at is not None and (need.hold_at is None or floor_at < need.hold_at)
        if need.floor_foreseen is not None:
            before = need.floor_foreseen  # from the pot's whole state, not from this leak alone
        return PotLeaking(
            t=t, subject=self.place.subject, verdict=self.word, kpa_per_min=self.kpa_min,
            low=self.kpa_min - 2.0 * self.sd_kpa_min, high=self.kpa_min + 2.0 * self.sd_kpa_min,
            conductance_m3_s_pa=opening, hole_mm=pot_gas.hole_of_conductance(opening), floor_at=floor_at,
            matters=before and not need.hold_done, active=active,
        )  # fmt: skip
