"""Finds a sheet's tables, [name], [name.ID] and [[name]], and checks each against its shape."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any, TypeVar

from benchd.settings.lines import KeyPath
from benchd.settings.shapes import CodedTable
from benchd.settings.sheets import Model, Sheet, checked, is_id

ShelfModel = TypeVar("ShelfModel", bound=CodedTable)
Thing = TypeVar("Thing")


def single(sheet: Sheet, name: str, model: type[Model], is_needed: bool = False) -> Model | None:
    """The one [name] table; if it is missing, all defaults, or a complaint if it is needed."""
    if name in sheet.values or not is_needed:
        return checked(sheet, (name,), sheet.values.get(name, {}), model)
    sheet.complain((name,), "is missing", f"write [{name}] and its keys below")
    return None


def named(sheet: Sheet, name: str, model: type[Model]) -> Iterator[tuple[str, Model]]:
    """Each sound [name.ID] table with its id."""
    tables = sheet.values.get(name, {})
    if not isinstance(tables, dict):
        sheet.complain((name,), "must hold tables", f"write [{name}.ID] and its keys below")
        return
    for id, table in tables.items():
        if not is_id(id):
            sheet.complain((name, id), "an id may hold a-z, 0-9 and - only, at most 32", f"write [{name}.{name}-1]")
        found = checked(sheet, (name, id), table, model)
        if found is not None:
            yield id, found


def listed(sheet: Sheet, name: str, model: type[Model]) -> Iterator[tuple[KeyPath, Model]]:
    """Each sound [[name]] table with its path."""
    tables = sheet.values.get(name, [])
    if not isinstance(tables, list):
        sheet.complain((name,), "must be a list of tables", f"write [[{name}]]")
        return
    for index, table in enumerate(tables):
        found = checked(sheet, (name, index), table, model)
        if found is not None:
            yield (name, index), found


def written_ids(sheet: Sheet, name: str, key: str | None = None) -> tuple[str, ...]:
    """The ids a sheet names, in lower case, sound or not: a table with a fault is still there to be referred to."""
    tables: Any = sheet.values.get(name, {})
    if key is None:
        return tuple(tables) if isinstance(tables, dict) else ()
    found = [t.get(key) for t in tables if isinstance(t, dict)] if isinstance(tables, list) else []
    return tuple(id.lower() for id in found if isinstance(id, str))


def by_code(
    sheet: Sheet,
    name: str,
    model: type[ShelfModel],
    build: Callable[[KeyPath, ShelfModel], Thing | None],
) -> dict[str, Thing]:
    """Things of the shelf by lower-case code; a second one with the same code becomes a complaint."""
    things: dict[str, Thing] = {}
    codes = written_ids(sheet, name, "code")
    for path, table in listed(sheet, name, model):
        if table.code.lower() in codes[: int(path[-1])]:
            sheet.complain(
                (*path, "code"), f'"{table.code}" is taken (codes compare without capitals)', "give it its own"
            )
            continue
        thing = build(path, table)
        if thing is not None:
            things[table.code.lower()] = thing
    return things


def refuse_clashes(owners: Sequence[tuple[Sheet, KeyPath, str, str]]) -> None:
    """Complain of every id that occurs twice among (sheet, path, noun, id): subjects and topics use the id alone."""
    first: dict[str, str] = {}
    for sheet, path, noun, id in owners:
        if id in first:
            sheet.complain(
                path, f'"{id}" is the id of a {first[id]} already', "ids go without their kind: choose another"
            )
        first.setdefault(id, noun)
