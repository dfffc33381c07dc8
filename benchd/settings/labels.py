"""What do a resin's label and a lot's own figures say together, and do they contradict themselves?"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from benchd.core.bench import Lot, Resin
from benchd.settings.lines import KeyPath
from benchd.settings.place import local_midnight
from benchd.settings.shapes import LabelTable, LotTable, ResinTable
from benchd.settings.sheets import Sheet, did_you_mean
from benchd.shelf.amounts import LABEL_RATIO_TOLERANCE, weight_ratio_b

LABEL_FIELDS = tuple(LabelTable.model_fields)
DENSITY_A_G_ML = 1.1  # when a label is silent: part A of casting resins 1.05-1.15; common practice, no source
DENSITY_B_G_ML = 1.0  # part B 0.95-1.05; common practice, no source

Label = Mapping[str, Any]


def said(table: LabelTable) -> dict[str, Any]:
    """The label fields a table fills in."""
    return {name: value for name in LABEL_FIELDS if (value := getattr(table, name)) is not None}


def resin_of(sheet: Sheet, id: str, table: ResinTable) -> Resin:
    """A resin from its file; contradictions become complaints at their keys."""
    label = said(table)
    judge(sheet, (), label, label)
    return _resin(id, table.name, label, table.cure)


def lot_of(
    sheet: Sheet, path: KeyPath, table: LotTable, resins: Mapping[str, ResinTable | None], timezone: str
) -> Lot | None:
    """A lot with its resin's label and its own overrides.

    None when the resin is unknown (a complaint here) or has faults of its own (None in `resins`: complained of there).
    """
    if table.resin not in resins:
        remedy = did_you_mean(table.resin, resins) or "write its label into resins/"
        sheet.complain((*path, "resin"), f'no resin "{table.resin}" in resins/', remedy)
    base = resins.get(table.resin)
    if base is None:
        return None
    own = said(table)
    label = {**said(base), **own}
    judge(sheet, path, label, own)
    opened = None if table.opened is None else local_midnight(table.opened, timezone)
    merged = _resin(table.resin, base.name, label, base.cure)
    return Lot(id=table.code.lower(), code=table.code, resin=table.resin, label=merged, opened=opened)


def judge(sheet: Sheet, path: KeyPath, label: Label, own: Label) -> None:
    """Complain of a label that contradicts itself, where at least one of the keys concerned stands in `own`."""
    if label["demold"] < label["pot_life"] and ("demold" in own or "pot_life" in own):
        key = "demold" if "demold" in own else "pot_life"
        sheet.complain((*path, key), "demold is sooner than the pot life", "look at the label: they may be swapped")
    ratio_keys = [k for k in ("ratio_weight", "ratio_volume", "density_a", "density_b") if k in own]
    if "ratio_weight" not in label and "ratio_volume" not in label:
        if own is not label:
            return  # said of the resin already
        remedy = 'write ratio_weight = "100:90", or ratio_volume and both densities'
        sheet.complain((*path, "ratio_weight"), "neither ratio_weight nor ratio_volume is given", remedy)
    elif ratio_keys and "ratio_volume" in label:
        _judge_ratios(sheet, (*path, ratio_keys[0]), label)


def _judge_ratios(sheet: Sheet, path: KeyPath, label: Label) -> None:
    if "density_a" not in label or "density_b" not in label:
        if "ratio_weight" not in label:
            remedy = "write density_a and density_b: by weight, equal volumes are not equal parts"
            sheet.complain(path, "a volume ratio alone cannot be weighed", remedy)
        return
    by_volume = weight_ratio_b(label["ratio_volume"], label["density_a"], label["density_b"])
    stated = label.get("ratio_weight", by_volume)
    off = by_volume / stated - 1.0
    if abs(off) > LABEL_RATIO_TOLERANCE:
        problem = (
            f"ratio_weight is 100:{100 * stated:.0f}, but ratio_volume and the densities make 100:{100 * by_volume:.0f}"
        )
        sheet.complain(path, problem, "look at the label: one of the four is wrong")


def _resin(id: str, name: str, label: Label, cure: Mapping[str, Any]) -> Resin:
    a_g_ml = label.get("density_a", DENSITY_A_G_ML)
    b_g_ml = label.get("density_b", DENSITY_B_G_ML)
    by_volume, by_weight = label.get("ratio_volume"), label.get("ratio_weight")
    if by_weight is None:
        by_weight = weight_ratio_b(by_volume or 1.0, a_g_ml, b_g_ml)
    if by_volume is None:
        by_volume = by_weight * a_g_ml / b_g_ml
    renamed = {"pot_life_mass": "pot_life_mass_g", "least_hold": "least_hold_s", "density_cured": "density_cured_g_ml"}
    rest = {new: label[old] for old, new in {**renamed, "peak": "peak_c"}.items() if old in label}
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
