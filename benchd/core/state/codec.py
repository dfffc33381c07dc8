"""Writes an engine's parts as bounded bytes and reads them back: one pass each way over the declared fields.

What is written: a heading {v, digest, given, legend} and the parts.  Objects are numbered as they are finished, so a
reference always points backwards and a state cannot contain itself.  msgspec's MessagePack makes the bytes.
"""

from __future__ import annotations

import hashlib
from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

import msgspec

from benchd.core.state.errors import StateError
from benchd.core.state.shapes import Layout, layout_of, shape_of
from benchd.stored import TAGS, TYPES

STATE_VERSION = 8
"""Raised when the meaning of a stored field changes while its name and type stay; the digest catches all else."""
MOST_BYTES = 4 * 2**20  # forty times a bench of two pots and six cups in mid-pour
MOST_OBJECTS = 200_000


class Given:
    """What both sides work out from the configuration instead of writing it: values by number, tables by name.

    `items` hold the values, in an order that follows from the configuration alone.  `named`: larger things, by a digest
    of their own content; one that is missing makes a state that needs it unreadable, one too many does no harm.
    """

    def __init__(self, items: Iterable[Any] = (), named: Mapping[str, Any] | None = None) -> None:
        self.named = dict(named or {})
        self.values: list[Any] = []
        self._by_value: dict[Any, int] = {}
        self._by_text: dict[bytes, int] = {}
        self._by_id: dict[int, int] = {}
        for value in values_within(list(items)):
            self._add(value)
        self.digest = hashlib.sha256(b"".join(self._by_text)).hexdigest()[:16]

    def _add(self, value: Any) -> None:
        if is_hashable(value) and value in self._by_value:
            return
        text = self._text(value)
        number = self._by_text.setdefault(text, len(self.values))
        if number == len(self.values):
            self.values.append(value)
            self._by_id[id(value)] = number
            if is_hashable(value):
                self._by_value[value] = number

    def _text(self, value: Any) -> bytes:
        """A value's own bytes, what it holds by number: equal bytes, equal values."""
        out = Writer(self)
        plain = out.in_full(value, layout_of(type(value)), False)
        return msgspec.msgpack.encode([[layout.tag for layout in out.legend], plain])

    def number_of(self, value: Any, can_hash: bool) -> int | None:
        """The number of a given value equal to this one; None if there is none."""
        if can_hash:
            return self._by_value.get(value)
        known = self._by_id.get(id(value))
        return known if known is not None else self._by_text.get(self._text(value))


class Writer:
    """One writing pass."""

    def __init__(self, given: Given) -> None:
        self.legend: list[Layout] = []
        self._places: dict[type, int] = {}
        self._ids: dict[int, int] = {}
        self._values: dict[Any, int] = {}
        self._kept: list[Any] = []
        self._under_way: set[int] = set()
        self._given = given
        self._count = 0

    def tagged(self, item: Any) -> Any:
        """The plain form of a tagged object: in full the first time, then by number; given ones by theirs."""
        number = self._ids.get(id(item))
        if number is not None:
            return [number]
        cls = type(item)
        layout = layout_of(cls)
        name = getattr(cls, "given_name", None)
        if name is not None:
            return [name(item)]
        can_hash = False
        if layout.is_value:
            try:
                number, can_hash = self._values.get(item), True
            except TypeError:
                number = None
            if number is not None:
                return [number]
            given = self._given.number_of(item, can_hash)
            if given is not None:
                return [-1 - given]
        return self.in_full(item, layout, can_hash)

    def in_full(self, item: Any, layout: Layout, can_hash: bool) -> list[Any]:
        """The plain form with all fields written out; equal values after it refer to it if they can be hashed."""
        if id(item) in self._under_way:
            raise StateError(f"{type(item).__name__} contains itself")
        self._under_way.add(id(item))
        plain: list[Any] = [self._place(layout)]
        plain += [write(v, self) for write, v in zip(layout.writers, layout.get(item), strict=True)]
        if len(plain) == 1:
            plain.append(None)  # a list of one is a reference
        self._under_way.discard(id(item))
        self._ids[id(item)] = self._count
        if can_hash:
            self._values[item] = self._count
        self._kept.append(item)  # an id is only good while its object lives
        self._count += 1
        return plain

    def _place(self, layout: Layout) -> int:
        found = self._places.get(layout.cls)
        if found is None:
            found = self._places[layout.cls] = len(self.legend)
            self.legend.append(layout)
        return found


class Reader:
    """One reading pass."""

    def __init__(self, legend: Sequence[Layout], given: Given) -> None:
        self._legend, self._given = legend, given
        self._done: list[Any] = []

    def tagged(self, plain: Any) -> Any:
        """The object of a plain form.  Raises StateError."""
        if type(plain) is not list or not plain:
            raise StateError(f"{plain!r:.40} is no tagged value")
        if len(plain) == 1:
            return self._known(plain[0])
        place = plain[0]
        if type(place) is not int or not 0 <= place < len(self._legend) or len(self._done) >= MOST_OBJECTS:
            raise StateError(f"{place!r:.40} is not in the legend")
        layout = self._legend[place]
        if len(plain) - 1 != max(1, len(layout.names)):
            raise StateError(f"{layout.tag} with {len(plain) - 1} fields")
        values = [shape.read(v, self) for shape, v in zip(layout.shapes, plain[1:], strict=False)]
        item = layout.set(values)
        self._done.append(item)
        return item

    def _known(self, name: Any) -> Any:
        try:
            if type(name) is str:
                return self._given.named[name]
            if type(name) is int:
                return self._done[name] if name >= 0 else self._given.values[-1 - name]
        except (KeyError, IndexError):
            pass
        raise StateError(f"{name!r:.40} refers to nothing that is known here")


def pack(parts: Sequence[Any], annotations: Sequence[Any], given: Given, digest: str) -> bytes:
    """The parts as bytes, each written as its annotation.  Raises StateError for what a state cannot hold."""
    out = Writer(given)
    plain = [shape_of(a).write(part, out) for part, a in zip(parts, annotations, strict=True)]
    legend = [layout.tag for layout in out.legend]
    whole = msgspec.msgpack.encode([STATE_VERSION, digest, given.digest, legend, plain])
    if len(whole) > MOST_BYTES:
        raise StateError(f"{len(whole)} bytes; at most {MOST_BYTES}")
    return whole


def unpack(blob: bytes, annotations: Sequence[Any], given: Given, digest: str) -> list[Any]:
    """What `pack` was given.  Raises StateError for a blob that is damaged, too large, or of another version."""
    if len(blob) > MOST_BYTES:
        raise StateError(f"{len(blob)} bytes; at most {MOST_BYTES}")
    try:
        match msgspec.msgpack.decode(blob):
            case [int(version), str(types), str(known), list(legend), list(plain)]:
                _check(version, types, known, given, digest)
                reader = Reader([_layout(tag) for tag in legend], given)
                return [shape_of(a).read(p, reader) for a, p in zip(annotations, plain, strict=True)]
    except StateError:
        raise
    except (msgspec.MsgspecError, ValueError, TypeError, RecursionError, OverflowError) as error:
        raise StateError(f"not a state: {type(error).__name__}: {error}") from None
    raise StateError("not a state")


def _check(version: int, types: str, known: str, given: Given, digest: str) -> None:
    if version != STATE_VERSION:
        raise StateError(f"state version {version}, not {STATE_VERSION}")
    if types != digest:
        raise StateError(f"its types ({types}) are not this version's ({digest})")
    if known != given.digest:
        raise StateError("it was made with other settings")


def _layout(tag: Any) -> Layout:
    """The fields of a legend's entry: the digest has vouched for their names, order and types."""
    if type(tag) is str and tag in TYPES:
        return layout_of(TYPES[tag])
    raise StateError(f"{tag!r:.60} is no type this version stores")


def is_hashable(value: Any) -> bool:
    """True if it can be a key of a dict."""
    try:
        hash(value)
    except TypeError:
        return False
    return True


def values_within(item: Any, seen: set[int] | None = None) -> Iterator[Any]:
    """Every value (frozen tagged object) inside an object once, inner ones first, in the order of its fields."""
    seen = set() if seen is None else seen
    if id(item) in seen:
        return
    if isinstance(item, list | tuple | dict | deque):
        for part in item.values() if isinstance(item, dict) else item:
            yield from values_within(part, seen)
    elif type(item) in TAGS:
        seen.add(id(item))
        layout = layout_of(type(item))
        for part in layout.get(item):
            yield from values_within(part, seen)
        if layout.is_value:
            yield item
