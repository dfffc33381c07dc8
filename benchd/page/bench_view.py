"""What must the page know that no reading tells?  The bench's names, limits, units; the working time left today."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from benchd.core.bench import Bench
from benchd.core.model import Quality, Reading
from benchd.physics.cup_heat import LABEL_TEMP_C, label_time_factor
from benchd.shelf.drift import drift_from

POT_KEYS = ("id", "name", "target_kpa", "floor_kpa", "limit_kpa", "marked_kpa", "relief_kpa", "hold")
MOLD_KEYS = ("id", "code", "name", "thin_mm", "thick_mm", "pull", "life", "casts_before", "stance", "traps")
PLAUSIBLE_ROOM_C = (-10.0, 50.0)  # a workshop; outside it a label's rule says nothing


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
        "channels": [{"id": c.id, "role": c.role, "of": c.of} for c in bench.channels],
    }


def working_time(bench: Bench, readings: Mapping[str, Reading], now_t: float) -> dict[str, Any] | None:
    """How long the lot in use would stay workable if mixed now [s], at which temperature, on what basis.

    The label's pot life carried to the room's temperature (`label_time_factor`); without a room probe, the label's own
    23 C.  A lot that clearly kicks otherwise as it ages (shelf/drift) is taken as it is now.  None without a label.
    """
    lot = bench.lot_in_use()
    label = bench.label_for(lot.id if lot else None)
    if label is None:
        return None
    room = next((r for r in readings.values() if r.role == "room_temperature" and r.quality is Quality.GOOD), None)
    value = room.value if room is not None else None
    is_known = value is not None and math.isfinite(value) and PLAUSIBLE_ROOM_C[0] < value < PLAUSIBLE_ROOM_C[1]
    temp_c = value if value is not None and is_known else LABEL_TEMP_C
    drift = drift_from(bench.learned, lot.id) if lot is not None and lot.opened is not None else None
    aged = 1.0
    if drift is not None and lot is not None and lot.opened is not None:
        aged = math.exp(drift.ln_at((now_t - lot.opened) / 86_400.0)[0])
    return {
        "working_s": round(label.pot_life_s * label_time_factor(temp_c) * aged, 1),
        "temp_c": round(temp_c, 1),
        "temp_basis": "measured" if is_known else "label",
        "t": room.t if room is not None and is_known else None,
        "basis": "label" if drift is None else "drift",
        "lot": lot.code if lot else None,
        "resin": label.name,
    }
