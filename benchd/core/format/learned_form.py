"""Writes what was learned to a context and reads it back: the one writer and the one reader of its plain form.

{"caster": {"pour_s", "lid_s"}, "pots": {POT: {"fill_s", "bare": SHAPES, "probed": SHAPES, "fills"}},
 "molds": {MOLD: {RESIN: {"log_bias", "sd", "pulls", "note", "kept"}}}, "lots": {LOT: {...}},
 "silicones": {NAME: {"casts", "signs", "molds"}}, "remedies": {MOLD: [{"text", "worked", "of", ...}]}}, only what is
known.

SHAPES is a pot's PotShapes (physics/leak_learning.py).  What cannot be read is left out by itself: a spoilt entry
costs its own lesson, never another.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, TypeVar

import msgspec

from benchd.core.model.learned import BOUNDS_S, CasterHabits, Drift, Learned, LearnedLife, PotHabits, Remedy
from benchd.physics.leak_learning import PotShapes
from benchd.physics.mold_factor import MoldFactor

T = TypeVar("T")


def learned_body(learned: Learned) -> dict[str, Any]:
    """The plain form."""
    tables = {
        "caster": _known(learned.caster),
        "pots": {id: _pot_body(pot) for id, pot in learned.pots.items()},
        "molds": {id: {resin: _known(f) for resin, f in each.items()} for id, each in learned.molds.items()},
        "lots": {id: _known(drift) for id, drift in learned.lots.items()},
        "silicones": {name: _known(life) for name, life in learned.silicones.items()},
        "remedies": {mold: [_known(each) for each in tried] for mold, tried in learned.remedies.items()},
    }
    return {name: table for name, table in tables.items() if table}


def _pot_body(pot: PotHabits) -> dict[str, Any]:
    return _known(pot) | ({"fills": pot.fills} if pot.bare or pot.probed else {})


def _known(value: object) -> dict[str, Any]:
    """A dataclass's fields as JSON has them, without those that are None, "" or say that nothing was kept."""
    plain: dict[str, Any] = msgspec.to_builtins(value)
    return {name: item for name, item in plain.items() if item not in (None, "") and (name, item) != ("kept", 0)}


def learned_from_body(plain: object) -> Learned:
    """What a context carries, as far as it can be read."""
    tables = plain if isinstance(plain, Mapping) else {}
    caster = tables.get("caster")
    return Learned(
        caster=CasterHabits(pour_s=_seconds(caster, "pour_s"), lid_s=_seconds(caster, "lid_s")),
        pots={id: _pot(each) for id, each in _entries(tables.get("pots"))},
        molds={id: _each(MoldFactor, by_resin) for id, by_resin in _entries(tables.get("molds"))},
        lots=_each(Drift, tables.get("lots")),
        silicones=_each(LearnedLife, tables.get("silicones")),
        remedies={mold: _remedies(tried) for mold, tried in _entries(tables.get("remedies"))},
    )


def _pot(plain: object) -> PotHabits:
    table = plain if isinstance(plain, Mapping) else {}
    bare, probed = (_read(PotShapes, table.get(kind)) for kind in ("bare", "probed"))
    return PotHabits(fill_s=_seconds(table, "fill_s"), bare=bare, probed=probed)


def _remedies(plain: object) -> tuple[Remedy, ...]:
    read = [_read(Remedy, each) for each in plain] if isinstance(plain, list) else []
    return tuple(remedy for remedy in read if remedy is not None)


def _entries(table: object) -> list[tuple[str, object]]:
    return [(str(name), each) for name, each in table.items()] if isinstance(table, Mapping) else []


def _each(kind: type[T], table: object) -> dict[str, T]:
    read = [(name, _read(kind, each)) for name, each in _entries(table)]
    return {name: value for name, value in read if value is not None}


def _read(kind: type[T], plain: object) -> T | None:
    try:
        return msgspec.convert(plain, kind)
    except msgspec.ValidationError:
        return None


def _seconds(table: object, name: str) -> float | None:
    """A habit's seconds, if they are within what hands and pots can do."""
    value = table.get(name) if isinstance(table, Mapping) else None
    low, high = BOUNDS_S[name]
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    return float(value) if is_number and low <= value <= high else None  # type: ignore[operator,arg-type]
