"""Simulated fills run through the pot observer alone, for fitting priors, thresholds and the scorecard."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from rehearsed.pots import Fills, Recorded

from benchd.physics.leak_bank import Prior, generic_prior
from benchd.physics.pot_observer import PotObserver

PSI_PA = 6894.757293168
ATM_PA = 101325.0
T0 = 1_767_607_200.0
AFTER_SHUT_S = 10.0
BUILD_SEEDS = tuple(range(1, 100))
REPORT_SEED = 500


@dataclass(frozen=True)
class Judged:
    """Seconds after the shut mark, leak and sd [psi/min at target]."""

    after_s: float
    psi_min: float
    sd: float


def guarded(psi: np.ndarray) -> np.ndarray:
    """Median of three, one sample late as the trace has it, put back in place."""
    out = psi.copy()
    out[1:-1] = np.median(np.stack([psi[:-2], psi[1:-1], psi[2:]]), axis=0)
    return out


def watched(
    heard: Recorded, fills: Fills, k: int, until_s: float, *, bare: Prior | None = None, probed: Prior | None = None,
    use_probe: bool = False,
) -> tuple[PotObserver, list[Judged]]:  # fmt: skip
    """Pot k's fill seen by an observer told the marks: its end state, and what it thought after each five seconds."""
    full = float(fills.target_psi[k]) * PSI_PA + ATM_PA
    observer = PotObserver(full, 295.0, bare or generic_prior(), probed or generic_prior("probed"))
    observer.fill(T0)
    observer.kick_t = T0 + float(fills.told_kick_s[k])
    mark_s, psi = float(fills.mark_s[k]), guarded(heard.psi[:, k])
    out: list[Judged] = []
    for i, s in enumerate(heard.t_s.tolist()):
        if s > mark_s + until_s:
            break
        if s >= mark_s and observer.shut_t is None:
            observer.shut(T0 + mark_s)
            observer.window(T0 + mark_s + AFTER_SHUT_S)
        gas_k = float(heard.probe_c[i, k]) + 273.15 if use_probe else None
        if observer.add(T0 + s, float(psi[i]) * PSI_PA + ATM_PA, gas_k) and (found := observer.estimate()):
            out.append(Judged(s - mark_s, found.per_min * full / PSI_PA, found.sd * full / PSI_PA))
    return observer, out
