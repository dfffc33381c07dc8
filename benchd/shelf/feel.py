"""Learns a mold's ready time from the parts pulled from it: the journal's pulls become remembered factors.

The sum is physics/mold_factor's.  Here: which pulls count, whether the new value beats the old one, and what would
teach more.  Pulls that are always late and hard teach little; one earlier test on the vent stub would.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from math import log
from typing import Any

from benchd.core.findings import PartPulled
from benchd.core.model import FEELS
from benchd.physics.mold_factor import THIN_MM, MoldFactor, Pull, belief_of

Factors = Mapping[str, Mapping[str, MoldFactor]]
LATE_LN = 0.25  # a pull this much after its expected hard time, and hard, teaches next to nothing
FEW = 3


def pull_of(found: PartPulled | Mapping[str, Any]) -> Pull | None:
    """The pull in a finding (or in its printed form, from the journal); None if it taught nothing."""
    plain = {name: getattr(found, name) for name in _KEYS} if isinstance(found, PartPulled) else found
    try:
        mold, resin, feel = (str(plain[name]) for name in ("mold", "resin", "feel"))
        after_s, green_s, hard_s = (float(plain[name]) for name in ("after_s", "green_s", "hard_s"))
    except (KeyError, TypeError, ValueError):
        return None
    if feel not in FEELS or not 0.0 < green_s <= hard_s or after_s <= 0.0:
        return None
    return Pull(mold=mold, resin=resin, after_s=after_s, feel=feel, green_s=green_s, hard_s=hard_s)


_KEYS = ("mold", "resin", "feel", "after_s", "green_s", "hard_s")


def learn_from(
    pulls: Iterable[Pull], before: Factors | None = None, thick_mm: Mapping[str, float] | None = None
) -> dict[str, dict[str, MoldFactor]]:
    """What is learned after these pulls (oldest first): mold -> resin -> factor, doubt, count, note.

    before: what was known; thick_mm: each mold's thickest section.  A mold's value is renewed only where the new one
    predicts the pulls, each from those before it, at least as well as the old; `kept` then says how many pulls spoke
    against it.
    """
    old = before or {}
    grouped: dict[tuple[str, str], list[Pull]] = {}
    for pull in pulls:
        grouped.setdefault((pull.mold, pull.resin), []).append(pull)
    out = {mold: dict(by_resin) for mold, by_resin in old.items()}
    for (mold, resin), group in grouped.items():
        known = old.get(mold, {}).get(resin)
        out.setdefault(mold, {})[resin] = _renewed(group, known, (thick_mm or {}).get(mold, THIN_MM))
    return out


def _renewed(pulls: Sequence[Pull], known: MoldFactor | None, thick_mm: float) -> MoldFactor:
    belief, score, old_score = belief_of(None, thick_mm), 0.0, 0.0
    fixed = belief_of(known, thick_mm)
    for pull in pulls:
        score += log(belief.expects(pull))
        old_score += log(fixed.expects(pull))
        belief = belief.after(pull)
    if known is not None and score < old_score:
        return replace(known, kept=len(pulls))
    return MoldFactor(
        log_bias=round(belief.mean, 4), sd=round(belief.sd, 4), pulls=belief.pulls, note=advice(pulls)
    )  # fmt: skip


def advice(pulls: Sequence[Pull]) -> str:
    """What would teach more when all pulls came late and hard; "" if nothing."""
    is_late = [p.feel in ("hard", "stuck") and log(p.after_s / p.hard_s) > LATE_LN for p in pulls]
    return "always pulled late and hard: test the vent stub earlier once" if len(pulls) >= FEW and all(is_late) else ""
