"""Derives a cure from a label's pot life: a middling urethane, as fast as makes the label's own cup gel then.

The label's cup is one lump: dT/dt = rise r - (T - Troom)/tau, tau that of a 100 g plastic cup, growing with the cube
root of the mass.  The shape (c, m, n, E, rise, gel) is a middling one of casting urethanes, the mean of the three in
physics/cure_prior; how resins differ in it is in the width of what is forecast from it.  A learned [cure] table gives
its own speed instead.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache
from hashlib import sha256
from math import exp, log
from typing import Any

from benchd.physics.constants import GAS_CONSTANT_J_MOL_K, ZERO_C_K
from benchd.physics.cup_heat import LABEL_TEMP_C
from benchd.physics.cup_model import LABEL_TAU_S, LF, E
from benchd.physics.cure_prior import ResinBelief
from benchd.physics.kinetics import REFERENCE_K, Cure

MIDDLING = Cure(k_per_s=1.0, c=0.074, m=1.3, n=2.33, e_j_mol=50.5e3, rise_k=119.0, gel_conversion=0.718)
"""A casting resin of which only the label is known; its adiabatic rise is 110 to 135 K [calc, model]."""
ROUNDS = 12
STEPS = 240
NEVER_POT_LIVES = 20.0
SHOP = "shop"
"""The key of a [cure] table that marks it as a prior taken from a shop."""
REVISION = 5  # of the section tables' sums: a stored table of another one is solved again
OLD_REVISIONS = (3, 4)  # those without the time to cool, and with one only, as old recordings hold them


def label_cure(pot_life_s: float, mass_g: float = 100.0, shape: Cure = MIDDLING) -> Cure:
    """`shape` at the speed at which mass_g [g] at 23 C gel after pot_life_s [s].  Raises ValueError if not positive."""
    if not (pot_life_s > 0.0 and mass_g > 0.0):
        raise ValueError("pot life and mass must be positive")
    tau_s = LABEL_TAU_S * (mass_g / 100.0) ** (1.0 / 3.0)
    log_k = log(1.0 / pot_life_s)
    for _ in range(ROUNDS):
        gel_s = cup_gel_s(shape, exp(log_k), LABEL_TEMP_C, tau_s, NEVER_POT_LIVES * pot_life_s)
        log_k += log(gel_s / pot_life_s)
    return replace(shape, k_per_s=exp(log_k))


def resin_cure(pot_life_s: float, mass_g: float, learned: Mapping[str, Any]) -> Cure:
    """The cure to solve sections with: from the learned [cure] table if it can be used, else from the label alone.

    A learned speed is relative to the pot life in the table itself (`pot_life_s`), else to the label's.  Only the speed
    is taken: sections solved with the shape learned from self-heating cups were forecast worse than with the middling
    one, for a cup says little of the slow tail and of cold sections [model: drawn resins].
    """
    belief = _belief(learned)
    if belief is None:
        return label_cure(pot_life_s, mass_g)
    pot_life_s = told_pot_life_s(pot_life_s, learned)
    made = label_cure(pot_life_s, mass_g)
    return replace(made, k_per_s=made.k_per_s * exp(_mean_ln_speed(belief)))


def told_pot_life_s(pot_life_s: float, learned: Mapping[str, Any]) -> float:
    """The pot life a [cure] table's speeds are relative to [s]; the label's own if the table has none."""
    told = learned.get("pot_life_s")
    return float(told) if isinstance(told, int | float) and told > 0.0 else pot_life_s


def learned_ln_speed(learned: Mapping[str, Any]) -> float:
    """ln of the resin's own speed over that pot life's, as `resin_cure` uses it; 0 from the label alone."""
    belief = _belief(learned)
    return 0.0 if belief is None else _mean_ln_speed(belief)


def _mean_ln_speed(belief: ResinBelief) -> float:
    """ln of the speed, its mean over all shapes by their weights."""
    weights = [exp(w) for w in (belief.ln_weights - belief.ln_weights.max()).tolist()]
    speeds = belief.means[:, LF].tolist()
    return float(sum(w * v for w, v in zip(weights, speeds, strict=True)) / sum(weights))


def learned_e_j_mol(learned: Mapping[str, Any]) -> float | None:
    """The activation energy of a [cure] table [J/mol], its mean over all shapes by their weights; None without one."""
    belief = _belief(learned)
    if belief is None:
        return None
    weights = [exp(w) for w in (belief.ln_weights - belief.ln_weights.max()).tolist()]
    e_values = belief.means[:, E].tolist()
    return 1e4 * float(sum(w * v for w, v in zip(weights, e_values, strict=True)) / sum(weights))


def is_learned(learned: Mapping[str, Any]) -> bool:
    """True if `resin_cure` can use this [cure] table."""
    return _belief(learned) is not None


def is_shops(learned: Mapping[str, Any]) -> bool:
    """True if a [cure] table is a prior taken from a shop, which no pour of this bench is in."""
    return isinstance(learned.get(SHOP), Mapping)


def _belief(learned: Mapping[str, Any]) -> ResinBelief | None:
    try:
        return ResinBelief.from_plain(learned) if learned else None
    except ValueError:
        return None


def cure_hash(pot_life_s: float, mass_g: float, learned: Mapping[str, Any], revision: int = REVISION) -> str:
    """A name for the cure `resin_cure` makes of these arguments: equal names, equal section tables.

    revision: that of the tables' sums, an old one to recognise an old table.
    """
    used = ("means", "ln_weights", "pot_life_s")
    known = {key: learned[key] for key in used if key in learned} if is_learned(learned) else {}
    plain = json.dumps([revision, pot_life_s, mass_g, known], sort_keys=True, separators=(",", ":"))
    return sha256(plain.encode()).hexdigest()[:16]


@lru_cache(maxsize=128)  # the parts of a load ask for the same cup again
def cup_gel_s(cure: Cure, k_per_s: float, room_c: float, tau_s: float, most_s: float) -> float:
    """When a lumped cup gels [s after the mix] at rate constant k_per_s, all at room_c [C]; at most most_s.

    Stepped in conversion (dt = d alpha / r), so the run-up and the kick get equal care; midpoint rule.
    """
    step = cure.gel_conversion / STEPS
    temp_c, t_s = room_c, 0.0
    for i in range(STEPS):
        dt_s = step / _rate(cure, k_per_s, step * i, temp_c)
        middle_c = temp_c + 0.5 * (cure.rise_k * step - (temp_c - room_c) * (1.0 - exp(-dt_s / tau_s)))
        dt_s = step / _rate(cure, k_per_s, step * (i + 0.5), middle_c)
        fades = exp(-dt_s / tau_s)
        temp_c = room_c + (temp_c - room_c) * fades + cure.rise_k * step * tau_s / dt_s * (1.0 - fades)
        t_s += dt_s
        if t_s > most_s:
            return most_s
    return t_s


def _rate(cure: Cure, k_per_s: float, alpha: float, temp_c: float) -> float:
    heat = cure.e_j_mol / GAS_CONSTANT_J_MOL_K * (1.0 / REFERENCE_K - 1.0 / (temp_c + ZERO_C_K))
    share: float = (cure.c + alpha**cure.m) * (1.0 - alpha) ** cure.n
    return k_per_s * exp(heat) * share
