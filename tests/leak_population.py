"""Many fills judged by the bare observer, pot by pot: what the thresholds and the doubt are set on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from leak_runs import watched
from rehearsed import pots as population

from benchd.physics.leak_bank import Kind, Prior, generic_prior
from benchd.physics.leak_learning import learned


@dataclass(frozen=True)
class Task:
    """Fills of `seed` of the pots of `pots_seed`, leaking leak_psi_min; is_learned: after five tight fills."""

    pots: int
    pots_seed: int
    seed: int
    kind: Kind = "bare"
    leak_psi_min: float = 0.0
    is_learned: bool = False
    second: bool = False


def priors(task: Task) -> list[Prior]:
    """One prior a pot: generic, or after five tight fills."""
    out = [generic_prior(task.kind) for _ in range(task.pots)]
    if not task.is_learned:
        return out
    pots = population.draw_pots(task.pots, task.pots_seed)
    for i in range(5):
        seed = 10_000 + 100 * task.pots_seed + i
        fills = population.draw_fills(pots, seed, empty=task.kind == "empty", second=task.second)
        heard = population.record(pots, fills, 950.0, seed)
        for k, prior in enumerate(out):
            bank = watched(heard, fills, k, 720.0, bare=prior, probed=prior, use_probe=task.kind == "probed")[0].bank
            assert bank is not None
            out[k] = learned(prior, bank)
    return out


def minutes(task: Task, given: list[Prior] | None = None) -> np.ndarray:
    """(pots, 10, 2): leak and sd [psi/min] as known at each whole minute after the shut mark, nan while unknown."""
    pots = population.draw_pots(task.pots, task.pots_seed)
    fills = population.draw_fills(pots, task.seed, empty=task.kind == "empty", second=task.second)
    heard = population.record(pots, fills.leaking(task.leak_psi_min), 870.0, task.seed)
    out = np.full((task.pots, 10, 2), np.nan)
    for k, prior in enumerate(given or priors(task)):
        for j in watched(heard, fills, k, 602.0, bare=prior, probed=prior, use_probe=task.kind == "probed")[1]:
            minute = int(j.after_s + 5.0) // 60
            if minute >= 1 and minute <= 10 and np.isnan(out[k, minute - 1, 0]):
                out[k, minute - 1] = j.psi_min, j.sd
    return out
