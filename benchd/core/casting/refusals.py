"""Refuses marks of what can't be: a part out of a closed pot, before its cup's kick, or of another load.

Only what the bench knows refuses: a gauge that shows pressure now, a kick that is not even possibly over.  A gauge that
is silent or faulty, or a cup without a forecast, refuses nothing: then the hand is the witness (decision 5.13).
"""

from __future__ import annotations

from benchd.core.casting.books import Books
from benchd.core.casting.facts import NEAR_ZERO_KPA
from benchd.core.casting.pour import Pour
from benchd.core.findings import KickForecast
from benchd.core.model import Mark, Quality
from benchd.core.units import shown_pressure
from benchd.errors import MarkRejected

FRESH_S = 5.0  # as the sensors' watch: a gauge silent for longer is silent, and no witness


def refuse_part(mark: Mark, mold: str, pour: Pour, books: Books) -> None:
    """Raises MarkRejected if this mold's part can't have been pulled, saying why and what to do."""
    code = mold.upper()
    if mark.load is not None and pour.load is not None and mark.load != pour.load:
        raise MarkRejected(f"{code} is not in that load; leave the load out, or name {pour.load}")
    load = books.loads.of(pour.pot)
    reading = books.facts.reading("pot_pressure", pour.pot or "")
    if load is not None and load.id == pour.load and reading is not None and reading.value is not None:
        is_live = reading.quality is Quality.GOOD and mark.t - reading.t <= FRESH_S
        if is_live and reading.value >= NEAR_ZERO_KPA:
            reads = shown_pressure(reading.value, books.bench.pressure_unit)
            raise MarkRejected(f"{code} is in a pot at {reads}; vent it first, then mark the part")
    due = books.facts.last("kick_forecast", pour.id)
    if pour.kicked_t is None and isinstance(due, KickForecast) and mark.t < due.early:
        raise MarkRejected(f"{code} has not kicked yet; mark `end` if the pour is given up")
