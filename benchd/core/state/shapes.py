"""Derives how declared types look in a state: a shape for each annotation, the layout of tagged types, a digest of all.

Plain forms: None, bool, int, float, str and bytes stand for themselves; an enum is its value; a list, tuple, set or
deque is a list; a dict is a list of keys and values in turn; runs of floats, or of equally long rows of floats, are
bytes; an array is [dtype, shape, is half of it enough, bytes]; a tagged object is [number in the legend, field, ...];
one seen before is [its number]; a given one is [its name].  `Any` admits JSON values and keeps tuples apart from lists.
"""

from __future__ import annotations

import hashlib
import types
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from enum import Enum
from typing import Any, Literal, Union, get_args, get_origin

import numpy as np

from benchd.core.state.arrays import read_array, write_array
from benchd.core.state.errors import StateError
from benchd.core.state.fields import access_to, declared_fields, is_value
from benchd.core.state.runs import items_of, mapping_of, places_of, rows_of
from benchd.core.state.shape import SCALARS, Shape, enum_of, literal, needs_of, read_any, scalar, write_any
from benchd.stored import TAGS

MOST_ROWS = 100_000
_LISTS: dict[Any, type] = {
    list: list, tuple: tuple, deque: deque, frozenset: frozenset, set: set, Sequence: tuple,
}  # fmt: skip


_SHAPES: dict[Any, Shape] = {}


def shape_of(annotation: Any) -> Shape:
    """The shape of an annotation, made once.  Raises StateError for one a state cannot hold."""
    try:
        found = _SHAPES.get(annotation)
    except TypeError:  # an unhashable Literal or the like
        return _made(annotation)
    if found is None:
        found = _SHAPES[annotation] = _made(annotation)
    return found


def _made(annotation: Any) -> Shape:
    origin, args = get_origin(annotation), get_args(annotation)
    if annotation is Any or annotation is object:
        return Shape("any", write_any, read_any, (object,))
    if annotation in (None, type(None)):
        return scalar(type(None), "none")
    if annotation in SCALARS:
        return scalar(annotation, annotation.__name__)
    if origin is Literal:
        return literal(args)
    if origin in (Union, types.UnionType):
        return _union([shape_of(a) for a in args])
    if annotation is np.ndarray or origin is np.ndarray:
        return Shape("array", write_array, read_array, (np.ndarray,))
    if origin in (dict, Mapping):
        return mapping_of(shape_of(args[0]), shape_of(args[1]), rows_of(args[1]))
    if origin in _LISTS:
        return _run(_LISTS[origin], args)
    if isinstance(annotation, type) and issubclass(annotation, Enum):
        return enum_of(annotation)
    if isinstance(annotation, type):
        return _tagged(annotation)
    raise StateError(f"a state cannot hold {annotation!r}")


def _run(kind: type, args: tuple[Any, ...]) -> Shape:
    """A sequence: of one type throughout, or (tuple[a, b]) of one type a place."""
    if kind is tuple and not (len(args) == 2 and args[1] is ...):
        return places_of([shape_of(a) for a in args])
    if _is_table(args[0]):
        return _table(kind, args[0])
    return items_of(kind, shape_of(args[0]), rows_of(args[0]))


def _union(members: list[Shape]) -> Shape:
    """One of several: chosen by the Python type when writing, by trying in order of need when reading."""
    readers: dict[type, list[Shape]] = {}
    for member in members:
        for plain in _plain_types(member):
            readers.setdefault(plain, []).append(member)

    def write(value: Any, out: Any) -> Any:
        for member in members:
            if isinstance(value, member.accepts):
                return member.write(value, out)
        raise StateError(f"{type(value).__name__} is none of {says}")

    def read(plain: Any, source: Any) -> Any:
        problem: StateError | None = None
        for member in readers.get(type(plain), ()):
            try:
                return member.read(plain, source)
            except StateError as error:
                problem = problem or error
        raise problem or StateError(f"{plain!r:.40} is none of {says}")

    tagged = [m for m in members if m.needs and m.says.startswith("<")]
    if len(tagged) > 1:
        members = [m for m in members if m not in tagged] + [_any_of([t for m in tagged for t in m.needs])]
        return _union(members)
    if sum(list in _plain_types(m) for m in members) > 1:
        raise StateError(f"{[m.says for m in members]} cannot be told apart in a state")
    says = "|".join(m.says for m in members)
    return Shape(says, write, read, tuple(t for m in members for t in m.accepts), needs_of(members))


def _plain_types(shape: Shape) -> tuple[type, ...]:
    """The types a shape's plain form can have."""
    if object in shape.accepts:
        return (type(None), bool, int, float, str, list, dict)
    out = [t for t in shape.accepts if t in SCALARS or t is type(None)]
    if shape.accepts and issubclass(shape.accepts[0], Enum):
        return (str,)
    return tuple(out) if out else (bytes, list)


class Layout:
    """A tagged type's fields by name, and how to take an instance apart and put one together."""

    __slots__ = ("cls", "get", "is_value", "names", "set", "shapes", "tag", "writers")

    def __init__(self, cls: type) -> None:
        self.cls, self.tag = cls, TAGS[cls]
        declared = declared_fields(cls)
        self.names = tuple(declared)
        self.shapes = tuple(shape_of(a) for a in declared.values())
        self.writers = tuple(shape.write for shape in self.shapes)
        self.is_value = is_value(cls)
        self.get, self.set = access_to(cls, self.names)


_LAYOUTS: dict[type, Layout] = {}


def layout_of(cls: type) -> Layout:
    """The layout of a tagged type, made once.  Raises StateError for an untagged one."""
    found = _LAYOUTS.get(cls)
    if found is None:
        if cls not in TAGS:
            raise StateError(f"{cls.__module__}.{cls.__qualname__} has no tag: declare one with @stored")
        found = _LAYOUTS[cls] = Layout(cls)
    return found


def _tagged(cls: type) -> Shape:
    """A tagged class, or any tagged class below it."""
    kinds = [t for t in TAGS if issubclass(t, cls)]
    if not kinds:
        raise StateError(f"{cls.__module__}.{cls.__qualname__} has no tag: declare one with @stored")
    return _any_of(kinds, cls)


def _any_of(kinds: Sequence[type], above: type | None = None) -> Shape:
    kinds = sorted(set(kinds), key=TAGS.__getitem__)
    accepts = tuple(kinds) if above is None else (above,)

    def write(value: Any, out: Any) -> Any:
        if not isinstance(value, accepts):
            raise StateError(f"{type(value).__name__} is no {says}")
        return out.tagged(value)

    def read(plain: Any, source: Any) -> Any:
        value = source.tagged(plain)
        if not isinstance(value, accepts):
            raise StateError(f"{type(value).__name__} is no {says}")
        return value

    says = f"<{' '.join(TAGS[t] for t in kinds)}>"
    return Shape(says, write, read, accepts, tuple(kinds))


def closure(roots: Iterable[type]) -> list[type]:
    """All tagged types a state made of these can hold, by tag.  Raises StateError for what cannot be held."""
    seen: dict[type, None] = {}
    queue = list(roots)
    while queue:
        cls = queue.pop()
        if cls not in seen:
            seen[cls] = None
            queue += needs_of(layout_of(cls).shapes)
    return sorted(seen, key=TAGS.__getitem__)


def digest_of(roots: Iterable[type]) -> str:
    """A digest of every tag, field name and field type a state made of these can hold: 16 hexadecimal digits."""
    lines = []
    for cls in closure(roots):
        layout = layout_of(cls)
        inside = ",".join(f"{n}:{s.says}" for n, s in zip(layout.names, layout.shapes, strict=True))
        lines.append(f"{layout.tag}({inside})")
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()[:16]


def _is_table(item: Any) -> bool:
    """True if many of these are best written by column: a value class of nothing but numbers and arrays."""
    if not (isinstance(item, type) and item in TAGS and is_value(item) and not item.__subclasses__()):
        return False
    return all(a in (float, int, bool) or get_origin(a) is np.ndarray for a in declared_fields(item).values())


def _table(kind: type, cls: type) -> Shape:
    """A sequence of numbers' records, written field by field; a value among them is written again, not referred to."""
    layout = layout_of(cls)
    runs = [_column(a) for a in declared_fields(cls).values()]

    def write(value: Any, out: Any) -> Any:
        columns = zip(*[layout.get(v) for v in value], strict=True)
        written = [run.write(list(column), out) for run, column in zip(runs, columns, strict=False)]
        return [getattr(value, "maxlen", None), len(value), *written]

    def read(plain: Any, source: Any) -> Any:
        match plain:
            case [None | int() as most, int(count), *columns] if 0 <= count <= MOST_ROWS:
                if len(columns) != (len(runs) if count else 0):
                    raise StateError(f"{len(columns)} columns of {layout.tag}")
                read = [run.read(c, source) for run, c in zip(runs, columns, strict=False)]
                if any(len(c) != count for c in read):
                    raise StateError(f"columns of {layout.tag} of unequal length")
                items = [layout.set(list(row)) for row in zip(*read, strict=True)]
                return deque(items, most) if kind is deque else kind(items)
        raise StateError(f"{plain!r:.40} is no table")

    return Shape(f"{kind.__name__}[{layout.tag}]", write, read, (kind,), (cls,))


def _column(annotation: Any) -> Shape:
    """One field of many records: floats as a run, arrays of one shape as one array, else one by one."""
    single = shape_of(annotation)
    if get_origin(annotation) is not np.ndarray:
        return items_of(list, single, rows_of(annotation))

    def write(value: Any, out: Any) -> Any:
        alike = len({(v.dtype, v.shape) for v in value}) == 1
        return [alike, single.write(np.stack(value), out) if alike else [single.write(v, out) for v in value]]

    def read(plain: Any, source: Any) -> Any:
        match plain:
            case [True, stacked]:
                whole = single.read(stacked, source)
                return [whole[i].copy() for i in range(len(whole))] if whole.ndim else []
            case [False, list(each)]:
                return [single.read(v, source) for v in each]
        raise StateError(f"{plain!r:.40} is no column of arrays")

    return Shape(f"column[{single.says}]", write, read, (list,))
