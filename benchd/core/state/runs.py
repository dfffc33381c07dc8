"""Shapes of containers: mappings, tuples of one type a place, sequences; runs of floats are packed as bytes."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, get_args, get_origin

import numpy as np

from benchd.core.state.arrays import bytes_apart
from benchd.core.state.errors import StateError
from benchd.core.state.shape import Shape, needs_of


def mapping_of(key: Shape, value: Shape, rows: Rows | None = None) -> Shape:
    """Keys and values in turn; where the values are rows of floats: [keys, the rows packed]."""

    def write(given: Any, out: Any) -> Any:
        packed = _packed(given.values(), rows) if rows is not None and len(given) > 1 else None
        if packed is not None:
            return [[key.write(k, out) for k in given], packed]
        plain: list[Any] = []
        for k, v in given.items():
            plain.append(key.write(k, out))
            plain.append(value.write(v, out))
        return plain

    def read(plain: Any, source: Any) -> Any:
        match plain:
            case [list(keys), bytes(packed)] if rows is not None:
                values = _unpacked(packed, rows)
                if len(values) != len(keys):
                    raise StateError(f"{len(keys)} keys with {len(values)} values")
                return {key.read(k, source): v for k, v in zip(keys, values, strict=True)}
            case list() if len(plain) % 2 == 0:
                pairs = iter(plain)
                return {key.read(k, source): value.read(v, source) for k, v in zip(pairs, pairs, strict=True)}
        raise StateError(f"{plain!r:.40} is no mapping")

    return Shape(f"{{{key.says}:{value.says}}}", write, read, (dict, Mapping), needs_of((key, value)))


def places_of(items: list[Shape]) -> Shape:
    """A tuple of these types, one a place."""
    size = len(items)

    def write(value: Any, out: Any) -> Any:
        if len(value) != size:
            raise StateError(f"a tuple of {len(value)}, not {size}")
        return [item.write(v, out) for item, v in zip(items, value, strict=True)]

    def read(plain: Any, source: Any) -> Any:
        if type(plain) is not list or len(plain) != size:
            raise StateError(f"{plain!r:.40} is no tuple of {size}")
        return tuple([item.read(v, source) for item, v in zip(items, plain, strict=True)])

    return Shape(f"({','.join(i.says for i in items)})", write, read, (tuple,), needs_of(items))


def items_of(kind: type, item: Shape, rows: Rows | None) -> Shape:
    """A sequence or set of one item type; where the items are rows of floats they are packed as bytes."""
    make: Callable[[list[Any]], Any] = kind

    def write(value: Any, out: Any) -> Any:
        most = value.maxlen if kind is deque else None
        if kind in (set, frozenset):
            value = sorted(value)
        packed = _packed(value, rows) if rows is not None and len(value) > 1 else None
        plain: Any = packed if packed is not None else [item.write(v, out) for v in value]
        return [most, plain] if kind is deque else plain

    def read(plain: Any, source: Any) -> Any:
        most = None
        if kind is deque:
            if type(plain) is not list or len(plain) != 2 or not (plain[0] is None or type(plain[0]) is int):
                raise StateError(f"{plain!r:.40} is no deque")
            most, plain = plain
        if type(plain) is bytes and rows is not None:
            items = _unpacked(plain, rows)
        elif type(plain) is list:
            items = [item.read(v, source) for v in plain]
        else:
            raise StateError(f"{plain!r:.40} is no {kind.__name__}")
        return deque(items, most) if kind is deque else make(items)

    return Shape(f"{kind.__name__}[{item.says}]", write, read, (kind,), item.needs)


def _packed(values: Iterable[Any], rows: Rows) -> bytes | None:
    """Rows of floats as bytes; None where something among them is not a float."""
    flat = [x for row in values for x in rows.apart(row)]
    if not all(type(x) is float for x in flat):
        return None
    return bytes_apart(np.array(flat), 8 * rows.columns)


def _unpacked(data: bytes, rows: Rows) -> list[Any]:
    width = 8 * rows.columns
    if len(data) % width:
        raise StateError("a run of floats is cut off")
    table = np.ascontiguousarray(np.frombuffer(data, np.uint8).reshape(width, -1).T)
    flat: list[list[float]] = table.reshape(-1).view("<f8").reshape(-1, rows.columns).tolist()
    return [rows.together(row) for row in flat]


class Rows:
    """Items that are all floats, `columns` of them each: how one is taken apart and put together."""

    __slots__ = ("apart", "columns", "together")

    def __init__(
        self, columns: int, apart: Callable[[Any], Sequence[Any]], together: Callable[[list[float]], Any]
    ) -> None:
        self.columns, self.apart, self.together = columns, apart, together


def rows_of(item: Any) -> Rows | None:
    """How items of this type are rows of floats; None if they are not."""
    if item is float:
        return Rows(1, lambda x: (x,), lambda row: row[0])
    args = get_args(item)
    if get_origin(item) is tuple and args and all(a is float for a in args):
        return Rows(len(args), lambda x: x, tuple)
    return None
