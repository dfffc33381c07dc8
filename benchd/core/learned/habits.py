"""How long this caster's hands and these pots take: medians over past loads.

    pour_s   from one mold filled to the next
    lid_s    from the last mold filled to the first rise of pressure
    fill_s   from the first rise to the floor, a pot

A median over at least three values (a first pour is not a habit), of the last twenty, each within plausible bounds.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from statistics import median
from typing import Any

from benchd.core.model.learned import BOUNDS_S, CasterHabits, Learned, PotHabits

LEAST, MOST = 3, 20


@dataclass(slots=True)
class _Seen:
    """The times found, newest last."""

    pour_s: list[float] = field(default_factory=list)
    lid_s: list[float] = field(default_factory=list)
    fill_s: dict[str, list[float]] = field(default_factory=dict)
    poured_t: dict[str, float] = field(default_factory=dict)  # pour -> last mold filled
    closed_t: dict[str, float] = field(default_factory=dict)  # load -> first rise


def habits(findings: Iterable[Mapping[str, Any]]) -> Learned:
    """The habits of the caster and the pots, as far as they are known.

    `findings`: printed findings (core/format/printed.py) in order of time; only mold_poured, load_closed and
    pot_at_pressure are used.
    """
    seen = _Seen()
    for found in findings:
        _take(seen, found)
    pots = {pot: PotHabits(fill_s=value) for pot, all_s in seen.fill_s.items() if (value := _middle("fill_s", all_s))}
    caster = CasterHabits(pour_s=_middle("pour_s", seen.pour_s), lid_s=_middle("lid_s", seen.lid_s))
    return Learned(caster=caster, pots=pots)


def _take(seen: _Seen, found: Mapping[str, Any]) -> None:
    t = float(found["t"])
    match found["finding"]:
        case "mold_poured":
            pour = str(found.get("pour", ""))
            if pour in seen.poured_t:
                seen.pour_s.append(t - seen.poured_t[pour])
            seen.poured_t[pour] = t
        case "load_closed":
            began = t if found.get("since") is None else float(found["since"])
            last = [seen.poured_t[pour] for pour in found.get("pours", ()) if pour in seen.poured_t]
            if last:
                seen.lid_s.append(began - max(last))
            seen.closed_t[str(found.get("load", ""))] = began
        case "pot_at_pressure":
            closed_t = seen.closed_t.pop(str(found.get("load", "")), None)
            if closed_t is not None:
                seen.fill_s.setdefault(str(found.get("pot", "")), []).append(float(found["since"]) - closed_t)


def _middle(name: str, all_s: list[float]) -> float | None:
    low, high = BOUNDS_S[name]
    kept = [s for s in all_s if low <= s <= high][-MOST:]
    return round(median(kept), 1) if len(kept) >= LEAST else None
