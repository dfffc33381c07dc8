"""Builds pots, cups and molds from their tables, and checks their figures against one another."""

from __future__ import annotations

from collections.abc import Collection

from benchd.core.bench import Cup, Mold, Pot
from benchd.core.bench.mold import WARM_FOR_S
from benchd.core.units import shown_pressure
from benchd.errors import did_you_mean
from benchd.settings.lines import KeyPath
from benchd.settings.place import day_ended, local_midnight
from benchd.settings.shapes import CupTable, MoldTable, PotTable
from benchd.settings.toml_file import TomlFile

LIMIT_OF_MARK = 0.9  # alarm 10 % under the mark: common practice, no source
TARGET_OF_MARK = 0.75  # a target above this share of the mark is cautioned: common practice, no source
FREE_OF_VOLUME = 0.8  # what molds and shelves leave free, when not measured: common practice, no source


def pot_of(file: TomlFile, id: str, table: PotTable, unit: str) -> Pot:
    """A pot; pressures that contradict one another become complaints."""
    path: KeyPath = ("pot", id)
    limit_kpa = LIMIT_OF_MARK * table.marked if table.limit is None else table.limit
    free_ml = FREE_OF_VOLUME * table.volume if table.free is None else table.free
    if free_ml > table.volume:
        file.complain((*path, "free"), "is more than the volume", f'write free = "{table.volume / 1000:g} l" or less')
    pot = Pot(
        id=id,
        name=table.name,
        volume_l=table.volume / 1000.0,
        free_l=free_ml / 1000.0,
        marked_kpa=table.marked,
        relief_kpa=table.relief,
        target_kpa=table.target,
        floor_kpa=table.floor,
        limit_kpa=limit_kpa,
        hold=table.hold,
        floor_cm2=table.floor_cm2,
        inside_cm=None if table.diameter is None else table.diameter / 10.0,
    )
    _judge_pressures(file, path, pot, unit)
    return pot


def _judge_pressures(file: TomlFile, path: KeyPath, pot: Pot, unit: str) -> None:
    def shown(kpa: float) -> str:
        return shown_pressure(kpa, unit)

    mark = shown(pot.marked_kpa)
    for key in ("target", "floor", "limit", "relief"):
        kpa = getattr(pot, f"{key}_kpa")
        if kpa > pot.marked_kpa:
            file.complain(
                (*path, key), f"{shown(kpa)} is above the pot's mark of {mark}", f"{mark} is the most it may see"
            )
    if pot.target_kpa > pot.marked_kpa:
        return
    if pot.floor_kpa >= pot.target_kpa:
        problem = f"{shown(pot.floor_kpa)} is not below the target of {shown(pot.target_kpa)}"
        file.complain((*path, "floor"), problem, "the floor is the least pressure that counts; the target is above it")
    if pot.target_kpa >= pot.limit_kpa:
        problem = f"{shown(pot.target_kpa)} is not below the limit of {shown(pot.limit_kpa)}"
        file.complain((*path, "target"), problem, "every fill would raise the alarm")
    elif pot.target_kpa > TARGET_OF_MARK * pot.marked_kpa:
        share = 100.0 * pot.target_kpa / pot.marked_kpa
        remedy = f"at most {shown(TARGET_OF_MARK * pot.marked_kpa)} is common practice"
        file.caution((*path, "target"), f"{shown(pot.target_kpa)} is {share:.0f} % of the pot's mark", remedy)
    if pot.relief_kpa <= pot.target_kpa:
        problem = f"{shown(pot.relief_kpa)} is not above the target of {shown(pot.target_kpa)}"
        file.caution((*path, "relief"), problem, "the relief valve would lift during every hold")


def cup_of(id: str, table: CupTable) -> Cup:
    """A cup."""
    return Cup(id=id, name=table.name, kind=table.kind, mass_g=table.mass, probe_lag_s=table.probe_lag)


def mold_of(file: TomlFile, path: KeyPath, table: MoldTable, resins: Collection[str], timezone: str) -> Mold:
    """A mold; its id is its code in lower case; its days are local ones."""
    if table.thin_mm > table.thick_mm:
        problem = f"thin_mm {table.thin_mm:g} is more than thick_mm {table.thick_mm:g}"
        file.complain((*path, "thin_mm"), problem, "they may be swapped")
    if table.resin is not None and table.resin not in resins:
        remedy = did_you_mean(table.resin, resins) or "write its label into resins/"
        file.complain((*path, "resin"), f'no resin "{table.resin}" in resins/', remedy)
    return Mold(
        id=table.code.lower(),
        warm_c=table.warm,
        warm_for_s=WARM_FOR_S if table.warm_for is None else table.warm_for,
        made=None if table.made is None else local_midnight(table.made, timezone),
        shelf_end=None if table.shelf_end is None else day_ended(table.shelf_end, timezone),
        **table.model_dump(exclude={"warm", "warm_for", "made", "shelf_end"}),
    )
