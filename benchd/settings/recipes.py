"""Builds recipes from their tables, and finds what cannot be weighed or poured."""

from __future__ import annotations

from benchd.core.bench.recipe import Recipe
from benchd.physics.mixture import MOST_FILLED, volume_share
from benchd.settings.lines import KeyPath
from benchd.settings.shapes import RecipeTable
from benchd.settings.toml_file import TomlFile

RESIN_G_ML = 1.07  # as a label that is silent: what can be poured is not a matter of the third place


def made_recipe(file: TomlFile, path: KeyPath, table: RecipeTable) -> Recipe:
    """A recipe; what contradicts itself becomes a complaint at its key."""
    if table.pigment_pct is None and table.filler_phr is None and table.filler_pct is None:
        file.complain((*path, "code"), "nothing is in this recipe", "write pigment_pct, or filler_phr, or both")
    for amount, key in ((table.pigment_pct, "pigment"), (table.filler_phr or table.filler_pct, "filler")):
        if amount is not None and getattr(table, f"{key}_density") is None:
            of = f'write {key}_density = "1.2 g/ml", from its data sheet: grams alone do not fill a mold'
            file.complain((*path, f"{key}_density"), f"how dense is the {key}?", of)
    made = Recipe(
        id=table.code.lower(), code=table.code, name=table.name, note=table.note,
        pigment_phr=table.pigment_pct or 0.0, pigment_g_ml=table.pigment_density or 1.0,
        filler_phr=_filler_phr(file, path, table), filler_g_ml=table.filler_density or 1.0,
        filler_cp=0.85 if table.filler_cp is None else table.filler_cp,
    )  # fmt: skip
    if table.filler_density is not None:
        _refuse_paste(file, path, table, made)
    return made


def _filler_phr(file: TomlFile, path: KeyPath, table: RecipeTable) -> float:
    """Parts of filler to 100 of A and B: f = 100 p/(100 - p) where a per cent p of the whole was written."""
    if table.filler_pct is None:
        return table.filler_phr or 0.0
    if table.filler_phr is not None:
        file.complain((*path, "filler_pct"), "is given beside filler_phr", "write one of the two")
    if table.filler_pct >= 100.0:
        remedy = "it is per cent of the whole mixture; parts to 100 of resin are filler_phr"
        file.complain((*path, "filler_pct"), f"{table.filler_pct:g} % of filler leave no resin", remedy)
        return 0.0
    whole = table.filler_pct
    return (100.0 + (table.pigment_pct or 0.0)) * whole / (100.0 - whole)


def _refuse_paste(file: TomlFile, path: KeyPath, table: RecipeTable, made: Recipe) -> None:
    """A mixture with more filler than can be poured becomes a complaint that says how much can."""
    parts = made.parts(RESIN_G_ML)
    share = volume_share(parts, parts[2])
    if share > MOST_FILLED:
        rest_ml = sum(part.grams / part.density_g_ml for part in parts[:2])
        most_phr = MOST_FILLED / (1.0 - MOST_FILLED) * rest_ml * made.filler_g_ml
        key = "filler_phr" if table.filler_pct is None else "filler_pct"
        problem = f"{made.filler_phr:.0f} parts to 100 of resin are {100.0 * share:.0f} % of the volume: a paste"
        file.complain((*path, key), problem, f"at most {most_phr:.0f} parts can be poured")
