"""Works out how warm a part's thinnest section was, when it was past gel, and how its lot kicked against the label.

Warmth, best first: as typed with the mix, as the shelf has the mold warmed, the room's around the mix.  Gel: by the
forecast published then, which took the section's heat into account, else by the rule of thumb (physics/section_rule).
"""

from __future__ import annotations

from dataclasses import dataclass

from benchd.core.bench import Bench
from benchd.core.learned.lot_drift import at_label_temp_s
from benchd.physics.section_rule import gel_s
from benchd.reports import plain
from benchd.reports.records import Part, PourRecord


@dataclass(frozen=True, slots=True)
class ThinSection:
    """A part's thinnest section: its thickness, its mold's temperature [C], when it was past gel [s after the mix]."""

    thin_mm: float
    temp_c: float
    gel_s: float
    words: str


def thin_section(bench: Bench, part: Part, pour: PourRecord | None) -> ThinSection | None:
    """The part's thinnest section; None if its mold or its warmth is not known."""
    mold, label = bench.mold(part.mold), bench.label_for(part.lot)
    if mold is None or label is None or pour is None:
        return None
    temps = ((pour.mold_c, "typed"), (mold.warm_c, "by the shelf"), (pour.room_c, "the room's"))
    temp_c, basis = next(((t, basis) for t, basis in temps if t is not None), (None, ""))
    if temp_c is None:
        return None
    life_s = label.pot_life_s * (kick_factor(bench, pour) or 1.0)
    by_forecast = part.gel_s is not None
    at_s = part.gel_s if part.gel_s is not None else gel_s(life_s, mold.thin_mm, temp_c)
    source = "by its forecast" if by_forecast else "by the rule of thumb"
    warm = f"mold at {plain.warmth(bench, temp_c)} ({basis})"
    words = f"its {mold.thin_mm:g} mm section, {warm}, past gel after {plain.span(at_s)} {source}"
    return ThinSection(mold.thin_mm, temp_c, at_s, words)


def kick_factor(bench: Bench, pour: PourRecord | None) -> float | None:
    """The pour's kick, converted to 23 C, over its label's; None without a kick, a label or a room's temperature."""
    label = None if pour is None else bench.label_for(pour.lot)
    if pour is None or label is None or pour.kick_s is None or pour.room_c is None:
        return None
    return at_label_temp_s(pour.kick_s, pour.room_c, label) / label.pot_life_s
