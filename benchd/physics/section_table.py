"""A resin's section times as a table of ln t: solved once for a label, then interpolated.

Axes (clamped at their ends, parabolas of ln t between): ln thickness, wall, lot (ln of its speed over the label's),
resin, room and mold temperature; planes: kick, gel, green, hard, cool, cold.  A second small table holds what a wrong
ratio adds to ln t, by thickness.  Solved for slabs, poured a minute after the mix.  Interpolated times come within 4 %
(median 0.5 %) of times solved for themselves, those of cool within 8 % (median 2 %).

A ratio error rho (B per A over the right B per A) leaves the part in shortage to react: rise in its proportion, gel at
the label's conversion / sqrt(min(rho, 1/rho)) (Flory, Stockmayer), full Tg lower by 2 K for each per cent, and B brings
the catalyst [common practice: 10 % off goes soft].
"""

from __future__ import annotations

import base64
import binascii
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from math import exp, log, prod
from typing import Any

import numpy as np

from benchd.physics.kinetics import Cure, Glass
from benchd.physics.section import SectionTimes, poured, section_times
from benchd.physics.section_grid import Array, section_grid
from benchd.stored import stored

THICK_MM = (1.2, 1.8, 2.5, 3.6, 5.2, 7.5, 10.8, 15.5, 22.0, 32.0)
WALL_MM = (10.0, 14.0, 18.0)
LOT = (-0.8, 0.0, 0.8)
MIX_C = (16.0, 22.0, 30.0)
ROOM_C = (16.0, 30.0)
MOLD_C = (15.0, 24.0, 36.0, 55.0)
RATIO = (0.85, 0.94, 1.0, 1.06, 1.15)
RIGHT = RATIO.index(1.0)
PLANES = ("kick", "gel", "green", "hard", "cool", "cold")
OLD_PLANES = (4, 5)  # how many older tables had, as old recordings hold them
AXES: tuple[tuple[float, ...], ...] = (tuple(log(d) for d in THICK_MM), WALL_MM, LOT, MIX_C, ROOM_C, MOLD_C)
GRID = tuple(len(axis) for axis in AXES)
RATIO_GRID = (len(THICK_MM), len(RATIO))
STEP = 1.0 / 1800.0  # of ln t, as a 16-bit whole number: times to 0.06 %, up to e^18 s

POURED_S = 60.0  # common practice: half a minute of mixing, then 10 to 22 s a mold
LONGEST_POT_LIVES = 300.0
LONGEST_S = 48.0 * 3600.0
TG_K_PER_RATIO = 200.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """A section's circumstances: thickness, wall [mm], temperatures [C], lot (ln speed), ratio (B per A; 1: right)."""

    thick_mm: float
    wall_mm: float = 12.0
    lot: float = 0.0
    mix_c: float = 23.0
    room_c: float = 23.0
    mold_c: float = 23.0
    ratio: float = 1.0


@stored("section-table")
@dataclass(frozen=True, slots=True)
class SectionTable:
    """One resin's solved times: ln t and what the ratio adds, as little-endian 16-bit numbers of STEP."""

    times: bytes
    ratios: bytes

    def given_name(self) -> str:
        """A digest of the content: a checkpoint refers to a table instead of holding it."""
        return hashlib.sha256(self.times + self.ratios).hexdigest()[:16]

    def ln_times(self, at: Conditions) -> dict[str, float]:
        """ln of the seconds from mix to each of PLANES; old tables lack "cold", the oldest "cool" too."""
        where = (log(at.thick_mm), at.wall_mm, at.lot, at.mix_c, at.room_c, at.mold_c)
        main = _lookup(_unpacked(self.times, GRID), AXES, where)
        off = _lookup(_unpacked(self.ratios, RATIO_GRID), (AXES[0], RATIO), (where[0], at.ratio), nodes=2)
        return {name: float(main[i] + off[i]) for i, name in enumerate(PLANES[: len(main)])}

    def to_plain(self) -> dict[str, str]:
        """For a Table input."""
        return {"times": base64.b64encode(self.times).decode(), "ratios": base64.b64encode(self.ratios).decode()}


def table_from_plain(plain: Mapping[str, Any]) -> SectionTable:
    """The inverse of `to_plain`.  Raises ValueError on anything else."""
    try:
        made = SectionTable(*(base64.b64decode(str(plain[name]), validate=True) for name in ("times", "ratios")))
    except (KeyError, binascii.Error) as error:
        raise ValueError(f"no section table: {error}") from error
    sizes = [(2 * planes * prod(GRID), 2 * planes * prod(RATIO_GRID)) for planes in (*OLD_PLANES, len(PLANES))]
    if (len(made.times), len(made.ratios)) not in sizes:
        raise ValueError("a section table of another size")
    return made


def _unpacked(packed: bytes, grid: Sequence[int]) -> Array:
    return np.frombuffer(packed, "<i2").reshape(-1, *grid).astype(float) * STEP


def _packed(values: Array) -> bytes:
    return np.round(values / STEP).clip(-32768, 32767).astype("<i2").tobytes()


def _lookup(values: Array, axes: Sequence[Sequence[float]], where: Sequence[float], nodes: int = 3) -> Array:
    """Interpolation along every axis but the first: through the nearest 3 nodes (a parabola) or 2 (a line)."""
    for axis, x in zip(axes, where, strict=True):
        x = min(max(x, axis[0]), axis[-1])
        first = next(i for i in range(1, len(axis)) if x <= axis[i]) - 1
        count = min(nodes, len(axis))
        if count == 3 and (first == len(axis) - 2 or (first > 0 and x - axis[first] < axis[first + 1] - x)):
            first -= 1
        near = axis[first : first + count]
        weights = [prod((x - b) / (a - b) for b in near if b != a) for a in near]
        values = sum((w * values[:, first + i] for i, w in enumerate(weights)), start=np.zeros(1))
    return values


# ------------------------------------------------------------------------------------------------------------- solving


def solve_table(cure: Cure, pot_life_s: float) -> SectionTable:
    """All of one resin's sections, solved: cure at the label's speed; pot_life_s bounds how far to look.  Takes a
    second or two: not for the step."""
    grid = np.array(list(product(THICK_MM, *AXES[1:]))).T
    times = solve(cure, [Conditions(**dict(zip(_NAMES, row, strict=True))) for row in grid.T.tolist()], pot_life_s)
    main = _planes(times).reshape(-1, *GRID)
    off = [_planes(solve(cure, [Conditions(thick_mm=d, ratio=r) for d in THICK_MM], pot_life_s)) for r in RATIO]
    return SectionTable(_packed(main), _packed(np.stack(off, axis=-1) - off[RIGHT][:, :, None]))


_NAMES = ("thick_mm", "wall_mm", "lot", "mix_c", "room_c", "mold_c")


def solve(cure: Cure, cases: Sequence[Conditions], pot_life_s: float) -> SectionTimes:
    """These cases solved for themselves, all of one ratio."""
    mixed, speed = weighed(cure, cases[0].ratio)
    column = {name: np.array([getattr(case, name) for case in cases]) for name in _NAMES}
    grid = section_grid(column["thick_mm"] / 2.0, column["wall_mm"])
    speeds, rise = speed * np.exp(column["lot"]), np.full(len(cases), mixed.rise_k)
    poured_s = min(POURED_S, 0.4 * pot_life_s)
    start = poured(mixed, grid, column["mix_c"], column["mold_c"], column["room_c"], speeds, rise, poured_s)
    until_s = min(LONGEST_POT_LIVES * pot_life_s, LONGEST_S)
    return section_times(mixed, grid, start, column["room_c"], speeds, rise, until_s)


def _planes(times: SectionTimes) -> Array:
    seconds = np.stack([getattr(times, f"{name}_s") for name in PLANES])
    return np.asarray(np.log(np.minimum(seconds, exp(17.9))))


def weighed(cure: Cure, ratio: float) -> tuple[Cure, float]:
    """The cure at a ratio (B per A over the right B per A, 0.5 to 2), and its speed over the label's."""
    balance = min(ratio, 1.0 / ratio)
    share_b = 2.0 * ratio / (1.0 + ratio)  # near equal parts; 1 when right
    glass = cure.glass or Glass()
    off = replace(glass, tg_full_c=glass.tg_full_c - TG_K_PER_RATIO * (1.0 - balance))
    short = min(share_b, 2.0 / (1.0 + ratio))
    gel = min(0.97, cure.gel_conversion / balance**0.5)
    return replace(cure, rise_k=cure.rise_k * short, gel_conversion=gel, glass=off), share_b
