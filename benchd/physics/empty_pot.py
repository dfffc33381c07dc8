"""Judges how tight an empty pot is: the estimator behind a leak test.

An empty pot has no molds, no exotherm and nothing that soaks up air.  It is filled, its inlet shut, and watched for
minutes; the gas observer with the priors of an empty pot takes the cooling out.  Beside its verdict the plain decay of
40 CFR 1065.644 is reported (temperatures taken as equal): what a person with a clock and the dial would work out from
the second half.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from benchd.physics import pot_gas
from benchd.physics.leak_bank import Prior, generic_prior
from benchd.physics.leak_verdict import FLOOR_SD_PSI_MIN, LeakLimits, LeakVerdict, judged
from benchd.physics.pot_observer import PotObserver

PSI_KPA = 6.894757293168
AFTER_SHUT_S = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class EmptyPot:
    """The pot under test.  Pressures kPa; room_k the room's temperature; free_l its whole inside."""

    target_kpa: float
    p_atm_kpa: float
    free_l: float
    room_k: float = pot_gas.REFERENCE_K
    resolution_kpa: float = 0.0
    least_psi_min: float = 0.04
    tight_psi_min: float = 0.2
    fast_psi_min: float = 3.0


@dataclass(frozen=True, slots=True)
class EmptyPotResult:
    """The verdict; hole [mm] of the leak (0 when tight); minutes judged; plain decay [mol/s] of the second half."""

    verdict: LeakVerdict
    hole_mm: float
    minutes: float
    plain_mol_s: float


def judge_empty(
    pot: EmptyPot, samples: Sequence[tuple[float, float]], shut_t: float, prior: Prior | None = None
) -> EmptyPotResult | None:
    """Judge samples (t [s], kPa gauge, about 1 Hz, from the first of the fill on) of an empty pot shut at shut_t.

    prior: what was learned of this pot empty (leak_learning.learned), else the shipped one.  None while fewer than
    twenty seconds were seen after the gas was left alone.  Raises ValueError on a pressure at or below vacuum.
    """
    observer = empty_observer(pot, samples, shut_t, prior)
    found, after = observer.estimate(), [s for s in samples if s[0] >= shut_t + AFTER_SHUT_S]
    if found is None or len(after) < 4:
        return None
    limits = LeakLimits(
        least_kpa_min=pot.least_psi_min * PSI_KPA, slow_kpa_min=pot.tight_psi_min * PSI_KPA,
        fast_kpa_min=pot.fast_psi_min * PSI_KPA, floor_sd_kpa_min=FLOOR_SD_PSI_MIN["empty"] * PSI_KPA,
        resolution_kpa=pot.resolution_kpa,
    )  # fmt: skip
    full = pot.target_kpa + pot.p_atm_kpa
    verdict = judged(found, full, limits)
    loss = verdict.kpa_per_min if verdict.word in ("slow", "fast") else 0.0
    opening = pot_gas.conductance_from_loss(loss, full * 1e3, pot.p_atm_kpa * 1e3, pot.free_l * 1e-3, pot.room_k)
    hole_mm = pot_gas.hole_of_conductance(opening)
    return EmptyPotResult(verdict, hole_mm, found.bins / 12.0, _plain_mol_s(pot, after[len(after) // 2 :]))


def empty_observer(
    pot: EmptyPot, samples: Sequence[tuple[float, float]], shut_t: float, prior: Prior | None = None
) -> PotObserver:
    """The observer after these samples: its bank teaches `leak_learning.learned` when the pot proved tight."""
    used = prior or generic_prior("empty")
    observer = PotObserver((pot.target_kpa + pot.p_atm_kpa) * 1e3, pot.room_k, used, used)
    recent: list[float] = []
    for i, (t, kpa) in enumerate(samples):
        if i == 0:
            observer.fill(t)
        if t >= shut_t and observer.shut_t is None:
            observer.shut(shut_t)
            observer.window(shut_t + AFTER_SHUT_S)
        recent = [*recent, kpa][-3:]
        if len(recent) == 3:  # a lone spike must not pass
            observer.add(t, (sorted(recent)[1] + pot.p_atm_kpa) * 1e3)
    return observer


def _plain_mol_s(pot: EmptyPot, part: Sequence[tuple[float, float]]) -> float:
    """Means of the first and last quarter, temperatures equal."""
    quarter = max(1, len(part) // 4)
    first, last = part[:quarter], part[-quarter:]
    t1, p1 = (sum(s[i] for s in first) / len(first) for i in (0, 1))
    t2, p2 = (sum(s[i] for s in last) / len(last) for i in (0, 1))
    low, high = (p1 + pot.p_atm_kpa) * 1e3, (p2 + pot.p_atm_kpa) * 1e3
    return pot_gas.decay_mol_s(pot.free_l * 1e-3, low, pot.room_k, high, pot.room_k, max(t2 - t1, 1e-9))
