"""Recordings typed by hand, their checksums from zlib: a pot filled and let down on a bench with one gauge."""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from benchd.core.bench import Bench, Channel, Cup, Pot
from benchd.core.bench.context import context_parts
from benchd.core.format.record import to_json
from benchd.core.model import Context
from benchd.core.model.learned import Learned

START_T = 1767607200.0
PSI_PA = 6894.757293168

BENCH = Bench(
    id="north", shop="quiet-harbour", name="North bench",
    pots=(Pot(id="barrel", name="Barrel", volume_l=16.5, free_l=13.0, marked_kpa=413.7, relief_kpa=379.2,
              target_kpa=289.6, floor_kpa=241.3, limit_kpa=372.3),),
    cups=(Cup(id="cup-1", name="witness cup"),),
    channels=(
        Channel(id="barrel-pressure", source="board", senml="b1-pot", role="pot_pressure", of="barrel", low=-14.0,
                high=689.5),
        Channel(id="cup-1-temperature", source="board", senml="b1-cup", role="cup_temperature", of="cup-1"),
    ),
    sources=(("board", "crc32"),),
)  # fmt: skip


def context(t: float = START_T, bench: Bench = BENCH) -> str:
    config, shelf, resins = context_parts(bench)
    return to_json(Context(t, config, shelf, resins, Learned(), ((0.0, 0.0),), "0", "by-hand"))


def board_line(t: float, seq: int, psi: float, cup_c: float = 22.0) -> str:
    """One line as a board sends it, as a recording keeps it."""
    records: list[dict[str, Any]] = [
        {"bn": "b1-", "n": "seq", "v": seq},
        {"n": "pot", "u": "Pa", "v": round(psi * PSI_PA)},
        {"n": "cup", "u": "Cel", "v": cup_c},
    ]
    body = json.dumps(records, separators=(",", ":"))
    return json.dumps({"t": t, "source": "board", "line": f"{body} {zlib.crc32(body.encode()):08x}"})


def pot_run(psi: Iterable[float], first_t: float = START_T + 1) -> list[str]:
    """One line a second."""
    return [board_line(first_t + i, i, value) for i, value in enumerate(psi)]


def fill_and_vent() -> list[str]:
    """20 s at zero, 30 s up to 42 psi, 60 s there, 30 s down, 20 s at zero."""
    up = [42 * i / 30 for i in range(30)]
    return pot_run([0.0] * 20 + up + [42.0] * 60 + up[::-1] + [0.0] * 20)


def write(path: Path, lines: Iterable[str]) -> Path:
    path.write_text("\n".join(['{"recording":1,"bench":"north"}', *lines]) + "\n", encoding="utf-8")
    return path
