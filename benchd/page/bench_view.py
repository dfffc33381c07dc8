"""Gives the page what no reading shows: the bench's names, limits, units; the working time left today."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from benchd.core.bench import Bench
from benchd.core.casting import undo
from benchd.core.learned.working_time import WorkingTime, working_time
from benchd.core.model import CAUSES, FEELS, GRADES, Quality, Reading

POT_KEYS = ("id", "name", "target_kpa", "floor_kpa", "limit_kpa", "marked_kpa", "relief_kpa", "hold")
MOLD_KEYS = ("id", "code", "name", "thin_mm", "thick_mm", "pull", "life", "casts_before", "stance", "traps")
HOUR_S = 3600.0  # a lot ages over days
STEP_C = 0.2  # a probe's flicker; 1.4 % of the time


def bench_view(bench: Bench, now_t: float) -> dict[str, Any]:
    """The bench as the page shows it: pressures kPa gauge, temperatures C, `utc_offset_s` local time minus UTC."""
    return {
        "id": bench.id,
        "shop": bench.shop,
        "name": bench.name,
        "units": {"pressure": bench.pressure_unit, "temperature": bench.temperature_unit},
        "utc_offset_s": bench.utc_offset_s(now_t),
        "pots": [{key: getattr(pot, key) for key in POT_KEYS} for pot in bench.pots],
        "cups": [{"id": cup.id, "name": cup.name, "kind": cup.kind} for cup in bench.cups],
        "molds": [{key: getattr(mold, key) for key in MOLD_KEYS} for mold in bench.molds],
        "lots": [{"id": lot.id, "code": lot.code, "resin": lot.label.name, "opened": lot.opened} for lot in bench.lots],
        "recipes": [{"id": recipe.id, "code": recipe.code, "name": recipe.name} for recipe in bench.recipes],
        "is_post_cured": any(
            resin.post_cure_s is not None for resin in (*bench.resins, *(x.label for x in bench.lots))
        ),
        "undo": {"verbs": list(undo.VERBS), "within_s": undo.WITHIN_S},
        "choices": {"feel": FEELS, "grade": GRADES, "cause": CAUSES},
        "channels": [{"id": c.id, "role": c.role, "of": c.of} for c in bench.channels],
    }


class WorkingView:
    """How long the lot in use would stay workable if mixed now; computed again when the room's temperature has changed.

    That call costs 20 to 40 ms, any other nothing.
    """

    def __init__(self) -> None:
        self._known: tuple[Bench, tuple[str | None, float | None, int], WorkingTime | None] | None = None

    def __call__(self, bench: Bench, readings: Mapping[str, Reading], now_t: float) -> dict[str, Any] | None:
        """Seconds, temperature [C] and their basis; None when no label is known."""
        lot, room = bench.lot_in_use(), _room(readings)
        room_c = None if room is None or room.value is None else round(room.value / STEP_C) * STEP_C
        asked = (lot.id if lot else None, room_c, int(now_t // HOUR_S))
        if self._known is None or self._known[0] != bench or self._known[1] != asked:
            self._known = (bench, asked, working_time(bench, *asked[:2], now_t))
        found = self._known[2]
        if found is None:
            return None
        return {
            "working_s": round(found.working_s, 1), "early_s": round(found.early_s, 1),
            "late_s": round(found.late_s, 1), "temp_c": round(found.temp_c, 1), "temp_basis": found.temp_basis,
            "t": room.t if room is not None and found.temp_basis == "measured" else None, "basis": found.basis,
            "lot": lot.code if lot else None, "resin": found.resin,
        }  # fmt: skip


def _room(readings: Mapping[str, Reading]) -> Reading | None:
    for reading in readings.values():
        is_room = reading.role == "room_temperature" and reading.quality is Quality.GOOD
        if is_room and reading.value is not None and math.isfinite(reading.value):
            return reading
    return None
