"""Combines a resin's label with a lot's own figures, and finds where they contradict themselves."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from benchd.core.bench import Lot, Resin
from benchd.errors import did_you_mean
from benchd.settings.lines import KeyPath
from benchd.settings.place import day_ended, local_midnight
from benchd.settings.shapes import LabelTable, LotTable, ResinTable
from benchd.settings.toml_file import TomlFile
from benchd.shelf.amounts import LABEL_RATIO_TOLERANCE, weight_ratio_b

LABEL_FIELDS = tuple(LabelTable.model_fields)
DENSITY_A_G_ML = 1.1  # when a label is silent: part A of casting resins 1.05-1.15; common practice, no source
DENSITY_B_G_ML = 1.0  # part B 0.95-1.05; common practice, no source

Label = Mapping[str, Any]


def said(table: LabelTable) -> dict[str, Any]:
    """The label fields a table fills in."""
    return {name: value for name in LABEL_FIELDS if (value := getattr(table, name)) is not None}


@dataclass(frozen=True, slots=True)
class Fault:
    """One way a label contradicts itself: between which keys, and what to do."""

    keys: tuple[str, ...]
    problem: str
    remedy: str


def resin_of(file: TomlFile, id: str, table: ResinTable) -> Resin:
    """A resin from its file; contradictions become complaints at their keys."""
    label = said(table)
    for fault in faults(label):
        written = [key for key in fault.keys if key in label]
        file.complain((written[0] if written else fault.keys[0],), fault.problem, fault.remedy)
    return _resin(id, table.name, label, table.cure)


def lot_of(
    file: TomlFile, path: KeyPath, table: LotTable, resins: Mapping[str, ResinTable | None], timezone: str
) -> Lot | None:
    """A lot with its resin's label and its own overrides.

    None when the resin is unknown (a complaint here) or has faults of its own (None in `resins`: complained of there).
    """
    if table.resin not in resins:
        remedy = did_you_mean(table.resin, resins) or "write its label into resins/"
        file.complain((*path, "resin"), f'no resin "{table.resin}" in resins/', remedy)
    base = resins.get(table.resin)
    if base is None:
        return None
    own = said(table)
    label = {**said(base), **own}
    before = [fault.keys for fault in faults(said(base))]
    for fault in faults(label):
        written = [key for key in fault.keys if key in own]
        if written and fault.keys not in before:
            file.complain((*path, written[0]), fault.problem, fault.remedy)
    _judge_left(file, path, table)
    return _lot(table, _resin(table.resin, base.name, label, base.cure), timezone)


def _lot(table: LotTable, label: Resin, timezone: str) -> Lot:
    opened, left_since = (
        None if day is None else local_midnight(day, timezone) for day in (table.opened, table.left_on)
    )
    return Lot(
        id=table.code.lower(), code=table.code, resin=table.resin, label=label, opened=opened,
        bought_g=table.bought, cost_kg=table.cost_kg, suspect=table.suspect, left_g=table.left, left_since=left_since,
        shelf_end=None if table.shelf_end is None else day_ended(table.shelf_end, timezone),
    )  # fmt: skip


def _judge_left(file: TomlFile, path: KeyPath, table: LotTable) -> None:
    """Check that what was weighed as left has its day, and is no more than was bought."""
    if table.left is not None and table.left_on is None:
        remedy = "write left_on, the day it was weighed, before that day's first pour"
        file.complain((*path, "left"), "on which day was that left?", remedy)
    if table.left is None and table.left_on is not None:
        file.complain((*path, "left_on"), "is given without `left`", 'write left = "1400 g", or take left_on out')
    if table.left is not None and table.bought is not None and table.left > table.bought:
        problem = f"{table.left:g} g left are more than the {table.bought:g} g bought"
        file.complain((*path, "left"), problem, "A and B together, without their cans")


def faults(label: Label) -> list[Fault]:
    """Every way a whole label contradicts itself, or says too little to weigh by."""
    found: list[Fault] = []
    if label["demold"] < label["pot_life"]:
        remedy = "look at the label: they may be swapped"
        found.append(Fault(("demold", "pot_life"), "demold is sooner than the pot life", remedy))
    heat = ("post_cure", "post_cure_at")
    if (heat[0] in label) != (heat[1] in label):
        remedy = 'write both, as post_cure = "4 h" and post_cure_at = "65 C", or neither'
        found.append(Fault(heat, "a post-cure is a time and a temperature", remedy))
    if label.get("stir", 0.0) > label["pot_life"]:
        found.append(Fault(("stir", "pot_life"), "stirring takes longer than the pot life", "look at the label"))
    keys = ("ratio_weight", "ratio_volume", "density_a", "density_b")
    has_weight, has_volume, *has_densities = (key in label for key in keys)
    if not has_weight and not has_volume:
        remedy = 'write ratio_weight = "100:90", or ratio_volume and both densities'
        found.append(Fault(keys, "neither ratio_weight nor ratio_volume is given", remedy))
    elif not has_weight and not all(has_densities):
        remedy = "write density_a and density_b: by weight, equal volumes are not equal parts"
        found.append(Fault(keys[1:], "a volume ratio alone cannot be weighed", remedy))
    elif has_weight and has_volume and all(has_densities):
        stated = label["ratio_weight"]
        made = weight_ratio_b(label["ratio_volume"], label["density_a"], label["density_b"])
        if abs(made / stated - 1.0) > LABEL_RATIO_TOLERANCE:
            ratios = f"100:{100 * stated:.0f}, but ratio_volume and the densities make 100:{100 * made:.0f}"
            found.append(Fault(keys, f"ratio_weight is {ratios}", "look at the label: one of the four is wrong"))
    return found


def _resin(id: str, name: str, label: Label, cure: Mapping[str, Any]) -> Resin:
    a_g_ml = label.get("density_a", DENSITY_A_G_ML)
    b_g_ml = label.get("density_b", DENSITY_B_G_ML)
    by_volume, by_weight = label.get("ratio_volume"), label.get("ratio_weight")
    if by_weight is None:
        by_weight = weight_ratio_b(by_volume or 1.0, a_g_ml, b_g_ml)
    if by_volume is None:
        by_volume = by_weight * a_g_ml / b_g_ml
    renamed = {
        "pot_life_mass": "pot_life_mass_g", "least_hold": "least_hold_s", "density_cured": "density_cured_g_ml",
        "peak": "peak_c", "stir": "stir_s", "post_cure": "post_cure_s", "post_cure_at": "post_cure_c",
        "heat_deflection": "heat_deflection_c",
    }  # fmt: skip
    rest = {new: label[old] for old, new in renamed.items() if old in label}
    return Resin(
        id=id,
        name=name,
        pot_life_s=label["pot_life"],
        demold_s=label["demold"],
        ratio_weight_b=by_weight,
        ratio_volume_b=by_volume,
        density_a_g_ml=a_g_ml,
        density_b_g_ml=b_g_ml,
        cure=cure,
        **rest,
    )
