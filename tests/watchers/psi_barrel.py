"""A pot of the invented studio as several watchers' tests have it, in round psi."""

from __future__ import annotations

from benchd.core.bench import Bench, Pot
from benchd.core.model import Subject
from benchd.core.seat.watcher import Place

PSI = 6.894757293168
BARREL = Pot(
    id="barrel", name="Barrel", volume_l=16.5, free_l=13.0, marked_kpa=60 * PSI, relief_kpa=55 * PSI,
    target_kpa=42 * PSI, floor_kpa=35 * PSI, limit_kpa=54 * PSI,
)  # fmt: skip
BENCH = Bench(id="north", shop="quiet-harbour", name="North bench", pots=(BARREL,))
WHERE = Subject(bench="north", pot="barrel")
PLACE = Place(bench=BENCH, subject=WHERE, pot=BARREL)
