"""Lists a tagged class's fields by name and declared type; takes instances apart and puts them together.

Putting together sets the fields and calls nothing of the class, except for settings, which check themselves.
"""

from __future__ import annotations

import typing
from collections.abc import Callable, Sequence
from dataclasses import fields, is_dataclass
from operator import attrgetter
from typing import Any, ClassVar, get_origin

from pydantic import BaseModel

from benchd.core.state.errors import StateError


def is_value(cls: type) -> bool:
    """True if an instance is a value, so that equal ones may become one: frozen dataclasses and frozen settings are."""
    if is_dataclass(cls):
        return bool(cls.__dataclass_params__.frozen)  # type: ignore[attr-defined]
    return issubclass(cls, BaseModel) and bool(cls.model_config.get("frozen"))


def declared_fields(cls: type) -> dict[str, Any]:
    """Field name -> annotation, resolved."""
    if issubclass(cls, BaseModel):
        return {name: field.annotation for name, field in cls.model_fields.items()}
    hints = typing.get_type_hints(cls)
    if is_dataclass(cls):
        return {f.name: hints[f.name] for f in fields(cls)}
    return {name: hint for name, hint in hints.items() if get_origin(hint) is not ClassVar}


def access_to(cls: type, names: tuple[str, ...]) -> tuple[Callable[[Any], Sequence[Any]], Callable[[list[Any]], Any]]:
    """(instance -> its field values, field values -> instance)."""
    if issubclass(cls, BaseModel):
        model: type[BaseModel] = cls
        return _getter(names), lambda values: model(**dict(zip(names, values, strict=True)))
    if not hasattr(cls, "__slots__") or "__dict__" in dir(cls):
        return lambda x: _own(x, names), lambda values: _filled(cls, names, values)
    setters = tuple(getattr(cls, name).__set__ for name in names)

    def made(values: list[Any]) -> Any:
        item = object.__new__(cls)
        for put, value in zip(setters, values, strict=True):
            put(item, value)
        return item

    return _getter(names), made


def _getter(names: tuple[str, ...]) -> Callable[[Any], Sequence[Any]]:
    """Instance -> the values of these attributes."""
    if len(names) < 2:
        return lambda x: [getattr(x, n) for n in names]
    return attrgetter(*names)


def _own(item: Any, names: tuple[str, ...]) -> list[Any]:
    kept = item.__dict__
    if len(kept) != len(names):
        extra = sorted(set(kept) ^ set(names))
        raise StateError(f"{type(item).__name__} keeps what it does not declare, or the reverse: {extra}")
    return [kept[name] for name in names]


def _filled(cls: type, names: tuple[str, ...], values: list[Any]) -> Any:
    item: Any = object.__new__(cls)
    item.__dict__.update(zip(names, values, strict=True))
    return item
