"""A shape: how values of one declared type are written and read; those of single values and of plain JSON."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from enum import Enum
from typing import Any

import numpy as np

from benchd.core.state.errors import StateError

Write = Callable[[Any, Any], Any]
"""(value, the writing pass) -> plain form."""
Read = Callable[[Any, Any], Any]
"""(plain form, the reading pass) -> value."""

SCALARS = (int, float, str, bytes, bool)
MOST_ANY_DEPTH = 16


class Shape:
    """How values of one annotation are written and read; `says` names it in the digest, `needs` are tagged types."""

    __slots__ = ("accepts", "needs", "read", "says", "write")

    def __init__(
        self, says: str, write: Write, read: Read, accepts: tuple[type, ...], needs: tuple[type, ...] = ()
    ) -> None:
        self.says, self.write, self.read, self.accepts, self.needs = says, write, read, accepts, needs


def needs_of(shapes: Iterable[Shape]) -> tuple[type, ...]:
    """The tagged types these shapes can hold, each once."""
    return tuple(dict.fromkeys(t for shape in shapes for t in shape.needs))


def scalar(kind: type, says: str) -> Shape:
    """Values of one plain type, named `says` in the digest; whole numbers are taken for floats."""
    allowed = (float, int) if kind is float else (kind,)

    def write(value: Any, _: Any) -> Any:
        if type(value) in allowed:
            return value
        if kind is float and isinstance(value, float):  # a numpy scalar
            return float(value)
        raise StateError(f"{value!r} is no {says}")

    def read(plain: Any, _: Any) -> Any:
        if type(plain) in allowed:
            return plain
        raise StateError(f"{plain!r:.40} is no {says}")

    return Shape(says, write, read, (kind, *((np.floating, int) if kind is float else ())))


def literal(values: tuple[Any, ...]) -> Shape:
    """One of these values."""

    def same(value: Any, _: Any) -> Any:
        if value in values:
            return value
        raise StateError(f"{value!r:.40} is none of {values}")

    return Shape(f"one of {'|'.join(map(str, values))}", same, same, tuple(dict.fromkeys(type(v) for v in values)))


def enum_of(kind: type[Enum]) -> Shape:
    """A member of this enum, kept as its value."""
    by_value = {member.value: member for member in kind}

    def read(plain: Any, _: Any) -> Any:
        try:
            return by_value[plain]
        except (KeyError, TypeError):
            raise StateError(f"{plain!r:.40} is no {kind.__name__}") from None

    return Shape(f"enum {'|'.join(map(str, by_value))}", lambda value, _: value.value, read, (kind,))


def write_any(value: Any, _: Any = None, depth: int = 0) -> Any:
    """The plain form of a JSON value without a declared type."""
    if depth > MOST_ANY_DEPTH:
        raise StateError("nested too deep")
    if value is None or type(value) in (bool, int, float, str):
        return value
    if isinstance(value, float):
        return float(value)
    if isinstance(value, Mapping):
        return {str(k): write_any(v, _, depth + 1) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [isinstance(value, tuple), *(write_any(v, _, depth + 1) for v in value)]
    raise StateError(f"{type(value).__name__} has no place among plain values")


def read_any(plain: Any, _: Any = None, depth: int = 0) -> Any:
    """The JSON value `write_any` wrote."""
    if depth > MOST_ANY_DEPTH:
        raise StateError("nested too deep")
    if plain is None or type(plain) in (bool, int, float, str):
        return plain
    if type(plain) is dict and all(type(k) is str for k in plain):
        return {k: read_any(v, _, depth + 1) for k, v in plain.items()}
    if type(plain) is list and plain and type(plain[0]) is bool:
        items = [read_any(v, _, depth + 1) for v in plain[1:]]
        return tuple(items) if plain[0] else items
    raise StateError(f"{plain!r:.40} is no plain value")
